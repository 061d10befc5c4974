"""How much foliage, how much of it browned, and which side shoots count as tips."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from grader.records import Mask, Points, Values
from grader.shape.curves import arc_of
from grader.shape.fields import CuttingFields
from grader.shape.leader import Branches

BROWN_RED, BROWN_BLUE = 0.22, -0.1
"""Foliage is brown where ln(R/G) is above and ln(B/G) below these: greens and glaucous blues have
ln(R/G) below 0, yellow-greens up to 0.1; dead leaves 0.3 to 0.9 (rendered and photographed)."""
STEM_MARGIN_MM = 0.25
"""Pixels this near to the bare stem's edge belong to it."""
WOOD_MARGIN = 1.15
TIP_WIDTH_SHARE = 0.3
"""The leader tapers to about this share of its width at the base."""
WOOD_SHARE = 0.45
"""On the way from leaf colour to bark colour; beyond this it is bark."""
LEAST_COLOUR_DISTANCE = 0.1
LEAST_SIDE_SHOOT_MM = 12.0
"""Side shoots shorter than this, or than a fifth of the whole, are no tips (definition)."""
LEAST_SIDE_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class Foliage:
    """Areas as seen, not yet corrected for height."""

    area_mm2: float
    browned_share: float
    browned_sigma: float
    edge_mm: float
    """Length of its edge: what an edge uncertainty is multiplied with."""


def foliage_of(fields: CuttingFields, axis_mm: Points, attached_mm: float, stem_width_mm: float) -> Foliage:
    """Return the foliage of one cutting: everything covered but the bare stem below it."""
    height, width = fields.coverage.shape
    bare = np.zeros((height, width), dtype=np.uint8)
    arc = arc_of(axis_mm)
    stem = axis_mm[arc <= attached_mm]
    if len(stem) >= 2:
        px = np.round((stem - fields.corner_mm) / fields.mm_per_px * 8).astype(np.int32)
        thick = max(1, round((stem_width_mm * WOOD_MARGIN + 2 * STEM_MARGIN_MM) / fields.mm_per_px))
        cv2.polylines(bare, [px], isClosed=False, color=1, thickness=thick, shift=3)
    leaves = np.where(bare > 0, 0, fields.coverage)
    # Stubs and stray needles below the foliage are no foliage either.
    leaves = leaves * _beyond(fields, axis_mm, attached_mm)
    wood = _wood_seen(fields, axis_mm, attached_mm, stem_width_mm, bare > 0, leaves > 0.7)
    leaves = np.where(wood, 0, leaves)
    area_mm2 = float(leaves.sum()) * fields.mm_per_px**2
    solid = leaves > 0.7
    brown = solid & (fields.red > BROWN_RED) & (fields.blue < BROWN_BLUE)
    share = float(brown[solid].mean()) if solid.sum() > 50 else 0.0
    edge = float((cv2.morphologyEx(solid.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3)))).sum())
    sigma = 0.01 + 0.25 * np.sqrt(share * (1 - share)) * 0.3
    return Foliage(area_mm2, share, float(sigma), edge / 2 * fields.mm_per_px)


def _wood_seen(
    fields: CuttingFields,
    axis_mm: Points,
    attached_mm: float,
    stem_width_mm: float,
    bare: Mask,
    leafy: Mask,
) -> Mask:
    """Return where the woody leader is seen through the foliage: near the axis and coloured like bark."""
    arc = arc_of(axis_mm)
    above = np.nonzero(arc > attached_mm)[0]
    band = np.zeros(fields.coverage.shape, dtype=np.uint8)
    if len(above) < 2:
        return band > 0
    px = np.round((axis_mm - fields.corner_mm) / fields.mm_per_px * 8).astype(np.int32)
    for first, last in pairwise(above):
        left = 1 - (arc[last] - attached_mm) / max(float(arc[-1]) - attached_mm, 1e-9)
        wide_mm = stem_width_mm * (TIP_WIDTH_SHARE + (1 - TIP_WIDTH_SHARE) * left) + 2 * STEM_MARGIN_MM
        thick = max(1, round(wide_mm / fields.mm_per_px))
        cv2.line(band, tuple(px[first].tolist()), tuple(px[last].tolist()), 1, thickness=thick, shift=3)
    beside = leafy & (band == 0)
    on_stem = bare & (fields.depth_mm > 0.3)
    if beside.sum() < 50 or on_stem.sum() < 50:
        return np.zeros(band.shape, dtype=bool)
    colour = np.stack([fields.red, fields.blue], axis=-1)
    stem, leaf = np.median(colour[on_stem], axis=0), np.median(colour[beside], axis=0)
    between = stem - leaf
    share = (colour - leaf) @ between / max(float(between @ between), LEAST_COLOUR_DISTANCE**2)
    return np.asarray((band > 0) & (share > WOOD_SHARE))


