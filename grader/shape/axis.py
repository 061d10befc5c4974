"""The centre line of the woody stem, under the foliage too.

The plant is straightened along a rough way; across it every position gets a cost (bare paper is
dear, the woody ridge deep inside the plant is cheap), and the cheapest smooth line is found by
dynamic programming.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grader.records import Mask, Points, Values
from grader.shape.curves import arc_of, fitted, normals_of, smoothed
from grader.shape.fields import CuttingFields


@dataclass(frozen=True, slots=True)
class AxisSettings:
    """Costs are per step along the axis, dimensionless."""

    step_mm: float = 0.5
    across_step_mm: float = 0.1
    reach_mm: float = 5.0
    """How far from the rough way the stem may be."""
    way_smooth_mm: float = 2.0
    """Smoothing of the rough way: a side shoot's width, less than a crook."""
    bare_cost: float = 1.5
    """Lying outside the plant."""
    shallow_cost: float = 0.8
    """Lying at its very edge rather than deep inside."""
    deep_mm: float = 1.0
    """Deeper than this is deep enough."""
    unlike_stem_cost: float = 0.8
    """Being coloured like the foliage rather than like the bare stem."""
    slope_cost: float = 4.0
    """Squared slope (mm across per mm along) of the line against the rough way."""
    foliage_sigma_mm: float = 0.35
    """Standard uncertainty of the line under foliage: from pictures with known axes."""
    bare_sigma_mm: float = 0.04
    stiffness_mm3: float = 10000.0
    """Follows bends longer than 6 mm under foliage and 2 mm on bare stem; from a scan of stiffness and
    slope cost on the independent trays: crook scatter 5.9 degrees at 2500 and 1, 4.2 with these."""


def stem_axis(
    fields: CuttingFields, way_mm: Points, bare_mm: float, settings: AxisSettings
) -> tuple[Points, float]:
    """Return the axis (K, 2) along a rough way from the base to the end of the leader, and its cost per mm.

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
    known = arc < bare_mm
    cost = _costs(fields, strip, known, settings)
    # On the bare stem the rough way is the middle already.
    held = cost.copy()
    held[known] += 4.0 * np.minimum(np.abs(across) / 0.5, 1.0)[None, :]
    offset, steps = _cheapest(held, across, settings)
    line = guide + normals * offset[:, None]
    sigma = np.where(known, settings.bare_sigma_mm, settings.foliage_sigma_mm)
    sigma[0] = settings.bare_sigma_mm
    free = ~known
    mean_cost = float(cost[np.arange(len(cost)), steps][free].mean()) if free.any() else 0.0
    return fitted(line, sigma, settings.step_mm, settings.stiffness_mm3), mean_cost


def _costs(fields: CuttingFields, strip: Points, known: Mask, settings: AxisSettings) -> Values:
    coverage = fields.at(fields.coverage, strip)
    depth = fields.at(fields.depth_mm, strip)
    cost = settings.bare_cost * (1 - np.clip(coverage, 0, 1))
    cost += settings.shallow_cost * (1 - np.clip(depth / settings.deep_mm, 0, 1))
    colour = np.stack([fields.at(fields.red, strip), fields.at(fields.blue, strip)], axis=-1)
    inside = coverage > 0.5
    middle = np.abs(np.arange(strip.shape[1]) - strip.shape[1] // 2) <= 3
    on_stem = inside & known[:, None] & middle[None, :]
    in_foliage = inside & ~known[:, None]
    if on_stem.sum() > 20 and in_foliage.sum() > 20:
        stem = np.median(colour[on_stem], axis=0)
        foliage = np.median(colour[in_foliage], axis=0)
        cost += settings.unlike_stem_cost * _unlike_stem(colour, stem, foliage)
    return np.asarray(cost)


def _unlike_stem(colour: Values, stem: Values, foliage: Values) -> Values:
    """Return 0 where coloured like the stem, 1 like the foliage or like something else (a dead leaf)."""
    between = stem - foliage
    distance2 = float(between @ between)
    least_distance = 0.12  # closer colours cannot be told apart
    share = (colour - foliage) @ between / max(distance2, least_distance**2)
    beyond = np.maximum(share - 1.3, 0)
    unlike = np.clip(1 - share + beyond * 2, 0, 1)
    return np.asarray(unlike * min(1.0, np.sqrt(distance2) / least_distance))


def _cheapest(cost: Values, across_mm: Values, settings: AxisSettings) -> tuple[Values, NDArray[np.int64]]:
    """Return offset (K,) mm and index of the cheapest line: Viterbi over the offsets, slope penalised."""
    slope = (across_mm[:, None] - across_mm[None, :]) / settings.step_mm
    reach = 6  # offsets further apart in one step are never cheaper
    penalty = np.where(np.abs(slope) * settings.step_mm > reach * settings.across_step_mm, np.inf, 0.0)
    penalty = penalty + settings.slope_cost * slope**2 * settings.step_mm
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
    return across_mm[best], best
