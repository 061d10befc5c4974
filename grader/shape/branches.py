"""The skeletons of cuttings as ways from their bases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from skimage.morphology import skeletonize

from grader.records import Mask, Points, Values
from grader.shape.fields import COVERED, CuttingFields
from grader.shape.lines import Counts
from grader.shape.sheet import Sheet

SHRINK = 4
"""The skeleton is made on cells of so many pixels (0.4 mm): it tells side shoots and heels, none finer."""
RIM = 1
"""Empty cells around the mask: every node has eight neighbours."""
LEAST_NODES = 10
"""With fewer there is next to nothing of a plant."""


@dataclass(frozen=True, slots=True, eq=False)
class Skeletons:
    """Pixels of the skeletons of a sheet's cuttings and the steps between neighbours."""

    nodes_mm: Points
    """(N, 2), those of the first cutting first."""
    steps: csr_matrix
    """(N, N) length of a step in pixels of the reduced mask; none leads to another cutting."""
    ends: Counts
    """(C,) where the nodes of each cutting end."""
    step_mm: float
    """Size of such a pixel."""

    def nodes_of(self, cutting: int) -> slice:
        """Return the nodes of one cutting."""
        return slice(int(self.ends[cutting - 1]) if cutting else 0, int(self.ends[cutting]))

    def is_enough(self, cutting: int) -> bool:
        """Return whether there is more than next to nothing of a plant."""
        nodes = self.nodes_of(cutting)
        return int(nodes.stop - nodes.start) >= LEAST_NODES


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
    """Return a plant's skeleton as ways from the skeleton point nearest the base (1, 2)."""
    skeletons = skeletons_of(Sheet.of([fields]))
    return ways_from(skeletons, np.zeros(1, np.int64), base_mm)[0] if skeletons.is_enough(0) else None


def skeletons_of(sheet: Sheet) -> Skeletons:
    """Return the skeletons of all cuttings of a sheet."""
    middle = SHRINK // 2
    rows, columns = (side // SHRINK for side in sheet.coverage.shape)
    mask = np.zeros((rows + 2 * RIM, columns + 2 * RIM), dtype=bool)
    np.greater(sheet.coverage[middle::SHRINK, middle::SHRINK], COVERED, out=mask[RIM:-RIM, RIM:-RIM])
    thin = np.zeros_like(mask)
    for top, (width, height) in zip((sheet.tops_px // SHRINK).tolist(), sheet.sizes_px.tolist(), strict=True):
        crop = slice(top, top + height // SHRINK + 2 * RIM), slice(0, width // SHRINK + 2 * RIM)
        thin[crop] = skeletonize(mask[crop])  # type: ignore[no-untyped-call]
    places = np.flatnonzero(thin)
    y, x = np.divmod(places, thin.shape[1])
    owner = sheet.owner_of(y - RIM, SHRINK)
    nodes_mm = sheet.mm_of(np.stack([x, y], axis=1) - RIM, owner, SHRINK)
    ends = np.searchsorted(owner, np.arange(len(sheet.tops_px)), side="right")
    return Skeletons(nodes_mm, _steps(thin, places), ends, sheet.mm_per_px * SHRINK)


def ways_from(skeletons: Skeletons, cuttings: Counts, bases_mm: Points) -> list[Branches]:
    """Return the ways from the skeleton point nearest each base (S, 2) of a cutting (S,)."""
    starts, parts = [], [skeletons.nodes_of(k) for k in cuttings.tolist()]
    for nodes, base_mm in zip(parts, bases_mm, strict=True):
        away = skeletons.nodes_mm[nodes] - base_mm
        starts.append(nodes.start + int(np.hypot(away[:, 0], away[:, 1]).argmin()))
    # From each node to the next start: only one can be reached.
    length, before, _ = dijkstra(skeletons.steps, indices=starts, return_predecessors=True, min_only=True)
    length_mm = np.asarray(length * skeletons.step_mm, dtype=np.float64)
    is_end = (np.diff(skeletons.steps.indptr) == 1) & np.isfinite(length)
    return [
        Branches(
            skeletons.nodes_mm[nodes],
            length_mm[nodes],
            np.where(before[nodes] >= 0, before[nodes] - nodes.start, -1),
            np.flatnonzero(is_end[nodes]),
        )
        for nodes in parts
    ]


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
