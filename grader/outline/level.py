"""Level lines of a picture, between pixel centres.

OpenCV follows the border pixels of what lies above the level (Suzuki and Abe's border following).  From each
of them the level is crossed on the way to those of its four neighbours that lie below it; where on the way,
linear interpolation tells.  The crossings in the order of the walk are the corners of the level line, the
same that marching squares finds.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from grader.records import Points, Values

STEPS = np.array([(1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1), (0, 1), (1, 1)])
"""(8, 2) x and y of the way to each neighbour, in the order in which the border following looks at them."""
N_WAYS = len(STEPS)
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


def level_loops(field: NDArray[np.float32], level: float) -> tuple[Points, NDArray[np.int64]]:
    """Return the closed level lines of a picture whose rim lies below the level.

    Where two pixels above the level touch by a corner only, they are joined.

    Returns
    -------
    points : (N, 2)
        Of all lines, one after the other; first points are not repeated.
    starts : (M,)
        The number of each line's first point.
    """
    above = (field > level).astype(np.uint8)
    walks, _ = cv2.findContours(above, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    walks = [walk for walk in walks if len(walk) >= LEAST_WALK_PX]
    if not walks:
        return np.zeros((0, 2)), np.zeros(0, dtype=np.int64)
    xy = np.concatenate(walks)[:, 0]
    beyond = np.cumsum([len(walk) for walk in walks])
    first = np.append(0, beyond[:-1])
    # All places as numbers along the rows; so a step to a neighbour is a number too.
    row = field.shape[1]
    place = xy[:, 1] * row + xy[:, 0]
    steps = STEPS[:, 1] * row + STEPS[:, 0]
    after = np.append(place[1:], 0)
    after[beyond - 1] = place[first]
    way_of = np.zeros(2 * row + 3, dtype=np.int64)
    way_of[steps + row + 1] = np.arange(N_WAYS)
    way = way_of[after - place + row + 1]
    before = np.append(0, way[:-1])
    before[first] = way[beyond - 1]
    crossed = CROSSED[(before + N_WAYS // 2) % N_WAYS, way]
    number = np.flatnonzero(crossed >= 0)
    at, across = number // crossed.shape[1], crossed.ravel()[number]
    inner = field.ravel()[place[at]]
    outer = field.ravel()[place[at] + steps[across]]
    points = xy[at] + STEPS[across] * ((inner - level) / (inner - outer))[:, None]
    return points, np.searchsorted(at, first)


def signed_areas(points: Points, starts: NDArray[np.int64]) -> Values:
    """Return the area (M,) within each of these lines; holes have the other sign than what they are in."""
    after = np.append(points[1:], points[:1], axis=0)
    after[np.append(starts[1:], len(points)) - 1] = points[starts]
    across = points[:, 0] * after[:, 1] - after[:, 0] * points[:, 1]
    return np.asarray(np.add.reduceat(across, starts) / 2)
