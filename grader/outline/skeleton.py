"""The skeleton of a silhouette as a graph: its ends, and the ways between them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from skimage.morphology import skeletonize

from grader.records import Mask, Values


@dataclass(frozen=True, slots=True, eq=False)
class Skeleton:
    """Skeleton pixels of one mask as a graph; lengths in pixels of that mask."""

    nodes_xy: NDArray[np.int64]
    """(N, 2) pixel positions."""
    edges: csr_matrix
    """(N, N) lengths between neighbouring pixels."""
    half_width_px: Values
    """(N,) distance to the edge of the mask."""
    ends: NDArray[np.int64]
    """Indices of nodes with one neighbour."""


def skeleton_of(mask: Mask) -> Skeleton | None:
    """Return the skeleton graph of the largest piece of a mask, or None if it has no length."""
    padded = np.pad(mask, 1).astype(np.uint8)
    distance = cv2.distanceTransform(padded, cv2.DIST_L2, 5)
    thin: Mask = skeletonize(padded.astype(bool))  # type: ignore[no-untyped-call]
    rows, cols = np.nonzero(thin)
    if len(rows) < 3:
        return None
    index = np.full(thin.shape, -1, dtype=np.int64)
    index[rows, cols] = np.arange(len(rows))
    first, second, length = [], [], []
    for dx, dy in ((1, 0), (0, 1), (1, 1), (-1, 1)):
        other = index[rows + dy, cols + dx]
        found = other >= 0
        if dx and dy:  # a diagonal beside a corner pixel is no way of its own
            found &= (index[rows, cols + dx] < 0) & (index[rows + dy, cols] < 0)
        first.append(np.nonzero(found)[0])
        second.append(other[found])
        length.append(np.full(int(found.sum()), np.hypot(dx, dy)))
    i, j, w = np.concatenate(first), np.concatenate(second), np.concatenate(length)
    n = len(rows)
    edges = csr_matrix((np.r_[w, w], (np.r_[i, j], np.r_[j, i])), shape=(n, n))
    degree = np.diff(edges.indptr)
    half_width = distance[rows, cols].astype(np.float64) - 0.5
    return Skeleton(np.stack([cols - 1, rows - 1], axis=1), edges, half_width, np.nonzero(degree == 1)[0])


def distances_from(skeleton: Skeleton, node: int) -> tuple[Values, NDArray[np.int32]]:
    """Return lengths (N,) along the skeleton from one node, inf if apart, and the way back."""
    lengths, before = dijkstra(skeleton.edges, indices=node, return_predecessors=True)
    return lengths, before


def way_back(before: NDArray[np.int32], node: int) -> NDArray[np.int64]:
    """Return the nodes from ``node`` back to where the distances were measured from."""
    way = [node]
    while before[way[-1]] >= 0:
        way.append(int(before[way[-1]]))
    return np.asarray(way, dtype=np.int64)
