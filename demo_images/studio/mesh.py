"""Triangle meshes as plain arrays, joined and bent without loops over triangles.

Lengths in mm.  Every triangle carries a *part*: what it belongs to, so that the truth can be counted
from what is seen straight from above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Part(IntEnum):
    """What a triangle belongs to."""

    WOOD = 0
    """Bark, cut face, heel: the bare stem."""
    GREEN = 1
    """Living leaf or green shoot."""
    BROWN = 2
    """Browned or bleached leaf or shoot."""
    STRAY = 3
    """A leftover needle, leaf or stub on the stripped stem."""


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Triangles with a colour at every corner."""

    vertices_mm: Floats
    """(V, 3)."""
    faces: Ints
    """(F, 3) rows of ``vertices_mm``."""
    colours: Floats
    """(V, 3) reflectance in linear light."""
    parts: Ints
    """(F,) values of :class:`Part`."""

    def moved(self, vertices_mm: Floats) -> Mesh:
        """Return the same mesh with its corners elsewhere."""
        return Mesh(vertices_mm, self.faces, self.colours, self.parts)


EMPTY = Mesh(np.zeros((0, 3)), np.zeros((0, 3), int), np.zeros((0, 3)), np.zeros(0, int))


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """Return one mesh that holds them all."""
    meshes = [mesh for mesh in meshes if len(mesh.faces)]
    if not meshes:
        return EMPTY
    offsets = np.cumsum([0] + [len(mesh.vertices_mm) for mesh in meshes[:-1]])
    return Mesh(
        np.concatenate([mesh.vertices_mm for mesh in meshes]),
        np.concatenate([mesh.faces + offset for mesh, offset in zip(meshes, offsets, strict=True)]),
        np.concatenate([mesh.colours for mesh in meshes]),
        np.concatenate([mesh.parts for mesh in meshes]),
    )


def corner_normals(mesh: Mesh) -> Floats:
    """Return (V, 3) unit normals, averaged over the triangles at each corner by their area."""
    a, b, c = (mesh.vertices_mm[mesh.faces[:, k]] for k in range(3))
    face = np.cross(b - a, c - a)
    total = np.zeros_like(mesh.vertices_mm)
    for k in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(mesh.faces[:, k], face[:, axis], len(total))
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)


def grid_faces(rows: int, columns: int, *, is_closed: bool = False) -> Ints:
    """Return (F, 3) faces of a grid of ``rows`` x ``columns`` corners; closed joins the last column."""
    across = columns if is_closed else columns - 1
    row, column = np.meshgrid(np.arange(rows - 1), np.arange(across), indexing="ij")
    here = (row * columns + column).ravel()
    right = (row * columns + (column + 1) % columns).ravel()
    return np.concatenate(
        [
            np.column_stack([here, right, here + columns]),
            np.column_stack([right, right + columns, here + columns]),
        ]
    )


def unit(vectors: Floats) -> Floats:
    """Return vectors (..., 3) of length one."""
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-12))


@dataclass(frozen=True, slots=True, eq=False)
class LeafShape:
    """A leaf of length 1 and half width 1: along u, across v, and how far it bulges."""

    u: Floats
    v: Floats
    bulge: Floats
    faces: Ints


def leaf_shape(kind: str) -> LeafShape:
    """Return the leaf of a foliage kind: "scale", "awl", "needle" or "broad"."""
    rows = {"scale": 5, "awl": 6, "needle": 8, "broad": 8}[kind]
    columns = {"scale": 5, "awl": 3, "needle": 3, "broad": 5}[kind]
    along = np.linspace(0.0, 1.0, rows)
    across = np.linspace(-1.0, 1.0, columns)
    half = {
        "scale": 0.75 * np.sqrt(np.maximum(1 - along, 0)) * (0.6 + 1.2 * along),
        "awl": (1.0 - along**1.6) * 0.95 + 0.02,
        "needle": np.minimum(1.0, 0.45 + 3.0 * along) * np.minimum(1.0, 5.0 * (1.0 - along)) + 0.02,
        "broad": np.sin(np.pi * np.clip(along, 0.02, 0.995) ** 0.9) ** 0.75 + 0.015,
    }[kind]
    u, v = np.meshgrid(along, across, indexing="ij")
    bulge = {
        "scale": (1 - v * v) * (1 - u) ** 0.5 * 1.0,
        "awl": -0.5 * (1 - v * v) * (1 - u),
        "needle": 0.25 * (1 - v * v) * np.sin(np.pi * np.clip(u, 0.05, 0.95)),
        "broad": 0.35 * v * v - 0.25 * np.sin(np.pi * u),
    }[kind]
    return LeafShape(u.ravel(), (v * half[:, None]).ravel(), bulge.ravel(), grid_faces(rows, columns))


def leaves(
    shape: LeafShape,
    foot_mm: Floats,
    along: Floats,
    normal: Floats,
    *,
    length_mm: Floats,
    width_mm: Floats,
    thickness_mm: Floats,
    bend: Floats,
    colour: Floats,
    tip_colour: Floats,
    parts: Ints,
) -> Mesh:
    """Return one mesh of N leaves, each standing at ``foot_mm`` (N, 3) and pointing ``along`` (N, 3).

    ``bend`` (N,) curves each away from its normal, as a share of its length.
    """
    along = unit(along)
    side = unit(np.cross(normal, along))
    up = np.cross(along, side)
    n, m = len(foot_mm), len(shape.u)
    u, v, bulge = shape.u[None, :, None], shape.v[None, :, None], shape.bulge[None, :, None]
    length, half = length_mm[:, None, None], width_mm[:, None, None] / 2
    points = (
        foot_mm[:, None]
        + length * u * along[:, None]
        + half * v * side[:, None]
        + (thickness_mm[:, None, None] * bulge - bend[:, None, None] * length * u * u) * up[:, None]
    )
    shade = (0.82 + 0.18 * np.abs(shape.v) / max(np.abs(shape.v).max(), 1e-9))[None, :, None]
    colours = (colour[:, None] * (1 - u**2) + tip_colour[:, None] * u**2) * shade
    faces = shape.faces[None] + (np.arange(n) * m)[:, None, None]
    return Mesh(
        points.reshape(-1, 3),
        faces.reshape(-1, 3),
        colours.reshape(-1, 3),
        np.repeat(parts, len(shape.faces)),
    )
