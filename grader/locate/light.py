"""The light on the mat: what clean paper would show at every place.

Paper white all round the cuttings is the reference for illumination and white balance.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import Mask, PaperLight, RgbImage, linear_of

BLOCK_MM = 4.0
"""Light is judged in blocks: larger than a stem, smaller than the gaps between cuttings."""
SHRINK = 4
"""Blocks are read from a picture reduced by this factor, twice two: averages out sensor noise."""
BRIGHT_SHARE = (0.75, 0.95)
"""Within a block the paper is among its brightest pixels; the very brightest may be glare."""
ORDER = 3
"""Order of the polynomial in log light: lamp fall-off and lens vignetting, not shadows."""
ITERATIONS = 12
"""At most."""
LEAST_CHANGE = 2e-4
"""Change of the surface in a round, log light, from which on it stays; each is half the one before."""
NOISE_FLOOR = 0.004
"""Smallest believable scatter of paper blocks (log units): JPEG and paper texture."""
RIDGE = 1e-10
"""Relative to the trace: keeps the equations solvable where paper is seen in a few places only."""
DARKEST = 1e-4


def paper_light(rgb: RgbImage, lay_mask: Mask, mm_per_px: float) -> tuple[PaperLight, float]:
    """Return the light that clean paper would show in a view (H, W, 3), and the paper's relative noise.

    Fits a low-order polynomial to the logarithm of the brightest part of each block, from above:
    blocks darker than the surface (cuttings, shadows) lose their weight step by step.
    """
    levels, usable, noise = _block_levels(rgb, lay_mask, mm_per_px)
    rows, cols = levels.shape[:2]
    basis = _basis(np.linspace(-1, 1, cols), np.linspace(-1, 1, rows))
    flat = np.log(np.maximum(levels.reshape(-1, 3), DARKEST))
    brightness = flat.mean(axis=1)
    usable = usable.ravel()
    weight = usable.astype(float)
    surface = np.full_like(brightness, np.inf)
    for _ in range(ITERATIONS):
        before, surface = surface, basis @ _solve(basis, brightness, weight)
        residual = brightness - surface
        near = usable & (weight > 0.3)
        if not near.any():
            break
        centred = residual[near] - np.median(residual[near])
        scatter = max(1.4826 * float(np.median(np.abs(centred))), NOISE_FLOOR)
        below = residual < -1.5 * scatter
        weight = np.where(below, np.exp(-(((residual + 1.5 * scatter) / scatter) ** 2) / 2), 1.0)
        weight = weight * np.where(residual > 4 * scatter, 0.1, 1.0) * usable
        if np.abs(surface - before).max() < LEAST_CHANGE:
            break
    height, width = rgb.shape[:2]
    fine = _basis(np.linspace(-1, 1, cols * 2), np.linspace(-1, 1, rows * 2))
    log_light = (fine @ _solve(basis, flat, weight)).astype(np.float32)
    field = np.exp(log_light).reshape(rows * 2, cols * 2, 3)
    return PaperLight(field, (width, height)), noise


def _block_levels(rgb: RgbImage, lay_mask: Mask, mm_per_px: float) -> tuple[NDArray[np.float64], Mask, float]:
    """Return the bright level of each block (rows, cols, 3), which may be used, and paper noise."""
    small = _reduced(rgb)
    lay = lay_mask[SHRINK // 2 :: SHRINK, SHRINK // 2 :: SHRINK]
    side = max(2, round(BLOCK_MM / mm_per_px / SHRINK))
    rows, cols = small.shape[0] // side, small.shape[1] // side
    seen = small[: rows * side, : cols * side]
    inside = lay[: rows * side, : cols * side]
    brightness = np.asarray(cv2.transform(seen, np.full((1, 3), 1 / 3)), dtype=np.float32)
    on_lay = np.where(inside, brightness, np.float32(-1.0))
    ordered = np.sort(_in_blocks(on_lay, side), axis=-1)
    first, last = (int(share * side * side) for share in BRIGHT_SHARE)
    low, high = (
        cv2.resize(ordered[..., k], on_lay.shape[::-1], interpolation=cv2.INTER_NEAREST)
        for k in (first, max(first, last - 1))
    )
    is_bright = (on_lay >= low) & (on_lay <= high)
    alone = np.asarray(cv2.copyTo(seen, is_bright.view(np.uint8)), dtype=np.float32)
    share = _mean_of_blocks(is_bright.astype(np.float32), side)
    bright = _mean_of_blocks(alone, side) / share[..., None]
    usable = _mean_of_blocks(inside.astype(np.float32), side) > 0.9
    mean, square = _mean_of_blocks(brightness, side), _mean_of_blocks(brightness**2, side)
    spread = np.sqrt(np.maximum(square - mean**2, 0.0)) / np.maximum(mean, DARKEST)
    noise = float(np.median(spread[usable])) if usable.any() else float("nan")
    return bright.astype(np.float64), usable, noise


def _reduced(rgb: RgbImage) -> NDArray[np.float32]:
    """Return the view in linear light, reduced.

    As codes, since all of it in floats is large: among neighbours on paper, where light is judged, the
    mean of codes is that of light.  Halved twice, which OpenCV does in a tenth of the time of one step.
    """
    rows, cols = (side // SHRINK for side in rgb.shape[:2])
    kept = rgb[: rows * SHRINK, : cols * SHRINK]
    half = cv2.resize(kept, (cols * SHRINK // 2, rows * SHRINK // 2), interpolation=cv2.INTER_AREA)
    small = cv2.resize(half, (cols, rows), interpolation=cv2.INTER_AREA)
    return linear_of(np.asarray(small, dtype=np.uint8))


def _in_blocks(picture: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """Return the pixels (rows, cols, side * side) of square blocks of a picture that they fill."""
    rows, cols = picture.shape[0] // side, picture.shape[1] // side
    grouped = np.swapaxes(picture.reshape(rows, side, cols, side), 1, 2)
    return grouped.reshape(rows, cols, side * side)


def _mean_of_blocks(picture: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """Return the mean (rows, cols, ...) of each block."""
    size = (picture.shape[1] // side, picture.shape[0] // side)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _basis(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    across, down = (np.vander(at, ORDER + 1, increasing=True) for at in (x, y))
    i, j = np.array([(i, j) for i in range(ORDER + 1) for j in range(ORDER + 1 - i)]).T
    return np.asarray((across[None, :, i] * down[:, None, j]).reshape(-1, len(i)))


def _solve(
    basis: NDArray[np.float64], values: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the weighted least squares fit of values (N,) or (N, K) by normal equations: ten terms, well
    scaled.
    """
    weighted = basis.T * weight
    normal = weighted @ basis
    normal.flat[:: len(normal) + 1] += RIDGE * float(np.trace(normal)) + np.finfo(float).tiny
    return np.asarray(np.linalg.solve(normal, weighted @ values), dtype=np.float64)
