"""Outlines of covered shares, between the pixels."""

from __future__ import annotations

from collections.abc import Sequence

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
    coverages: Sequence[NDArray[np.float32]],
    corners_px: Sequence[tuple[int, int]],
    mm_per_px: float,
    origin_mm: tuple[float, float],
) -> list[tuple[Points, tuple[Points, ...]]]:
    """Return the longest outer outline and the holes of each crop, (N, 2) mm, where half a pixel is covered.

    Level lines between pixel centres, not through them; those of all crops in one go.
    """
    loops = level_loops([_smoothed(coverage) for coverage in coverages], EDGE_LEVEL)
    if not len(loops.starts):
        return [(np.zeros((0, 2)), ())] * len(coverages)
    areas = signed_areas(loops.points, loops.starts)
    counts = np.diff(np.append(loops.starts, len(loops.points)))
    corner_px = np.subtract(corners_px, 1)[loops.picture]
    points_mm = (loops.points + np.repeat(corner_px, counts, axis=0)) * mm_per_px + origin_mm
    lines = np.split(points_mm, loops.starts[1:])
    found: list[tuple[Points, tuple[Points, ...]]] = []
    for number in range(len(coverages)):
        first, beyond = np.searchsorted(loops.picture, (number, number + 1))
        if first == beyond:
            found.append((np.zeros((0, 2)), ()))
            continue
        outer = first + int(np.abs(areas[first:beyond]).argmax())
        is_hole = areas[first:beyond] * np.sign(areas[outer]) < -LEAST_HOLE_PX2
        found.append((lines[outer], tuple(lines[k] for k in first + np.flatnonzero(is_hole))))
    return found


def _smoothed(coverage: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a crop with an empty rim, smoothed."""
    padded = cv2.copyMakeBorder(coverage, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0.0)
    return np.asarray(cv2.GaussianBlur(padded, OUTLINE_SIZE, OUTLINE_SMOOTH_PX), dtype=np.float32)
