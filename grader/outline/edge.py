"""Outlines of covered shares, between the pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.level import level_loops, signed_areas
from grader.records import Points

EDGE_LEVEL = 0.5
OUTLINE_SMOOTH_PX = 0.7
"""Smoothing of the covered share before its outline is taken: noise of single pixels."""
OUTLINE_SIZE = (5, 5)
LEAST_HOLE_PX2 = 8.0
"""Smaller holes are noise between needles."""


def outlines_mm(
    coverage: NDArray[np.float32],
    corner_px: tuple[int, int],
    mm_per_px: float,
    origin_mm: tuple[float, float],
) -> tuple[Points, tuple[Points, ...]]:
    """Return the longest outer outline and the holes, (N, 2) mm, where half the pixel is covered.

    Level lines between pixel centres, not through them.
    """
    padded = cv2.copyMakeBorder(coverage, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0.0)
    smooth = np.asarray(cv2.GaussianBlur(padded, OUTLINE_SIZE, OUTLINE_SMOOTH_PX), dtype=np.float32)
    points, starts = level_loops(smooth, EDGE_LEVEL)
    if not len(starts):
        return np.zeros((0, 2)), ()
    areas = signed_areas(points, starts)
    points_mm = (points + np.subtract(corner_px, 1)) * mm_per_px + origin_mm
    beyond = np.append(starts[1:], len(points))
    outer = int(np.abs(areas).argmax())
    is_hole = areas * np.sign(areas[outer]) < -LEAST_HOLE_PX2
    holes = tuple(points_mm[starts[k] : beyond[k]] for k in np.flatnonzero(is_hole))
    return points_mm[starts[outer] : beyond[outer]], holes
