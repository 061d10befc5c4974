"""The way from the base through the plant to the tip of its leader."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from skimage.morphology import skeletonize

from grader.records import Mask, Points, Values
from grader.shape.fields import CuttingFields

SHRINK = 2
"""The skeleton is made on a mask reduced by this factor (0.2 mm)."""


@dataclass(frozen=True, slots=True, eq=False)
class Branches:
    """Skeleton of the plant as ways from its base."""

    nodes_mm: Points
    """(N, 2)."""
    length_mm: Values
    """(N,) way from the base; inf where the skeleton is not connected to it."""
    before: NDArray[np.int32]
    """(N,) next node towards the base, negative at the base."""
    ends: NDArray[np.int64]
    """Nodes where a branch ends."""

    def way_mm(self, node: int) -> Points:
        """Return the way (K, 2) from the base to a node."""
        way = [node]
        while self.before[way[-1]] >= 0:
            way.append(int(self.before[way[-1]]))
        return self.nodes_mm[way[::-1]]


def branches_from(fields: CuttingFields, base_mm: Points) -> Branches | None:
    """Return the plant's skeleton as ways from the skeleton point nearest the base (1, 2)."""
    small = (fields.coverage[::SHRINK, ::SHRINK] > 0.5).astype(np.uint8)
    closed = cv2.morphologyEx(np.pad(small, 2), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    thin: Mask = skeletonize(closed.astype(bool))  # type: ignore[no-untyped-call]
    rows, cols = np.nonzero(thin)
    if len(rows) < 10:
        return None
    edges = _edges(thin, rows, cols)
    scale = fields.mm_per_px * SHRINK
    nodes_mm: Points = np.stack([cols - 2, rows - 2], axis=1) * scale + np.asarray(fields.corner_mm)
    start = int(np.argmin(np.hypot(*(nodes_mm - base_mm[0]).T)))
    length, before = dijkstra(edges, indices=start, return_predecessors=True)
    degree = np.diff(edges.indptr)
    ends = np.nonzero((degree == 1) & np.isfinite(length))[0]
    return Branches(nodes_mm, np.asarray(length * scale, dtype=np.float64), before, ends)


LEADER_SHARE = 0.72
"""Ends nearer to the base than this share of the furthest are side shoots."""
APART_MM = 6.0
"""Ends closer together than this are leaves of one tip."""
MOST_TIPS = 6
STRAIGHT_ON_SHARE = 0.4
"""How far, as a share of the distance, a shoot keeps the direction of the bare stem."""
STEP_MM = 0.5


def rough_ways(branches: Branches, trail_mm: Points) -> list[Points]:
    """Return candidate ways (K, 2) from the base through the bare stem to possible tips.

    For each end far from the base: the way through the skeleton, and a free curve that leaves the
    stem in its own direction (quadratic Bezier), since leaves pull the skeleton aside.

    Parameters
    ----------
    trail_mm : (M, 2)
        Centre line of the bare stem from the base.
    """
    base = trail_mm[0]
    outlet, direction = trail_mm[-1], _direction_at_end(trail_mm)
    reachable = [int(end) for end in branches.ends if np.isfinite(branches.length_mm[end])]
    reachable.sort(key=lambda end: -float(branches.length_mm[end]))
    tips: list[int] = []
    for end in reachable:
        if branches.length_mm[end] < LEADER_SHARE * branches.length_mm[reachable[0]]:
            break
        at = branches.nodes_mm[end]
        if np.hypot(*(at - base)) < np.hypot(*(outlet - base)):
            continue
        if all(np.hypot(*(at - branches.nodes_mm[tip])) > APART_MM for tip in tips):
            tips.append(end)
        if len(tips) == MOST_TIPS:
            break
    ways = []
    for tip in tips:
        at = branches.nodes_mm[tip]
        far = branches.way_mm(tip)
        joins = int(np.argmin(np.hypot(*(far - outlet).T)))
        if len(far) - joins > 3:
            ways.append(np.vstack([trail_mm, far[joins + 2 :]]))
        reach = float(np.hypot(*(at - outlet)))
        control = outlet + direction * STRAIGHT_ON_SHARE * reach
        t = np.linspace(0, 1, max(3, int(reach / STEP_MM)))[1:, None]
        ways.append(np.vstack([trail_mm, (1 - t) ** 2 * outlet + 2 * t * (1 - t) * control + t**2 * at]))
    return ways


def _direction_at_end(trail_mm: Points) -> Values:
    back = trail_mm[max(0, len(trail_mm) - 17)]
    step = trail_mm[-1] - back
    return np.asarray(step / max(float(np.hypot(*step)), 1e-9))


def _edges(thin: Mask, rows: NDArray[np.int64], cols: NDArray[np.int64]) -> csr_matrix:
    index = np.full(thin.shape, -1, dtype=np.int64)
    index[rows, cols] = np.arange(len(rows))
    first, second, length = [], [], []
    for dx, dy in ((1, 0), (0, 1), (1, 1), (-1, 1)):
        other = index[rows + dy, cols + dx]
        found = other >= 0
        first.append(np.nonzero(found)[0])
        second.append(other[found])
        length.append(np.full(int(found.sum()), np.hypot(dx, dy)))
    i, j, w = np.concatenate(first), np.concatenate(second), np.concatenate(length)
    return csr_matrix((np.r_[w, w], (np.r_[i, j], np.r_[j, i])), shape=(len(rows), len(rows)))
