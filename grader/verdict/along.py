"""Places along the axis of a cutting."""

from __future__ import annotations

import numpy as np

from calib.frames import Points
from grader.records import CuttingShape, Values


def at_arc(shape: CuttingShape, arc_mm: Values) -> Points:
    """Return the points (..., 2) mm of the axis at distances (...) mm from the base."""
    return np.stack([np.interp(arc_mm, shape.arc_mm, shape.axis_mm[:, k]) for k in (0, 1)], axis=-1)


def arc_of(shape: CuttingShape, points_mm: Points) -> Values:
    """Return the distance along the axis, (N,) mm, of the axis point nearest to each point (N, 2) mm."""
    if len(points_mm) == 0:
        return np.zeros(0)
    gaps = np.linalg.norm(points_mm[:, None, :] - shape.axis_mm[None, :, :], axis=2)
    return np.asarray(shape.arc_mm[np.argmin(gaps, axis=1)])
