"""Level lines of pictures, between pixel centres.

OpenCV follows the border pixels of what lies above the level (Suzuki and Abe's border following).  From each
of them the level is crossed on the way to those of its four neighbours that lie below it; where on the way,
linear interpolation tells.  The crossings in the order of the walk are the corners of the level line, the
same that marching squares finds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import Points, Values

STEPS = np.array([(1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1)])
"""(8, 2) x and y of the way to each neighbour, in the order in which the border following looks at them."""
N_WAYS = len(STEPS)
WAY_OF = np.zeros(9, dtype=np.int64)
WAY_OF[(STEPS[:, 1] + 1) * 3 + STEPS[:, 0] + 1] = np.arange(N_WAYS)
"""The way of each step, by its y and x, each from -1."""
LEAST_WALK_PX = 6
"""Borders of fewer pixels are specks."""


def _crossed() -> NDArray[np.int64]:
    """Return the ways across the border, (8, 8, 4), -1 for none, by the ways to the pixel before and after.

    The border following looks at the neighbours one by one, from the pixel before to the first that lies
    above the level, which is the pixel after.  So what it passes lies below.
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


@dataclass(frozen=True, slots=True, eq=False)
class Loops:
    """Closed level lines of some pictures, one after the other; first points are not repeated."""

    points: Points
    """(N, 2) x and y of all lines, each in its picture."""
    starts: NDArray[np.int64]
    """(M,) the number of each line's first point."""
    picture: NDArray[np.int64]
    """(M,) which picture it is of, rising."""


def level_loops(fields: Sequence[NDArray[np.float32]], level: float) -> Loops:
    """Return the closed level lines of pictures whose rims lie below the level.

    Where two pixels above the level touch by a corner only, they are joined.
    """
    walks, picture = [], []
    for of_it, field in enumerate(fields):
        above = (field > level).view(np.uint8)
        found, _ = cv2.findContours(above, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        long = [walk.reshape(-1, 2) for walk in found if len(walk) >= LEAST_WALK_PX]
        walks += long
        picture += [of_it] * len(long)
    of_picture = np.array(picture, dtype=np.int64)
    if not walks:
        return Loops(np.zeros((0, 2)), np.zeros(0, dtype=np.int64), of_picture)
    x, y = np.ascontiguousarray(np.concatenate(walks).T)
    counts = np.array([len(walk) for walk in walks])
    last = np.cumsum(counts) - 1
    first = last + 1 - counts
    way = WAY_OF.take((_after(y, first, last) - y + 1) * 3 + (_after(x, first, last) - x + 1))
    before = np.append(0, way[:-1])
    before[first] = way[last]
    crossed = CROSSED.reshape(-1, 4).take((before + N_WAYS // 2) % N_WAYS * N_WAYS + way, axis=0)
    number = np.flatnonzero(crossed >= 0)
    at, across = number // crossed.shape[1], crossed.ravel().take(number)
    # All pictures as one row of values, so that places are numbers.
    values = np.concatenate([field.ravel() for field in fields])
    begin = np.cumsum([0, *(field.size for field in fields[:-1])])
    width = np.repeat(np.array([field.shape[1] for field in fields])[of_picture], counts)
    place = np.repeat(begin[of_picture], counts) + y * width + x
    step_x, step_y = STEPS[:, 0].take(across), STEPS[:, 1].take(across)
    inner = values.take(place.take(at))
    outer = values.take(place.take(at) + step_y * width.take(at) + step_x)
    share = (inner - level) / (inner - outer)
    points = np.stack([x.take(at) + step_x * share, y.take(at) + step_y * share], axis=1)
    return Loops(points, np.searchsorted(at, first), of_picture)


def _after(values: NDArray[np.int32], first: NDArray[np.int64], last: NDArray[np.int64]) -> NDArray[np.int32]:
    """Return for each place of closed walks the value of the next."""
    after = np.append(values[1:], values[:1])
    after[last] = values[first]
    return after


def signed_areas(points: Points, starts: NDArray[np.int64]) -> Values:
    """Return the area (M,) within each of these lines; holes have the other sign than what they are in."""
    after = np.append(points[1:], points[:1], axis=0)
    after[np.append(starts[1:], len(points)) - 1] = points[starts]
    across = points[:, 0] * after[:, 1] - after[:, 0] * points[:, 1]
    return np.asarray(np.add.reduceat(across, starts) / 2)
