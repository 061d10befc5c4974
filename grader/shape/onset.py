"""Where the foliage mass begins on the stem, and what is left standing below it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grader.records import Mask, Points, Values
from grader.shape.curves import arc_of
from grader.shape.fields import CuttingFields
from grader.shape.stem import cross_sections

REACH_MM = 4.0
"""How far beyond the stem's edge is looked."""
NEAR_BASE_MM = (1.5, 9.0)
"""Stretch whose width is taken as that of the stem."""
LONGEST_HEEL_MM = 9.0
"""What looks like a longer heel is not told clearly from the stem."""
ABOVE_HEEL_MM = 3.0
"""A heel's end is known to a few mm only."""
STEM_PERCENTILE = 45
"""Stubs widen a stem here and there, streaks of bark taken for paper narrow it."""
TAPER_PER_MM = 0.003
"""Stems get thinner by about this share for each mm (common practice, no source)."""
EXCESS_MM, EXCESS_SHARE = 0.35, 0.06
"""A side stands out beyond half the stem's width by so much (plus a share of the width) where
something is attached; bark bumps stay below."""
HEEL_START_MM, HEEL_END_MM = 1.3, 14.0
"""What stands out at the very end is the flare of the cut or a heel, not foliage."""
JOIN_MM = 1.5
"""Things attached closer together than this are one."""
LONGEST_STRAY_MM = 2.6
"""A single needle, leaf stalk or stub takes up less than this of the stem's edge."""
LEAF_STRAY_MM, LEAF_STRAY_GAP_MM = 4.2, 6.0
"""A left-over leaf takes up more, and is believed to be one only below a longer bare stretch."""
STRAY_GAP_MM = 4.0
GAP_RATIO = 1.3
"""Things are left over, not part of the mass, if the bare stem above them is at least this long and
this much longer than the usual gap further up."""
MOST_STRAYS = 6


SEEN_AFTER_MM = 0.75
"""Leaves hug the stem at first: they stand out this far beyond where they are attached (median of
390 cuttings of the independent trays, folders a and b)."""


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

    ``heel_mm`` is the length of a heel there: the stem's width is taken above it.
    """
    arc = arc_of(axis_mm)
    rough = cross_sections(fields, axis_mm[arc < NEAR_BASE_MM[1]], 3 * REACH_MM)
    thick = np.nanmin(rough.width_mm[2:]) if np.isfinite(rough.width_mm[2:]).any() else 2.0
    sections = cross_sections(fields, axis_mm, float(thick) / 2 + REACH_MM)
    width = sections.width_mm
    start = heel_mm + ABOVE_HEEL_MM if 0 < heel_mm <= LONGEST_HEEL_MM else 0.0
    near = (arc > start + NEAR_BASE_MM[0]) & (arc < min(start + NEAR_BASE_MM[1], 0.5 * arc[-1]))
    near &= np.isfinite(width)
    stem_mm = float(np.percentile(width[near], STEM_PERCENTILE)) if near.any() else 1.0
    half = stem_mm / 2 * (1 - TAPER_PER_MM * np.minimum(arc, 60.0))
    side = np.fmax(sections.left_mm, sections.right_mm)
    standing_out = ~(side < half + EXCESS_MM + EXCESS_SHARE * stem_mm) & (arc > max(0.8, start))
    runs = [run for run in _runs(standing_out, arc) if run[0] > HEEL_START_MM or run[1] > HEEL_END_MM]
    first = _first_of_mass(runs)
    if first is None:
        return Onset(float("nan"), np.zeros(0), stem_mm, float("nan"))
    strays = np.array([(start + end) / 2 for start, end in runs[:first]])
    sigma = 1.0 if len(runs) - first > 1 else 1.5
    return Onset(max(0.0, runs[first][0] - SEEN_AFTER_MM), strays, stem_mm, sigma)


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


def _first_of_mass(runs: list[tuple[float, float]]) -> int | None:
    """Return the index of the first run that belongs to the foliage mass.

    It follows the last bare stretch that is long for this plant and has only short things below it.
    """
    if not runs:
        return None
    first = 0
    for k in range(1, min(MOST_STRAYS, len(runs) - 1) + 1):
        length = runs[k - 1][1] - runs[k - 1][0]
        if length > LEAF_STRAY_MM or (length > LONGEST_STRAY_MM and k > 2):
            break
        gap = runs[k][0] - runs[k - 1][1]
        later = [runs[j + 1][0] - runs[j][1] for j in range(k, min(k + 5, len(runs) - 1))]
        usual = float(np.median(later)) if later else JOIN_MM
        least_mm = STRAY_GAP_MM if length <= LONGEST_STRAY_MM else LEAF_STRAY_GAP_MM
        if gap >= max(least_mm, GAP_RATIO * usual):
            first = k
    return first
