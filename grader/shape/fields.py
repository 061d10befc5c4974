"""What the shape stage reads from the pictures of one cutting, as fields that can be sampled anywhere."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import FlatView, PlantMarks, Points, Silhouette, Values, linear_of

Field = NDArray[np.float32]

COVERED = 0.5
"""A pixel belongs to the cutting from this share on."""
COLOUR_SHRINK = 4
"""Colours are told at every fourth pixel (0.4 mm): chroma in a JPEG is coarse, leaves are 1 mm and wider."""
LIGHT_SHRINK = 16
"""The light on the paper is worked out for so many pixels at once (1.6 mm); it is smooth."""
DARKEST = 2e-3


@dataclass(frozen=True, slots=True, eq=False)
class CuttingFields:
    """Crop of the flat view around one cutting."""

    coverage: Field
    """(h, w) covered share, 0 to 1."""
    marks: PlantMarks
    """Probabilities of the same crop, in cells of several pixels."""
    mm_per_px: float
    corner_mm: tuple[float, float]
    """Mat position of the centre of pixel (0, 0) of the crop."""

    @property
    def cell_px(self) -> int:
        """Pixels along a side of a cell of the marks."""
        return self._pixels_of(self.marks.plant)

    @property
    def cell_mm(self) -> float:
        """Side of such a cell."""
        return self.cell_px * self.mm_per_px

    def _pixels_of(self, field: Field) -> int:
        return int(self.coverage.shape[1] // field.shape[1])

    def _first_mm(self, field: Field) -> tuple[float, float]:
        """Return the mat position of the centre of a field's first cell."""
        to_middle_mm = (self._pixels_of(field) - 1) / 2 * self.mm_per_px
        return self.corner_mm[0] + to_middle_mm, self.corner_mm[1] + to_middle_mm

    def at(self, field: Field, points_mm: Points) -> Values:
        """Return the field's values (...,) at mat positions (..., 2), 0 outside the crop."""
        points_mm = np.asarray(points_mm)
        step_mm = self._pixels_of(field) * self.mm_per_px
        xy = ((points_mm - self._first_mm(field)) / step_mm).astype(np.float32)
        if xy.size == 0:
            return np.zeros(xy.shape[:-1])
        # One row for each profile: remap takes at most 32,767 rows and as many columns.
        rows = xy.reshape(-1, xy.shape[-2], 2) if xy.ndim > 1 else xy.reshape(1, 1, 2)
        values = cv2.remap(field, rows, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)  # type: ignore[call-overload]
        return np.asarray(values, dtype=np.float64).reshape(xy.shape[:-1])

    def across(self, field: Field, centre_mm: Points, normals: Points, across_mm: Values) -> Field:
        """Return the field's values (K, U) on straight lines across a curve, 0 outside the crop.

        Parameters
        ----------
        centre_mm, normals : (K, 2)
        across_mm : (U,)
            Distances from the curve along its normals.
        """
        step_mm = self._pixels_of(field) * self.mm_per_px
        return on_lines(field, (centre_mm - self._first_mm(field)) / step_mm, normals / step_mm, across_mm)


def on_lines(field: Field, middle: Points, along: Points, across_mm: Values) -> Field:
    """Return a field's values (K, U) on straight lines, interpolated linearly, 0 outside it.

    Parameters
    ----------
    middle : (K, 2)
        A place on each line, x and y in cells of the field.
    along : (K, 2)
        The way along it, cells for each mm.
    across_mm : (U,)
        How far along.
    """
    (x, y), (along_x, along_y) = middle.astype(np.float32).T, along.astype(np.float32).T
    u = across_mm.astype(np.float32)
    return np.asarray(
        cv2.remap(
            field,
            x[:, None] + along_x[:, None] * u,
            y[:, None] + along_y[:, None] * u,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
        ),
        dtype=np.float32,
    )


def cutting_fields(silhouette: Silhouette, view: FlatView) -> CuttingFields:
    """Return the fields of one silhouette's crop."""
    x, y = silhouette.corner_px
    return CuttingFields(
        coverage=silhouette.coverage,
        marks=silhouette.marks,
        mm_per_px=view.mm_per_px,
        corner_mm=(
            view.origin_mm[0] + x * view.mm_per_px,
            view.origin_mm[1] + y * view.mm_per_px,
        ),
    )


def colours_of(view: FlatView, xy_px: NDArray[np.integer]) -> Field:
    """Return linear light over that of the paper (N, 3) at pixels (N, 2) of the flat view."""
    x, y = xy_px.T
    rows, columns = (max(1, side // LIGHT_SHRINK) for side in view.rgb.shape[:2])
    light = view.light.within(view.whole, (rows, columns))
    near = np.minimum(y // LIGHT_SHRINK, rows - 1), np.minimum(x // LIGHT_SHRINK, columns - 1)
    linear = linear_of(view.rgb[y, x][None])[0]
    return np.asarray(np.maximum(linear, np.float32(DARKEST)) / light[near], dtype=np.float32)


def depth_mm(fields: CuttingFields) -> Field:
    """Return the distance (h, w) to the nearest paper, mm."""
    solid = np.pad((fields.coverage > COVERED).astype(np.uint8), 1)
    depth = cv2.distanceTransform(solid, cv2.DIST_L2, 5)[1:-1, 1:-1] * np.float32(fields.mm_per_px)
    return np.ascontiguousarray(depth)
