"""The straight sides of a card: edges of many short pieces, and a line through them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import Points
from grader.locate.card_edge import BLURS_PX, LEAST_SPAN_PX, EdgeFit, EdgeModel, fit_edges, steepest
from grader.records import LIN_FROM_SRGB8, MatPose, Photo, Values

SAMPLE_PX = 0.25
"""Between samples across an edge, in photo pixels."""
LINE_MM = 0.5
"""Between profiles along a side."""
PIECE_LINES = 6
"""Profiles averaged into one piece of 3 mm: JPEG noise goes down, artwork stays local."""
LEAST_PIECES = 4
PAPER_FROM_MM, PAPER_TO_MM = 2.0, 4.0
"""Paper is judged on a frame around the card: beyond its shadow ..."""
PAPER_PERCENTILE = 60.0
"""... by the brighter part: leaves and shadows lie there too."""
MOST_OFF_MM, MOST_OFF_PX, MOST_OFF_SCATTERS = 0.04, 0.35, 3.0
"""A piece further off the line than all three is left out: it is covered, or artwork taken for the edge."""


@dataclass(frozen=True, slots=True, eq=False)
class LitCrop:
    """A piece of the photo in linear light, and where it was."""

    linear: NDArray[np.float32]
    corner_px: tuple[int, int]
    paper: Values
    """(3,) level of paper nearby."""

    def at(self, points_px: Points) -> Values:
        """Return (..., N, 3) light, lit paper = 1, at photo positions (..., N, 2)."""
        flat = (points_px - np.asarray(self.corner_px)).astype(np.float32).reshape(-1, points_px.shape[-2], 2)
        seen = cv2.remap(
            self.linear, flat[..., 0], flat[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(seen.reshape(*points_px.shape[:-1], 3) / self.paper)


def lit_crop(photo: Photo, pose: MatPose, corners_mm: Points) -> LitCrop:
    """Return the part of the photo around a card with these corners (4, 2)."""
    middle = corners_mm.mean(axis=0)
    reach = np.hypot(*(corners_mm - middle).T)[:, None]
    outward = (corners_mm - middle) / reach
    wide = pose.plane.px_from_mm(corners_mm + math.sqrt(2) * (PAPER_TO_MM + 1.0) * outward)
    height, width = photo.rgb.shape[:2]
    low = np.clip(np.floor(wide.min(axis=0)).astype(int), 0, [width - 2, height - 2])
    high = np.clip(np.ceil(wide.max(axis=0)).astype(int), low + 2, [width, height])
    linear = LIN_FROM_SRGB8[photo.rgb[low[1] : high[1], low[0] : high[0]]]
    crop = LitCrop(linear, (int(low[0]), int(low[1])), np.ones(3))
    share = np.linspace(0.0, 1.0, 60, endpoint=False)[None, :, None]
    frames = [corners_mm + math.sqrt(2) * off * outward for off in (PAPER_FROM_MM, PAPER_TO_MM)]
    frame_mm = np.stack([f[:, None] + share * (np.roll(f, -1, axis=0) - f)[:, None] for f in frames])
    light = crop.at(pose.plane.px_from_mm(frame_mm.reshape(-1, 2)))
    brightness = light.sum(axis=1)
    paper = light[brightness >= np.percentile(brightness, PAPER_PERCENTILE)].mean(axis=0)
    return replace(crop, paper=np.maximum(paper, 1e-3))


@dataclass(frozen=True, slots=True)
class Search:
    """How a side is looked for."""

    reach_mm: float
    """How far from where it is expected."""
    model: EdgeModel | None = None
    """None: by the steepest change."""
    blurs_px: tuple[float, ...] = BLURS_PX


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One straight side, as seen on the mat plane."""

    middle_mm: Points
    """(2,) on the line."""
    direction: Points
    """(2,) unit vector along it."""
    outward: Points
    """(2,) unit vector away from the card."""
    seen_share: float
    """Share of the pieces that fit the line."""
    sigma_mm: float
    """Standard uncertainty of the line at its middle, by the scatter of its pieces."""
    beside: float
    """Light of the paper where it meets the card, lit paper = 1: little in the card's own shadow."""
    blur_px: float


def find_side(
    crop: LitCrop, pose: MatPose, ends_mm: tuple[Points, Points], outward: Points, search: Search
) -> Side | None:
    """Return the side near a line from one end to the other; None where too few pieces show an edge."""
    start, end = ends_mm
    length = float(np.hypot(*(end - start)))
    n_pieces = int(length / (LINE_MM * PIECE_LINES))
    if n_pieces < LEAST_PIECES:
        return None
    direction = (end - start) / length
    along = (np.arange(n_pieces * PIECE_LINES) + 0.5) * length / (n_pieces * PIECE_LINES)
    px_per_mm = float(pose.plane.px_per_mm_at(((start + end) / 2)[None])[0])
    least_mm = LEAST_SPAN_PX / px_per_mm
    inside, outside = (search.model.inside_mm, search.model.outside_mm) if search.model else (0.0, 0.0)
    across = np.arange(
        -search.reach_mm - max(inside, least_mm),
        search.reach_mm + max(outside, least_mm),
        SAMPLE_PX / px_per_mm,
    )
    grid = start + along[:, None, None] * direction + across[None, :, None] * outward
    light = crop.at(pose.plane.px_from_mm(grid.reshape(-1, 2)).reshape(grid.shape))
    profiles = light.reshape(n_pieces, PIECE_LINES, len(across), 3).mean(axis=1)
    if search.model is None:
        fit = steepest(profiles, across, search.reach_mm)
    else:
        fit = fit_edges(profiles, across, search.reach_mm, px_per_mm, search.model, search.blurs_px)
    middles = along.reshape(n_pieces, PIECE_LINES).mean(axis=1)
    return _line_through(fit, middles, (start, direction, outward), px_per_mm)


def _line_through(
    fit: EdgeFit, along: Values, frame: tuple[Points, Points, Points], px_per_mm: float
) -> Side | None:
    """Return the line through the pieces, without those that lie off it."""
    start, direction, outward = frame
    found = np.isfinite(fit.off_mm)
    off, centred, keep = np.nan_to_num(fit.off_mm), along - along.mean(), found
    if keep.sum() < LEAST_PIECES:
        return None
    level, slope = _sturdy_line(centred[keep], off[keep])
    for _ in range(4):
        rest = np.abs(off - level - slope * centred)
        scatter = 1.4826 * float(np.median(rest[keep]))
        keep = found & (rest < max(MOST_OFF_SCATTERS * scatter, MOST_OFF_MM, MOST_OFF_PX / px_per_mm))
        if keep.sum() < LEAST_PIECES:
            return None
        slope, level = (float(value) for value in np.polyfit(centred[keep], off[keep], 1))
    rest = (off - level - slope * centred)[keep]
    turned = direction + slope * outward
    turned = turned / np.hypot(*turned)
    normal = outward - (outward @ turned) * turned
    return Side(
        middle_mm=start + along.mean() * direction + level * outward,
        direction=turned,
        outward=normal / np.hypot(*normal),
        seen_share=float(keep.mean()),
        sigma_mm=float(np.std(rest)) / float(np.sqrt(max(1, int(keep.sum()) - 2))),
        beside=float(np.median(fit.beside[keep])),
        blur_px=fit.blur_px,
    )


def _sturdy_line(x: Values, y: Values) -> tuple[float, float]:
    """Return level at x = 0 and slope by medians (Theil 1950, Sen 1968)."""
    i, j = np.triu_indices(len(x), 1)
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    return float(np.median(y - slope * x)), slope
