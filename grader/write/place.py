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
    """Which parts of the canvas are still free; grows as labels are placed."""

    width_px: int
    height_px: int
    taken: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        self.taken = np.zeros((-(-self.height_px // CELL_PX), -(-self.width_px // CELL_PX)), dtype=np.bool_)

    def take_polygon(self, points_px: Points, rim_px: float = GAP_PX) -> None:
        """Mark the inside of a polygon, and a rim round it, as taken."""
        if len(points_px) < 2:
            return
        rows, cols = self.taken.shape
        layer = Image.new("1", (cols, rows))
        pen = ImageDraw.Draw(layer)
        cells = [(float(x), float(y)) for x, y in points_px / CELL_PX]
        pen.polygon(cells, fill=1)
        pen.line([*cells, cells[0]], fill=1, width=max(1, round(2 * rim_px / CELL_PX)))
        self.taken |= np.asarray(layer, dtype=np.bool_)

    def take_box(self, left_px: float, top_px: float, width_px: float, height_px: float) -> None:
        """Mark a box as taken."""
        x0, y0 = max(0, int(left_px // CELL_PX)), max(0, int(top_px // CELL_PX))
        x1, y1 = int(-(-(left_px + width_px) // CELL_PX)), int(-(-(top_px + height_px) // CELL_PX))
        self.taken[y0:y1, x0:x1] = True

    def place(
        self, near_px: Points, width_px: float, height_px: float, farthest_px: float = FARTHEST_PX
    ) -> tuple[float, float] | None:
        """Return the corner of the free box nearest to some points, or None if there is none near.

        Parameters
        ----------
        near_px : (N, 2)
            What the label belongs to.
        width_px, height_px : float
            Size of the label.
        """
        rows, cols = self.taken.shape
        w, h = int(-(-width_px // CELL_PX)) + 1, int(-(-height_px // CELL_PX)) + 1
        if w >= cols or h >= rows:
            return None
        total = np.zeros((rows + 1, cols + 1), dtype=np.int64)
        total[1:, 1:] = self.taken.cumsum(axis=0).cumsum(axis=1)
        covered = total[h:, w:] - total[:-h, w:] - total[h:, :-w] + total[:-h, :-w]
        y, x = np.nonzero(covered == 0)
        if not len(x):
            return None
        corners = np.stack([x, y], axis=1) * float(CELL_PX)
        low, high = corners, corners + np.array([width_px, height_px])
        best = np.full(len(corners), np.inf)
        for point in near_px:
            outside = np.maximum(np.maximum(low - point, point - high), 0.0)
            best = np.minimum(best, np.hypot(outside[:, 0], outside[:, 1]))
        k = int(np.argmin(best))
        return (float(corners[k, 0]), float(corners[k, 1])) if best[k] <= farthest_px else None
