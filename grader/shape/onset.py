"""Where the foliage mass begins on the stem, and what is left standing below it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grader.records import Mask, Points, Values
from grader.shape.curves import quantile
from grader.shape.fields import CuttingFields
from grader.shape.lines import Lines
from grader.shape.sheet import Sheet
from grader.shape.stem import CrossSections, cross_sections

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
LEAST_SEEN_MM = 22.0
"""So much of an axis is looked at even if foliage begins earlier: a heel is told from it."""
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


@dataclass(frozen=True, slots=True, eq=False)
class BareAxis:
    """What is seen along an axis before its parts are told."""

    arc_mm: Values
    """(N,) distances from the base."""
    attached_mm: float
    """Where foliage begins; nan if there is none."""
    sigma_mm: float
    sections: CrossSections
    """(K,) the first K of the N places, as far as is looked at."""

    @property
    def below_mm(self) -> float:
        """Foliage begins, or the axis ends."""
        return self.attached_mm if np.isfinite(self.attached_mm) else float(self.arc_mm[-1])


def find_onset(fields: CuttingFields, axis_mm: Points, heel_mm: float = 0.0) -> Onset:
    """Return where the foliage begins along the axis (N, 2) of one cutting; see ``onset_of``."""
    return onset_of(bare_axes(Sheet.of([fields]), Lines.of([axis_mm]))[0], heel_mm)


def bare_axes(sheet: Sheet, axes: Lines) -> list[BareAxis]:
    """Return what is seen along axes that start at the base.

    Foliage begins at the single change from bare to leafy that the probabilities along the axis
    make likeliest; the spread of its posterior is the uncertainty (a change point with a flat prior).
    """
    normals = axes.normals()
    changes = _changes(sheet, axes, normals)
    lengths = axes.length_mm
    below = np.where(np.isfinite(changes[0]), changes[0], lengths)
    least = np.maximum(np.minimum(LEAST_SEEN_MM, lengths), below - BELOW_FOLIAGE_MM)
    seen = axes.arc_mm <= np.repeat(least, axes.n)
    n_seen = np.add.reduceat(seen, axes.firsts, dtype=np.int64)
    sections = cross_sections(sheet, axes.point_owner[seen], axes.points_mm[seen], normals[seen], REACH_MM)
    ends = np.cumsum(n_seen).tolist()
    return [
        BareAxis(arc, attached, sigma, sections.part(slice(end - n, end)))
        for arc, attached, sigma, end, n in zip(
            axes.split(axes.arc_mm), *(part.tolist() for part in changes), ends, n_seen.tolist(), strict=True
        )
    ]


def onset_of(axis: BareAxis, heel_mm: float) -> Onset:
    """Return where the foliage begins and what is left below it.

    ``heel_mm`` is the length of a heel: the stem's width is taken above it.
    """
    start = heel_mm + ABOVE_HEEL_MM if 0 < heel_mm <= LONGEST_HEEL_MM else 0.0
    arc, sections = axis.arc_mm[: len(axis.sections.left_mm)], axis.sections
    near_mm = (start + NEAR_BASE_MM[0], min(start + NEAR_BASE_MM[1], 0.5 * float(axis.arc_mm[-1])))
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
    standing_out &= (arc > max(STRAYS_FROM_MM, start)) & (arc < axis.below_mm - BELOW_FOLIAGE_MM)
    strays = np.array([(first + last) / 2 for first, last in _runs(standing_out, arc)])
    return Onset(axis.attached_mm, strays, stem_mm, axis.sigma_mm)


def _changes(sheet: Sheet, axes: Lines, normals: Points) -> tuple[Values, Values]:
    """Return places (C,) of the changes from bare to leafy, standard uncertainties; nan without foliage."""
    beside = np.arange(-BESIDE_MM, BESIDE_MM + 1e-9, 0.1)
    bare, leafy = (
        sheet.across(line, axes.point_owner, axes.points_mm, normals, beside).max(axis=1).astype(np.float64)
        for line in (sheet.bare_axis, sheet.leafy_axis)
    )
    odds = np.log((bare + SMALL) / (leafy + SMALL))
    found = [_change(*both) for both in zip(axes.split(odds), axes.split(axes.arc_mm), strict=True)]
    return np.array([place for place, _ in found]), np.array([sigma for _, sigma in found])


def _change(odds: Values, arc: Values) -> tuple[float, float]:
    """Return place and standard uncertainty of the change on one axis by the log odds (N,) of being bare."""
    step = float(arc[-1]) / max(len(arc) - 1, 1)
    gain = np.zeros(len(arc) + 1)
    np.add.accumulate(odds, out=gain[1:])
    gain *= step / ALIKE_MM
    at = np.empty(len(gain))
    at[:-1], at[-1] = arc - step / 2, arc[-1]
    at[0] = max(at[0], 0.0)
    share = np.exp(gain - gain.max())
    share /= share.sum()
    mean = float(share @ at)
    if mean > float(arc[-1]) - LEAST_FOLIAGE_MM:
        return math.nan, math.nan
    mean += LATE_MM
    return mean, math.hypot(math.sqrt(float(share @ (at - mean) ** 2)), LEAST_SIGMA_MM)


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
