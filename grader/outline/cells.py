"""The cells of the maps on the flat view: their light, once for all who ask, and the lay area."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.outline.plant import MAP_SHRINK
from grader.records import FlatView, Mask, linear_of

LightOfCells = NDArray[np.uint16]
"""(H, W, 4) linear light, and BRIGHTEST in a fourth channel: with some cells blanked it counts the others."""
BRIGHTEST = 65535
"""Of the code 255."""
WHOLE = 2
"""Sides are filled up to a multiple of so many cells, so that they can be halved."""
BOTH = 0x0101
"""Two marked pixels side by side."""
_LINEAR16 = np.round(linear_of(np.arange(256, dtype=np.uint8)) * BRIGHTEST).astype(np.uint16)


def light_of_cells(view: FlatView) -> LightOfCells:
    """Return the light of the mean codes of each cell.

    The mean of codes is not that of light: it matters at edges only, and there no more than the choice of a
    level.  16 bits: half the work of floats.
    """
    rows, columns = (side // MAP_SHRINK for side in view.rgb.shape[:2])
    pixels = view.rgb[: rows * MAP_SHRINK, : columns * MAP_SHRINK]
    codes = cv2.resize(pixels, (columns, rows), interpolation=cv2.INTER_AREA)
    if rows % WHOLE or columns % WHOLE:
        codes = cv2.copyMakeBorder(codes, 0, -rows % WHOLE, 0, -columns % WHOLE, cv2.BORDER_REPLICATE)
    return light_of_codes(np.asarray(codes, dtype=np.uint8))


def light_of_codes(rgb: NDArray[np.uint8]) -> LightOfCells:
    """Return the light of 8 bit codes (H, W, 3)."""
    return np.asarray(cv2.LUT(cv2.cvtColor(rgb, cv2.COLOR_RGB2RGBA), _LINEAR16), dtype=np.uint16)


def halved(light: LightOfCells) -> LightOfCells:
    """Return the mean light of cells twice as large."""
    size = light.shape[1] // WHOLE, light.shape[0] // WHOLE
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), dtype=np.uint16)


def relative_light(light: LightOfCells, view: FlatView) -> NDArray[np.float32]:
    """Return the light (H, W, 3) of all cells, or of larger ones, over that of the paper."""
    linear = cv2.cvtColor(light, cv2.COLOR_RGBA2RGB).astype(np.float32)
    full = view.light.within(view.whole, linear.shape[:2])
    return np.asarray(cv2.divide(linear, full, scale=1 / BRIGHTEST), dtype=np.float32)


def lay_cells(view: FlatView) -> Mask:
    """Return the cells (H/2, W/2) whose pixels all lie inside the lay area."""
    rows, columns = (side // MAP_SHRINK * MAP_SHRINK for side in view.lay_mask.shape)
    # Two pixels at a time: a whole tray of them.
    pairs = np.ascontiguousarray(view.lay_mask[:rows, :columns]).view(np.uint16)
    return np.asarray((pairs[::MAP_SHRINK] & pairs[1::MAP_SHRINK]) == BOTH)
