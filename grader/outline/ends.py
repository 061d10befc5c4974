"""Which end of a silhouette is the cut base, and how much bare stem follows it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.skeleton import Skeleton, distances_from, skeletons_of, way_back
from grader.records import Mask, Values

LEAST_PEAK = 0.12
"""Places with a smaller probability of being a base are not looked at."""
REACH_MM = 3.0
"""A base is looked for on the skeleton within this distance of where it is likely."""
LOOK_MM = 60.0
"""Length of stem looked at from each end."""
LEAST_RUN_MM = 2.0
BESIDE_MM = 0.4
"""The centre line's probability is taken as the largest this near to the skeleton."""


@dataclass(frozen=True, slots=True, eq=False)
class EndCandidate:
    """One place that may be a cut base; positions in pixels of the reduced mask."""

    node: int
    xy_px: tuple[float, float]
    score: float
    """Probability of being a base."""
    run_mm: float
    """Length of bare stem from this end."""
    half_width_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """All candidates of one silhouette, best first, and its skeleton."""

    candidates: tuple[EndCandidate, ...]
    skeleton: Skeleton
    longest_way_mm: float
    branching: float
    """Length of the whole skeleton over the longest way through it: 1 for a bare stick."""


@dataclass(frozen=True, slots=True, eq=False)
class EndMaps:
    """Probabilities (h, w) on the reduced crop: of a base, and of the stem's line, bare and leafy."""

    base: NDArray[np.float32]
    bare_axis: NDArray[np.float32]
    leafy_axis: NDArray[np.float32]


def find_ends(masks: list[Mask], maps: list[EndMaps], mm_per_px: float) -> list[Ends | None]:
    """Return the places of each silhouette that may be a cut base, or None for what has no length.

    Parameters
    ----------
    masks : list of (h, w) bool
        One silhouette each.
    maps : list of EndMaps
        Of the same windows.
    mm_per_px : float
    """
    skeletons = [
        skeleton if skeleton is not None and len(skeleton.ends) > 1 else None
        for skeleton in skeletons_of(masks)
    ]
    usable = [skeleton for skeleton in skeletons if skeleton is not None]
    if not usable:
        return [None] * len(masks)
    graph = usable[0].graph
    lengths, _ = distances_from(graph, [s.part.start + int(s.ends[0]) for s in usable])
    lengths, before = distances_from(graph, [_furthest(lengths, s) for s in usable])
    longest = {s.part.start: float(_reached(lengths[s.part]).max()) for s in usable}
    back = before.tolist()
    middle = [way_back(back, _furthest(lengths, s)) for s in usable]
    from_hub, before = distances_from(graph, [int(way[len(way) // 2]) for way in middle])
    to_hub = before.tolist()
    return [
        _ends_of(skeleton, longest[skeleton.part.start], from_hub, to_hub, of_it, mm_per_px)
        if skeleton is not None and longest[skeleton.part.start] > 0
        else None
        for skeleton, of_it in zip(skeletons, maps, strict=True)
    ]


def _ends_of(
    skeleton: Skeleton,
    longest_px: float,
    from_hub: Values,
    to_hub: list[int],
    maps: EndMaps,
    mm_per_px: float,
) -> Ends:
    """Return the ends of one silhouette, from the distances of all nodes from the middle of theirs."""
    first = skeleton.part.start
    side = 2 * max(1, round(BESIDE_MM / mm_per_px)) + 1
    bare, leafy = (cv2.dilate(m, np.ones((side, side), np.uint8)) for m in (maps.bare_axis, maps.leafy_axis))
    candidates = []
    for xy, score in _peaks(maps.base):
        node = _end_near(skeleton, from_hub[skeleton.part], xy, REACH_MM / mm_per_px)
        if node is None:
            continue
        way = way_back(to_hub, first + node)
        along_mm = (from_hub[first + node] - from_hub[way]) * mm_per_px
        way, along_mm = way[along_mm < LOOK_MM] - first, along_mm[along_mm < LOOK_MM]
        at = skeleton.nodes_xy[way]
        run = _bare_run(bare[at[:, 1], at[:, 0]], leafy[at[:, 1], at[:, 0]], along_mm)
        body = (along_mm <= max(run, LEAST_RUN_MM)) & (along_mm > 0.8)
        half = float(np.median(skeleton.half_width_px[way][body])) * mm_per_px if body.any() else 0.5
        candidates.append(EndCandidate(node, xy, score, run, half))
    candidates.sort(key=lambda candidate: -candidate.score)
    branching = skeleton.length_px / longest_px
    return Ends(tuple(candidates), skeleton, longest_px * mm_per_px, branching)


def way_between_mm(ends: Ends, one: EndCandidate, other: EndCandidate, mm_per_px: float) -> float:
    """Return the length of the way through the silhouette between two ends, mm."""
    first = ends.skeleton.part.start
    lengths, _ = distances_from(ends.skeleton.graph, [first + one.node])
    return float(lengths[first + other.node]) * mm_per_px


def _peaks(base: NDArray[np.float32]) -> list[tuple[tuple[float, float], float]]:
    """Return the centres (x, y) px and heights of the places where a base is likely."""
    likely = (base > LEAST_PEAK).astype(np.uint8)
    left, top, wide, high = cv2.boundingRect(likely)
    if wide == 0:
        return []
    base = base[top : top + high, left : left + wide]
    n_labels, labels, stats, _ = cv2.connectedComponentsWithStats(
        likely[top : top + high, left : left + wide], connectivity=8
    )
    found = []
    for label in range(1, n_labels):
        x, y, width, height, _ = (int(value) for value in stats[label])
        window = (slice(y, y + height), slice(x, x + width))
        rows, columns = np.nonzero(labels[window] == label)
        weight = base[window][rows, columns].astype(np.float64)
        total = float(weight.sum())
        centre = (left + x + float(columns @ weight) / total, top + y + float(rows @ weight) / total)
        found.append((centre, float(weight.max())))
    return found


def _end_near(skeleton: Skeleton, from_hub: Values, xy: tuple[float, float], reach_px: float) -> int | None:
    """Return the reachable skeleton node near a place that lies furthest out."""
    gap = np.hypot(*(skeleton.nodes_xy - np.asarray(xy)).T)
    usable = np.isfinite(from_hub) & (gap < max(reach_px, float(gap.min()) + 1))
    if not usable.any() or float(gap.min()) > 3 * reach_px:
        return None
    return int(np.where(usable, from_hub, -1.0).argmax())


def _bare_run(bare: Values, leafy: Values, along_mm: Values) -> float:
    """Return where along a way the line turns from bare to leafy: the likeliest single change."""
    small = 0.02
    odds = np.log((bare + small) / (leafy + small))
    gain = np.concatenate([[0.0], np.cumsum(odds)])
    best = int(gain.argmax())
    return float(along_mm[min(best, len(along_mm) - 1)])


def _furthest(lengths: Values, skeleton: Skeleton) -> int:
    """Return the node of this skeleton that lies furthest from where lengths are measured from."""
    return int(skeleton.part.start) + int(_reached(lengths[skeleton.part]).argmax())


def _reached(lengths: Values) -> Values:
    return np.where(np.isfinite(lengths), lengths, -1.0)
