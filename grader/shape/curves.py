"""Curves in the mat plane: arc length, resampling, normals, smoothing."""

from __future__ import annotations

import numpy as np
from scipy.linalg.lapack import dpbsv
from scipy.ndimage import gaussian_filter1d

from grader.records import Points, Values

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


def resampled(points_mm: Points, step_mm: float) -> Points:
    """Return the polyline (K, 2) with equal steps of about ``step_mm``, ends kept."""
    arc = arc_of(points_mm)
    n = max(2, round(float(arc[-1]) / step_mm) + 1)
    at = np.linspace(0, arc[-1], n)
    return np.stack([np.interp(at, arc, points_mm[:, k]) for k in (0, 1)], axis=1)


def smoothed(points_mm: Points, sigma_mm: float, step_mm: float) -> Points:
    """Return an equally stepped polyline with its wiggles shorter than ``sigma_mm`` taken out.

    The ends stay where they are: the straight line between them is taken off first and the rest
    is mirrored with its sign turned.
    """
    even = resampled(points_mm, step_mm)
    line = np.linspace(even[0], even[-1], len(even))
    rest = even - line
    reach = min(len(rest) - 1, int(4 * sigma_mm / step_mm) + 1)
    padded = np.concatenate([-rest[reach:0:-1], rest, -rest[-2 : -reach - 2 : -1]])
    soft = gaussian_filter1d(padded, sigma_mm / step_mm, axis=0)[reach : reach + len(rest)]
    return np.asarray(line + soft)


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


def fitted(points_mm: Points, sigma_mm: Values, step_mm: float, stiffness_mm3: float) -> Points:
    """Return the smoothest curve through uncertain points, equally stepped, sharp bends kept.

    Minimises ``sum((x - x_k)^2 / sigma_k^2) + stiffness * integral(curvature^2)``: the discrete
    smoothing spline (Whittaker 1923, Reinsch 1967), solved as a banded system.  It follows wiggles
    longer than about ``(stiffness * sigma^2 * step)**0.25``.  Where the first solution bends sharply the
    stiffness is lowered and the system solved again (iteratively reweighted least squares, which makes the
    penalty linear in a large curvature), so that a crook is not rounded off.

    Parameters
    ----------
    points_mm : (N, 2)
    sigma_mm : (N,)
        Standard uncertainty across the curve.
    step_mm : float
    stiffness_mm3 : float
    """
    arc = arc_of(points_mm)
    n = max(2, round(float(arc[-1]) / step_mm) + 1)
    at = np.linspace(0, arc[-1], n)
    even = np.stack([np.interp(at, arc, points_mm[:, k]) for k in (0, 1)], axis=1)
    if n < 4:
        return even
    weight = 1 / np.interp(at, arc, sigma_mm) ** 2
    step = float(at[1])
    softer = np.ones(n - 2)
    curve = even
    for _ in range(BEND_ROUNDS):
        system = _bending(stiffness_mm3 / step**3 * softer)
        system[2] += weight
        _, curve, failed = dpbsv(system, weight[:, None] * even, overwrite_ab=1, overwrite_b=1)
        if failed:
            raise ValueError("positions or their uncertainties are not finite")
        second = curve[2:] - 2 * curve[1:-1] + curve[:-2]
        bend = np.hypot(second[:, 0], second[:, 1]) / step**2
        softer = BEND_PER_MM / (BEND_PER_MM + gaussian_filter1d(bend, BEND_REACH_MM / step))
    return resampled(curve, step_mm)


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
