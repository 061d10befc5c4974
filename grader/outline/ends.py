"""Which end of a silhouette is the cut base: bare, blunt, woody, far from everything else."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.skeleton import Skeleton, distances_from, skeleton_of, way_back
from grader.records import Mask, Values

CLEAR_RADIUS_MM = 2.5
"""A bare stem leaves the paper beside it free within this distance."""
CLEAR_RATIO = 1.45
"""Plant area in that disc, over the area of a bare bar, above which foliage has begun."""
THICKER_RATIO = 1.6
"""Half width over that of the bar above which the bar has ended."""
STRAY_MM = 4.0
"""A stray needle thickens a bar over less than this; foliage for longer."""
STRAY_SHARE = 0.7
WIDE_HALF_MM = 2.0
"""Wood with a larger half width is wide for its skeleton."""
LOOK_MM = 45.0
"""Length of stem looked at from each end."""
LEAST_ECCENTRICITY = 0.45
"""Ends nearer to the middle than this share of the longest way cannot be the base."""

# Logistic regression on 17,767 skeleton ends of the independent trays, folders a and b, and of 20 studio
# photos, by tests/studies/cut_ends.py: wrong end in 1 of 480.  Features are standardised as
# (feature - mean) / scale.  See ``EndFeatures`` for their order.
FEATURE_MEAN = (0.7952, 2.1202, 0.1684, 0.2487, -0.0029, 0.8242, 0.1199, 0.0094, 0.1806, -0.3375)
FEATURE_SCALE = (0.1255, 0.8659, 0.8087, 0.1512, 0.2060, 0.3815, 0.1004, 0.5441, 0.1888, 0.5721)
FEATURE_WEIGHT = (2.8236, 0.0444, -1.0452, -1.4529, 0.8029, 0.6829, 0.8763, 0.3374, -1.6988, 0.5266)
INTERCEPT = -9.7483


@dataclass(frozen=True, slots=True, eq=False)
class EndCandidate:
    """One end of a silhouette's skeleton; positions in pixels of the reduced mask."""

    node: int
    xy_px: tuple[float, float]
    score: float
    run_mm: float
    """Length of bare bar from this end."""
    half_width_mm: float
    features: tuple[float, ...]
    """What the score was made from; kept for the study that fits the weights."""


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """All candidates of one silhouette, best first, and its skeleton."""

    candidates: tuple[EndCandidate, ...]
    skeleton: Skeleton
    longest_way_mm: float
    branching: float
    """Length of the whole skeleton over the longest way through it: 1 for a bare stick."""


