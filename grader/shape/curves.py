"""Curves in the mat plane: arc length, resampling, normals, smoothing."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import make_splprep
from scipy.ndimage import gaussian_filter1d

from grader.records import Points, Values


def arc_of(points_mm: Points) -> Values:
    """Return the distance (N,) along a polyline from its first point, mm."""
    steps = np.hypot(*np.diff(points_mm, axis=0).T)
    return np.concatenate([[0.0], np.cumsum(steps)])


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
    """Return unit directions (N, 2) along a polyline."""
    tangents = np.gradient(points_mm, axis=0)
    return np.asarray(tangents / np.maximum(np.hypot(*tangents.T), 1e-12)[:, None])


def normals_of(points_mm: Points) -> Points:
    """Return unit normals (N, 2): the direction turned by +90 degrees (+x towards +y)."""
    tangents = tangents_of(points_mm)
    return np.stack([-tangents[:, 1], tangents[:, 0]], axis=1)


def fitted(points_mm: Points, sigma_mm: Values, step_mm: float) -> Points:
    """Return a smoothing spline through uncertain points, equally stepped.

    Parameters
    ----------
    points_mm : (N, 2)
    sigma_mm : (N,)
        Standard uncertainty across the curve; the sum of squared weighted distances is N.
    step_mm : float

    Uses ``scipy.interpolate.make_splprep`` (Dierckx smoothing).
    """
    arc = arc_of(points_mm)
    keep = np.concatenate([[True], np.diff(arc) > 1e-6])
    points_mm, sigma_mm, arc = points_mm[keep], sigma_mm[keep], arc[keep]
    if len(arc) < 6:
        return resampled(points_mm, step_mm)
    spline, _ = make_splprep(points_mm.T, u=arc, w=1 / sigma_mm, k=3, s=float(len(arc)))
    n = max(2, round(float(arc[-1]) / step_mm) + 1)
    return resampled(np.stack(spline(np.linspace(0, arc[-1], n)), axis=1), step_mm)