def _beyond(fields: CuttingFields, axis_mm: Points, attached_mm: float) -> Mask:
    """Return where the nearest point of the axis lies above the attachment (with half a mm to spare)."""
    arc = arc_of(axis_mm)
    stem = axis_mm[arc <= attached_mm]
    if len(stem) < 2:
        return np.ones(fields.coverage.shape, dtype=bool)
    direction = stem[-1] - stem[max(0, len(stem) - 8)]
    direction = direction / max(float(np.hypot(*direction)), 1e-9)
    height, width = fields.coverage.shape
    x = fields.corner_mm[0] + np.arange(width) * fields.mm_per_px - stem[-1, 0]
    y = fields.corner_mm[1] + np.arange(height) * fields.mm_per_px - stem[-1, 1]
    ahead = x[None, :] * direction[0] + y[:, None] * direction[1]
    slack_mm = 4.0  # the lowest leaves of many plants hang a little below where they are attached
    near_base = np.hypot(x[None, :] - 0, y[:, None] - 0) > attached_mm + 12.0
    return np.asarray((ahead > -slack_mm) | near_base)


def side_shoots(
    branches: Branches, axis_mm: Points, attached_mm: float, fields: CuttingFields
) -> tuple[Points, ...]:
    """Return springing point and tip (2, 2) of each side shoot long enough to count as a tip.

    Ends of the skeleton far from the axis are taken one by one, longest first; what leaves the same
    shoot is not counted again.
    """
    arc = arc_of(axis_mm)
    least = max(LEAST_SIDE_SHOOT_MM, LEAST_SIDE_SHARE * float(arc[-1]))
    taken = np.zeros(len(branches.nodes_mm), dtype=bool)
    gap = _distance_to(axis_mm, branches.nodes_mm)
    taken[gap < 1.2] = True
    found = []
    ends = sorted(
        (int(e) for e in branches.ends if np.isfinite(branches.length_mm[e])),
        key=lambda e: -float(branches.length_mm[e]),
    )
    for end in ends:
        way = _way_to_taken(branches, end, taken)
        length = float(branches.length_mm[way[0]] - branches.length_mm[way[-1]])
        root = branches.nodes_mm[way[-1]]
        on_stem = float(_distance_to(axis_mm, root[None])[0]) < 2.5
        taken[way] = True
        if length < least or not on_stem:
            continue
        twigs = float(np.median(_widths_beside(fields, branches.nodes_mm[way])))
        if twigs < 1.2:  # one long needle or leaf: no shoot carries so little
            continue
        found.append(np.stack([root, branches.nodes_mm[end]]))
    return tuple(found)


def _way_to_taken(branches: Branches, end: int, taken: Mask) -> list[int]:
    way = [end]
    while not taken[way[-1]] and branches.before[way[-1]] >= 0:
        way.append(int(branches.before[way[-1]]))
    return way


def _distance_to(line_mm: Points, points_mm: Points) -> Values:
    return np.asarray(
        np.min(np.hypot(*(points_mm[:, None, :] - line_mm[None, :, :]).transpose(2, 0, 1)), axis=1)
    )


def _widths_beside(fields: CuttingFields, points_mm: Points) -> Values:
    """Return the covered length within 3 mm either side, in the better of two directions, mm."""
    step = np.arange(-3, 3.01, 0.2)
    across_x = fields.at(fields.coverage, points_mm[:, None, :] + step[None, :, None] * [1.0, 0.0]) > 0.5
    across_y = fields.at(fields.coverage, points_mm[:, None, :] + step[None, :, None] * [0.0, 1.0]) > 0.5
    return np.asarray(np.minimum(across_x.sum(axis=1), across_y.sum(axis=1)) * 0.2)