def find_ends(mask: Mask, red: NDArray[np.float32], mm_per_px: float) -> Ends | None:
    """Return the ends of a silhouette with their likeness to a cut base, or None without length.

    Parameters
    ----------
    mask : (h, w) bool
        One silhouette.
    red : (h, w) float32
        ln(R/G) of the smoothed picture: bark is redder than foliage.
    mm_per_px : float
    """
    skeleton = skeleton_of(mask)
    if skeleton is None or len(skeleton.ends) < 2:
        return None
    start = int(skeleton.ends[0])
    from_start = _reached(distances_from(skeleton, start)[0])
    one = int(from_start.argmax())
    lengths, before = distances_from(skeleton, one)
    from_one = _reached(lengths)
    other = int(from_one.argmax())
    from_other = _reached(distances_from(skeleton, other)[0])
    longest_px = float(from_one[other])
    if longest_px <= 0:
        return None
    middle = way_back(before, other)
    hub = int(middle[len(middle) // 2])
    from_hub, to_hub = distances_from(skeleton, hub)
    disc = _disc(CLEAR_RADIUS_MM / mm_per_px)
    crowd = np.asarray(cv2.filter2D(mask.astype(np.float32), ddepth=-1, kernel=disc), dtype=np.float32)
    usual_red = float(np.median(red[mask]))
    candidates = []
    for end in sorted({int(end) for end in skeleton.ends} | {one, other}):
        eccentricity = max(from_one[end], from_other[end]) / longest_px
        if not np.isfinite(from_hub[end]) or eccentricity < LEAST_ECCENTRICITY:
            continue
        way = way_back(to_hub, int(end))
        along_mm = (from_hub[end] - from_hub[way]) * mm_per_px
        way, along_mm = way[along_mm < LOOK_MM], along_mm[along_mm < LOOK_MM]
        candidates.append(
            _judge(skeleton, way, along_mm, crowd, red - usual_red, eccentricity, longest_px, mm_per_px)
        )
    candidates.sort(key=lambda candidate: -candidate.score)
    total_px = float(skeleton.edges.sum()) / 2
    return Ends(tuple(candidates), skeleton, longest_px * mm_per_px, total_px / longest_px)


def way_between_mm(ends: Ends, one: EndCandidate, other: EndCandidate, mm_per_px: float) -> float:
    """Return the length of the way through the silhouette between two ends, mm."""
    return float(distances_from(ends.skeleton, one.node)[0][other.node]) * mm_per_px


def _judge(
    skeleton: Skeleton,
    way: NDArray[np.int64],
    along_mm: Values,
    crowd: NDArray[np.float32],
    redder: NDArray[np.float32],
    eccentricity: float,
    longest_px: float,
    mm_per_px: float,
) -> EndCandidate:
    xy = skeleton.nodes_xy[way]
    half_mm = skeleton.half_width_px[way] * mm_per_px
    reach = float(half_mm[along_mm < 2 * WIDE_HALF_MM + 4].max())
    if reach > WIDE_HALF_MM:
        # The skeleton of wide wood forks into the corners of the cut: start where it is wide.
        first = int(np.argmax(half_mm > 0.8 * reach))
        xy, half_mm, along_mm = xy[first:], half_mm[first:], along_mm[first:] - along_mm[first]
    near = (along_mm > 0.8) & (along_mm < 6.0)
    bar_half_mm = float(np.median(half_mm[near])) if near.any() else float(half_mm.mean())
    disc_mm2 = np.pi * CLEAR_RADIUS_MM**2
    bar_mm2 = min(4 * CLEAR_RADIUS_MM * max(bar_half_mm, 0.2), disc_mm2)
    ratio = crowd[xy[:, 1], xy[:, 0]] * disc_mm2 / bar_mm2
    crowded = (ratio > CLEAR_RATIO) | (half_mm > THICKER_RATIO * bar_half_mm + 0.1)
    crowded &= along_mm > 1.0
    run_mm = float(along_mm[-1])
    for crowded_from_mm in along_mm[crowded]:
        ahead = (along_mm >= crowded_from_mm) & (along_mm < crowded_from_mm + STRAY_MM)
        if crowded[ahead].mean() > STRAY_SHARE:
            run_mm = float(crowded_from_mm)
            break
    bar = along_mm <= max(run_mm, 2.0)
    body = bar & (along_mm > 0.8)
    half = float(np.median(half_mm[bar]))
    uneven = float(np.std(half_mm[body])) / max(half, 0.1) if body.any() else 1.0
    end = (along_mm > 0.2) & (along_mm < 1.0)
    blunt = float(np.median(half_mm[end])) / max(half, 0.1) if end.any() else 0.0
    brown = float(np.clip(np.median(redder[xy[bar, 1], xy[bar, 0]]), -0.5, 1.0))
    features: tuple[float, ...] = (
        eccentricity,
        float(np.log(run_mm + 0.5)),
        float(np.log(half + 0.05)),
        float(np.clip(uneven, 0, 1)),
        brown,
        float(np.clip(blunt, 0, 2)),
        run_mm / (longest_px * mm_per_px),
        float(brown * np.log(run_mm + 0.5)),
        _turn(xy, along_mm),
        _narrower(half_mm, along_mm),
    )
    score = _logistic(np.asarray(features))
    return EndCandidate(int(way[0]), (float(xy[0, 0]), float(xy[0, 1])), score, run_mm, half, features)


def _turn(xy: NDArray[np.int64], along_mm: Values) -> float:
    """Return how far the way turns beyond its first stretch, in half turns: a leaf leaves at an angle."""
    first, beyond = (along_mm > 0.5) & (along_mm < 6.0), (along_mm > 8.0) & (along_mm < 20.0)
    if first.sum() < 3 or beyond.sum() < 3:
        return 0.0
    one = xy[first][-1] - xy[first][0]
    two = xy[beyond][-1] - xy[beyond][0]
    cosine = float(one @ two) / max(float(np.hypot(*one) * np.hypot(*two)), 1e-9)
    return float(np.arccos(np.clip(cosine, -1, 1)) / np.pi)


def _narrower(half_mm: Values, along_mm: Values) -> float:
    """Return the log ratio of half widths, first stretch over the next: a leaf is narrower than its stem."""
    first, beyond = (along_mm > 0.5) & (along_mm < 5.0), (along_mm > 7.0) & (along_mm < 15.0)
    if not first.any() or not beyond.any():
        return 0.0
    ratio = np.median(half_mm[first]) / max(float(np.median(half_mm[beyond])), 0.1)
    return float(np.clip(np.log(max(float(ratio), 0.1)), -1.5, 1.5))


def _logistic(features: Values) -> float:
    standard = (features - np.asarray(FEATURE_MEAN)) / np.asarray(FEATURE_SCALE)
    return float(1 / (1 + np.exp(-(standard @ np.asarray(FEATURE_WEIGHT) + INTERCEPT))))


def _reached(lengths: Values) -> Values:
    return np.where(np.isfinite(lengths), lengths, -1.0)


def _disc(radius_px: float) -> NDArray[np.float32]:
    reach = int(np.ceil(radius_px))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = (np.hypot(x, y) <= radius_px).astype(np.float32)
    return np.asarray(disc / disc.sum(), dtype=np.float32)
