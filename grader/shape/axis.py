"""The centre line of the woody stem, under the foliage too.

The plant is straightened along a rough way; across it every position gets a cost (bare paper is
dear, the woody ridge deep inside the plant is cheap), and the cheapest smooth line is found by
dynamic programming.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grader.records import Points, Values
from grader.shape.curves import arc_of, fitted, normals_of, smoothed
from grader.shape.fields import CuttingFields


@dataclass(frozen=True, slots=True)
class AxisSettings:
    """Costs are per step along the axis, dimensionless."""

    step_mm: float = 0.5
    across_step_mm: float = 0.1
    reach_mm: float = 4.0
    """How far from the rough way the stem may be."""
    way_smooth_mm: float = 2.0
    """Smoothing of the rough way: a side shoot's width, less than a crook."""
    bare_cost: float = 1.5
    """Lying outside the plant."""
    shallow_cost: float = 0.8
    """Lying at its very edge rather than deep inside."""
    deep_mm: float = 1.0
    """Deeper than this is deep enough."""
    green_cost: float = 0.8
    """Being as green as the greenest part of the section rather than as woody as the woodiest."""
    bend_cost: float = 40.0
    """Squared slope (mm across per mm along) of the line against the rough way."""
    foliage_sigma_mm: float = 0.35
    """Standard uncertainty of the line under foliage: from pictures with known axes."""
    bare_sigma_mm: float = 0.06


def stem_axis(fields: CuttingFields, way_mm: Points, bare_mm: float, settings: AxisSettings) -> Points:
    """Return the axis (K, 2) along a rough way from the base to the end of the leader.

    Parameters
    ----------
    way_mm : (N, 2)
        Rough way from the base.
    bare_mm : float
        Length from the base that is bare stem, where the middle between the edges is taken as is.
    """
    guide = smoothed(way_mm, settings.way_smooth_mm, settings.step_mm)
    arc = arc_of(guide)
    across = np.arange(-settings.reach_mm, settings.reach_mm + 1e-9, settings.across_step_mm)
    normals = normals_of(guide)
    strip = guide[:, None, :] + across[None, :, None] * normals[:, None, :]
    cost = _costs(fields, strip, settings)
    # On the bare stem the rough way is the middle already.
    known = arc < bare_mm
    cost[known] += 4.0 * np.minimum(np.abs(across) / 0.5, 1.0)[None, :]
    offset = _cheapest(cost, across, settings)
    line = guide + normals * offset[:, None]
    sigma = np.where(known, settings.bare_sigma_mm, settings.foliage_sigma_mm)
    sigma[0] = settings.bare_sigma_mm
    return fitted(line, sigma, settings.step_mm)


def _costs(fields: CuttingFields, strip: Points, settings: AxisSettings) -> Values:
    coverage = fields.at(fields.coverage, strip)
    depth = fields.at(fields.depth_mm, strip)
    red = fields.at(fields.red, strip)
    inside = coverage > 0.5
    low, high = _range(np.where(inside, red, np.nan))
    woody = np.clip((red - low) / np.maximum(high - low, 0.05), 0, 1)
    cost = settings.bare_cost * (1 - np.clip(coverage, 0, 1))
    cost += settings.shallow_cost * (1 - np.clip(depth / settings.deep_mm, 0, 1))
    cost += settings.green_cost * (1 - woody)
    return np.asarray(cost)


def _range(red: Values) -> tuple[float, float]:
    """Return what counts as the greenest and the woodiest colour of this plant."""
    if not np.isfinite(red).any():
        return 0.0, 1.0
    low, high = np.nanpercentile(red, [10, 97])
    return float(low), float(high)


def _cheapest(cost: Values, across_mm: Values, settings: AxisSettings) -> Values:
    """Return the offset (K,) of the cheapest line: Viterbi over the offsets, slope penalised."""
    slope = (across_mm[:, None] - across_mm[None, :]) / settings.step_mm
    reach = 6  # offsets further apart in one step are never cheaper
    penalty = np.where(np.abs(slope) * settings.step_mm > reach * settings.across_step_mm, np.inf, 0.0)
    penalty = penalty + settings.bend_cost * (slope**2) * settings.step_mm * 0.05
    total = cost[0] + 10.0 * np.abs(across_mm)
    origins = np.zeros(cost.shape, dtype=np.int64)
    for k in range(1, len(cost)):
        ways = total[None, :] + penalty
        origins[k] = ways.argmin(axis=1)
        total = ways[np.arange(len(across_mm)), origins[k]] + cost[k]
    best = np.empty(len(cost), dtype=np.int64)
    best[-1] = int(total.argmin())
    for k in range(len(cost) - 1, 0, -1):
        best[k - 1] = origins[k, best[k]]
    return across_mm[best]


