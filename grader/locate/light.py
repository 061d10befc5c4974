"""The light on the mat: what clean paper would show at every place.

Paper white all round the cuttings is the reference for illumination and white balance.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import Mask

_CODE = np.arange(256) / 255.0
LIN_FROM_SRGB8: NDArray[np.float32] = np.where(
    _CODE <= 0.04045, _CODE / 12.92, ((_CODE + 0.055) / 1.055) ** 2.4
).astype(np.float32)
"""Linear light of an 8 bit sRGB code (IEC 61966-2-1:1999; the knee 0.04045 from memory)."""

BLOCK_MM = 4.0
"""Light is judged in blocks: larger than a stem, smaller than the gaps between cuttings."""
SHRINK = 4
"""Blocks are read from a picture reduced by this factor: averages out sensor noise."""
BRIGHT_SHARE = (0.75, 0.95)
"""Within a block the paper is among its brightest pixels; the very brightest may be glare."""
ORDER = 3
"""Order of the polynomial in log light: lamp fall-off and lens vignetting, not shadows."""
ITERATIONS = 12
NOISE_FLOOR = 0.004
"""Smallest believable scatter of paper blocks (log units): JPEG and paper texture."""
DARKEST = 1e-4


def paper_light(
    linear: NDArray[np.float32], lay_mask: Mask, mm_per_px: float
) -> tuple[NDArray[np.float32], float]:
    """Return the light field (H, W, 3) that clean paper would show, and the paper's relative noise.

    Fits a low-order polynomial to the logarithm of the brightest part of each block, from above:
    blocks darker than the surface (cuttings, shadows) lose their weight step by step.
    """
    levels, usable, noise = _block_levels(linear, lay_mask, mm_per_px)
    rows, cols = levels.shape[:2]
    basis = _basis(np.linspace(-1, 1, cols), np.linspace(-1, 1, rows))
    flat = np.log(np.maximum(levels.reshape(-1, 3), DARKEST))
    brightness = flat.mean(axis=1)
    usable = usable.ravel()
    weight = usable.astype(float)
    for _ in range(ITERATIONS):
        fit = _solve(basis, brightness, weight)
        residual = brightness - basis @ fit
        near = usable & (weight > 0.3)
        centred = residual[near] - np.median(residual[near])
        scatter = max(1.4826 * float(np.median(np.abs(centred))), NOISE_FLOOR)
        below = residual < -1.5 * scatter
        weight = np.where(below, np.exp(-(((residual + 1.5 * scatter) / scatter) ** 2) / 2), 1.0)
        weight = weight * np.where(residual > 4 * scatter, 0.1, 1.0) * usable
    height, width = linear.shape[:2]
    field = np.empty((rows * 2, cols * 2, 3), dtype=np.float32)
    fine = _basis(np.linspace(-1, 1, cols * 2), np.linspace(-1, 1, rows * 2))
    for channel in range(3):
        fit = _solve(basis, flat[:, channel], weight)
        field[..., channel] = np.exp(fine @ fit).reshape(rows * 2, cols * 2)
    full = cv2.resize(field, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full, dtype=np.float32), noise


def _block_levels(
    linear: NDArray[np.float32], lay_mask: Mask, mm_per_px: float
) -> tuple[NDArray[np.float64], Mask, float]:
    """Return the bright level of each block (rows, cols, 3), which may be used, and paper noise."""
    small = cv2.resize(linear, None, fx=1 / SHRINK, fy=1 / SHRINK, interpolation=cv2.INTER_AREA)
    lay = cv2.resize(
        lay_mask.astype(np.uint8), (small.shape[1], small.shape[0]), interpolation=cv2.INTER_NEAREST
    )
    side = max(2, round(BLOCK_MM / mm_per_px / SHRINK))
    rows, cols = small.shape[0] // side, small.shape[1] // side
    grouped = small[: rows * side, : cols * side].reshape(rows, side, cols, side, 3)
    blocks = grouped.transpose(0, 2, 1, 3, 4).reshape(rows, cols, side * side, 3)
    lay_grouped = lay[: rows * side, : cols * side].reshape(rows, side, cols, side)
    inside = lay_grouped.transpose(0, 2, 1, 3).reshape(rows, cols, side * side)
    brightness = np.where(inside > 0, blocks.mean(axis=-1), -1.0)
    order = np.argsort(brightness, axis=-1)
    first, last = (int(share * side * side) for share in BRIGHT_SHARE)
    bright = np.take_along_axis(blocks, order[..., first:last, None], axis=2)
    usable = (inside > 0).mean(axis=-1) > 0.9
    spread = blocks.mean(axis=-1).std(axis=-1) / np.maximum(blocks.mean(axis=(2, 3)), DARKEST)
    noise = float(np.median(spread[usable])) if usable.any() else float("nan")
    return bright.mean(axis=2).astype(np.float64), usable, noise


def _basis(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    grid_x, grid_y = np.meshgrid(x, y)
    terms = [grid_x**i * grid_y**j for i in range(ORDER + 1) for j in range(ORDER + 1 - i)]
    return np.stack(terms, axis=-1).reshape(-1, len(terms))


def _solve(
    basis: NDArray[np.float64], values: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    root = np.sqrt(weight)
    return np.asarray(np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0])
