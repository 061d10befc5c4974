"""Following the bare stem from a sure place outward to its cut end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from grader.records import Points, Values
from grader.shape.curves import quantile
from grader.shape.fields import COVERED, CuttingFields, Field
from grader.shape.lines import Counts, Lines
from grader.shape.sheet import Sheet

STEP_MM = 0.25
WAY_SMOOTH_MM = 2.0
"""Smoothing of the rough way, which goes in steps of 0.8 mm."""
BEYOND_ANCHOR_MM = 12.0
"""So much of it beyond the sure place is looked at."""
FIT_MM = 6.0
"""Length of stem whose direction predicts the next step."""
LEAST_MIDDLES = 4
"""With fewer good cross-sections the rough way itself is followed."""
LEAST_STRETCH = 6
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
N_PARALLEL = 7
"""Lines along the stem on which its end is looked for."""
BRIDGE_MM = 2.0
"""Shorter gaps in the stem are pale or grey bark taken for paper."""


@dataclass(frozen=True, slots=True, eq=False)
class CrossSections:
    """Where a covered stretch begins and ends across centre lines."""

    left_mm: Values
    """(K,) distance to the edge on the side of the negative normal; nan if the centre is bare."""
    right_mm: Values
    """(K,) distance to the edge on the side of the positive normal."""

    @property
    def width_mm(self) -> Values:
        """Width (K,) across."""
        return self.left_mm + self.right_mm

    @property
    def to_middle_mm(self) -> Values:
        """Distance (K,) along the normal to the middle between the edges."""
        return np.asarray((self.right_mm - self.left_mm) / 2)

    def part(self, chosen: slice) -> CrossSections:
        """Return some of them."""
        return CrossSections(self.left_mm[chosen], self.right_mm[chosen])


def cross_sections(
    sheet: Sheet, owner: Counts, centre_mm: Points, normals: Points, reach_mm: Values | float
) -> CrossSections:
    """Return the covered stretch around each place (K,), along its normal.

    The edge lies where coverage falls through one half, interpolated between samples; it is at the reach,
    one for all or (K,), if it falls nowhere.
    """
    step_mm = sheet.mm_per_px / 2
    reach = np.ceil(np.asarray(reach_mm) / step_mm) * step_mm
    n = round(float(reach.max()) / step_mm)
    profiles = sheet.across(sheet.coverage, owner, centre_mm, normals, step_mm * np.arange(-n, n + 1.0))
    left, right = (_first_fall(side, step_mm) for side in (profiles[:, n::-1], profiles[:, n:]))
    return CrossSections(np.minimum(left, reach), np.minimum(right, reach))


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


def stems_to_cut(sheet: Sheet, ways: Lines, anchor_mm: Values, half_width_mm: Values) -> list[Points]:
    """Return the centre lines (K, 2) of bare stems, each from its cut end to the anchor.

    Parameters
    ----------
    ways
        Rough ways through the stems, from near their ends inwards.
    anchor_mm : (S,)
        Distance along each way to a place that is surely on the bare stem.
    half_width_mm : (S,)

    Walks outward step by step in the direction of the last stretch of middles, so that a leaf
    leaving at the side does not lead it astray, until the paper begins.
    """
    stretches = _sure_stretches(ways, anchor_mm)
    normals, half = stretches.normals(), np.repeat(half_width_mm, stretches.n)
    sections = cross_sections(sheet, stretches.point_owner, stretches.points_mm, normals, 1.6 * half + 0.3)
    is_good = sections.width_mm < 2.6 * half + 0.3
    middles = stretches.points_mm + normals * sections.to_middle_mm[:, None]
    trails = []
    parts = zip(stretches.parts(), stretches.split(middles), stretches.split(is_good), strict=True)
    for straight, middle, good in parts:
        trail = middle[good] if good.sum() >= LEAST_MIDDLES else straight
        trails.append(trail[::-1])  # inner end first, the walk appends outward
    walking = np.arange(len(trails))
    for _ in range(MOST_STRIDES):
        recent = Lines.of([trails[k][-int(FIT_MM / STEP_MM) :] for k in walking], ways.owner[walking])
        ahead = _strides(sheet, recent, half_width_mm[walking])
        for k, more in zip(walking.tolist(), ahead, strict=True):
            if len(more):
                trails[k] = np.concatenate([trails[k], more])
        walking = walking[[len(more) > 0 for more in ahead]]
        if len(walking) == 0:
            break
    return [trail[::-1] for trail in trails]


def _sure_stretches(ways: Lines, anchor_mm: Values) -> Lines:
    """Return the stretch of each way, smoothed, around the place that is surely on the stem."""
    is_near = ways.arc_mm <= np.repeat(anchor_mm, ways.n) + BEYOND_ANCHOR_MM
    begins = [
        way[near] if near.sum() > 1 else way
        for way, near in zip(ways.parts(), ways.split(is_near), strict=True)
    ]
    soft = Lines.of(begins, ways.owner).smoothed(sigma_mm=WAY_SMOOTH_MM, step_mm=STEP_MM)
    anchor = np.repeat(anchor_mm, soft.n)
    is_sure = (soft.arc_mm >= anchor - FIT_MM) & (soft.arc_mm <= anchor + 2.0)
    stretches = [
        line[sure] if sure.sum() >= LEAST_STRETCH else line[: max(LEAST_STRETCH, int(8 / STEP_MM))]
        for line, sure in zip(soft.parts(), soft.split(is_sure), strict=True)
    ]
    return Lines.of(stretches, ways.owner)


def _strides(sheet: Sheet, recent: Lines, half_width_mm: Values) -> list[Points]:
    """Return the middles (K, 2) of each stem up to one bridgeable gap ahead; none where the paper begins."""
    direction = _directions(recent)
    normal = np.stack([-direction[:, 1], direction[:, 0]], axis=1)
    straight = recent.points_mm[recent.lasts, None] + STRIDE_MM[:, None] * direction[:, None]
    n_ahead = len(STRIDE_MM)
    sections = cross_sections(
        sheet,
        np.repeat(recent.owner, n_ahead),
        straight.reshape(-1, 2),
        np.repeat(normal, n_ahead, axis=0),
        np.repeat(1.6 * half_width_mm + 0.3, n_ahead),
    )
    left, right = (side.reshape(-1, n_ahead) for side in (sections.left_mm, sections.right_mm))
    covered = np.isfinite(left)
    n_covered = np.where(covered.any(axis=1), n_ahead - covered[:, ::-1].argmax(axis=1), 0)
    ahead = []
    sides = zip(left.tolist(), right.tolist(), n_covered.tolist(), half_width_mm.tolist(), strict=True)
    for k, (lefts, rights, n, half_mm) in enumerate(sides):
        offset_mm, offsets_mm = 0.0, []
        for one, other in zip(lefts[:n], rights, strict=False):
            to_middle_mm = _to_middle_mm(one, other, half_mm)
            if to_middle_mm is not None:
                offset_mm += min(max(to_middle_mm - offset_mm, -SIDESTEP_MM), SIDESTEP_MM)
            offsets_mm.append(offset_mm)
        ahead.append(straight[k, :n] + np.array(offsets_mm)[:, None] * normal[k])
    return ahead


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


@dataclass(frozen=True, slots=True, eq=False)
class _Outward:
    """Stems near their cut ends."""

    direction: Points
    """(S, 2) outward."""
    start_mm: Points
    """(S, 2) places on the stems 2 mm inside."""

    @classmethod
    def of(cls, trails: Sequence[Points]) -> _Outward:
        near = Lines.of([trail[: max(3, int(4.0 / STEP_MM))][::-1] for trail in trails])
        start = np.maximum(near.n - 1 - int(2.0 / STEP_MM), 0)
        return cls(_directions(near), near.points_mm[near.firsts + start])


def cut_ends(
    sheet: Sheet, owner: Counts, trails: Sequence[Points], likely_mm: Points, half_width_mm: Values
) -> tuple[Points, Values]:
    """Return the base points (S, 2) where stems end, and their standard uncertainties (S,) in mm.

    How far out they lie is told by where a cut base is likeliest (S, 2); the stem's line tells how far
    to the side.  The outline's end is a check on it: the cut may be oblique, or in shade.
    """
    outward = _Outward.of(trails)
    direction, start = outward.direction, outward.start_mm
    outline = outline_ends(sheet, owner, trails, half_width_mm)
    by_outline = ((outline - start) * direction).sum(axis=1)
    likely = likely_mm - start
    reach = (likely * direction).sum(axis=1) + LIKELY_SHORT_MM
    beside = np.abs(likely[:, 1] * direction[:, 0] - likely[:, 0] * direction[:, 1])
    is_told = np.isfinite(reach) & (beside <= half_width_mm + BESIDE_MM)
    agrees = is_told & (np.abs(reach - by_outline) < AGREE_MM)
    base = np.where(is_told[:, None], start + direction * reach[:, None], outline)
    return base, np.where(agrees, LIKELY_SIGMA_MM, OUTLINE_SIGMA_MM)


def outline_end(fields: CuttingFields, trail_mm: Points, half_width_mm: float) -> Points:
    """Return the point (2,) where the outline of one stem ends."""
    sheet = Sheet.of([fields])
    return np.asarray(outline_ends(sheet, np.zeros(1, np.int64), [trail_mm], np.array([half_width_mm]))[0])


def outline_ends(sheet: Sheet, owner: Counts, trails: Sequence[Points], half_width_mm: Values) -> Points:
    """Return the points (S, 2) where the outlines of stems end.

    The end is searched on lines parallel to the stem across the middle half of its width; the
    middle of them is the base: the cut may be oblique.
    """
    outward = _Outward.of(trails)
    direction, start = outward.direction, outward.start_mm
    normal = np.stack([-direction[:, 1], direction[:, 0]], axis=1)
    step_mm = sheet.mm_per_px / 2
    furthest_mm = 2.0 + 2.5 * half_width_mm + 3.0
    along = np.arange(0, float(furthest_mm.max()), step_mm)
    beside = np.linspace(-0.5, 0.5, N_PARALLEL) * half_width_mm[:, None]
    starts = start[:, None] + beside[:, :, None] * normal[:, None]
    lines = sheet.across(
        sheet.coverage,
        np.repeat(owner, N_PARALLEL),
        starts.reshape(-1, 2),
        np.repeat(direction, N_PARALLEL, axis=0),
        along,
    )
    ends = _last_fall(lines, step_mm).reshape(-1, N_PARALLEL)
    found = ends < furthest_mm[:, None] - 2 * step_mm
    points = []
    for k, (end, is_end) in enumerate(zip(ends, found, strict=True)):
        if not is_end.any():
            points.append(trails[k][0])
            continue
        reach = quantile(end[is_end], 0.5) - FACE_MM - FACE_SHARE * 2 * float(half_width_mm[k])
        points.append(start[k] + direction[k] * reach)
    return np.array(points)


def _directions(lines: Lines) -> Points:
    """Return the direction (C, 2) in which each line's points spread most, outward: their principal axis."""
    points, firsts = lines.points_mm, lines.firsts
    middle = np.add.reduceat(points, firsts) / lines.n[:, None]
    x, y = (points - np.repeat(middle, lines.n, axis=0)).T
    xx, xy, yy = (np.add.reduceat(product, firsts) for product in (x * x, x * y, y * y))
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    axis = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    outward = points[lines.lasts] - points[firsts]
    axis[(axis * outward).sum(axis=1) < 0] *= -1
    return axis
