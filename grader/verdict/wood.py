"""How thick the stem is all along, also where foliage hides it, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grader.records import CuttingShape, Values

TAPER_SHARE, TAPER_SHARE_SIGMA = 0.5, 0.3
"""Share of its base width that a stem is expected to lose over its length, before any width is looked at,
and the doubt of it: a starting value of our own, no source.  The widths seen correct it."""
BUMP_MM = 0.06
"""Bark and leaf bases make single widths scatter by about this: no taper is read out of it."""
SEEN_EVERY_MM = 4.0
"""Widths closer together than this are wrong together."""
HIDDEN_SIGMA_MM = 0.10
"""Added where the stem is not seen: forks and bends of the taper; a starting value of our own, no source."""
FEWEST_WIDTHS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Wood:
    """Stem width and its standard uncertainty at distances from the base; all finite."""

    arc_mm: Values
    width_mm: Values
    sigma_mm: Values

    def mean_between(self, low_mm: Values, high_mm: Values) -> tuple[Values, Values]:
        """Return mean width and its uncertainty over stretches from ``low_mm`` to ``high_mm``, (N,) each."""
        step = np.diff(self.arc_mm, prepend=self.arc_mm[0])
        means = []
        for values in (self.width_mm, self.sigma_mm):
            middles = values - np.diff(values, prepend=values[0]) / 2.0
            total = np.cumsum(middles * step)
            area = np.interp(high_mm, self.arc_mm, total) - np.interp(low_mm, self.arc_mm, total)
            means.append(area / np.maximum(high_mm - low_mm, 1e-9))
        return np.asarray(means[0]), np.asarray(means[1])


def wood_of(shape: CuttingShape) -> Wood | None:
    """Return the width all along the axis, or None if too little of the stem is seen.

    Where the stem is hidden the width follows a straight line through the widths seen above a heel:
    least squares with an expectation of the taper, so that a short bare stretch does not
    make up a steep one (Gaussian linear model: Bishop 2006, "Pattern Recognition and Machine
    Learning", section 3.3, from memory).
    """
    start_mm = shape.heel.length_mm if shape.heel is not None else 0.0
    is_seen = np.isfinite(shape.width_mm)
    is_stem = is_seen & (shape.arc_mm >= start_mm)
    if is_stem.sum() < FEWEST_WIDTHS:
        return None
    arc_mm, length_mm = shape.arc_mm, float(shape.arc_mm[-1])
    middle_mm = float(np.mean(arc_mm[is_stem]))
    line_mm, line_sigma_mm = _line(shape, is_stem, middle_mm, length_mm)
    width = np.where(is_seen, np.nan_to_num(shape.width_mm), np.maximum(line_mm, 0.0))
    hidden_sigma = np.sqrt(line_sigma_mm**2 + shape.base_width_sigma_mm**2 + HIDDEN_SIGMA_MM**2)
    sigma = np.where(is_seen, shape.base_width_sigma_mm, hidden_sigma)
    return Wood(arc_mm, np.asarray(width), np.asarray(sigma))


def _line(
    shape: CuttingShape, is_stem: np.ndarray, middle_mm: float, length_mm: float
) -> tuple[Values, Values]:
    """Return the line at every axis point and its uncertainty, (K,) mm each."""
    arc, width = shape.arc_mm[is_stem] - middle_mm, shape.width_mm[is_stem]
    reach_mm = float(np.ptp(arc))
    independent = max(1.0, reach_mm / SEEN_EVERY_MM)
    weight = independent / len(arc) / BUMP_MM**2
    level = float(np.median(width))
    slope_expected = -TAPER_SHARE * level / length_mm
    slope_sigma = TAPER_SHARE_SIGMA * level / length_mm
    # Normal equations of (width at the middle, slope), the expectation as one more observation of the slope.
    design = np.stack([np.ones(len(arc)), arc], axis=1)
    normal = weight * design.T @ design + np.diag([0.0, 1.0 / slope_sigma**2])
    right = weight * design.T @ width + np.array([0.0, slope_expected / slope_sigma**2])
    covariance = np.linalg.inv(normal)
    start, slope = covariance @ right
    away = shape.arc_mm - middle_mm
    variance = covariance[0, 0] + 2.0 * covariance[0, 1] * away + covariance[1, 1] * away**2
    return start + slope * away, np.sqrt(variance)
