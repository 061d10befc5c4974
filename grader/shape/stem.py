"""Following the bare stem from a sure place outward to its cut end."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grader.records import Points, Values
from grader.shape.curves import arc_of, normals_of, quantile, smoothed
from grader.shape.fields import COVERED, CuttingFields, Field

STEP_MM = 0.25
WAY_SMOOTH_MM = 2.0
"""Smoothing of the rough way, which goes in steps of 0.8 mm."""
BEYOND_ANCHOR_MM = 12.0
"""So much of it beyond the sure place is looked at."""
FIT_MM = 6.0
"""Length of stem whose direction predicts the next step."""
STRIDE_MM = np.arange(1, 9) * STEP_MM
"""Places that are looked at together when going on along a stem."""
MOST_STRIDES = 50
"""100 mm of bare stem at most."""
SIDESTEP_MM = 0.1
"""The middle goes aside by so much at each place at most."""
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
    left, right = _edges(fields, line_mm, normals_of(line_mm), reach_mm)
    return CrossSections(line_mm, left, right)


def _edges(
    fields: CuttingFields, centre_mm: Points, normals: Points, reach_mm: float
) -> tuple[Values, Values]:
    """Return how far (K,) it is covered on either side, against the normals and along them."""
    step_mm = fields.mm_per_px / 2
    n = math.ceil(reach_mm / step_mm)
    profiles = fields.across(fields.coverage, centre_mm, normals, step_mm * np.arange(-n, n + 1.0))
    falls = _first_fall(np.concatenate([profiles[:, n::-1], profiles[:, n:]]), step_mm)
    return falls[: len(centre_mm)], falls[len(centre_mm) :]


def _first_fall(coverage: Field, step_mm: float) -> Values:
    """Return where each row first falls through one half; nan where it starts below."""
    below = coverage < COVERED
    first = below.argmax(axis=1)
    rows = np.arange(len(coverage))
    before = np.maximum(first - 1, 0)
    high, low = coverage[rows, before], coverage[rows, first]
    part = (high - COVERED) / np.maximum(high - low, np.float32(1e-9))
    fall = before + np.minimum(part, 1.0)
    fall[~below[rows, first]] = coverage.shape[1] - 1  # it falls nowhere
    fall[below[:, 0]] = np.nan
    return np.asarray(fall * step_mm, dtype=np.float64)


def _last_fall(coverage: Field, step_mm: float) -> Values:
    """Return where each row falls below one half for longer than a bridgeable gap.

    nan where it starts with such a gap, or does not fall.
    """
    is_covered = coverage >= COVERED
    at = np.arange(coverage.shape[1])
    latest = np.maximum.accumulate(np.where(is_covered, at, -1), axis=1)
    too_far = (at - latest) * step_mm > BRIDGE_MM
    rows = np.arange(len(coverage))
    last = latest[rows, np.where(too_far.any(axis=1), too_far.argmax(axis=1), len(at) - 1)]
    next_one = np.minimum(last + 1, len(at) - 1)
    high, low = coverage[rows, last], coverage[rows, next_one]
    fall = (last + (high - COVERED) / np.maximum(high - low, np.float32(1e-9))) * step_mm
    return np.asarray(np.where((last >= 0) & (last < len(at) - 1), fall, np.nan), dtype=np.float64)


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
    begin = way_mm[arc_of(way_mm) <= anchor_mm + BEYOND_ANCHOR_MM]
    soft = smoothed(begin if len(begin) > 1 else way_mm, sigma_mm=WAY_SMOOTH_MM, step_mm=STEP_MM)
    arc = arc_of(soft)
    first = max(0.0, anchor_mm - FIT_MM)
    stretch = soft[(arc >= first) & (arc <= anchor_mm + 2.0)]
    if len(stretch) < 6:
        stretch = soft[: max(6, int(8 / STEP_MM))]
    sections = cross_sections(fields, stretch, 1.6 * half_width_mm + 0.3)
    good = np.isfinite(sections.width_mm) & (sections.width_mm < 2.6 * half_width_mm + 0.3)
    middles = sections.middle_mm[good] if good.sum() >= 4 else stretch
    trail = middles[::-1]  # inner end first, the walk appends outward
    for _ in range(MOST_STRIDES):
        recent = trail[-int(FIT_MM / STEP_MM) :]
        ahead = _stride(fields, recent[-1], _direction(recent), half_width_mm)
        if len(ahead) == 0:
            break
        trail = np.concatenate([trail, ahead])
    return np.asarray(trail[::-1])


def _stride(fields: CuttingFields, from_mm: Values, direction: Values, half_width_mm: float) -> Points:
    """Return the middles (K, 2) of the stem up to one bridgeable gap ahead; none where the paper begins."""
    normal = np.array([-direction[1], direction[0]])
    straight = from_mm + np.outer(STRIDE_MM, direction)
    left, right = _edges(fields, straight, np.broadcast_to(normal, straight.shape), 1.6 * half_width_mm + 0.3)
    covered = np.flatnonzero(np.isfinite(left))
    if len(covered) == 0:
        return straight[:0]
    offset_mm, offsets_mm = 0.0, []
    for one, other in zip(left[: covered[-1] + 1].tolist(), right.tolist(), strict=False):
        to_middle_mm = _to_middle_mm(one, other, half_width_mm)
        if to_middle_mm is not None:
            offset_mm += min(max(to_middle_mm - offset_mm, -SIDESTEP_MM), SIDESTEP_MM)
        offsets_mm.append(offset_mm)
    return np.asarray(straight[: len(offsets_mm)] + np.outer(offsets_mm, normal))


def _to_middle_mm(left_mm: float, right_mm: float, half_width_mm: float) -> float | None:
    """Return how far the middle of the stem lies to the right; None where a leaf hides both edges."""
    limit_mm = 1.35 * half_width_mm + 0.15
    if left_mm < limit_mm and right_mm < limit_mm:
        return (right_mm - left_mm) / 2
    if left_mm < limit_mm:
        return half_width_mm - left_mm
    if right_mm < limit_mm:
        return right_mm - half_width_mm
    return None


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
    starts = start + np.outer(beside, normal)
    lines = fields.across(fields.coverage, starts, np.broadcast_to(direction, starts.shape), along)
    ends = _last_fall(lines, step_mm)
    ends = ends[ends < along[-1] - step_mm]
    if len(ends) == 0:
        return np.asarray(trail_mm[0])
    reach = quantile(ends, 0.5) - FACE_MM - FACE_SHARE * 2 * half_width_mm
    return np.asarray(start + direction * reach)


def _direction(points_mm: Points) -> Values:
    """Return the direction (2,) in which points spread most, outward: their principal axis."""
    centred = points_mm - points_mm.mean(axis=0)
    (xx, xy), (_, yy) = (centred.T @ centred).tolist()
    angle = 0.5 * math.atan2(2 * xy, xx - yy)
    axis = np.array([math.cos(angle), math.sin(angle)])
    outward = points_mm[-1] - points_mm[0]
    return axis if float(axis @ outward) >= 0 else -axis
