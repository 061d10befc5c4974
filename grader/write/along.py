"""Places along a cutting's axis, and where they lie on the canvas."""

from __future__ import annotations

import cv2
import numpy as np

from calib.frames import PlaneMap, Points
from grader.records import CuttingShape
from grader.write.canvas import Canvas

OUTLINE_TOLERANCE_MM = 0.03
"""How far an outline may be simplified: a quarter of a pixel of the picture, not seen."""
_REACH_MM = 3.0
"""The direction is taken over a stretch longer than the noise of the axis."""


def on_canvas(canvas: Canvas, plane: PlaneMap, points_mm: Points) -> Points:
    """Return mat points (N, 2) mm as canvas points (N, 2) px."""
    return canvas.from_photo(plane.px_from_mm(points_mm))


def outline_on_canvas(canvas: Canvas, plane: PlaneMap, outline_mm: Points) -> Points:
    """Return an outline (N, 2) mm on the canvas, (M, 2) px, without points that straight pieces stand for."""
    curve = np.asarray(outline_mm, dtype=np.float32)[:, None]
    thin = cv2.approxPolyDP(curve, epsilon=OUTLINE_TOLERANCE_MM, closed=True)
    return on_canvas(canvas, plane, np.asarray(thin, dtype=np.float64).reshape(-1, 2))


def stepped(outline_px: Points, step_px: float) -> Points:
    """Return points (N, 2) all along a closed outline (M, 2), at most a step apart."""
    closed = np.vstack([outline_px, outline_px[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0.0, arc[-1], 1 + int(np.ceil(arc[-1] / step_px)))
    return np.stack([np.interp(at, arc, closed[:, k]) for k in (0, 1)], axis=1)


def at(shape: CuttingShape, arc_mm: float) -> Points:
    """Return the axis point, (2,) mm, at a distance from the base."""
    return np.array([np.interp(arc_mm, shape.arc_mm, shape.axis_mm[:, k]) for k in (0, 1)])


def across(shape: CuttingShape, arc_mm: float, length_mm: float) -> Points:
    """Return a line (2, 2) mm at right angles to the axis, its middle at a distance from the base."""
    along = at(shape, arc_mm + _REACH_MM) - at(shape, max(0.0, arc_mm - _REACH_MM))
    along /= max(float(np.linalg.norm(along)), 1e-9)
    half = np.array([-along[1], along[0]]) * length_mm / 2
    return np.stack([at(shape, arc_mm) - half, at(shape, arc_mm) + half])
