"""What the shape stage reads from the pictures of one cutting, as fields that can be sampled anywhere."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import FlatView, PlantMarks, Points, Silhouette, Values

Field = NDArray[np.float32]

COLOUR_SMOOTH_PX = 2.0
"""Smoothing of colours: chroma in a JPEG is coarse, bark and leaf differ over 0.3 mm and more."""
DARKEST = 2e-3


@dataclass(frozen=True, slots=True, eq=False)
class CuttingFields:
    """Crop of the flat view around one cutting."""

    coverage: Field
    """(h, w) covered share, 0 to 1."""
    red: Field
    """(h, w) ln(R/G): bark is above foliage."""
    blue: Field
    """(h, w) ln(B/G)."""
    marks: PlantMarks
    """Probabilities of the same crop."""
    mm_per_px: float
    corner_mm: tuple[float, float]
    """Mat position of the centre of pixel (0, 0) of the crop."""

    def at(self, field: Field, points_mm: Points) -> Values:
        """Return the field's values (...,) at mat positions (..., 2), 0 outside the crop."""
        points_mm = np.asarray(points_mm)
        xy = ((points_mm - self.corner_mm) / self.mm_per_px).astype(np.float32)
        if xy.size == 0:
            return np.zeros(xy.shape[:-1])
        # One row for each profile: remap takes at most 32,767 rows and as many columns.
        rows = xy.reshape(-1, xy.shape[-2], 2) if xy.ndim > 1 else xy.reshape(1, 1, 2)
        values = cv2.remap(field, rows, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)  # type: ignore[call-overload]
        return np.asarray(values, dtype=np.float64).reshape(xy.shape[:-1])


def cutting_fields(silhouette: Silhouette, view: FlatView) -> CuttingFields:
    """Return coverage and colours of one silhouette's crop."""
    x, y = silhouette.corner_px
    height, width = silhouette.coverage.shape
    linear = np.maximum(view.linear_in((slice(y, y + height), slice(x, x + width))), np.float32(DARKEST))
    smooth = cv2.GaussianBlur(linear, (0, 0), COLOUR_SMOOTH_PX)
    return CuttingFields(
        coverage=np.ascontiguousarray(silhouette.coverage),
        red=np.log(smooth[..., 0] / smooth[..., 1]),
        blue=np.log(smooth[..., 2] / smooth[..., 1]),
        marks=silhouette.marks,
        mm_per_px=view.mm_per_px,
        corner_mm=(
            view.origin_mm[0] + x * view.mm_per_px,
            view.origin_mm[1] + y * view.mm_per_px,
        ),
    )


def depth_mm(fields: CuttingFields) -> Field:
    """Return the distance (h, w) to the nearest paper, mm."""
    solid = np.pad((fields.coverage > 0.5).astype(np.uint8), 1)
    depth = cv2.distanceTransform(solid, cv2.DIST_L2, 5)[1:-1, 1:-1] * np.float32(fields.mm_per_px)
    return np.ascontiguousarray(depth)
