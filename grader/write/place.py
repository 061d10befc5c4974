"""Find a free place for each label, so that none covers a cutting or another label."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calib.frames import Points

CELL_PX = 12
"""Fineness of the map of taken places."""
FARTHEST_PX = 420.0
"""A label further off is not read as belonging to its cutting."""
GAP_PX = 10.0
FOREIGN_PX = 200.0
"""A label that lies wholly beside another cutting counts as so much further off."""
COST_STEPS = 16.0
"""Distances are compared to a sixteenth of a pixel."""
FIRST_LEADERS = 8
"""So many free places are tried at once first: nearly always one of them will do."""
MOST_LEADERS = 24
"""How many free places are tried for one label before it is called impossible."""
MOST_ENDS = 24
"""How many of the points on which a leader may end are looked at then."""


@dataclass(slots=True, eq=False)
class Free:
    """How many things lie on each part of the canvas; grows as labels are placed."""

    width_px: int
    height_px: int
    n_taken: NDArray[np.int16] = field(init=False)

    def __post_init__(self) -> None:
        self.n_taken = np.zeros((-(-self.height_px // CELL_PX), -(-self.width_px // CELL_PX)), dtype=np.int16)

    @property
    def n_free_cells(self) -> int:
        """How many cells nothing lies on."""
        return int((self.n_taken == 0).sum())

    def take_polygon(self, points_px: Points, rim_px: float = GAP_PX) -> None:
        """Mark the inside of a polygon, and a rim round it, as taken."""
        window, part = self._covered(points_px, rim_px)
        self.n_taken[window] += part

    def covered(self, points_px: Points, rim_px: float = GAP_PX) -> NDArray[np.bool_]:
        """Return which cells a polygon and its rim cover, all over the map."""
        found = np.zeros(self.n_taken.shape, dtype=np.bool_)
        window, part = self._covered(points_px, rim_px)
        found[window] = part
        return found

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
        leader: tuple[Points, NDArray[np.bool_]] | None = None,
        owned: NDArray[np.int32] | None = None,
        away_px: NDArray[np.float32] | None = None,
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
        leader : ((K, 2), cells), optional
            Where the leader of the label may end, and the cells over which it may run, as from ``covered``:
            its straight way from the label crosses nothing else that is taken.
        owned : (rows + 1, columns + 1), optional
            How many cells up to each are nearest to what the label belongs to, from ``owned_counts``.
        away_px : (rows, columns), optional
            What ``away_from`` gives for ``near_px``, where many sizes are tried.
        """
        size_px = np.array([width_px, height_px])
        w, h = (int(-(-side // CELL_PX)) + 1 for side in size_px)
        n_taken = self.n_taken if over_px is None else self.n_taken - self.covered(over_px)
        # Only what is in reach is looked at: a small part of the canvas.
        low = np.floor((near_px.min(axis=0) - farthest_px - size_px) / CELL_PX).astype(int).clip(0)
        high = np.ceil((near_px.max(axis=0) + farthest_px + size_px) / CELL_PX).astype(int) + 2
        is_taken = n_taken[low[1] : high[1], low[0] : high[0]] > 0
        rows, cols = is_taken.shape
        if w >= cols or h >= rows:
            return None
        is_free = _box_sums(np.asarray(cv2.integral(is_taken.view(np.uint8)), dtype=np.int32), w, h) == 0
        if not is_free.any():
            return None
        if away_px is None:
            away_px = self.away_from(near_px)
        nearest_px = _least(away_px[low[1] : high[1], low[0] : high[0]], w, h)
        found = np.flatnonzero(is_free & (nearest_px <= farthest_px))
        if not len(found):
            return None
        cost_px = nearest_px.ravel()[found].astype(np.float64)
        if owned is not None:
            part = owned[low[1] : low[1] + rows + 1, low[0] : low[0] + cols + 1]
            cost_px = cost_px + FOREIGN_PX * (1.0 - _box_sums(part, w, h).ravel()[found] / (w * h))
        # Sorted as small whole numbers: a tenth of the time.
        cost = np.minimum(cost_px * COST_STEPS, np.iinfo(np.uint16).max).astype(np.uint16)
        order = np.argsort(cost, kind="stable")
        if leader is not None:
            order = order[:: max(1, len(order) // MOST_LEADERS)]
        y, x = np.divmod(found[order], nearest_px.shape[1])
        corners = (np.stack([x, y], axis=1) + low).astype(np.float64) * CELL_PX
        if leader is not None:
            return self._clear(corners, size_px, *leader)
        return float(corners[0, 0]), float(corners[0, 1])

    def away_from(self, points_px: Points) -> NDArray[np.float32]:
        """Return how far each cell is from the nearest of some points, (rows, columns) px."""
        rows, columns = self.n_taken.shape
        away = np.ones((rows, columns), dtype=np.uint8)
        cells = np.floor(points_px / CELL_PX).astype(np.intp)
        away[np.clip(cells[:, 1], 0, rows - 1), np.clip(cells[:, 0], 0, columns - 1)] = 0
        distance = cv2.distanceTransform(away, cv2.DIST_L2, cv2.DIST_MASK_5)
        return np.asarray(distance * np.float32(CELL_PX), dtype=np.float32)

    def _clear(
        self,
        corners_px: NDArray[np.float64],
        size_px: Points,
        ends_px: Points,
        own: NDArray[np.bool_],
    ) -> tuple[float, float] | None:
        """Return the first of some corners from which a straight leader crosses nothing."""
        ends_px = ends_px[:: max(1, len(ends_px) // MOST_ENDS)]
        is_taken = (self.n_taken > 0) & ~own
        for some_px in (corners_px[:FIRST_LEADERS], corners_px[FIRST_LEADERS:]):
            if len(some_px):
                lines = _leaders(some_px, size_px, ends_px)
                is_crossed = is_taken.ravel()[self._cells_of(lines)].any(axis=-1)
                free = np.flatnonzero(~np.all(is_crossed, axis=1))
                if len(free):
                    return tuple(some_px[free[0]].tolist())
        return None

    def leader(self, corner_px: Points, size_px: Points, ends_px: Points, own: NDArray[np.bool_]) -> Points:
        """Return the straight line, (2, 2), from a box to one of some points that crosses nothing else.

        The shortest where all cross something.
        """
        ends_px = ends_px[:: max(1, len(ends_px) // MOST_ENDS)]
        lines = _leaders(corner_px[None], size_px, ends_px)[0]
        is_taken = (self.n_taken > 0) & ~own
        is_crossed = is_taken.ravel()[self._cells_of(lines)].any(axis=-1)
        return np.asarray(lines[int(np.argmin(is_crossed))])

    def copy(self) -> Free:
        """Return a map on which labels can be tried."""
        other = Free(self.width_px, self.height_px)
        other.n_taken = self.n_taken.copy()
        return other

    def take_line(self, points_px: Points) -> None:
        """Mark a straight line (2, 2) as taken."""
        self.n_taken.ravel()[self._cells_of(points_px)] += 1

    def _cells_of(self, lines_px: Points) -> NDArray[np.intp]:
        """Return the places in the flattened map, (..., N), of the cells under straight lines (..., 2, 2)."""
        start = lines_px[..., 0, :] / CELL_PX
        away = lines_px[..., 1, :] / CELL_PX - start
        n = 2 + int(np.sqrt((away * away).sum(axis=-1).max()))
        along = np.arange(n) / (n - 1)
        rows, columns = self.n_taken.shape
        y = _whole(start[..., 1, None] + along * away[..., 1, None], rows)
        x = _whole(start[..., 0, None] + along * away[..., 0, None], columns)
        return np.asarray(y * columns + x)


def owned_counts(covered: Sequence[NDArray[np.bool_]]) -> list[NDArray[np.int32]]:
    """Return for each thing how many cells, up to each, are nearer to it than to the others.

    Parameters
    ----------
    covered : sequence of (rows, columns)
        Which cells each thing covers.

    Returns
    -------
    list of (rows + 1, columns + 1)
        Summed-area tables.
    """
    if not covered:
        return []
    owner_at = np.full(covered[0].shape, -1, dtype=np.int32)
    for k, mask in enumerate(covered):
        owner_at[mask] = k
    is_covered = owner_at >= 0
    _, nearest = cv2.distanceTransformWithLabels(
        (~is_covered).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    owner_of = np.full(int(nearest.max()) + 1, -1, dtype=np.int32)
    owner_of[nearest[is_covered]] = owner_at[is_covered]
    owner = owner_of[nearest]
    return [np.asarray(cv2.integral((owner == k).astype(np.uint8))) for k in range(len(covered))]


def _whole(places: Points, n_cells: int) -> NDArray[np.intp]:
    """Return the number of the cell of each place, the outermost for places outside."""
    np.maximum(places, 0.0, out=places)
    np.minimum(places, n_cells - 1.0, out=places)
    return places.astype(np.intp)


def _box_sums(total: NDArray[np.int32], columns: int, rows: int) -> NDArray[np.int32]:
    """Return the sum over each box of some cells, from a summed-area table."""
    return np.asarray(
        total[rows:, columns:] - total[:-rows, columns:] - total[rows:, :-columns] + total[:-rows, :-columns]
    )


def _least(away_px: NDArray[np.float32], columns: int, rows: int) -> NDArray[np.float32]:
    """Return the least over each box of some cells."""
    height, width = away_px.shape
    # The least over a box is an erosion; the anchor is its upper left corner.
    least = cv2.erode(away_px, np.ones((rows, columns), dtype=np.uint8), anchor=(0, 0))
    return np.asarray(least[: height - rows + 1, : width - columns + 1], dtype=np.float32)


def _leaders(corners_px: Points, size_px: Points, ends_px: Points) -> Points:
    """Return the leaders to try from some boxes (N, 2): (N, 4, 2, 2), the shortest first.

    The others end at the first, the middle and the last of the points.
    """
    low = corners_px[:, None, :]
    starts = np.minimum(np.maximum(ends_px[None], low), low + size_px)
    away = ends_px[None] - starts
    k = np.empty((len(corners_px), 4), dtype=np.intp)
    k[:, 0] = np.argmin(away[..., 0] ** 2 + away[..., 1] ** 2, axis=1)
    k[:, 1:] = 0, len(ends_px) // 2, len(ends_px) - 1
    return np.stack([starts[np.arange(len(k))[:, None], k], ends_px[k]], axis=2)
