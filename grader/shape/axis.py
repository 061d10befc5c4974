"""The centre line of the woody stem, under the foliage too.

Across a rough way every position has a probability of being the line; the likeliest smooth line is
found by dynamic programming (Viterbi), moved to the local mean of the probability, and smoothed by
how sure it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grader.records import Points, Values
from grader.shape.curves import arc_of, fitted
from grader.shape.fields import Field
from grader.shape.lines import Counts, Lines
from grader.shape.sheet import Sheet

STEEPEST = 1.2
"""Slope of the line against the rough way that is never cheaper."""
KNOWN_COST = 20.0
"""Of a mm beside a place that is known."""


@dataclass(frozen=True, slots=True)
class AxisSettings:
    """Costs are per step along the axis, dimensionless."""

    step_mm: float = 0.5
    across_step_mm: float = 0.1
    reach_mm: float = 2.5
    """How far from the rough way the stem may be."""
    way_smooth_mm: float = 2.0
    """Smoothing of the rough way: a side shoot's width, less than a crook."""
    faintest: float = 0.02
    """Probability added everywhere: the line may be interrupted."""
    slope_cost: float = 4.0
    """Squared slope (mm across per mm along) of the line against the rough way."""
    local_mm: float = 0.8
    """The line is the mean of the probability this far on either side of the likeliest place."""
    spread_mm: float = 2.0
    """How far on either side counts for the uncertainty."""
    line_spread_mm: float = 0.18
    """Spread of a line that is known exactly: it is drawn 0.5 mm wide."""
    least_sigma_mm: float = 0.10
    bare_sigma_mm: float = 0.04
    stiffness_mm3: float = 10000.0
    """Follows bends longer than about (stiffness * sigma^2 * step)^(1/4)."""


@dataclass(frozen=True, slots=True, eq=False)
class StemAxis:
    """The line from the base to the end of the leader."""

    line_mm: Points
    """(K, 2), equally stepped."""
    sigma_mm: Values
    """(K,) standard uncertainty across the line."""


@dataclass(frozen=True, slots=True, eq=False)
class RoughAxes:
    """What the axes of cuttings are made from."""

    trails: Sequence[Points]
    """(M, 2) each: centre line of the bare stem from the base, from its edges; taken as it is."""
    ways: Sequence[Points]
    """(N, 2) each: rough way from the base to the tip."""
    owner: Counts
    """Which cutting of the sheet each belongs to."""


@dataclass(frozen=True, slots=True, eq=False)
class _Strip:
    """The probability of the line on both sides of a rough way."""

    guide_mm: Points
    """(K, 2) equally stepped."""
    arc_mm: Values
    normals: Points
    line: Field
    """(K, U)"""
    known_mm: Values
    """Offsets of the first steps, on the bare stem: the edges tell where the line is."""


def stem_axes(sheet: Sheet, rough: RoughAxes, settings: AxisSettings) -> list[StemAxis]:
    """Return the axes along rough ways from the base to the tip, all cuttings of a photo together."""
    if not len(rough.owner):
        return []
    across = np.arange(-settings.reach_mm, settings.reach_mm + 1e-9, settings.across_step_mm)
    strips = _strips(sheet, rough, across, settings)
    offsets = cheapest_lines(
        [-np.log(strip.line + np.float32(settings.faintest)) for strip in strips],
        [strip.known_mm for strip in strips],
        across,
        settings,
    )
    line = np.concatenate([strip.line for strip in strips])
    ends = np.cumsum([len(strip.arc_mm) for strip in strips])[:-1]
    found = (np.split(part, ends) for part in _local_mean(line, across, np.concatenate(offsets), settings))
    points, sigmas = [], []
    for strip, offset, sigma in zip(strips, *found, strict=True):
        n_known = len(strip.known_mm)
        offset[:n_known], sigma[:n_known] = strip.known_mm, settings.bare_sigma_mm
        offset[-1], sigma[-1] = 0.0, 2 * settings.least_sigma_mm
        points.append(strip.guide_mm + strip.normals * offset[:, None])
        sigmas.append(sigma)
    curves = Lines.of(
        fitted(list(zip(points, sigmas, strict=True)), settings.step_mm, settings.stiffness_mm3)
    )
    # Uncertainties are carried over from lines that were a little shorter or longer.
    rough_mm = np.array([strip.arc_mm[-1] for strip in strips])
    stretch = (rough_mm / np.maximum(curves.length_mm, 1e-9))[curves.point_line]
    guides = Lines.of([strip.guide_mm for strip in strips])
    sigma = guides.at(curves.arc_mm * stretch, curves.point_line, np.concatenate(sigmas))
    return [StemAxis(*both) for both in zip(curves.parts(), curves.split(sigma), strict=True)]


def _strips(sheet: Sheet, rough: RoughAxes, across_mm: Values, settings: AxisSettings) -> list[_Strip]:
    trails = Lines.of(rough.trails, rough.owner)
    joined = Lines.of([_joined(*both) for both in zip(rough.trails, rough.ways, strict=True)], rough.owner)
    guides = joined.smoothed(settings.way_smooth_mm, settings.step_mm)
    normals = guides.normals()
    line = sheet.across(sheet.line, guides.point_owner, guides.points_mm, normals, across_mm)
    is_known = guides.arc_mm < np.repeat(trails.length_mm, guides.n)
    known = np.zeros(len(is_known))
    on_trail = trails.at(guides.arc_mm[is_known], guides.point_line[is_known])
    known[is_known] = ((on_trail - guides.points_mm[is_known]) * normals[is_known]).sum(axis=1)
    n_known = np.add.reduceat(is_known, guides.firsts, dtype=np.int64)
    return [
        _Strip(points, arc, across, probability, offset[:n])
        for points, arc, across, probability, offset, n in zip(
            guides.parts(),
            guides.split(guides.arc_mm),
            guides.split(normals),
            guides.split(line),
            guides.split(known),
            n_known.tolist(),
            strict=True,
        )
    ]


