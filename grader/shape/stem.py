"""Following the bare stem from a sure place outward to its cut end."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grader.records import Points, Values
from grader.shape.curves import arc_of, normals_of, smoothed
from grader.shape.fields import CuttingFields

STEP_MM = 0.25
FIT_MM = 6.0
"""Length of stem whose direction predicts the next step."""
COVERED = 0.5
FACE_MM, FACE_SHARE = 0.05, 0.10
"""The outline ends beyond the centre of the cut face, which is seen at a slant: by so much, plus this
share of the diameter (fitted on the independent trays)."""
LIKELY_SHORT_MM = 0.11
"""The middle of the probability of a base lies so much inside the cut face: half of it is on bare paper
(learning sets) ..."""
LIKELY_SIGMA_MM = 0.2
"""... and scatters by so much ..."""
OUTLINE_SIGMA_MM = 0.5
"""... where the end of the outline agrees; otherwise one of the two is wrong."""
AGREE_MM = 1.0
BESIDE_MM = 1.5
"""A likely base further from the stem than this (beyond half its width) is another's."""
BRIDGE_MM = 2.0
"""Shorter gaps in the stem are pale or grey bark taken for paper."""


@dataclass(frozen=True, slots=True, eq=False)
class CrossSections:
    """Where a covered stretch begins and ends across a centre line."""

    centre_mm: Points
    """(K, 2) the line that was cut across."""
    left_mm: Values
    """(K,) distance to the edge on the side of the negative normal; nan if the centre is bare."""
    right_mm: Values
    """(K,) distance to the edge on the side of the positive normal."""

    @property
    def width_mm(self) -> Values:
        """Width (K,) across."""
        return self.left_mm + self.right_mm

    @property
    def middle_mm(self) -> Points:
        """Middle (K, 2) between the edges."""
        shift = (self.right_mm - self.left_mm) / 2
        return np.asarray(self.centre_mm + normals_of(self.centre_mm) * shift[:, None])


def cross_sections(fields: CuttingFields, line_mm: Points, reach_mm: float) -> CrossSections:
    """Return the covered stretch around each point of a line, at right angles to it.

    The edge lies where coverage falls through one half, interpolated between samples.
    """
    step_mm = fields.mm_per_px / 2
    u = np.arange(0, reach_mm + step_mm, step_mm)
    normals = normals_of(line_mm)
    both = np.stack([-u, u])
    points = line_mm[None, :, None, :] + both[:, None, :, None] * normals[None, :, None, :]
    left, right = (_first_fall(side, step_mm) for side in fields.at(fields.coverage, points))
    return CrossSections(line_mm, left, right)


def _first_fall(coverage: Values, step_mm: float) -> Values:
    """Return where each row first falls through one half; nan where it starts below."""
    below = coverage < COVERED
    first = np.argmax(below, axis=1)
    none = ~below.any(axis=1)
    rows = np.arange(len(coverage))
    before = np.maximum(first - 1, 0)
    high, low = coverage[rows, before], coverage[rows, first]
    part = (high - COVERED) / np.maximum(high - low, 1e-9)
    fall = (before + np.clip(part, 0, 1)) * step_mm
    fall = np.where(none, (coverage.shape[1] - 1) * step_mm, fall)
    return np.asarray(np.where(below[:, 0], np.nan, fall))


def _last_fall(coverage: Values, step_mm: float) -> float:
    """Return where a row falls below one half for longer than a bridgeable gap; nan if it starts there."""
    covered = np.flatnonzero(coverage >= COVERED)
    too_far = np.flatnonzero((np.diff(covered, prepend=-1) - 1) * step_mm > BRIDGE_MM)
    connected = covered[: too_far[0]] if len(too_far) else covered
    if len(connected) == 0:
        return float("nan")
    last = int(connected[-1])
    if last + 1 >= len(coverage):
        return float(last * step_mm)
    high, low = float(coverage[last]), float(coverage[last + 1])
    return (last + (high - COVERED) / max(high - low, 1e-9)) * step_mm


