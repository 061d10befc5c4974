"""The skeleton of a silhouette as a graph: its ends, and the ways between them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import breadth_first_order, dijkstra
from skimage.morphology import skeletonize

from grader.records import Mask, Values

SHRINK = 2
"""The skeleton is made on cells of so many pixels (0.4 mm)."""
BESIDE = np.ones((SHRINK + 2, SHRINK + 2), np.uint8)
LEAST_NODES = 3
AROUND = ((0, -1), (-1, 0), (1, 0), (0, 1), (-1, -1), (1, -1), (-1, 1), (1, 1))
"""x and y of the ways to neighbours."""
CORNERS = ((4, (0, 1)), (5, (0, 2)), (6, (1, 3)), (7, (2, 3)))
"""Each diagonal way with the two straight ones beside it."""


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
    """Return the skeleton graph of a mask, or None if it has no length."""
    rows, columns = (-(-side // SHRINK) for side in mask.shape)
    padded = np.zeros(((rows + 2) * SHRINK, (columns + 2) * SHRINK), dtype=np.uint8)
    padded[SHRINK : SHRINK + mask.shape[0], SHRINK : SHRINK + mask.shape[1]] = mask
    # A cell with anything in it belongs to the mask, so that thin twigs stay connected.
    cells = cv2.resize(padded * SHRINK**2, (columns + 2, rows + 2), interpolation=cv2.INTER_AREA) > 0
    thin: Mask = skeletonize(cells)  # type: ignore[no-untyped-call]
    places = np.flatnonzero(thin)
    if len(places) < LEAST_NODES:
        return None
    edges = _steps(places, thin.shape)
    y, x = np.divmod(places, thin.shape[1])
    # The ridge of the distance may run beside the cell.
    depth = cv2.dilate(cv2.distanceTransform(padded, cv2.DIST_L2, 5), BESIDE, anchor=(1, 1))
    half_width = depth[y * SHRINK, x * SHRINK].astype(np.float64) - 0.5
    ends = np.flatnonzero(np.diff(edges.indptr) == 1)
    return Skeleton(np.stack([x - 1, y - 1], axis=1) * SHRINK, edges, half_width, ends)


def _steps(places: NDArray[np.int64], shape: tuple[int, ...]) -> csr_matrix:
    """Return the steps between neighbours among flat places (N,) of a picture with an empty rim."""
    n, width = len(places), shape[1]
    node = np.full(shape[0] * width, -1, dtype=np.int32)
    node[places] = np.arange(n, dtype=np.int32)
    neighbours = node[places[:, None] + np.array([dy * width + dx for dx, dy in AROUND])]
    found = neighbours >= 0
    for diagonal, beside in CORNERS:  # a diagonal beside a corner pixel is no way of its own
        found[:, diagonal] &= ~found[:, beside].any(axis=1)
    lengths = np.broadcast_to(np.hypot(*np.transpose(AROUND)) * SHRINK, found.shape)
    first = np.concatenate([[0], np.cumsum(found.sum(axis=1))])
    return csr_matrix((lengths[found], neighbours[found], first), shape=(n, n))


def distances_from(skeleton: Skeleton, node: int) -> tuple[Values, NDArray[np.int32]]:
    """Return lengths (N,) along the skeleton from one node, inf if apart, and the way back."""
    lengths, before = dijkstra(skeleton.edges, indices=node, return_predecessors=True)
    return lengths, before


def far_from(skeleton: Skeleton, node: int) -> int:
    """Return a node as many steps as possible from this one."""
    return int(breadth_first_order(skeleton.edges, node, return_predecessors=False)[-1])


def way_back(before: NDArray[np.int32], node: int) -> NDArray[np.int64]:
    """Return the nodes from ``node`` back to where the distances were measured from."""
    steps, way = before.tolist(), [node]
    while (step := steps[way[-1]]) >= 0:
        way.append(step)
    return np.asarray(way, dtype=np.int64)
