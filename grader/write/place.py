"""Find a free place for each label, so that none covers a cutting or another label."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
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
        window, covered = self._covered(points_px, rim_px)
        self.n_taken[window] += covered

    def _covered(
        self, points_px: Points, rim_px: float = GAP_PX
    ) -> tuple[tuple[slice, slice], NDArray[np.bool_]]:
        """Return the part of the map that a polygon may touch, and what it covers there."""
        rows, cols = self.n_taken.shape
        if len(points_px) < 2:
            return (slice(0, 0), slice(0, 0)), np.zeros((0, 0), dtype=np.bool_)
        width = max(1, round(2 * rim_px / CELL_PX))
        cells = points_px / CELL_PX
        x0, y0 = np.clip(np.floor(cells.min(axis=0)).astype(int) - width, 0, [cols, rows]).tolist()
        x1, y1 = np.clip(np.ceil(cells.max(axis=0)).astype(int) + width + 1, 0, [cols, rows]).tolist()
        window = (slice(y0, y1), slice(x0, x1))
        if x0 >= x1 or y0 >= y1:
            return window, np.zeros((max(0, y1 - y0), max(0, x1 - x0)), dtype=np.bool_)
        layer = Image.new("1", (x1 - x0, y1 - y0))
        pen = ImageDraw.Draw(layer)
        outline = (cells - [x0, y0]).ravel().tolist()
        pen.polygon(outline, fill=1)
        pen.line([*outline, *outline[:2]], fill=1, width=width)
        return window, np.array(layer, dtype=np.bool_)

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
        # Boxes out of reach of all the points are left out first: nearly all of them.
        x0, y0, x1, y1 = _reach(near_px, width_px, height_px, farthest_px, (cols - w, rows - h))
        if x0 >= x1 or y0 >= y1:
            return None
        is_taken = self._taken_in(x0, y0, x1 + w - 1, y1 + h - 1, over_px).astype(np.uint8)
        total = np.asarray(cv2.integral(is_taken))
        covered = total[h:, w:] - total[:-h, w:] - total[h:, :-w] + total[:-h, :-w]
        y, x = np.nonzero(covered == 0)
        if not len(x):
            return None
        corners = np.stack([x + x0, y + y0], axis=1) * float(CELL_PX)
        size = np.array([width_px, height_px])
        best = np.full(len(corners), np.inf)
        for point in near_px:
            outside = np.maximum(np.maximum(corners - point, point - size - corners), 0.0)
            best = np.minimum(best, outside[:, 0] ** 2 + outside[:, 1] ** 2)
        k = int(np.argmin(best))
        return (float(corners[k, 0]), float(corners[k, 1])) if best[k] <= farthest_px**2 else None

    def _taken_in(self, x0: int, y0: int, x1: int, y1: int, over_px: Points | None) -> NDArray[np.bool_]:
        """Return which cells of a window are taken, by other things than a polygon."""
        if over_px is None:
            return np.asarray(self.n_taken[y0:y1, x0:x1] > 0)
        n_taken = self.n_taken.copy()
        window, covered = self._covered(over_px)
        n_taken[window] -= covered
        return np.asarray(n_taken[y0:y1, x0:x1] > 0)


def _reach(
    near_px: Points, width_px: float, height_px: float, farthest_px: float, most_cells: tuple[int, int]
) -> tuple[int, int, int, int]:
    """Return the first and the last cells, across and down, of corners of boxes that reach some points."""
    low = (near_px.min(axis=0) - farthest_px - [width_px, height_px]) / CELL_PX
    high = (near_px.max(axis=0) + farthest_px) / CELL_PX
    x0, y0 = np.maximum(np.ceil(low), 0).astype(int).tolist()
    x1, y1 = np.minimum(np.floor(high) + 1, np.array(most_cells) + 1).astype(int).tolist()
    return x0, y0, x1, y1
