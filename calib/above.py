"""Where the places of an even grid on the mat lie in the photo.

Worked out at every so many places and interpolated linearly between (cubic does not keep a ramp straight).
"""

from __future__ import annotations

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
    n_across: int

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
        return cls(np.ascontiguousarray(x_px), np.ascontiguousarray(y_px), step, shape[1])

    def rows(self, first: int, last: int) -> tuple[Map, Map]:
        """Return x and y of all places of some rows, the first of them a multiple of ``step``, px."""
        begin, end = first // self.step, -(-last // self.step)
        x_px, y_px = (
            self._finer(coarse[begin : end + 2])[: last - first]
            for coarse in (self.coarse_x_px, self.coarse_y_px)
        )
        return x_px, y_px

    def _finer(self, coarse: Map) -> Map:
        """Return values at every place; the outermost of the coarse ones only lend theirs."""
        size = (coarse.shape[1] * self.step, coarse.shape[0] * self.step)
        fine = np.asarray(cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)
        return fine[self.step :, self.step : self.step + self.n_across]
