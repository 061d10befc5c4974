"""Sub-pixel edges: how much of each pixel is covered by plant.

A pixel on the edge mixes plant and paper light (linearly, in linear light).  The pure colours on
either side are carried to the edge from the nearest sure pixels, so shaded paper counts as paper.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.measure import find_contours

from grader.records import Mask, Points

SURE_PX = 1.5
"""Pixels further than this inside or outside the provisional edge are not mixed (blur, JPEG)."""
BAND_PX = 3.0
"""Coverage is worked out within this distance of the provisional edge."""
CARRY_PX = 3.0
"""Gaussian reach over which the pure colours are carried to the edge."""
LEAST_CONTRAST = 0.08
"""Smallest distance between the pure colours (linear light) that can be split."""
EDGE_LEVEL = 0.5


def coverage_of(linear: NDArray[np.float32], mask: Mask) -> NDArray[np.float32]:
    """Return the covered share (h, w) of each pixel of a crop, from a provisional mask.

    Parameters
    ----------
    linear : (h, w, 3) float32
        Relative linear light.
    mask : (h, w) bool
        Provisional silhouette, good to a pixel or two.
    """
    solid = mask.astype(np.uint8)
    inside = cv2.distanceTransform(solid, cv2.DIST_L2, 3)
    outside = cv2.distanceTransform(1 - solid, cv2.DIST_L2, 3)
    plant = _carried(linear, np.clip(inside - SURE_PX + 0.5, 0.02, 1.0) * (inside > 0))
    paper = _carried(linear, np.clip(outside - SURE_PX + 0.5, 0.0, 1.0))
    difference = plant - paper
    contrast2 = np.sum(difference**2, axis=-1)
    share = np.sum((linear - paper) * difference, axis=-1) / np.maximum(contrast2, 1e-6)
    band = (inside < BAND_PX) & (outside < BAND_PX)
    band &= contrast2 > LEAST_CONTRAST**2
    coverage = np.where(band, np.clip(share, 0.0, 1.0), mask)
    return np.asarray(coverage, dtype=np.float32)


def _carried(linear: NDArray[np.float32], weight: NDArray[np.float32]) -> NDArray[np.float32]:
    weight = weight.astype(np.float32)
    total = cv2.GaussianBlur(weight, (0, 0), CARRY_PX)
    summed = cv2.GaussianBlur(linear * weight[..., None], (0, 0), CARRY_PX)
    return np.asarray(summed / np.maximum(total, 1e-6)[..., None])


def outlines_mm(
    coverage: NDArray[np.float32],
    corner_px: tuple[int, int],
    mm_per_px: float,
    origin_mm: tuple[float, float],
) -> tuple[Points, tuple[Points, ...]]:
    """Return the longest outer outline and the holes, (N, 2) mm, where half the pixel is covered.

    Uses ``skimage.measure.find_contours``: level lines between pixel centres, not through them.
    """
    padded = np.pad(coverage, 1)
    smooth = cv2.GaussianBlur(padded, (0, 0), 0.7)
    loops = []
    for row_column in find_contours(smooth, EDGE_LEVEL):  # type: ignore[no-untyped-call]
        xy = row_column[:-1, ::-1] - 1.0
        area = _signed_area(xy)
        loops.append((area, (xy + corner_px) * mm_per_px + origin_mm))
    if not loops:
        return np.zeros((0, 2)), ()
    outer = max(range(len(loops)), key=lambda k: abs(loops[k][0]))
    turn = np.sign(loops[outer][0])
    least_hole_px2 = 8.0  # smaller holes are noise between needles
    holes = tuple(loop for area, loop in loops if area * turn < -least_hole_px2)
    return loops[outer][1], holes


def _signed_area(xy: Points) -> float:
    x, y = xy[:, 0], xy[:, 1]
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
