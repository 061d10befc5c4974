"""Find a free place for each label, so that none covers a cutting or another label."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calib.frames import Points

CELL_PX = 8
"""Fineness of the map of taken places."""
FARTHEST_PX = 420.0
"""A label further off is not read as belonging to its cutting."""
GAP_PX = 10.0


@dataclass(slots=True, eq=False)
class Free:
    """How many things lie on each part of the canvas; grows as labels are placed."""

    width_px: int
    height_px: int
    n_taken: NDArray[np.int16] = field(init=False)

    def __post_init__(self) -> None:
        self.n_taken = np.zeros((-(-self.height_px // CELL_PX), -(-self.width_px // CELL_PX)), dtype=np.int16)

    def take_polygon(self, points_px: Points, rim_px: float = GAP_PX) -> None:
        """Mark the inside of a polygon, and a rim round it, as taken."""
        self.n_taken += self._covered(points_px, rim_px)

    def _covered(self, points_px: Points, rim_px: float = GAP_PX) -> NDArray[np.bool_]:
        if len(points_px) < 2:
            return np.zeros(self.n_taken.shape, dtype=np.bool_)
        rows, cols = self.n_taken.shape
        layer = Image.new("1", (cols, rows))
        pen = ImageDraw.Draw(layer)
        cells = [(float(x), float(y)) for x, y in points_px / CELL_PX]
        pen.polygon(cells, fill=1)
        pen.line([*cells, cells[0]], fill=1, width=max(1, round(2 * rim_px / CELL_PX)))
        return np.array(layer, dtype=np.bool_)

    def take_box(self, left_px: float, top_px: float, width_px: float, height_px: float) -> None:
        """Mark a box as taken."""
        x0, y0 = max(0, int(left_px // CELL_PX)), max(0, int(top_px // CELL_PX))
        x1, y1 = int(-(-(left_px + width_px) // CELL_PX)), int(-(-(top_px + height_px) // CELL_PX))
        self.n_taken[y0:y1, x0:x1] += 1

    def place(
        self,
        near_px: Points,
        width_px: float,
        height_px: float,
        farthest_px: float = FARTHEST_PX,
        over_px: Points | None = None,
    ) -> tuple[float, float] | None:
        """Return the corner of the free box nearest to some points, or None if there is none near.

        Parameters
        ----------
        near_px : (N, 2)
            What the label belongs to.
        width_px, height_px : float
            Size of the label.
        farthest_px : float
            How far from them it may be.
        over_px : (M, 2), optional
            A polygon, taken earlier, that the label may cover.
        """
        rows, cols = self.n_taken.shape
        w, h = int(-(-width_px // CELL_PX)) + 1, int(-(-height_px // CELL_PX)) + 1
        if w >= cols or h >= rows:
            return None
        n_taken = self.n_taken if over_px is None else self.n_taken - self._covered(over_px)
        total = np.zeros((rows + 1, cols + 1), dtype=np.int64)
        total[1:, 1:] = (n_taken > 0).cumsum(axis=0).cumsum(axis=1)
        covered = total[h:, w:] - total[:-h, w:] - total[h:, :-w] + total[:-h, :-w]
        y, x = np.nonzero(covered == 0)
        if not len(x):
            return None
        corners = np.stack([x, y], axis=1) * float(CELL_PX)
        size = np.array([width_px, height_px])
        # Boxes out of reach of all the points are left out first: nearly all of them.
        reach_low, reach_high = near_px.min(axis=0) - farthest_px, near_px.max(axis=0) + farthest_px
        corners = corners[((corners + size >= reach_low) & (corners <= reach_high)).all(axis=1)]
        if not len(corners):
            return None
        low, high = corners, corners + size
        best = np.full(len(corners), np.inf)
        for point in near_px:
            outside = np.maximum(np.maximum(low - point, point - high), 0.0)
            best = np.minimum(best, np.hypot(outside[:, 0], outside[:, 1]))
        k = int(np.argmin(best))
        return (float(corners[k, 0]), float(corners[k, 1])) if best[k] <= farthest_px else None
