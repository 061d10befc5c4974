"""Sizes of things that are equal: a scan of 24 coins of one denomination.

Source: OpenCV's tutorial on the watershed, picture ``water_coins.jpg``, 252 x 312 pixels, Debian package
opencv-doc 4.6.0+dfsg-12, Apache-2.0.  Edges are placed by the code that places the sides of cards, on rays
from the middle of each coin, and a circle is fitted through them.  What the spread of the diameters
exceeds that of the coins themselves is the error of the tool's edges: coins of one denomination are struck
to about 0.1 mm in 20 (from memory), worn ones differ more.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from calib.frames import Points
from grader.flat import LIN_FROM_SRGB8
from grader.locate.card_edge import NEAR, WIDE, fit_edges
from tests.authorities.debian_pictures import opencv_sample

pytestmark = pytest.mark.network

N_COINS = 24
ROUGH_PX = 47.0
"""Diameter, read off the picture."""
PX_PER_MM = 10.0
"""Chosen, like a phone's photo: nothing in the picture tells it, and only ratios are judged."""
N_RAYS, RAYS_A_PIECE = 120, 3
SAMPLE_MM = 0.025
MOST_OFF_PX = 0.6
"""From the circle: further off is where a neighbour touches."""
LEAST_PIECES = 15
LARGEST_SPREAD = 0.01
"""Relative standard deviation of the diameters."""
LARGEST_ROBUST_SPREAD_PX = 0.3
"""The same in pixels, by the median absolute deviation: most coins are not worn."""


def scan() -> NDArray[np.uint8]:
    return np.asarray(Image.open(opencv_sample("water_coins")).convert("RGB"), dtype=np.uint8)


def rough_centres(rgb: NDArray[np.uint8]) -> Points:
    """Return the middles (N, 2) px of the coins, by the Hough transform."""
    gray = cv2.medianBlur(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), 3)
    least, most = round(0.42 * ROUGH_PX), round(0.58 * ROUGH_PX)
    found = cv2.HoughCircles(
        gray, cv2.HOUGH_GRADIENT, 1, 0.75 * ROUGH_PX, param1=120, param2=14, minRadius=least, maxRadius=most
    )
    return np.asarray(found[0, :, :2], dtype=np.float64)


def edge_points(rgb: NDArray[np.uint8], centre_px: Points, radius_px: float, is_rough: bool) -> Points:
    """Return the edge (N, 2) px on rays from a middle, near a radius; nan where none is clear."""
    linear = LIN_FROM_SRGB8[rgb]
    linear = linear / np.percentile(linear.reshape(-1, 3), 90, axis=0)
    across = np.arange(-1.4, 1.4, SAMPLE_MM)
    turns = np.arange(N_RAYS) * 2 * np.pi / N_RAYS
    rays = np.column_stack([np.cos(turns), np.sin(turns)])
    px = (centre_px + rays[:, None] * (radius_px + across * PX_PER_MM)[None, :, None]).astype(np.float32)
    light = cv2.remap(
        linear.astype(np.float32), px[..., 0], px[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    pieces = light.reshape(-1, RAYS_A_PIECE, len(across), 3).mean(axis=1).astype(np.float64)
    reach, model = (0.4, WIDE) if is_rough else (0.2, NEAR)
    off_px = fit_edges(pieces, across, reach, PX_PER_MM, model).off_mm * PX_PER_MM
    middle_rays = rays[RAYS_A_PIECE // 2 :: RAYS_A_PIECE]
    return np.asarray(centre_px + middle_rays * (radius_px + off_px)[:, None])


def circle_through(points: Points) -> tuple[Points, float, int]:
    """Return middle, radius and number of points of the circle most of them lie on (Kasa 1976, trimmed)."""
    keep = np.isfinite(points).all(axis=1)
    for _ in range(8):
        kept = points[keep]
        matrix = np.column_stack([2 * kept, np.ones(len(kept))])
        x, y, rest = np.linalg.lstsq(matrix, np.sum(kept**2, axis=1), rcond=None)[0]
        radius = float(np.sqrt(rest + x * x + y * y))
        off = np.abs(np.hypot(points[:, 0] - x, points[:, 1] - y) - radius)
        limit = max(MOST_OFF_PX, float(np.nanpercentile(off, 50)))
        keep = np.nan_to_num(off, nan=np.inf) < limit
    return np.array([x, y]), radius, int(keep.sum())


def diameter_of(rgb: NDArray[np.uint8], rough_px: Points) -> float:
    """Return the diameter of one coin, px."""
    centre, radius, n = rough_px, ROUGH_PX / 2, 0
    for is_rough in (True, True, False, False):
        centre, radius, n = circle_through(edge_points(rgb, centre, radius, is_rough))
    assert n >= LEAST_PIECES
    return 2 * radius


def test_equal_coins_measure_equal() -> None:
    rgb = scan()
    centres = rough_centres(rgb)
    assert len(centres) == N_COINS
    each = np.array([diameter_of(rgb, centre) for centre in centres])
    assert np.mean(each) == pytest.approx(ROUGH_PX, rel=0.1)
    assert np.std(each, ddof=1) / np.mean(each) < LARGEST_SPREAD
    assert 1.4826 * np.median(np.abs(each - np.median(each))) < LARGEST_ROBUST_SPREAD_PX
