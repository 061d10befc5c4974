"""Flat things on the sheet: a plant label, a card of the size of a bank card."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .mesh import Mesh, Part, grid_faces, joined

Floats = NDArray[np.float64]

CARD_MM = (85.60, 53.98)  # ISO/IEC 7810 ID-1
CARD_THICK_MM = 0.76  # ISO/IEC 7810 ID-1
CARD_CORNER_MM = 3.18  # ISO/IEC 7810 ID-1
LABEL_MM = (62.0, 15.0)
LABEL_THICK_MM = 0.7
LABEL_CORNER_MM = 1.0
AIR_MM = 0.04
"""Flat things do not lie closer to the paper."""
RINGS = 160
"""Of points on its top: the artwork is as sharp as these are close."""
CORNER_POINTS = 12


def label(middle_mm: tuple[float, float], angle_deg: float) -> tuple[Mesh, dict[str, Any]]:
    """Return a plain plastic plant label; angles are from +x towards +y."""
    tint = np.array([0.62, 0.60, 0.20])
    mesh = _slab(LABEL_MM, LABEL_CORNER_MM, LABEL_THICK_MM, lambda xy: np.tile(tint, (len(xy), 1)))
    told = {"centre_mat": list(middle_mm), "angle_deg": angle_deg, "size_mm": list(LABEL_MM)}
    return _laid(mesh, middle_mm, angle_deg), told


def card(
    centre_mm: tuple[float, float], angle_deg: float, rng: np.random.Generator
) -> tuple[Mesh, dict[str, Any]]:
    """Return a card with artwork of its own: slanting bands of two shades."""
    ground, band = rng.uniform(0.1, 0.6, 3), rng.uniform(0.05, 0.5, 3)
    start = rng.uniform(0, 2 * np.pi)

    def artwork(xy: Floats) -> Floats:
        is_band = np.sin((0.6 * xy[:, 0] + xy[:, 1]) * 0.16 + start) > 0.35
        return np.where(is_band[:, None], band, ground)

    mesh = _slab(CARD_MM, CARD_CORNER_MM, CARD_THICK_MM, artwork)
    half = np.array(CARD_MM) / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    told = {
        "size_mm": list(CARD_MM),
        "thickness_mm": CARD_THICK_MM,
        "top_z_mm": CARD_THICK_MM + AIR_MM,
        "centre_mat": list(centre_mm),
        "angle_deg": angle_deg,
        "corners_mat": np.round(_turned(corners, angle_deg) + np.asarray(centre_mm), 3).tolist(),
    }
    return _laid(mesh, centre_mm, angle_deg), told


def _slab(size_mm: tuple[float, float], corner_mm: float, thick_mm: float, artwork: Any) -> Mesh:
    """Return a flat thing with round corners, its middle at the origin; ``artwork`` colours its top."""
    quarter = np.linspace(0, np.pi / 2, CORNER_POINTS)
    inner = np.array(size_mm) / 2 - corner_mm
    rim = np.concatenate(
        [
            np.array([cx, cy]) * inner
            + corner_mm * np.column_stack([np.cos(quarter + turn), np.sin(quarter + turn)])
            for cx, cy, turn in ((1, 1, 0.0), (-1, 1, np.pi / 2), (-1, -1, np.pi), (1, -1, 1.5 * np.pi))
        ]
    )
    # long straight edges need points of their own for the artwork
    steps = np.linspace(0, 1, 8, endpoint=False)[:, None]
    rim = np.concatenate([a + steps * (b - a) for a, b in zip(rim, np.roll(rim, -1, axis=0), strict=True)])
    top = np.concatenate([rim * share for share in np.linspace(1.0, 0.0, RINGS)])
    high = np.full((len(top), 1), thick_mm + AIR_MM)
    wall = np.concatenate([np.column_stack([rim, np.full(len(rim), z)]) for z in (AIR_MM, thick_mm + AIR_MM)])
    faces, wall_faces = grid_faces(RINGS, len(rim), is_closed=True), grid_faces(2, len(rim), is_closed=True)
    return joined(
        [
            Mesh(np.column_stack([top, high]), faces, artwork(top), np.full(len(faces), int(Part.STRAY))),
            Mesh(wall, wall_faces, artwork(wall[:, :2]), np.full(len(wall_faces), int(Part.STRAY))),
        ]
    )


def _turned(points: Floats, angle_deg: float) -> Floats:
    a = np.radians(angle_deg)
    return np.asarray(points @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]))


def _laid(mesh: Mesh, at_mm: tuple[float, float], angle_deg: float) -> Mesh:
    points = mesh.vertices_mm.copy()
    points[:, :2] = _turned(points[:, :2], angle_deg) + np.asarray(at_mm)
    return mesh.moved(points)