def _joined(trail_mm: Points, way_mm: Points) -> Points:
    """Return the trail, then the way beyond where it passes the trail's end."""
    gap = np.hypot(*(way_mm - trail_mm[-1]).T)
    joins = int(gap.argmin())
    rest = way_mm[joins:]
    apart_mm = 2.0  # room to bend from the one line to the other
    beyond = rest[arc_of(rest) > apart_mm] if len(rest) > 1 else rest[:0]
    if len(beyond) == 0:
        beyond = way_mm[-1:]
    return np.vstack([trail_mm, beyond])


def _local_mean(
    line: Field, across_mm: Values, offset_mm: Values, settings: AxisSettings
) -> tuple[Values, Values]:
    """Return the mean of the probability near each offset, and its standard uncertainty (K,)."""
    across = across_mm.astype(np.float32)
    gap = across - offset_mm.astype(np.float32)[:, None]
    apart = np.abs(gap)
    weight = np.where(apart <= settings.local_mm, line, 0) + np.float32(1e-6) * (apart < 0.05)
    mean = offset_mm + (weight * gap).sum(axis=1) / weight.sum(axis=1)
    wide = np.maximum(line - np.float32(settings.faintest), 0) * (apart <= settings.spread_mm)
    around = across - mean.astype(np.float32)[:, None]
    mass = wide.sum(axis=1)
    full = 0.5 / settings.across_step_mm  # a line known exactly
    spread2 = (wide * around**2).sum(axis=1) / np.maximum(mass, 1e-9) - settings.line_spread_mm**2
    # What is missing of a full line may be anywhere in reach.
    lost = np.clip(1 - mass / full, 0, 1)
    sigma2 = np.clip(spread2, 0, None) + lost * (0.3 * settings.spread_mm) ** 2
    return mean, np.sqrt(sigma2 + settings.least_sigma_mm**2)


def cheapest_lines(
    costs: Sequence[Field], known_mm: Sequence[Values], across_mm: Values, settings: AxisSettings
) -> list[Values]:
    """Return the offsets (K,) mm of the cheapest line of each strip: Viterbi, slope penalised.

    Every second step and offset is looked at; what is between them is told by the local mean.

    Parameters
    ----------
    costs : (K, U) each
        Of each step at each offset.
    known_mm : (N,) each
        Offsets of the first steps, which are taken as they are.
    """
    offsets, across_step, step = across_mm[::2], 2 * settings.across_step_mm, 2 * settings.step_mm
    known = [_paired(values) for values in known_mm]
    rows = [
        _from_known((cost[:-1:2, ::2] + cost[1::2, ::2]).astype(np.float64), offsets, values)
        for cost, values in zip(costs, known, strict=True)
    ]
    reach = round(STEEPEST * step / across_step)
    slope: Values = np.arange(-reach, reach + 1.0) * across_step / step
    penalty: Values = settings.slope_cost * slope**2 * step
    # Totals with a rim, so that all ways into all offsets are windows on one row.
    n_rows, n = np.array([len(row) for row in rows]), len(offsets)
    total = np.full((int(n_rows.max()), len(rows), n + 2 * reach), np.inf)
    total[..., reach:-reach] = 0.0
    for k, row in enumerate(rows):
        total[: len(row), k, reach:-reach] = row
    windows = np.lib.stride_tricks.sliding_window_view(total, n, axis=2)
    for before, inner in zip(windows[:-1], total[1:, :, reach:-reach], strict=True):
        inner += (before + penalty[:, None]).min(axis=1)
    best = _traced_back(total, n_rows, penalty)
    found = []
    for k, (cost, values) in enumerate(zip(costs, known, strict=True)):
        coarse = np.concatenate([values[:-1], offsets[best[: n_rows[k], k]]])
        found.append(np.interp(np.arange(len(cost)), 2 * np.arange(len(coarse)) + 0.5, coarse))
    return found


def _paired(known_mm: Values) -> Values:
    """Return offsets in the middle of each pair of steps."""
    return (known_mm[:-1:2] + known_mm[1::2]) / 2


def _from_known(cost: Values, offsets_mm: Values, known_mm: Values) -> Values:
    """Return the cost from the last known place on, which is dear everywhere else."""
    if len(known_mm) == 0:
        return cost
    cost = cost[len(known_mm) - 1 :]
    cost[0] = KNOWN_COST * np.minimum(np.abs(offsets_mm - known_mm[-1]), 1.0)
    return cost


def _traced_back(total: Values, n_rows: NDArray[np.int64], penalty: Values) -> NDArray[np.int64]:
    """Return the offset (R, strips) at each row of each strip, from its last one back."""
    reach, strips = len(penalty) // 2, np.arange(total.shape[1])
    best = np.zeros(total.shape[:2], dtype=np.int64)
    best[n_rows - 1, strips] = total[n_rows - 1, strips, reach:-reach].argmin(axis=1)
    ways = np.arange(len(penalty))
    for row in range(len(total) - 2, -1, -1):
        going = n_rows - 1 > row
        here = best[row + 1, going]
        before = total[row, strips[going, None], here[:, None] + ways] + penalty
        best[row, going] = here + before.argmin(axis=1) - reach
    return best
