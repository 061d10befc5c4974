"""The printed sheet and the bench under it, as pictures of reflectance in linear light."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, zoom

from calib.design import MatDesign
from calib.draw import raster

Pixels = NDArray[np.float32]

PRINT_DPI = 600.0
PAPER = 0.84
"""Reflectance of office paper."""
INK = 0.045
"""Reflectance of laser toner, which shines a little."""
INK_SPREAD_MM = 0.03
"""Printed edges are this soft (standard deviation)."""
BENCHES = ("planks", "concrete", "slate", "steel", "potting cloth")


def noise(shape: tuple[int, int], grain_px: float, rng: np.random.Generator) -> Pixels:
    """Return smooth noise of mean 0 and standard deviation 1."""
    coarse = max(grain_px / 2.0, 1.0)
    small = rng.normal(size=(int(shape[0] / coarse) + 3, int(shape[1] / coarse) + 3))
    smooth = gaussian_filter(small, grain_px / coarse / 2.0)
    big = (
        zoom(smooth, coarse, order=1)[: shape[0], : shape[1]]
        if coarse > 1
        else smooth[: shape[0], : shape[1]]
    )
    return ((big - big.mean()) / big.std()).astype(np.float32)


def printed_sheet(design: MatDesign, rng: np.random.Generator, dpi: float = PRINT_DPI) -> Pixels:
    """Return (rows, columns) reflectance of the mat as printed: soft ink, uneven paper."""
    page = np.asarray(raster(design, dpi), dtype=np.float32)
    page = gaussian_filter(page, INK_SPREAD_MM * dpi / 25.4)
    fibre = 0.006 * noise(page.shape, 6.0, rng) + 0.004 * noise(page.shape, 40.0, rng)
    toner = 1.0 + 0.10 * noise(page.shape, 9.0, rng)
    return np.clip(INK * toner * (1 - page) + PAPER * (1 + fibre) * page, 0.0, 0.95).astype(np.float32)


def bench(kind: str, rng: np.random.Generator, size_px: int = 2048) -> Pixels:
    """Return (size, size, 3) of a square of bench, about 1.2 m wide."""
    shape = (size_px, size_px)
    fine, middle, broad = noise(shape, 2.5, rng), noise(shape, 18.0, rng), noise(shape, 160.0, rng)
    if kind == "planks":
        grain = noise((size_px, size_px // 32), 3.0, rng)
        grain = np.repeat(grain, 32, axis=1)[:, :size_px]
        tone = np.array([0.30, 0.205, 0.125])
        value = 1 + 0.22 * gaussian_filter(grain, (0.6, 12)) * 2 + 0.05 * fine + 0.08 * broad
        seam = np.abs((np.arange(size_px) % (size_px // 8)) - size_px // 16) > size_px // 16 - 3
        value = value * np.where(seam, 0.25, 1.0)[:, None]
    elif kind == "concrete":
        tone = np.array([0.285, 0.278, 0.262])
        value = 1 + 0.06 * fine + 0.10 * middle + 0.10 * broad - 0.5 * (noise(shape, 5.0, rng) > 2.9)
    elif kind == "slate":
        tone = np.array([0.105, 0.112, 0.118])
        value = 1 + 0.10 * fine + 0.15 * middle + 0.18 * broad
    elif kind == "steel":
        tone = np.array([0.42, 0.43, 0.44])
        brushed = gaussian_filter(noise(shape, 1.2, rng), (0.3, 30.0))
        value = 1 + 0.45 * brushed + 0.06 * broad
    else:
        tone = np.array([0.055, 0.085, 0.062])
        weave = np.sin(np.arange(size_px) * np.pi / 3)[:, None] * np.sin(np.arange(size_px) * np.pi / 3)[None]
        value = 1 + 0.25 * weave + 0.12 * fine + 0.15 * broad
    return np.clip(value[..., None] * tone, 0.01, 0.8).astype(np.float32)
