"""Level lines of a picture, between pixel centres.

OpenCV follows the border pixels of what lies above the level (Suzuki and Abe's border following).  From each of
them the level is crossed on the way to those of its four neighbours that lie below it; where on the way, linear
interpolation tells.  The crossings in the order of the walk are the corners of the level line, the same that
marching squares finds.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import Points

STEPS = np.array([(1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1)])
"""(8, 2) x and y of the way to each neighbour, in the order in which the border following looks at them."""
N_WAYS = len(STEPS)
LEAST_WALK_PX = 6
"""Borders of fewer pixels are specks."""


def _crossed() -> NDArray[np.int64]:
    """Return the ways across the border, (8, 8, 4) and -1 for none, by the ways to the pixel before and after.

    The border following looks at the neighbours one by one, from the pixel before to the first that lies above
    the level, which is the pixel after.  So what it passes lies below.
    """
    table = np.full((N_WAYS, N_WAYS, 4), -1)
    for before in range(N_WAYS):
        for after in range(N_WAYS):
            n_passed = (after - before - 1) % N_WAYS
            passed = [(before + k) % N_WAYS for k in range(1, n_passed + 1)]
            straight = [way for way in passed if way % 2 == 0]
            table[before, after, : len(straight)] = straight
    return table


CROSSED = _crossed()


def level_loops(field: NDArray[np.float32], level: float) -> list[Points]:
    """Return the closed level lines (N, 2) of a picture whose rim lies below the level.

    First points are not repeated.  Where two pixels above the level touch by a corner only, they are joined.
    """
    above = (field > level).astype(np.uint8)
    walks, _ = cv2.findContours(above, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    walks = [walk[:, 0] for walk in walks if len(walk) >= LEAST_WALK_PX]
    if not walks:
        return []
    xy = np.concatenate(walks).astype(np.int64)
    beyond = np.cumsum([len(walk) for walk in walks])
    after = np.arange(1, len(xy) + 1)
    after[beyond - 1] = np.concatenate([[0], beyond[:-1]])
    way = _way(xy[after] - xy)
    back = np.empty_like(way)
    back[after] = (way + N_WAYS // 2) % N_WAYS
    crossed = CROSSED[back, way]
    at, slot = np.nonzero(crossed >= 0)
    step = STEPS[crossed[at, slot]]
    x, y = xy[at].T
    inner, outer = field[y, x], field[y + step[:, 1], x + step[:, 0]]
    points = xy[at] + step * ((inner - level) / (inner - outer))[:, None]
    return np.split(points, np.searchsorted(at, beyond[:-1]))


def _way(step: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return which of the ways steps (N, 2) to neighbours go."""
    number = np.zeros(9, dtype=np.int64)
    number[(STEPS + 1) @ (1, 3)] = np.arange(N_WAYS)
    return number[(step + 1) @ (1, 3)]
