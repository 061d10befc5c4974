"""Places along a cutting's axis, and where they lie on the canvas."""

from __future__ import annotations

import numpy as np

from calib.frames import PlaneMap, Points
from grader.records import CuttingShape
from grader.write.canvas import Canvas

_REACH_MM = 3.0
"""The direction is taken over a stretch longer than the noise of the axis."""


def on_canvas(canvas: Canvas, plane: PlaneMap, points_mm: Points) -> Points:
    """Return mat points (N, 2) mm as canvas points (N, 2) px."""
    return canvas.from_photo(plane.px_from_mm(points_mm))


def at(shape: CuttingShape, arc_mm: float) -> Points:
    """Return the axis point, (2,) mm, at a distance from the base."""
    return np.array([np.interp(arc_mm, shape.arc_mm, shape.axis_mm[:, k]) for k in (0, 1)])


def across(shape: CuttingShape, arc_mm: float, length_mm: float) -> Points:
    """Return a line (2, 2) mm at right angles to the axis, its middle at a distance from the base."""
    along = at(shape, arc_mm + _REACH_MM) - at(shape, max(0.0, arc_mm - _REACH_MM))
    along /= max(float(np.linalg.norm(along)), 1e-9)
    half = np.array([-along[1], along[0]]) * length_mm / 2
    return np.stack([at(shape, arc_mm) - half, at(shape, arc_mm) + half])
