"""Sub-pixel edges: how much of each pixel is covered by plant.

A pixel on the edge mixes plant and paper light (linearly, in linear light).  The pure colours on
either side are carried to the edge from the nearest sure pixels, so shaded paper counts as paper.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.level import level_loops, signed_areas
from grader.records import Mask, Points

BESIDE = np.ones((3, 3), np.uint8)
"""Pixels that touch the provisional edge on either side are mixed (blur, JPEG); the others are sure."""
LEAST_SURE = 0.02
"""Weight of mixed pixels inside: they tell the colour where a needle is too thin for sure ones."""
BAND = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
"""Coverage is worked out so much further, within 3 pixels of the provisional edge."""
CARRY_PX = 3.0
"""Gaussian reach over which the pure colours are carried to the edge."""
CARRY_SHRINK = 4
"""They are carried on a picture reduced by this factor: they vary slowly."""
CARRY_ROOM = 3
"""Its pixels that the reach is followed for: 12 of the crop."""
CARRY_SIZE = (2 * CARRY_ROOM + 1, 2 * CARRY_ROOM + 1)
LEAST_CONTRAST = 0.08
"""Smallest distance between the pure colours (linear light) that can be split."""
EDGE_LEVEL = 0.5
OUTLINE_SMOOTH_PX = 0.7
"""Smoothing of the covered share before its outline is taken: noise of single pixels."""
OUTLINE_SIZE = (5, 5)
LEAST_HOLE_PX2 = 8.0
"""Smaller holes are noise between needles."""
Planes = NDArray[np.float32]
"""(3, h, w) one plane a colour."""


def coverage_of(linear: Planes, mask: Mask) -> NDArray[np.float32]:
    """Return the covered share (h, w) of each pixel of a crop, from a provisional mask.

    Parameters
    ----------
    linear : (3, h, w) float32
        Relative linear light.
    mask : (h, w) bool
        Provisional silhouette, good to a pixel or two.
    """
    solid = mask.astype(np.uint8)
    sure, near = cv2.erode(solid, BESIDE), cv2.dilate(solid, BESIDE)
    band = cv2.dilate(near, BAND) > cv2.erode(sure, BAND)
    weight = np.empty((2, *mask.shape), dtype=np.float32)
    cv2.max(sure.astype(np.float32), solid * np.float32(LEAST_SURE), dst=weight[0])
    np.equal(near, 0, out=weight[1])
    plant, paper = _carried(linear, weight)
    difference = plant - paper
    contrast2 = np.square(difference).sum(axis=0)
    # share = sum((light - paper) * difference) / contrast2, split so that only smooth fields are enlarged.
    steps = difference / np.maximum(contrast2, np.float32(LEAST_CONTRAST**2))
    share = _enlarged(-(paper * steps).sum(axis=0), mask.shape)
    for light, step in zip(linear, steps, strict=True):
        cv2.accumulateProduct(light, _enlarged(step, mask.shape), share)
    np.clip(share, 0.0, 1.0, out=share)
    faint = (contrast2 < LEAST_CONTRAST**2).astype(np.uint8)
    split = (band & (_enlarged(faint, mask.shape, cv2.INTER_NEAREST) == 0)).view(np.uint8)
    return np.asarray(cv2.copyTo(share, split, mask.astype(np.float32)))


def _carried(linear: Planes, weights: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return weighted means of the light around each place, (N, 3, h', w') for weights (N, h, w), reduced.

    Nothing beyond the crop has weight.  All planes lie one below the other, with room between them, so that
    one call does for all.
    """
    n_planes = len(weights) * (len(linear) + 1)
    height, width = weights.shape[1:]
    rows, columns = (-(-side // CARRY_SHRINK) for side in (height, width))
    full = (len(weights), len(linear) + 1, rows * CARRY_SHRINK, columns * CARRY_SHRINK)
    is_whole = full[2:] == (height, width)
    weighted = np.empty(full, dtype=np.float32) if is_whole else np.zeros(full, dtype=np.float32)
    np.multiply(linear, weights[:, None], out=weighted[:, :-1, :height, :width])
    weighted[:, -1, :height, :width] = weights
    small = weighted.reshape(-1, full[-1])
    for shrink in (CARRY_SHRINK // 2, CARRY_SHRINK):  # halving twice is quicker than once to a quarter
        size = (full[-1] // shrink, n_planes * full[-2] // shrink)
        small = np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    roomy = np.zeros((n_planes, rows + CARRY_ROOM, columns), dtype=np.float32)
    roomy[:, :rows] = small.reshape(n_planes, rows, columns)
    spread = cv2.GaussianBlur(
        roomy.reshape(-1, columns), CARRY_SIZE, CARRY_PX / CARRY_SHRINK, borderType=cv2.BORDER_CONSTANT
    )
    total = spread.reshape(len(weights), -1, rows + CARRY_ROOM, columns)[:, :, :rows]
    return np.asarray(total[:, :-1] / np.maximum(total[:, -1:], np.float32(1e-6)))


def _enlarged(small: NDArray[Any], shape: tuple[int, ...], how: int = cv2.INTER_LINEAR) -> NDArray[Any]:
    """Return a reduced field on the pixels of the crop."""
    size = tuple(side * CARRY_SHRINK for side in small.shape[::-1])
    return cv2.resize(small, size, interpolation=how)[: shape[0], : shape[1]]


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
