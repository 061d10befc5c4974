"""Sub-pixel edges: how much of each pixel is covered by plant.

A pixel on the edge mixes plant and paper light (linearly, in linear light).  The pure colours on
either side are carried to the edge from the nearest sure pixels, so shaded paper counts as paper.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import reduce
from typing import Any

import cv2
import numpy as np
from contourpy import LineType, contour_generator
from numpy.typing import NDArray

from grader.records import Mask, Points

SURE_PX = 1.5
"""Pixels further than this inside or outside the provisional edge are not mixed (blur, JPEG)."""
BAND_PX = 3.0
"""Coverage is worked out within this distance of the provisional edge."""
CARRY_PX = 3.0
"""Gaussian reach over which the pure colours are carried to the edge."""
CARRY_SHRINK = 2
"""They are carried on a picture reduced by this factor: they vary slowly, and it is four times as quick."""
STRIP_PX, STRIP_ROOM_PX = 192, 16
"""A whole tray is worked on strip by strip, which stays in the processor's cache; room beyond a strip, even,
for the reach of the colours."""
LEAST_CONTRAST = 0.08
"""Smallest distance between the pure colours (linear light) that can be split."""
EDGE_LEVEL = 0.5
LEAST_HOLE_PX2 = 8.0
"""Smaller holes are noise between needles."""
LEAST_LOOP_POINTS = 8
"""Loops of fewer are specks: a level line has at least a point for every pixel's side that it crosses."""
Plane = NDArray[np.floating[Any]]


def coverage_of(linear: NDArray[np.float32], mask: Mask) -> NDArray[np.float32]:
    """Return the covered share (h, w) of each pixel of a crop, from a provisional mask.

    Parameters
    ----------
    linear : (h, w, 3) float32
        Relative linear light.
    mask : (h, w) bool
        Provisional silhouette, good to a pixel or two.
    """
    coverage = np.empty(mask.shape, dtype=np.float32)
    n_rows = len(mask)
    for start in range(0, n_rows, STRIP_PX):
        stop = min(n_rows, start + STRIP_PX)
        low, high = max(0, start - STRIP_ROOM_PX), min(n_rows, stop + STRIP_ROOM_PX)
        coverage[start:stop] = _coverage(linear[low:high], mask[low:high])[start - low : stop - low]
    return coverage


def _coverage(linear: NDArray[np.float32], mask: Mask) -> NDArray[np.float32]:
    solid = mask.astype(np.uint8)
    inside = np.asarray(cv2.distanceTransform(solid, cv2.DIST_L2, 3), dtype=np.float32)
    outside = np.asarray(cv2.distanceTransform(1 - solid, cv2.DIST_L2, 3), dtype=np.float32)
    band = (inside < BAND_PX) & (outside < BAND_PX)
    planes = [np.ascontiguousarray(linear[..., channel]) for channel in range(linear.shape[2])]
    plant = _carried(planes, np.clip(inside - (SURE_PX - 0.5), 0.02, 1.0) * mask)
    paper = _carried(planes, np.clip(outside - (SURE_PX - 0.5), 0.0, 1.0))
    difference = [one - other for one, other in zip(plant, paper, strict=True)]
    contrast2 = _summed(d * d for d in difference)
    # share = sum((light - paper) * difference) / contrast2, split so that only smooth fields are enlarged.
    steps = [d / np.maximum(contrast2, 1e-6) for d in difference]
    share = -_enlarged(_summed(p * s for p, s in zip(paper, steps, strict=True)), mask.shape)
    for light, step in zip(planes, steps, strict=True):
        share += light * _enlarged(step, mask.shape)
    band &= _enlarged(contrast2, mask.shape) > LEAST_CONTRAST**2
    coverage = mask.astype(np.float32)
    np.copyto(coverage, np.clip(share, 0.0, 1.0, out=share), where=band)
    return coverage


def _carried(planes: list[Plane], weight: Plane) -> list[Plane]:
    """Return weighted means of the light around each place, on a picture of half the size."""
    total = np.maximum(_spread(weight), 1e-6)
    return [_spread(plane * weight) / total for plane in planes]


def _summed(planes: Iterable[Plane]) -> Plane:
    return reduce(np.add, planes)


def _spread(plane: Plane) -> Plane:
    size = tuple(-(-side // CARRY_SHRINK) for side in plane.shape[::-1])
    small = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), CARRY_PX / CARRY_SHRINK), dtype=np.float32)


def _enlarged(small: Plane, shape: tuple[int, ...]) -> Plane:
    return np.asarray(cv2.resize(small, shape[::-1], interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def outlines_mm(
    coverage: NDArray[np.float32],
    corner_px: tuple[int, int],
    mm_per_px: float,
    origin_mm: tuple[float, float],
) -> tuple[Points, tuple[Points, ...]]:
    """Return the longest outer outline and the holes, (N, 2) mm, where half the pixel is covered.

    Level lines between pixel centres, not through them.
    """
    padded = np.pad(coverage, 1)
    smooth = cv2.GaussianBlur(padded, (0, 0), 0.7)
    lines = contour_generator(z=smooth, name="serial", line_type=LineType.Separate).lines(EDGE_LEVEL)
    loops = [np.asarray(line, dtype=np.float64)[:-1] - 1.0 for line in lines if len(line) > LEAST_LOOP_POINTS]
    if not loops:
        return np.zeros((0, 2)), ()
    areas = np.array([_signed_area(loop) for loop in loops])
    outer = int(np.abs(areas).argmax())
    is_hole = areas * np.sign(areas[outer]) < -LEAST_HOLE_PX2

    def in_mm(loop: Points) -> Points:
        return (loop + corner_px) * mm_per_px + origin_mm

    return in_mm(loops[outer]), tuple(in_mm(loops[k]) for k in np.flatnonzero(is_hole))


def _signed_area(xy: Points) -> float:
    x, y = xy[:, 0], xy[:, 1]
    return float(np.dot(x[:-1], y[1:]) - np.dot(y[:-1], x[1:]) + x[-1] * y[0] - y[-1] * x[0]) / 2
