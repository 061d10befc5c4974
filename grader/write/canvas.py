"""The part of the photo that is shown, and where a place on the mat lies in it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calib.frames import PlaneMap, Points
from grader.records import GradedPhoto, RgbImage

WIDTH_PX = 2400
"""Sharp on a phone when zoomed in; the file stays below 2 MB."""
MARGIN_SHARE = 0.01
"""Bench round the mat that is shown, over the width of the crop."""
MOST_HEIGHT_RATIO = 2.0
EDGE_STEPS = 12


@dataclass(frozen=True, slots=True)
class Canvas:
    """A crop of the photo and its scale: ``canvas_px = (photo_px - corner) * scale``."""

    left_px: int
    top_px: int
    right_px: int
    bottom_px: int
    scale: float

    @property
    def size_px(self) -> tuple[int, int]:
        """Width, height of the drawn crop."""
        return (
            round((self.right_px - self.left_px) * self.scale),
            round((self.bottom_px - self.top_px) * self.scale),
        )

    def from_photo(self, points_px: Points) -> Points:
        """Return canvas positions of photo positions, both pixel centres."""
        corner = np.array([self.left_px, self.top_px]) - 0.5
        return np.asarray((points_px - corner) * self.scale - 0.5)


def canvas_of(graded: GradedPhoto) -> Canvas:
    """Return the crop to the mat, as far as the photo shows it."""
    return canvas_of_page(graded.pose.page_mm, graded.pose.plane, graded.image_size_px)


def canvas_of_page(page_mm: tuple[float, float], plane: PlaneMap, image_size_px: tuple[int, int]) -> Canvas:
    """Return the crop to a page of some size, as far as the photo shows it."""
    width_mm, height_mm = page_mm
    t = np.linspace(0.0, 1.0, EDGE_STEPS)
    rim = np.concatenate(
        [
            np.stack([t * width_mm, 0 * t], axis=1),
            np.stack([t * width_mm, 0 * t + height_mm], axis=1),
            np.stack([0 * t, t * height_mm], axis=1),
            np.stack([0 * t + width_mm, t * height_mm], axis=1),
        ]
    )
    px = plane.px_from_mm(rim)
    width, height = image_size_px
    margin = MARGIN_SHARE * float(np.ptp(px[:, 0]))
    left, top = (max(0, int(v - margin)) for v in px.min(axis=0))
    right, bottom = (int(v + margin) + 1 for v in px.max(axis=0))
    right, bottom = min(width, right), min(height, bottom)
    scale = min(WIDTH_PX / (right - left), WIDTH_PX * MOST_HEIGHT_RATIO / (bottom - top))
    return Canvas(left, top, right, bottom, scale)


def shown_part(rgb: RgbImage, canvas: Canvas) -> RgbImage:
    """Return the part of the photo (H, W, 3) that is shown, at the canvas's size."""
    part = rgb[canvas.top_px : canvas.bottom_px, canvas.left_px : canvas.right_px]
    # Each pixel the mean of what it covers: near to a windowed sinc when reducing by two, at a quarter of
    # the time.
    way = cv2.INTER_AREA if canvas.scale < 1.0 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(part, canvas.size_px, interpolation=way), dtype=np.uint8)
