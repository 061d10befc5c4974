"""The centre line of the woody stem, under the foliage too.

Across a rough way every position has a probability of being the line; the likeliest smooth line is
found by dynamic programming (Viterbi), moved to the local mean of the probability, and smoothed by
how sure it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from grader.records import Points, Values
from grader.shape.curves import arc_of, fitted, normals_of, resampled, smoothed
from grader.shape.fields import CuttingFields, centre_line


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
    strip = guide[:, None, :] + across[None, :, None] * normals[:, None, :]
    line = fields.at(centre_line(fields), strip)
    known = arc < bare_mm
    cost = -np.log(line + settings.faintest)
    # On the bare stem the edges tell where the line is.
    offset_known = _offsets_of(trail_mm, guide[known], normals[known])
    cost[known] = 20.0 * np.minimum(np.abs(across[None, :] - offset_known[:, None]), 1.0)
    offset = _cheapest(cost, across, settings)
    offset, sigma = _local_mean(line, across, offset, settings)
    offset[known], sigma[known] = offset_known, settings.bare_sigma_mm
    offset[-1], sigma[-1] = 0.0, 2 * settings.least_sigma_mm
    points = guide + normals * offset[:, None]
    curve = fitted(points, sigma, settings.step_mm, settings.stiffness_mm3)
    at = arc_of(curve) / max(float(arc_of(curve)[-1]), 1e-9) * float(arc[-1])
    return StemAxis(curve, np.interp(at, arc, sigma))


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


def _offsets_of(trail_mm: Points, guide_mm: Points, normals: Points) -> Values:
    """Return how far the trail lies beside each point of the guide, along its normal."""
    if len(guide_mm) == 0:
        return np.zeros(0)
    dense = resampled(trail_mm, 0.1)
    nearest = cKDTree(dense).query(guide_mm)[1]
    return np.asarray(np.sum((dense[nearest] - guide_mm) * normals, axis=1))


def _local_mean(
    line: Values, across_mm: Values, offset_mm: Values, settings: AxisSettings
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


def _cheapest(cost: Values, across_mm: Values, settings: AxisSettings) -> Values:
    """Return the offset (K,) mm of the cheapest line: Viterbi over the offsets, slope penalised."""
    reach = 6  # offsets further apart in one step are never cheaper
    slope = np.arange(-reach, reach + 1) * settings.across_step_mm / settings.step_mm
    penalty = settings.slope_cost * slope**2 * settings.step_mm
    # Totals with a rim, so that all ways into all offsets are windows on one row.
    n = cost.shape[1]
    total = np.full((len(cost), n + 2 * reach), np.inf)
    total[:, reach:-reach] = cost
    windows = np.lib.stride_tricks.sliding_window_view(total, n, axis=1)
    ways, cheapest = np.empty((len(penalty), n)), np.empty(n)
    for before, inner in zip(windows[:-1], total[1:, reach:-reach], strict=True):
        np.add(before, penalty[:, None], out=ways)
        np.minimum.reduce(ways, axis=0, out=cheapest)
        inner += cheapest
    best = np.empty(len(cost), dtype=np.int64)
    best[-1] = int(total[-1, reach:-reach].argmin())
    for k in range(len(cost) - 1, 0, -1):
        here = int(best[k])
        best[k - 1] = here - reach + int((total[k - 1, here : here + len(penalty)] + penalty).argmin())
    return np.asarray(across_mm[best])
