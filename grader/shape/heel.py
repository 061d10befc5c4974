"""A heel: a short piece of older, thicker wood left at the lower end, at an angle to the stem."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grader.records import Heel, Points
from grader.shape.branches import Skeletons, ways_from
from grader.shape.curves import arc_of, quantile
from grader.shape.fields import CuttingFields, depth_mm
from grader.shape.lines import Lines
from grader.shape.stem import CrossSections, outline_end

STEM_MM = (12.0, 22.0)
"""Stretch whose width is that of the stem above a heel."""
STEM_SHARE = 0.3
"""Of the widths there this share is smaller than that of the stem: stubs widen it."""
LOOK_MM = 14.0
"""Heels are shorter than this."""
THICKER = 1.32
"""A heel is thicker than the stem above it by at least this factor; the flare of a cut is less."""
LEAST_LENGTH_MM = 2.0
LEAST_ANGLE_DEG = 14.0


@dataclass(frozen=True, slots=True, eq=False)
class FoundHeel:
    """A heel and the axis (K, 2) that starts at its far end."""

    heel: Heel
    axis_mm: Points


def find_heel(
    fields: CuttingFields, skeletons: Skeletons, cutting: int, axis_mm: Points, sections: CrossSections
) -> FoundHeel | None:
    """Return the heel of a cutting whose axis (N, 2) begins at or beside it, or None.

    The stretch near the base is compared in width with the stem further up; if it is thicker, the
    thick piece is followed to its end along the skeleton from the stem.  The cross-sections are those of
    the first points of the axis, up to where the width of the stem is taken or further.
    """
    arc = arc_of(axis_mm)
    if arc[-1] < STEM_MM[1]:
        return None
    near = arc[arc <= STEM_MM[1]]
    width = sections.width_mm[: len(near)]
    above = (near > STEM_MM[0]) & np.isfinite(width)
    if not above.any():
        return None
    stem = quantile(width[above], STEM_SHARE)
    thick = (width > THICKER * stem + 0.15) & (near < LOOK_MM)
    if not thick.any() or near[thick][0] > 3.0:
        return None
    top = float(near[thick & (near < LOOK_MM)][-1])
    gaps = np.diff(np.nonzero(thick)[0])
    if len(gaps) and gaps.max() > 4:
        top = float(near[np.nonzero(thick)[0][int(np.argmax(gaps > 4))]])
    return _followed(
        fields, skeletons, cutting, axis_mm, arc, top, stem, float(np.nanmax(width[near <= top]))
    )


def _followed(
    fields: CuttingFields,
    skeletons: Skeletons,
    cutting: int,
    axis_mm: Points,
    arc: np.ndarray,
    top_mm: float,
    stem_mm: float,
    across_mm: float,
) -> FoundHeel | None:
    """Follow the thick piece from where the stem meets it to its far end."""
    at = np.array([[np.interp(top_mm + stem_mm, arc, axis_mm[:, k]) for k in (0, 1)]])
    branches = ways_from(skeletons, np.array([cutting]), at)[0]
    to_paper_mm = depth_mm(fields)
    up = axis_mm[arc > top_mm + stem_mm]
    best, best_length = None, 0.0
    for end in branches.ends:
        length = float(branches.length_mm[end])
        if not LEAST_LENGTH_MM < length < LOOK_MM + 2 * stem_mm + 4:
            continue
        way = branches.way_mm(int(end))
        nearest = float(np.min(np.hypot(*(up - way[-1]).T))) if len(up) else np.inf
        depth = quantile(fields.at(to_paper_mm, way[len(way) // 3 :]), 0.5)
        if nearest > 0.6 * length and depth > 0.62 * stem_mm and length > best_length:
            best, best_length = way, length
    if best is None:
        return None
    soft = Lines.of([best]).smoothed(1.0, 0.25).points_mm
    base = outline_end(fields, soft[::-1], across_mm / 2 if across_mm < 2.5 * stem_mm else stem_mm)
    kept = soft[arc_of(soft) < float(arc_of(soft)[-1]) - stem_mm / 2]
    piece = np.vstack([base, kept[::-1]])
    length = float(arc_of(piece)[-1]) - stem_mm / 2
    width = (
        2 * float(np.median(fields.at(to_paper_mm, kept[len(kept) // 3 :]))) if len(kept) > 3 else across_mm
    )
    if length < LEAST_LENGTH_MM or width < THICKER * stem_mm:
        return None
    return FoundHeel(Heel(length, width), np.vstack([piece, axis_mm[arc > top_mm + stem_mm]]))
