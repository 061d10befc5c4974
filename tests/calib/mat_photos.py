"""Photos of a printed mat by a known camera: page -> ink spread -> lens -> light -> blur -> noise -> sRGB.

The truth is the :class:`PlaneMap` that made the picture, so every position can be checked, also where
there are no marks.  Pose, lens and light are arguments; nothing is fitted here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.design import MatLayout, mat_design
from calib.draw import raster
from calib.frames import PlaneMap, Points
from grader.records import MatPose, Photo

FULL_FRAME_DIAGONAL_MM = 43.27
PAPER_LIGHT, INK_LIGHT, BENCH_LIGHT = 0.75, 0.03, 0.18
"""Linear light of white paper, black print and the bench round the sheet."""
PAGE_DPI = 300.0


@dataclass(frozen=True)
class Shot:
    """How a mat is photographed."""

    width_px: int = 2016
    height_px: int = 1512
    focal_35mm: float = 26.0
    tilt_deg: float = 3.0
    tilt_towards_deg: float = 40.0
    turn_deg: float = 2.0
    """Of the mat in the picture."""
    fill: float = 0.88
    """Share of the picture that the page takes in its tighter direction."""
    k1: float = 0.02
    k2: float = -0.01
    p1: float = 0.0
    p2: float = 0.0
    blur_px: float = 0.8
    noise: float = 0.006
    """Standard deviation in linear light."""
    ink_spread_mm: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)
    seed: int = 1


@dataclass(frozen=True)
class PolynomialSheet:
    """Height of a bent sheet, mm, by powers of the place in half pages from its middle."""

    page_mm: tuple[float, float]
    height_mm_of: dict[tuple[int, int], float]

    def height_mm(self, points_mm: Points) -> NDArray[np.float64]:
        x, y = np.moveaxis((points_mm - np.asarray(self.page_mm) / 2) / (max(self.page_mm) / 2), -1, 0)
        return np.asarray(sum(height * x**i * y**j for (i, j), height in self.height_mm_of.items()))


def camera(page_mm: tuple[float, float], shot: Shot) -> PlaneMap:
    """Return the exact map of a pinhole camera with lens distortion that sees the page."""
    centre = np.array([(shot.width_px - 1) / 2, (shot.height_px - 1) / 2])
    focal = shot.focal_35mm * math.hypot(shot.width_px, shot.height_px) / FULL_FRAME_DIAGONAL_MM
    scale = shot.fill * min(shot.width_px / page_mm[0], shot.height_px / page_mm[1])
    tilt, towards, turn = (math.radians(a) for a in (shot.tilt_deg, shot.tilt_towards_deg, shot.turn_deg))
    axis = np.array([math.cos(towards), math.sin(towards), 0.0])
    rotation = cv2.Rodrigues(tilt * axis)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, turn]))[0]
    away = np.array([*(np.asarray(shot.shift_px) / scale), focal / scale])
    translation = away - rotation @ np.array([page_mm[0] / 2, page_mm[1] / 2, 0.0])
    intrinsic = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    homography = intrinsic @ np.column_stack([rotation[:, 0], rotation[:, 1], translation])
    eye = -rotation.T @ translation
    return PlaneMap(
        homography / homography[2, 2],
        (float(centre[0]), float(centre[1])),
        math.hypot(shot.width_px, shot.height_px) / 2,
        shot.k1,
        shot.k2,
        shot.p1,
        shot.p2,
        (float(eye[0]), float(eye[1]), float(abs(eye[2]))),
    )


@cache
def page_of(size: str) -> NDArray[np.float32]:
    """Return the printed page as reflectance, 1 paper, 0 ink, at ``PAGE_DPI``."""
    page = raster(mat_design(size), PAGE_DPI)
    page.setflags(write=False)
    return page


def printed(page: NDArray[np.float32], ink_spread_mm: float) -> NDArray[np.float32]:
    """Return the page with every black edge moved outward by ``ink_spread_mm``."""
    if ink_spread_mm == 0:
        return page
    fine = 4
    big = cv2.resize(page, None, fx=fine, fy=fine, interpolation=cv2.INTER_LINEAR)
    reach = round(ink_spread_mm * PAGE_DPI / 25.4 * fine)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    size = (page.shape[1], page.shape[0])
    return np.asarray(cv2.resize(cv2.erode(big, disc), size, interpolation=cv2.INTER_AREA))


def cover(
    page: NDArray[np.float32], page_mm: tuple[float, float], boxes_mm: Sequence[tuple[float, ...]]
) -> NDArray[np.float32]:
    """Return the page with leaves (dark grey) over these left, top, right, bottom boxes."""
    covered = page.copy()
    per_mm = np.array([page.shape[1] / page_mm[0], page.shape[0] / page_mm[1]])
    for left, top, right, bottom in boxes_mm:
        x0, y0 = (int(v) for v in np.array([left, top]) * per_mm)
        x1, y1 = (int(v) for v in np.array([right, bottom]) * per_mm)
        covered[max(0, y0) : y1, max(0, x0) : x1] = 0.12
    return covered


def expose(
    pages: Sequence[tuple[NDArray[np.float32], tuple[float, float], PlaneMap]], shot: Shot
) -> NDArray[np.uint8]:
    """Return the grey photo (H, W) of printed pages, each seen through its own map."""
    x, y = np.meshgrid(np.arange(shot.width_px), np.arange(shot.height_px))
    light = np.full(x.size, BENCH_LIGHT, dtype=np.float32)
    for page, page_mm, plane in pages:
        mm = _mm_of_pixels(plane, shot)
        # The page's size is rounded to whole pixels, the scale of what is on it is not.
        at = (mm * PAGE_DPI / 25.4 - 0.5).astype(np.float32).reshape(-1, 1, 2)
        at = at.reshape(shot.height_px, shot.width_px, 2)
        seen = cv2.remap(page, at[..., 0], at[..., 1], cv2.INTER_LINEAR).ravel()
        inside = ((mm >= 0) & (mm <= np.asarray(page_mm))).all(axis=1)
        light[inside] = INK_LIGHT + (PAPER_LIGHT - INK_LIGHT) * seen[inside]
    radius = np.hypot(x - shot.width_px / 2, y - shot.height_px / 2) / math.hypot(*x.shape) * 2
    image = light.reshape(x.shape) * (1 - 0.3 * radius**2).astype(np.float32)
    image = cv2.GaussianBlur(image, (0, 0), shot.blur_px)
    image = image + np.random.default_rng(shot.seed).normal(0, shot.noise, image.shape)
    image = np.clip(image, 0, 1)
    srgb = np.where(image <= 0.0031308, 12.92 * image, 1.055 * image ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    return np.asarray(np.round(srgb * 255), dtype=np.uint8)


def _mm_of_pixels(plane: PlaneMap, shot: Shot) -> Points:
    """Return the mat position (H * W, 2) of each pixel, interpolated between every fourth.

    The lens is so smooth that this is wrong by less than 0.001 px; steps of a quarter are exact in remap.
    """
    step = 4
    columns, rows = shot.width_px // step + 2, shot.height_px // step + 2
    x, y = np.meshgrid(np.arange(columns) * step, np.arange(rows) * step)
    knots = plane.mm_from_px(np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64))
    fine = np.meshgrid(
        np.arange(shot.width_px, dtype=np.float32) / step, np.arange(shot.height_px, dtype=np.float32) / step
    )
    grid = knots.reshape(rows, columns, 2).astype(np.float32)
    return cv2.remap(grid, *fine, cv2.INTER_LINEAR).reshape(-1, 2).astype(np.float64)


def photo_of(gray: NDArray[np.uint8], focal_35mm: float = math.nan) -> Photo:
    """Return a photo record of a grey picture."""
    return Photo(Path("simulated.png"), "", np.stack([gray] * 3, axis=2), "", focal_35mm, None)


def border_errors_mm(plane: PlaneMap, truth: PlaneMap, layout: MatLayout) -> NDArray[np.float64]:
    """Return how far off positions (N,) all over the lay area are, mm."""
    left, top, right, bottom = layout.lay_area_mm
    x, y = np.meshgrid(np.linspace(left, right, 17), np.linspace(top, bottom, 13))
    grid: Points = np.stack([x.ravel(), y.ravel()], axis=1)
    return np.asarray(np.hypot(*(plane.mm_from_px(truth.px_from_mm(grid)) - grid).T))


def eye_error_mm(pose: MatPose, truth: PlaneMap) -> float:
    """Return how far the camera is placed from where it was, mm."""
    return float(np.linalg.norm(np.subtract(pose.plane.eye_mm, truth.eye_mm)))
