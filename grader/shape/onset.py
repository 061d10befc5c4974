"""Where the foliage mass begins on the stem, and what is left standing below it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grader.records import Mask, Points, Values
from grader.shape.curves import arc_of, normals_of, quantile
from grader.shape.fields import CuttingFields
from grader.shape.stem import cross_sections

BESIDE_MM = 0.5
"""The line's probabilities are the largest this near to the axis."""
SMALL = 0.02
"""Probability added to both, so that neither is ever impossible."""
ALIKE_MM = 1.5
"""Errors of the probabilities are alike over about this length: so much counts as one observation."""
LEAST_FOLIAGE_MM = 2.0
"""With less leafy axis than this there is no foliage."""
LEAST_SIGMA_MM = 0.3
LATE_MM = 0.15
"""The change is found so much too early (mean of the learning sets)."""

REACH_MM = 6.0
"""How far from the axis is looked for what was left standing ..."""
BESIDE_STEM_MM = 4.0
"""... and beyond the stem's edge: what lies across it is no part of its width."""
NEAR_BASE_MM = (1.5, 9.0)
"""Stretch whose width is taken as that of the stem."""
LONGEST_HEEL_MM = 9.0
"""What looks like a longer heel is not told clearly from the stem."""
ABOVE_HEEL_MM = 3.0
"""A heel's end is known to a few mm only."""
STEM_SHARE = 0.45
"""Stubs widen a stem here and there, streaks of bark taken for paper narrow it."""
TAPER_PER_MM = 0.003
"""Stems get thinner by about this share for each mm (common practice, no source)."""
EXCESS_MM, EXCESS_SHARE = 0.35, 0.06
"""A side stands out beyond half the stem's width by so much (plus a share of the width) where
something is attached; bark bumps stay below."""
STRAYS_FROM_MM = 1.3
"""What stands out at the very end is the flare of the cut."""
BELOW_FOLIAGE_MM = 2.0
"""Nearer to the foliage than this, what stands out belongs to it."""
JOIN_MM = 1.5
"""Things attached closer together than this are one."""


@dataclass(frozen=True, slots=True, eq=False)
class Onset:
    """Distances along the axis from the base, mm."""

    attached_mm: float
    """Where the foliage mass is attached; nan if there is none."""
    strays_mm: Values
    """Middles of the things left below it."""
    stem_width_mm: float
    """Width of the bare stem as seen, not yet to sub-pixel."""
    sigma_mm: float


def find_onset(fields: CuttingFields, axis_mm: Points, heel_mm: float = 0.0) -> Onset:
    """Return where the foliage begins along an axis (K, 2) that starts at the base.

    The place is that of the single change from bare to leafy that the probabilities along the axis
    make likeliest; the spread of its posterior is the uncertainty (a change point with a flat prior).
    ``heel_mm`` is the length of a heel: the stem's width is taken above it.
    """
    arc = arc_of(axis_mm)
    start = heel_mm + ABOVE_HEEL_MM if 0 < heel_mm <= LONGEST_HEEL_MM else 0.0
    attached, sigma = _change(fields, axis_mm, arc)
    below = attached if np.isfinite(attached) else float(arc[-1])
    near_mm = (start + NEAR_BASE_MM[0], min(start + NEAR_BASE_MM[1], 0.5 * float(arc[-1])))
    # Nothing is looked for above; one more point for the direction of the last one.
    looked_at = int(np.searchsorted(arc, max(below - BELOW_FOLIAGE_MM, near_mm[1]))) + 1
    arc = arc[:looked_at]
    sections = cross_sections(fields, axis_mm[:looked_at], REACH_MM)
    thinnest_mm = np.fmin.reduce(sections.width_mm[2:][arc[2:] < NEAR_BASE_MM[1]], initial=np.inf)
    most_mm = thinnest_mm / 2 + BESIDE_STEM_MM
    left_mm, right_mm = np.minimum(sections.left_mm, most_mm), np.minimum(sections.right_mm, most_mm)
    width = left_mm + right_mm
    near = (arc > near_mm[0]) & (arc < near_mm[1])
    near &= np.isfinite(width)
    stem_mm = quantile(width[near], STEM_SHARE) if near.any() else 1.0
    half = stem_mm / 2 * (1 - TAPER_PER_MM * np.minimum(arc, 60.0))
    side = np.fmax(left_mm, right_mm)
    standing_out = ~(side < half + EXCESS_MM + EXCESS_SHARE * stem_mm)
    standing_out &= (arc > max(STRAYS_FROM_MM, start)) & (arc < below - BELOW_FOLIAGE_MM)
    strays = np.array([(first + last) / 2 for first, last in _runs(standing_out, arc)])
    return Onset(attached, strays, stem_mm, sigma)


def _change(fields: CuttingFields, axis_mm: Points, arc: Values) -> tuple[float, float]:
    """Return place and standard uncertainty of the change from bare to leafy; nan without foliage."""
    beside = np.arange(-BESIDE_MM, BESIDE_MM + 1e-9, 0.1)
    normals = normals_of(axis_mm)
    bare, leafy = (
        fields.across(line, axis_mm, normals, beside).max(axis=1).astype(np.float64)
        for line in (fields.marks.bare_axis, fields.marks.leafy_axis)
    )
    step = float(arc[-1]) / max(len(arc) - 1, 1)
    odds = np.log((bare + SMALL) / (leafy + SMALL))
    gain = np.concatenate([[0.0], np.cumsum(odds)]) * step / ALIKE_MM
    at = np.concatenate([arc - step / 2, arc[-1:]]).clip(0)
    share = np.exp(gain - gain.max())
    share /= share.sum()
    mean = float((share * at).sum())
    if mean > float(arc[-1]) - LEAST_FOLIAGE_MM:
        return float("nan"), float("nan")
    mean += LATE_MM
    spread = float(np.sqrt((share * (at - mean) ** 2).sum()))
    return mean, float(np.hypot(spread, LEAST_SIGMA_MM))


def _runs(flag: Mask, arc: Values) -> list[tuple[float, float]]:
    """Return (start, end) of flagged stretches, joined over short gaps."""
    edges = np.diff(np.concatenate([[0], flag.astype(int), [0]]))
    starts, ends = np.nonzero(edges == 1)[0], np.nonzero(edges == -1)[0] - 1
    runs: list[tuple[float, float]] = []
    for start, end in zip(arc[starts], arc[ends], strict=True):
        if runs and start - runs[-1][1] < JOIN_MM:
            runs[-1] = (runs[-1][0], float(end))
        else:
            runs.append((float(start), float(end)))
    return runs
