"""The flat view: the lay area seen from straight above, and the light on its paper.

Kept as the 8 bit codes of the photo with the light beside them.  Relative linear light is worked out where
it is asked for: a whole tray of it is twelve times as large as the codes, and most of a tray is paper.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint8]
"""(H, W, 3) sRGB."""
Linear = NDArray[np.float32]
"""(H, W, 3) linear light."""
Window = tuple[slice, slice]
"""Rows and columns, each with a start and a stop."""

KNOT_STEP = 16
"""Pixels between places at which light is worked out, those between are interpolated."""
_CODE = np.arange(256) / 255.0
LIN_FROM_SRGB8: NDArray[np.float32] = np.where(
    _CODE <= 0.04045, _CODE / 12.92, ((_CODE + 0.055) / 1.055) ** 2.4
).astype(np.float32)
"""Linear light of an 8 bit sRGB code (IEC 61966-2-1:1999; the knee 0.04045 from memory)."""


def linear_of(rgb: Codes) -> Linear:
    """Return 8 bit sRGB in linear light."""
    return np.asarray(cv2.LUT(rgb, LIN_FROM_SRGB8), dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class PaperLight:
    """The light that clean paper would show, kept coarse: it is smooth."""

    coarse: Linear
    """(R, C, 3) at evenly spaced places of the view."""
    size_px: tuple[int, int]
    """Width, height of the view."""

    def within(self, window: Window, shape: tuple[int, int] | None = None) -> Linear:
        """Return the light of a window of the view, interpolated linearly, held level beyond its rim.

        Parameters
        ----------
        window : (slice, slice)
            Rows, columns.
        shape : (rows, columns), optional
            Of what is returned; one value for each pixel of the window without it.
        """
        (top, bottom), (left, right) = ((part.start, part.stop) for part in window)
        rows, columns = shape or (bottom - top, right - left)
        down, step_down = self._knots(top, bottom, rows, 0)
        across, step_across = self._knots(left, right, columns, 1)
        knots = _between(_between(self.coarse, down, 0), across, 1)
        size = (len(across) * step_across, len(down) * step_down)
        light = np.asarray(cv2.resize(knots, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)
        return light[step_down : step_down + rows, step_across : step_across + columns]

    def _knots(self, first: int, last: int, n: int, axis: int) -> tuple[NDArray[np.float64], int]:
        """Return where to look between the centres of the coarse pixels, and how many of n pixels apart.

        Enlarged by that number, their values are those of the n pixels; the first and the last only lend
        theirs.  They lie no further apart than the coarse pixels, so hardly anything is lost.
        """
        size = (self.size_px[1], self.size_px[0])[axis]
        n_coarse = self.coarse.shape[axis]
        px = (last - first) / n  # of the view, for each of the n
        step = max(1, min(KNOT_STEP, int(size / n_coarse / px)))
        centres = first + ((np.arange(-1, -(-n // step) + 1) + 0.5) * step) * px
        return np.clip(centres * n_coarse / size - 0.5, 0.0, n_coarse - 1.0), step


def _between(field: Linear, at: NDArray[np.float64], axis: int) -> Linear:
    """Return values at places between those of one axis."""
    low = np.minimum(at.astype(int), max(0, field.shape[axis] - 2))
    high = np.minimum(low + 1, field.shape[axis] - 1)
    share = (at - low).astype(np.float32).reshape((-1, 1, 1) if axis == 0 else (1, -1, 1))
    below, above = field.take(low, axis=axis), field.take(high, axis=axis)
    return np.asarray(below + (above - below) * share, dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class FlatView:
    """The lay area seen from straight above, one scale everywhere, light evened out."""

    rgb: Codes
    """(H, W, 3) 8 bit sRGB, as the photo shows it."""
    light: PaperLight
    """Linear light of clean paper; what is seen over it is 1 in each channel on clean lit paper."""
    lay_mask: NDArray[np.bool_]
    """(H, W) true inside the lay area and outside fiducials."""
    mm_per_px: float
    origin_mm: tuple[float, float]
    """Mat position of the centre of pixel (0, 0)."""
    paper_noise: float
    """Standard deviation of clean paper, relative to paper white."""
    warnings: tuple[str, ...] = ()

    @property
    def whole(self) -> Window:
        """All rows and columns."""
        return slice(0, self.rgb.shape[0]), slice(0, self.rgb.shape[1])

    def linear_in(self, window: Window) -> Linear:
        """Return linear light over that of the paper in a window, (h, w, 3) float32."""
        linear = linear_of(self.rgb[window])
        return np.divide(linear, self.light.within(window), out=linear)

    def reduced(self, shrink: int) -> Linear:
        """Return linear light over that of the paper, (H // shrink, W // shrink, 3), of mean codes.

        The mean of codes is not that of light: the difference matters at edges only, and there no more than
        the choice of a level.
        """
        rows, columns = (side // shrink for side in self.rgb.shape[:2])
        kept = self.rgb[: rows * shrink, : columns * shrink]
        small = cv2.resize(kept, (columns, rows), interpolation=cv2.INTER_AREA)
        linear = linear_of(np.asarray(small, dtype=np.uint8))
        window = (slice(0, rows * shrink), slice(0, columns * shrink))
        return np.divide(linear, self.light.within(window, (rows, columns)), out=linear)
