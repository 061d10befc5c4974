"""The centre line of the woody stem, under the foliage too.

Across a rough way every position has a probability of being the line; the likeliest smooth line is
found by dynamic programming (Viterbi), moved to the local mean of the probability, and smoothed by
how sure it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grader.records import Points, Values
from grader.shape.curves import arc_of, fitted, normals_of, resampled, smoothed
from grader.shape.fields import CuttingFields, Field, centre_line

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


def stem_axis(fields: CuttingFields, trail_mm: Points, way_mm: Points, settings: AxisSettings) -> StemAxis:
    """Return the axis along a rough way from the base to the tip.

    Parameters
    ----------
    trail_mm : (M, 2)
        Centre line of the bare stem from the base, from its edges; taken as it is.
    way_mm : (N, 2)
        Rough way from the base to the tip.
    """
    joined = _joined(trail_mm, way_mm)
    bare_mm = float(arc_of(trail_mm)[-1])
    guide = smoothed(joined, settings.way_smooth_mm, settings.step_mm)
    arc = arc_of(guide)
    across = np.arange(-settings.reach_mm, settings.reach_mm + 1e-9, settings.across_step_mm)
    normals = normals_of(guide)
    line = fields.across(centre_line(fields), guide, normals, across)
    n_known = int(np.searchsorted(arc, bare_mm))
    # On the bare stem the edges tell where the line is.
    offset_known = _offsets_of(trail_mm, guide[:n_known], normals[:n_known], arc[:n_known])
    offset = _cheapest(-np.log(line + np.float32(settings.faintest)), across, offset_known, settings)
    offset, sigma = _local_mean(line, across, offset, settings)
    offset[:n_known], sigma[:n_known] = offset_known, settings.bare_sigma_mm
    offset[-1], sigma[-1] = 0.0, 2 * settings.least_sigma_mm
    points = guide + normals * offset[:, None]
    curve = fitted(points, sigma, settings.step_mm, settings.stiffness_mm3)
    at = arc_of(curve)
    return StemAxis(curve, np.interp(at * (float(arc[-1]) / max(float(at[-1]), 1e-9)), arc, sigma))


def _joined(trail_mm: Points, way_mm: Points) -> Points:
    """Return the trail, then the way beyond where it passes the trail's end."""
    gap = np.hypot(*(way_mm - trail_mm[-1]).T)
    joins = int(gap.argmin())
    rest = way_mm[joins:]
    apart_mm = 2.0  # room to bend from the one line to the other
    beyond = rest[arc_of(rest) > apart_mm] if len(rest) > 1 else rest[:0]
    if len(beyond) == 0:
        beyond = way_mm[-1:]
    return resampled(np.vstack([trail_mm, beyond]), 0.25)


def _offsets_of(trail_mm: Points, guide_mm: Points, normals: Points, arc_mm: Values) -> Values:
    """Return how far the trail lies beside each point of the guide, which follows it from the base."""
    along = arc_of(trail_mm)
    beside = np.stack([np.interp(arc_mm, along, trail_mm[:, k]) for k in (0, 1)], axis=1) - guide_mm
    return np.asarray((beside * normals).sum(axis=1))


def _local_mean(
    line: Field, across_mm: Values, offset_mm: Values, settings: AxisSettings
) -> tuple[Values, Values]:
    """Return the mean of the probability near each offset, and its standard uncertainty (K,)."""
    gap = across_mm[None, :] - offset_mm[:, None]
    weight = np.where(np.abs(gap) <= settings.local_mm, line, 0.0) + 1e-6 * (np.abs(gap) < 0.05)
    mean = offset_mm + (weight * gap).sum(axis=1) / weight.sum(axis=1)
    wide = np.clip(line - settings.faintest, 0, None) * (np.abs(gap) <= settings.spread_mm)
    around = across_mm[None, :] - mean[:, None]
    mass = wide.sum(axis=1)
    full = 0.5 / settings.across_step_mm  # a line known exactly
    spread2 = (wide * around**2).sum(axis=1) / np.maximum(mass, 1e-9) - settings.line_spread_mm**2
    # What is missing of a full line may be anywhere in reach.
    lost = np.clip(1 - mass / full, 0, 1)
    sigma2 = np.clip(spread2, 0, None) + lost * (0.3 * settings.spread_mm) ** 2
    return mean, np.sqrt(sigma2 + settings.least_sigma_mm**2)


def _cheapest(cost: Field, across_mm: Values, known_mm: Values, settings: AxisSettings) -> Values:
    """Return the offsets (K,) mm of the cheapest line: Viterbi over the offsets, slope penalised.

    Every second step and offset is looked at; what is between them is told by the local mean.

    Parameters
    ----------
    cost : (K, U)
        Of each step at each offset.
    known_mm : (N,)
        Offsets of the first steps, which are taken as they are.
    """
    pairs = (cost[:-1:2, ::2] + cost[1::2, ::2]).astype(np.float64)
    offsets = across_mm[::2]
    across_step, step = 2 * settings.across_step_mm, 2 * settings.step_mm
    known = (
        np.interp(2 * np.arange(len(known_mm) // 2) + 0.5, np.arange(len(known_mm)), known_mm)
        if len(known_mm)
        else known_mm
    )
    first = max(len(known) - 1, 0)
    if len(known):
        pairs[first] = KNOWN_COST * np.minimum(np.abs(offsets - known[first]), 1.0)
    reach = round(STEEPEST * step / across_step)
    slope = np.arange(-reach, reach + 1) * across_step / step
    penalty = settings.slope_cost * slope**2 * step
    # Totals with a rim, so that all ways into all offsets are windows on one row.
    n = len(offsets)
    total = np.full((len(pairs) - first, n + 2 * reach), np.inf)
    total[:, reach:-reach] = pairs[first:]
    windows = np.lib.stride_tricks.sliding_window_view(total, n, axis=1)
    ways, cheapest = np.empty((len(penalty), n)), np.empty(n)
    for before, inner in zip(windows[:-1], total[1:, reach:-reach], strict=True):
        np.add(before, penalty[:, None], out=ways)
        np.minimum.reduce(ways, axis=0, out=cheapest)
        inner += cheapest
    here = int(total[-1, reach:-reach].argmin())
    best = [here]
    for row in total[-2::-1]:
        here += int((row[here : here + len(penalty)] + penalty).argmin()) - reach
        best.append(here)
    coarse = np.concatenate([known[:first], offsets[best[::-1]]])
    return np.asarray(np.interp(np.arange(len(cost)), 2 * np.arange(len(coarse)) + 0.5, coarse))
