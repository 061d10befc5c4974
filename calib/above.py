"""Where the places of an even grid on the mat lie in the photo.

Worked out at every so many places and interpolated linearly between (cubic does not keep a ramp straight).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import PlaneMap

Map = NDArray[np.float32]
"""(H, W) coordinates in the photo, px, as ``cv2.remap`` takes them."""


@dataclass(frozen=True, slots=True, eq=False)
class GridInPhoto:
    """The photo positions of a grid, kept coarse: those of all its places would be larger than the photo."""

    coarse_x_px: Map
    coarse_y_px: Map
    """In the middle of every ``step`` places each way, one beyond the grid all round."""
    step: int
    shape: tuple[int, int]
    """Rows and columns of places."""

    @classmethod
    def of(
        cls,
        plane: PlaneMap,
        first_mm: tuple[float, float],
        spacing_mm: float,
        shape: tuple[int, int],
        step: int,
    ) -> GridInPhoto:
        """Return the positions of a grid.

        Parameters
        ----------
        first_mm : (x, y)
            Its first place.
        spacing_mm : float
        shape : (rows, columns)
        step : int
            Places between those worked out.
        """
        # The middle of `step` places is where cv2.resize takes the centre of a pixel enlarged to them.
        down, across = ((np.arange(-(-n // step) + 2) - 0.5) * step - 0.5 for n in shape)
        grid = np.stack(np.meshgrid(across, down), axis=-1) * spacing_mm + np.asarray(first_mm)
        x_px, y_px = np.moveaxis(plane.px_from_mm(grid).astype(np.float32), -1, 0)
        return cls(np.ascontiguousarray(x_px), np.ascontiguousarray(y_px), step, shape)

    def part(self, rows: slice, columns: slice) -> GridInPhoto:
        """Return the grid of some rows and columns; both begin at multiples of ``step``."""
        window = tuple(
            slice(places.start // self.step, -(-places.stop // self.step) + 2) for places in (rows, columns)
        )
        shape = (rows.stop - rows.start, columns.stop - columns.start)
        return GridInPhoto(self.coarse_x_px[window], self.coarse_y_px[window], self.step, shape)

    def box_px(self) -> tuple[int, int, int, int]:
        """Return left, top, right and bottom (beyond the last) of the pixels that its places lie between."""
        (left, right), (top, bottom) = (
            (math.floor(each.min()), math.ceil(each.max()) + 1)
            for each in (self.coarse_x_px, self.coarse_y_px)
        )
        return left, top, right, bottom

    def maps(self, corner_px: tuple[int, int] = (0, 0)) -> tuple[Map, Map]:
        """Return x and y (rows, columns) of all places, px from a corner of a piece of the photo."""
        x_px, y_px = (
            self._finer(coarse - np.float32(first))
            for coarse, first in zip((self.coarse_x_px, self.coarse_y_px), corner_px, strict=True)
        )
        return x_px, y_px

    def _finer(self, coarse: Map) -> Map:
        """Return values at every place; the outermost of the coarse ones only lend theirs."""
        size = (coarse.shape[1] * self.step, coarse.shape[0] * self.step)
        fine = np.asarray(cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)
        return fine[self.step : self.step + self.shape[0], self.step : self.step + self.shape[1]]
