"""The skeletons of silhouettes as one graph: their ends, and the ways between them.

Silhouettes do not touch, so one search over the graph starts in all of them at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
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
    """Skeleton pixels of one mask, a part of the graph of all; lengths in pixels of that mask."""

    nodes_xy: NDArray[np.int64]
    """(N, 2) pixel positions."""
    part: slice
    """Which nodes of the graph they are."""
    graph: csr_matrix
    """Lengths between neighbouring pixels, of all skeletons."""
    half_width_px: Values
    """(N,) distance to the edge of the mask."""
    ends: NDArray[np.int64]
    """Which of its nodes have one neighbour."""
    length_px: float
    """Of all steps."""


@dataclass(frozen=True, slots=True, eq=False)
class _Thin:
    """One mask's skeleton before its steps are known."""

    places: NDArray[np.int64]
    """(N,) flat places in a picture with an empty rim."""
    shape: tuple[int, ...]
    half_width_px: Values


def skeletons_of(masks: list[Mask]) -> list[Skeleton | None]:
    """Return the skeleton of each mask, None where it has no length."""
    thins = [_thinned(mask) for mask in masks]
    usable = [thin for thin in thins if len(thin.places) >= LEAST_NODES]
    if not usable:
        return [None] * len(masks)
    graph = _steps(usable)
    is_end = np.diff(graph.indptr) == 1
    found: list[Skeleton | None] = []
    first = 0
    for thin in thins:
        if len(thin.places) < LEAST_NODES:
            found.append(None)
            continue
        part = slice(first, first + len(thin.places))
        first = part.stop
        y, x = np.divmod(thin.places, thin.shape[1])
        xy = np.stack([x - 1, y - 1], axis=1) * SHRINK
        ends = np.flatnonzero(is_end[part])
        steps_px = graph.data[graph.indptr[part.start] : graph.indptr[part.stop]]
        found.append(Skeleton(xy, part, graph, thin.half_width_px, ends, float(steps_px.sum()) / 2))
    return found


def _thinned(mask: Mask) -> _Thin:
    rows, columns = (-(-side // SHRINK) for side in mask.shape)
    padded = np.zeros(((rows + 2) * SHRINK, (columns + 2) * SHRINK), dtype=np.uint8)
    padded[SHRINK : SHRINK + mask.shape[0], SHRINK : SHRINK + mask.shape[1]] = mask
    # A cell with anything in it belongs to the mask, so that thin twigs stay connected.
    cells = cv2.resize(padded * SHRINK**2, (columns + 2, rows + 2), interpolation=cv2.INTER_AREA) > 0
    thin: Mask = skeletonize(cells)  # type: ignore[no-untyped-call]
    places = np.flatnonzero(thin)
    y, x = np.divmod(places, thin.shape[1])
    # The ridge of the distance may run beside the cell.
    depth = cv2.dilate(cv2.distanceTransform(padded, cv2.DIST_L2, 5), BESIDE, anchor=(1, 1))
    return _Thin(places, thin.shape, depth[y * SHRINK, x * SHRINK].astype(np.float64) - 0.5)


def _steps(thins: list[_Thin]) -> csr_matrix:
    """Return the steps between neighbours, of all skeletons one after the other."""
    counts = [len(thin.places) for thin in thins]
    sizes = [thin.shape[0] * thin.shape[1] for thin in thins]
    before = np.cumsum([0, *sizes[:-1]])
    places = np.concatenate([thin.places + start for thin, start in zip(thins, before, strict=True)])
    width = np.repeat([thin.shape[1] for thin in thins], counts)
    node = np.full(sum(sizes), -1, dtype=np.int32)
    node[places] = np.arange(len(places), dtype=np.int32)
    neighbours = np.stack([node.take(places + (dy * width + dx)) for dx, dy in AROUND])
    found = neighbours >= 0
    for diagonal, (one, other) in CORNERS:  # a diagonal beside a corner pixel is no way of its own
        found[diagonal] &= ~(found[one] | found[other])
    found = np.ascontiguousarray(found.T)
    lengths = np.broadcast_to(np.hypot(*np.transpose(AROUND)) * SHRINK, found.shape)
    first = np.concatenate([[0], np.cumsum(found.sum(axis=1))]).astype(np.int32)
    return csr_matrix((lengths[found], neighbours.T[found], first), shape=(len(places), len(places)))


def distances_from(graph: csr_matrix, nodes: list[int]) -> tuple[Values, NDArray[np.int32]]:
    """Return lengths along the skeletons from the nearest of these nodes, inf if apart, and the way back."""
    lengths, before, _ = dijkstra(graph, indices=nodes, return_predecessors=True, min_only=True)
    return lengths, before


def way_back(before: list[int], node: int) -> NDArray[np.int64]:
    """Return the nodes from ``node`` back to where the distances were measured from."""
    way = [node]
    while (step := before[way[-1]]) >= 0:
        way.append(step)
    return np.asarray(way, dtype=np.int64)
