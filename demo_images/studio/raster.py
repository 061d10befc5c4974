"""What is seen straight from above: which part of which triangle lies on top of each cell.

A plain z-buffer over small triangles, vectorised by size of triangle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .mesh import Mesh

Ints = NDArray[np.int64]

CHUNK = 2_000_000
"""Cells tested at once: bounds the memory."""
NOTHING = -1


def seen_from_above(
    mesh: Mesh, *, corner_mm: tuple[float, float], cell_mm: float, shape: tuple[int, int]
) -> Ints:
    """Return (rows, columns) the triangle seen in the middle of every cell, -1 where there is none.

    ``corner_mm`` is the outer corner of the first cell; rows follow +y of the mesh, columns +x.
    """
    corners = mesh.vertices_mm[mesh.faces]
    flat = (corners[:, :, :2] - np.asarray(corner_mm)) / cell_mm - 0.5
    low = np.ceil(flat.min(axis=1)).astype(int)
    high = np.floor(flat.max(axis=1)).astype(int)
    low = np.maximum(low, 0)
    high = np.minimum(high, np.array([shape[1] - 1, shape[0] - 1]))
    span = high - low + 1
    alive = (span > 0).all(axis=1)
    size = np.where(alive, span.max(axis=1), 0)
    best_z = np.full(shape[0] * shape[1], -np.inf)
    best_face = np.full(shape[0] * shape[1], NOTHING)
    done = 0
    while done < size.max(initial=0):
        width = max(2 * done, 1)
        group = np.nonzero((size > done) & (size <= width))[0]
        per = max(CHUNK // (width * width), 1)
        for start in range(0, len(group), per):
            _cover(group[start : start + per], width, flat, low, corners[:, :, 2], shape, best_z, best_face)
        done = width
    return best_face.reshape(shape)


def _cover(
    faces: Ints,
    width: int,
    flat: NDArray[np.float64],
    low: Ints,
    height: NDArray[np.float64],
    shape: tuple[int, int],
    best_z: NDArray[np.float64],
    best_face: Ints,
) -> None:
    """Enter faces whose box is at most ``width`` cells wide into the buffers."""
    dy, dx = np.divmod(np.arange(width * width), width)
    x = low[faces, 0][:, None] + dx
    y = low[faces, 1][:, None] + dy
    a, b, c = (flat[faces, k][:, None] for k in range(3))
    area = (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (
        c[..., 0] - a[..., 0]
    )
    area = np.where(np.abs(area) < 1e-12, np.nan, area)
    with np.errstate(invalid="ignore"):
        wb = ((x - a[..., 0]) * (c[..., 1] - a[..., 1]) - (y - a[..., 1]) * (c[..., 0] - a[..., 0])) / area
        wc = ((b[..., 0] - a[..., 0]) * (y - a[..., 1]) - (b[..., 1] - a[..., 1]) * (x - a[..., 0])) / area
        inside = (wb >= 0) & (wc >= 0) & (wb + wc <= 1) & (x < shape[1]) & (y < shape[0])
    row, _ = np.nonzero(inside)
    face = faces[row]
    wb, wc = wb[inside], wc[inside]
    z = height[face, 0] * (1 - wb - wc) + height[face, 1] * wb + height[face, 2] * wc
    cell = y[inside] * shape[1] + x[inside]
    order = np.argsort(z, kind="stable")
    cell, z, face = cell[order], z[order], face[order]
    # later entries win in numpy's indexed assignment, so the highest is written last
    better = z > best_z[cell]
    cell, z, face = cell[better], z[better], face[better]
    best_z[cell] = z
    best_face[cell] = face
