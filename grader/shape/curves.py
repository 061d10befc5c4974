"""Curves in the mat plane: arc length, resampling, normals, smoothing; quantiles of what lies along them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpbsv
from scipy.ndimage import gaussian_filter1d

from grader.records import Points, Values
from grader.shape.lines import Lines, places_in

BEND_ROUNDS = 6
"""Solutions of the smoothing spline; more change nothing that is seen."""
BEND_PER_MM = 0.01
"""Curvature from which a bend is taken for real: a radius of 100 mm."""
BEND_REACH_MM = 1.0
"""Curvatures are judged smoothed over so much."""


def arc_of(points_mm: Points) -> Values:
    """Return the distance (N,) along a polyline from its first point, mm."""
    steps = points_mm[1:] - points_mm[:-1]
    arc = np.zeros(len(points_mm))
    np.cumsum(np.hypot(steps[:, 0], steps[:, 1]), out=arc[1:])
    return arc


def quantile(values: Values, share: float) -> float:
    """Return what ``numpy.quantile`` does of finite values (N,), N > 0; much quicker for few of them."""
    ordered = np.sort(values)
    at = share * (len(ordered) - 1)
    low = int(at)
    high = min(low + 1, len(ordered) - 1)
    return float(ordered[low] + (at - low) * (ordered[high] - ordered[low]))


def tangents_of(points_mm: Points) -> Points:
    """Return unit directions (N, 2) along a polyline, each from the points on either side of it."""
    tangents = np.empty(points_mm.shape)
    np.subtract(points_mm[2:], points_mm[:-2], out=tangents[1:-1])
    tangents[0], tangents[-1] = points_mm[1] - points_mm[0], points_mm[-1] - points_mm[-2]
    tangents /= np.maximum(np.hypot(tangents[:, 0], tangents[:, 1]), 1e-12)[:, None]
    return tangents


def normals_of(points_mm: Points) -> Points:
    """Return unit normals (N, 2): the direction turned by +90 degrees (+x towards +y)."""
    tangents = tangents_of(points_mm)
    return np.stack([-tangents[:, 1], tangents[:, 0]], axis=1)


def fitted(curves: Sequence[tuple[Points, Values]], step_mm: float, stiffness_mm3: float) -> list[Points]:
    """Return the smoothest curves through uncertain points, equally stepped, sharp bends kept.

    Each minimises ``sum((x - x_k)^2 / sigma_k^2) + stiffness * integral(curvature^2)``: the discrete
    smoothing spline (Whittaker 1923, Reinsch 1967), solved as a banded system, all curves in one.  It follows
    wiggles longer than about ``(stiffness * sigma^2 * step)**0.25``.  Where the first solution bends sharply
    the stiffness is lowered and the system solved again (iteratively reweighted least squares, which makes
    the penalty linear in a large curvature), so that a crook is not rounded off.

    Parameters
    ----------
    curves
        Points (N, 2) and standard uncertainties (N,) across the curve of each; at least two points.
    step_mm : float
    stiffness_mm3 : float

    Raises
    ------
    ValueError
        If positions or uncertainties are not finite, or an uncertainty is 0.
    """
    if not curves:
        return []
    lines = Lines.of([points for points, _ in curves])
    n, line, at_mm = lines.even_places(step_mm)
    even = lines.at(at_mm, line)
    weight = 1 / lines.at(at_mm, line, np.concatenate([sigma for _, sigma in curves])) ** 2
    rough = Lines.in_row(even, n, lines.owner)
    steps = np.repeat(rough.length_mm / (n - 1), n)[:-2]
    bends = _Bends.of(n, BEND_REACH_MM / step_mm)
    stiff = np.zeros(len(steps))
    stiff[bends.at] = stiffness_mm3 / steps[bends.at] ** 3
    softer = np.ones(len(stiff))
    curve = even
    for _ in range(BEND_ROUNDS):
        system = _bending(stiff * softer)
        system[2] += weight
        _, curve, failed = dpbsv(system, weight[:, None] * even, overwrite_ab=1, overwrite_b=1)
        second = curve[2:] - 2 * curve[1:-1] + curve[:-2]
        bend = np.hypot(second[:, 0], second[:, 1])[bends.near] / steps[bends.near] ** 2
        smooth = gaussian_filter1d(bend, BEND_REACH_MM / step_mm)[bends.slots]
        softer[bends.at] = BEND_PER_MM / (BEND_PER_MM + smooth)
    if failed or not np.isfinite(curve).all():
        raise ValueError("positions and uncertainties must be finite, uncertainties above 0")
    return Lines.in_row(curve, n, lines.owner).resampled(step_mm).parts()


@dataclass(frozen=True, slots=True, eq=False)
class _Bends:
    """Where the bends of several curves are among the second differences of all their points in one row."""

    at: NDArray[np.int64]
    """(B,) those of one curve only: not over the end of one and the start of the next."""
    near: NDArray[np.int64]
    """The same with those of each curve mirrored at its ends, so that they can be smoothed in one row."""
    slots: NDArray[np.int64]
    """(B,) where they are in that row."""

    @classmethod
    def of(cls, n_points: NDArray[np.int64], sigma: float) -> _Bends:
        """Return them for curves of so many points, to be smoothed by a Gaussian; three points have none."""
        rim = int(4 * sigma + 0.5)
        n_bends = np.where(n_points > 3, n_points - 2, 0)
        firsts = np.cumsum(n_points) - n_points
        line, place = places_in(n_bends)
        padded = np.where(n_bends > 0, n_bends + 2 * rim, 0)
        wide_line, wide_place = places_in(padded)
        turns = 2 * n_bends[wide_line]
        mirrored = (wide_place - rim) % turns
        near = firsts[wide_line] + np.minimum(mirrored, turns - 1 - mirrored)
        slots = (np.cumsum(padded) - padded + rim)[line] + place
        return cls(firsts[line] + place, near, slots)


def _bending(stiff: Values) -> Values:
    """Return the matrix of ``sum(stiff_k * (x_k - 2 x_k+1 + x_k+2)^2)``, stiff (N - 2,).

    Returns
    -------
    (3, N)
        Upper diagonals as LAPACK has them: second, first, main.
    """
    n = len(stiff) + 2
    bands = np.zeros((3, n))
    bands[0, 2:] = stiff
    bands[1, 1:-1] = -2 * stiff
    bands[1, 2:] -= 2 * stiff
    bands[2, :-2] = stiff
    bands[2, 1:-1] += 4 * stiff
    bands[2, 2:] += stiff
    return bands
