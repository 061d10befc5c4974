"""Probability maps drawn by hand, as a perfect or a doubtful network would give them."""

from __future__ import annotations

import cv2
import numpy as np

from grader.records import PlantMarks
from grader.shape.fields import CuttingFields

MM_PER_PX = 0.1
LINE_PX = 5
"""Lines are 0.5 mm wide, as learned."""


def blank(height_mm: float = 40.0, width_mm: float = 120.0) -> np.ndarray:
    return np.zeros((round(height_mm / MM_PER_PX), round(width_mm / MM_PER_PX)), np.float32)


def draw_line(field: np.ndarray, points_mm: np.ndarray, value: float) -> None:
    """Draw a centre line of a probability into a field."""
    px = np.round(np.asarray(points_mm) / MM_PER_PX * 8).astype(np.int32)
    drawn = np.zeros(field.shape, np.uint8)
    cv2.polylines(drawn, [px], False, 255, LINE_PX, shift=3)
    np.maximum(field, drawn.astype(np.float32) / 255 * value, out=field)


def draw_disc(field: np.ndarray, at_mm: tuple[float, float], value: float, radius_mm: float = 1.0) -> None:
    rows, columns = np.mgrid[: field.shape[0], : field.shape[1]]
    near = np.hypot(columns * MM_PER_PX - at_mm[0], rows * MM_PER_PX - at_mm[1]) <= radius_mm
    field[near] = np.maximum(field[near], value)


def in_cells(field: np.ndarray) -> np.ndarray:
    """Return a map half as fine, as the network gives it."""
    rows, columns = field.shape
    return cv2.resize(field, (columns // 2, rows // 2), interpolation=cv2.INTER_AREA)


def fields_of(coverage: np.ndarray, **maps: np.ndarray) -> CuttingFields:
    """Return the fields of a crop from maps as fine as it; those that are not given are zero."""
    zero = np.zeros_like(coverage)
    names = ("plant", "foliage", "bare_axis", "leafy_axis", "base", "tip")
    return CuttingFields(
        coverage=coverage,
        marks=PlantMarks(*(in_cells(maps.get(name, zero)) for name in names)),
        mm_per_px=MM_PER_PX,
        corner_mm=(0.0, 0.0),
    )
