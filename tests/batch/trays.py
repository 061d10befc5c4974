"""Small trays with a board of their own, as photo files that are graded in a fraction of a second."""

from __future__ import annotations

import functools
import json
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from tests.scenes import Conditions, Plant, Stem, _reflected, camera, leafy, srgb_from_linear

PAGE_MM = (116.0, 62.0)
MARKER_MM, GAP_MM = 8.0, 4.0
"""Side of a marker; white round it."""
PX_PER_MM = 6.0
BLUR_PX, NOISE = 0.6, 0.004
PAPER_LIGHT, INK_SHARE = 0.8, 0.04


def _corners_mm() -> list[list[list[float]]]:
    """Return the corners of the markers, clockwise from the top left, along the four edges."""
    pitch = MARKER_MM + GAP_MM
    columns, rows = (int((side - GAP_MM) / pitch) for side in PAGE_MM)
    x_mm = [GAP_MM + k * (PAGE_MM[0] - 2 * GAP_MM - MARKER_MM) / (columns - 1) for k in range(columns)]
    y_mm = [GAP_MM + k * (PAGE_MM[1] - 2 * GAP_MM - MARKER_MM) / (rows - 1) for k in range(rows)]
    places = [(x, y) for x in x_mm for y in y_mm if x in (x_mm[0], x_mm[-1]) or y in (y_mm[0], y_mm[-1])]
    side = MARKER_MM
    return [[[x, y], [x + side, y], [x + side, y + side], [x, y + side]] for x, y in places]


def save_board(path: Path) -> Path:
    """Write the layout of the board, as it is given with ``--mat``."""
    markers = [{"id": k, "corners_mm": corners} for k, corners in enumerate(_corners_mm())]
    board = {"name": "small", "page_mm": PAGE_MM, "dictionary": "DICT_4X4_50", "markers": markers}
    path.write_text(json.dumps(board), encoding="utf-8")
    return path


@functools.cache
def _page(shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return the printed board (H, W), 1 paper, 0 ink, drawn fine and made smaller."""
    fine = 4
    page = np.full((shape[0] * fine, shape[1] * fine), 255, dtype=np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    side = round(MARKER_MM * PX_PER_MM * fine)
    for k, corners in enumerate(_corners_mm()):
        x, y = (round(v * PX_PER_MM * fine) for v in corners[0])
        page[y : y + side, x : x + side] = cv2.aruco.generateImageMarker(dictionary, k, side)
    return cv2.resize(page, shape[::-1], interpolation=cv2.INTER_AREA) / 255.0


@functools.cache
def tray(seed: int = 0) -> NDArray[np.uint8]:
    """Return the picture (H, W, 3) of the board with one cutting; each seed has another one."""
    plane, shape = camera(Conditions(px_per_mm=PX_PER_MM), PAGE_MM)
    rng = np.random.default_rng(seed)
    light, _ = _reflected(_plant(rng).parts, plane, shape, 3)
    light *= (INK_SHARE + (1.0 - INK_SHARE) * _page(shape)[..., None]) * PAPER_LIGHT
    light = gaussian_filter(light, (BLUR_PX, BLUR_PX, 0.0), mode="nearest")
    light += rng.normal(0.0, NOISE, light.shape)
    return np.asarray(np.round(255.0 * srgb_from_linear(np.clip(light, 0.0, 1.0))), dtype=np.uint8)


def _plant(rng: np.random.Generator) -> Plant:
    stem = Stem((93.0, 31.0), 180.0, float(rng.uniform(60.0, 68.0)), float(rng.uniform(2.0, 3.0)), 1.2)
    return leafy(stem, float(rng.uniform(22.0, 28.0)))


def save_tray(path: Path, seed: int = 0, **options: object) -> Path:
    """Write a small tray as a photo file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(tray(seed)).save(path, **{"quality": 95, **options})
    return path
