"""The skeleton of a cutting as ways from its base."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from skimage.morphology import skeletonize

from grader.records import Mask, Points, Values
from grader.shape.fields import COVERED, CuttingFields

SHRINK = 4
"""The skeleton is made on cells of so many pixels (0.4 mm): it tells side shoots and heels, none finer."""
RIM = 1
"""Empty cells around the mask: every node has eight neighbours."""
LEAST_NODES = 10
"""With fewer there is next to nothing of a plant."""


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
    rows, columns = (side // SHRINK for side in fields.coverage.shape)
    if rows == 0 or columns == 0:
        return None
    middle = SHRINK // 2
    solid = fields.coverage[middle::SHRINK, middle::SHRINK][:rows, :columns] > COVERED
    mask = np.zeros((rows + 2 * RIM, columns + 2 * RIM), dtype=bool)
    mask[RIM:-RIM, RIM:-RIM] = solid
    thin: Mask = skeletonize(mask)  # type: ignore[no-untyped-call]
    places = np.flatnonzero(thin)
    if len(places) < LEAST_NODES:
        return None
    cell_mm = fields.mm_per_px * SHRINK
    to_middle_mm = (SHRINK - 1) / 2 * fields.mm_per_px - RIM * cell_mm
    y, x = np.divmod(places, thin.shape[1])
    nodes_mm = np.stack([x, y], axis=1) * cell_mm + (np.asarray(fields.corner_mm) + to_middle_mm)
    return Skeleton(nodes_mm, _steps(thin, places), cell_mm)


def ways_from(skeleton: Skeleton, base_mm: Points) -> Branches:
    """Return the ways from the skeleton point nearest the base (1, 2)."""
    start = int(np.argmin(np.hypot(*(skeleton.nodes_mm - base_mm[0]).T)))
    length, before = dijkstra(skeleton.steps, indices=start, return_predecessors=True)
    degree = np.diff(skeleton.steps.indptr)
    ends = np.nonzero((degree == 1) & np.isfinite(length))[0]
    length_mm = np.asarray(length * skeleton.step_mm, dtype=np.float64)
    return Branches(skeleton.nodes_mm, length_mm, before, ends)


def _steps(thin: Mask, places: NDArray[np.int64]) -> csr_matrix:
    """Return the steps between neighbours among flat places (N,) of a picture with an empty rim."""
    n, width = len(places), thin.shape[1]
    node = np.full(thin.size, -1, dtype=np.int32)
    node[places] = np.arange(n)
    around = np.array([-width - 1, -width, -width + 1, -1, 1, width - 1, width, width + 1])
    neighbours = node[places[:, None] + around]
    found = neighbours >= 0
    lengths = np.broadcast_to(np.hypot(*np.divmod(around + width + 1, width) - np.ones((2, 1))), found.shape)
    first = np.concatenate([[0], np.cumsum(found.sum(axis=1))])
    return csr_matrix((lengths[found], neighbours[found], first), shape=(n, n))