def stem_to_cut(fields: CuttingFields, way_mm: Points, anchor_mm: float, half_width_mm: float) -> Points:
    """Return the centre line (K, 2) of the bare stem from its cut end to the anchor.

    Parameters
    ----------
    way_mm : (N, 2)
        A rough way through the stem, from near its end inwards.
    anchor_mm : float
        Distance along the way to a place that is surely on the bare stem.
    half_width_mm : float

    Walks outward step by step in the direction of the last stretch of middles, so that a leaf
    leaving at the side does not lead it astray, until the paper begins.
    """
    soft = smoothed(way_mm, sigma_mm=1.0, step_mm=STEP_MM)
    arc = arc_of(soft)
    first = max(0.0, anchor_mm - FIT_MM)
    stretch = soft[(arc >= first) & (arc <= anchor_mm + 2.0)]
    if len(stretch) < 6:
        stretch = soft[: max(6, int(8 / STEP_MM))]
    sections = cross_sections(fields, stretch, 1.6 * half_width_mm + 0.3)
    good = np.isfinite(sections.width_mm) & (sections.width_mm < 2.6 * half_width_mm + 0.3)
    middles = sections.middle_mm[good] if good.sum() >= 4 else stretch
    trail = list(middles[::-1])  # inner end first, the walk appends outward
    for _ in range(400):  # 100 mm of bare stem at most
        recent = np.asarray(trail[-int(FIT_MM / STEP_MM) :])
        direction = _direction(recent)
        ahead = recent[-1] + direction * STEP_MM
        beyond = recent[-1] + np.outer(np.arange(STEP_MM, BRIDGE_MM + 1e-9, STEP_MM), direction)
        if (fields.at(fields.coverage, beyond) < COVERED).all():
            break
        trail.append(_recentred(fields, ahead, direction, half_width_mm))
    return np.asarray(trail[::-1])


def cut_end(
    fields: CuttingFields, trail_mm: Points, likely_mm: Points, half_width_mm: float
) -> tuple[Points, float]:
    """Return the base point (1, 2) where the stem ends, and its standard uncertainty in mm.

    How far out it lies is told by where a cut base is likeliest (2,); the stem's line tells how far
    to the side.  The outline's end is a check on it: the cut may be oblique, or in shade.
    """
    near = trail_mm[: max(3, int(4.0 / STEP_MM))]
    direction = _direction(near[::-1])
    start = near[min(len(near) - 1, int(2.0 / STEP_MM))]
    outline = outline_end(fields, trail_mm, half_width_mm)
    by_outline = float((outline - start) @ direction)
    likely = likely_mm - start
    reach = float(likely @ direction) + LIKELY_SHORT_MM
    beside = abs(float(likely @ [-direction[1], direction[0]]))
    if not np.isfinite(reach) or beside > half_width_mm + BESIDE_MM:
        return outline[None], OUTLINE_SIGMA_MM
    agrees = abs(reach - by_outline) < AGREE_MM
    return (start + direction * reach)[None], LIKELY_SIGMA_MM if agrees else OUTLINE_SIGMA_MM


def outline_end(fields: CuttingFields, trail_mm: Points, half_width_mm: float) -> Points:
    """Return the point (2,) where the outline of a stem ends.

    The end is searched on lines parallel to the stem across the middle half of its width; the
    middle of them is the base: the cut may be oblique.
    """
    near = trail_mm[: max(3, int(4.0 / STEP_MM))]
    direction = _direction(near[::-1])
    normal = np.array([-direction[1], direction[0]])
    step_mm = fields.mm_per_px / 2
    start = near[min(len(near) - 1, int(2.0 / STEP_MM))]
    along = np.arange(0, 2.0 + 2.5 * half_width_mm + 3.0, step_mm)
    beside = np.linspace(-0.5, 0.5, 7) * half_width_mm
    lines = start + beside[:, None, None] * normal + along[None, :, None] * direction
    falls = [_last_fall(covered, step_mm) for covered in fields.at(fields.coverage, lines)]
    ends = [fall for fall in falls if np.isfinite(fall) and fall < along[-1] - step_mm]
    if not ends:
        return np.asarray(trail_mm[0])
    reach = float(np.median(ends)) - FACE_MM - FACE_SHARE * 2 * half_width_mm
    return np.asarray(start + direction * reach)


def _direction(points_mm: Points) -> Values:
    """Return the direction (2,) in which points spread most, outward: their principal axis."""
    centred = points_mm - points_mm.mean(axis=0)
    (xx, xy), (_, yy) = (centred.T @ centred).tolist()
    angle = 0.5 * math.atan2(2 * xy, xx - yy)
    axis = np.array([math.cos(angle), math.sin(angle)])
    outward = points_mm[-1] - points_mm[0]
    return axis if float(axis @ outward) >= 0 else -axis


def _recentred(fields: CuttingFields, at_mm: Values, direction: Values, half_width_mm: float) -> Values:
    """Move a point to the middle of the stem, unless a leaf hides one of its edges."""
    step_mm = fields.mm_per_px / 2
    u = np.arange(0, 1.6 * half_width_mm + 0.3 + step_mm, step_mm)
    normal = np.array([-direction[1], direction[0]])
    profiles = at_mm + np.stack([-u, u])[:, :, None] * normal
    left, right = _first_fall(fields.at(fields.coverage, profiles), step_mm).tolist()
    limit = 1.35 * half_width_mm + 0.15
    if not np.isfinite(left + right):
        return at_mm
    if left < limit and right < limit:
        shift = (right - left) / 2
    elif left < limit:
        shift = half_width_mm - left
    elif right < limit:
        shift = right - half_width_mm
    else:
        shift = 0.0
    return np.asarray(at_mm + normal * float(np.clip(shift, -0.1, 0.1)))
