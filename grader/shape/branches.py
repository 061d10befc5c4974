"""The skeleton of a cutting as ways from its base."""

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
class Skeleton:
    """Pixels of the skeleton and the steps between neighbours."""

    nodes_mm: Points
    """(N, 2)."""
    steps: csr_matrix
    """(N, N) length of a step in pixels of the reduced mask."""
    step_mm: float
    """Size of such a pixel."""


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
    skeleton = skeleton_of(fields)
    return None if skeleton is None else ways_from(skeleton, base_mm)


def skeleton_of(fields: CuttingFields) -> Skeleton | None:
    """Return the plant's skeleton, or None if there is next to nothing of it."""
    small = (fields.coverage[::SHRINK, ::SHRINK] > 0.5).astype(np.uint8)
    closed = cv2.morphologyEx(np.pad(small, 2), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    thin: Mask = skeletonize(closed.astype(bool))  # type: ignore[no-untyped-call]
    rows, cols = np.nonzero(thin)
    if len(rows) < 10:
        return None
    scale = fields.mm_per_px * SHRINK
    nodes_mm: Points = np.stack([cols - 2, rows - 2], axis=1) * scale + np.asarray(fields.corner_mm)
    return Skeleton(nodes_mm, _steps(thin, rows, cols), scale)


def ways_from(skeleton: Skeleton, base_mm: Points) -> Branches:
    """Return the ways from the skeleton point nearest the base (1, 2)."""
    start = int(np.argmin(np.hypot(*(skeleton.nodes_mm - base_mm[0]).T)))
    length, before = dijkstra(skeleton.steps, indices=start, return_predecessors=True)
    degree = np.diff(skeleton.steps.indptr)
    ends = np.nonzero((degree == 1) & np.isfinite(length))[0]
    length_mm = np.asarray(length * skeleton.step_mm, dtype=np.float64)
    return Branches(skeleton.nodes_mm, length_mm, before, ends)


def _steps(thin: Mask, rows: NDArray[np.int64], cols: NDArray[np.int64]) -> csr_matrix:
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
