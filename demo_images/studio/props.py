"""Other things on the sheet: crumbs of soil, fallen needles, a pen, a plant label, a water drop, a card."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .mesh import EMPTY, Floats, Mesh, grid_faces, joined, leaf_shape, leaves
from .plan import BROWN_COLOURS, LEAF_COLOURS
from .truth import Sheet

CARD_MM = (85.60, 53.98)  # ISO/IEC 7810 ID-1
CARD_THICK_MM = 0.76  # ISO/IEC 7810 ID-1
CARD_CORNER_MM = 3.18  # ISO/IEC 7810 ID-1


@dataclass(frozen=True, slots=True, eq=False)
class Prop:
    """A thing on the sheet and what the truth says of it."""

    name: str
    mesh: Mesh
    truth: dict[str, Any] = field(default_factory=dict)
    is_water: bool = False


def crumbs(
    count: int, area_mm: tuple[float, float, float, float], sheet: Sheet, rng: np.random.Generator
) -> Prop:
    """Return soil crumbs 0.4 to 3 mm across."""
    size = np.clip(rng.lognormal(-0.1, 0.55, count), 0.4, 3.0)
    where = sheet.world_from_page(_scattered(count, area_mm, rng))
    ball_points, ball_faces = _ball(7, 10)
    meshes = []
    for k in range(count):
        rough = 1.0 + 0.22 * rng.normal(size=(len(ball_points), 1)) * (np.abs(ball_points[:, 2:]) < 0.98)
        points = ball_points * rough * size[k] / 2 * np.array([1.0, rng.uniform(0.6, 1.0), 0.7])
        points[:, 2] += size[k] * 0.33
        tone = np.array([0.045, 0.030, 0.020]) * rng.uniform(0.6, 2.2)
        meshes.append(_plain(points + np.array([*where[k], 0.0]), ball_faces, tone))
    return Prop("soil crumbs", joined(meshes), {"count": count, "largest_mm": float(size.max(initial=0.0))})


def fallen_leaves(
    count: int, kind: str, area_mm: tuple[float, float, float, float], sheet: Sheet, rng: np.random.Generator
) -> Prop:
    """Return single needles or leaves lying about."""
    where = sheet.world_from_page(_scattered(count, area_mm, rng))
    angle = rng.uniform(0, 2 * np.pi, count)
    length = {"scale": 2.5, "awl": 5.0, "needle": 12.0, "broad": 9.0}[kind] * rng.uniform(0.6, 1.1, count)
    width = {"scale": 1.1, "awl": 1.0, "needle": 1.7, "broad": 4.5}[kind] * rng.uniform(0.8, 1.1, count)
    green = np.tile(np.asarray(LEAF_COLOURS["green"]), (count, 1))
    colour = np.where(rng.random((count, 1)) < 0.6, np.asarray(BROWN_COLOURS)[rng.choice(3, count)], green)
    mesh = leaves(
        leaf_shape("needle" if kind == "scale" else kind),
        np.column_stack([where, np.full(count, 0.25)]),
        np.column_stack([np.cos(angle), np.sin(angle), rng.uniform(0.0, 0.08, count)]),
        np.tile([0.0, 0.0, 1.0], (count, 1)),
        length_mm=length,
        width_mm=width,
        thickness_mm=np.full(count, 0.15),
        bend=np.zeros(count),
        colour=colour,
        tip_colour=colour * 0.9,
        parts=np.zeros(count, dtype=int),
    )
    return Prop("fallen leaves", mesh, {"count": count, "kind": kind})


def pen(at_mm: tuple[float, float], angle_deg: float, sheet: Sheet, rng: np.random.Generator) -> Prop:
    """Return a plain ball pen: barrel, grip, tip, clip."""
    length, radius = float(rng.uniform(132, 148)), float(rng.uniform(3.8, 5.0))
    body = np.array([0.03, 0.06, 0.30]) if rng.random() < 0.5 else np.array([0.35, 0.03, 0.03])
    profile = [
        (0.0, 0.35, (0.5, 0.5, 0.5)),
        (3.0, 1.1, (0.5, 0.5, 0.5)),
        (12.0, radius * 0.75, (0.05, 0.05, 0.05)),
        (40.0, radius, (0.05, 0.05, 0.05)),
        (40.5, radius, body),
        (length - 8.0, radius, body),
        (length - 7.5, radius * 0.7, (0.6, 0.6, 0.6)),
        (length, radius * 0.6, (0.6, 0.6, 0.6)),
        (length + 0.01, 0.01, (0.6, 0.6, 0.6)),
    ]
    sides = 32
    theta = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    rings = [
        np.column_stack([np.full(sides, x), r * np.cos(theta), radius + r * np.sin(theta)])
        for x, r, _ in profile
    ]
    colours = np.concatenate([np.tile(np.asarray(c), (sides, 1)) for _, _, c in profile])
    faces = grid_faces(len(profile), sides, is_closed=True)
    barrel = Mesh(np.concatenate(rings), faces, colours, np.zeros(len(faces), int))
    clip = _box(
        (length - 45.0, -1.5, 2 * radius + 0.2), (length - 6.0, 1.5, 2 * radius + 1.0), (0.6, 0.6, 0.6)
    )
    mesh = _turned(joined([barrel, clip]), at_mm, angle_deg, sheet)
    end = np.array([[np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))]]) * length
    tail = sheet.page_from_world(sheet.world_from_page(np.array([at_mm])) + end)[0]
    return Prop(
        "pen", mesh, {"from_mat": list(at_mm), "to_mat": tail.round(2).tolist(), "width_mm": 2 * radius}
    )


def label(at_mm: tuple[float, float], angle_deg: float, size_mm: tuple[float, float], sheet: Sheet) -> Prop:
    """Return a plain plastic plant label; ``at_mm`` is one corner."""
    mesh = _box((0.0, 0.0, 0.05), (size_mm[0], size_mm[1], 0.75), (0.62, 0.60, 0.20))
    return Prop(
        "label", _turned(mesh, at_mm, angle_deg, sheet), {"corner_mat": list(at_mm), "size_mm": list(size_mm)}
    )


def water_drop(at_mm: tuple[float, float], radius_mm: float, sheet: Sheet) -> Prop:
    """Return a flat drop of clear water."""
    points, faces = _ball(24, 40)
    points = points * np.array([radius_mm, radius_mm * 0.93, radius_mm * 0.30])
    points[:, 2] = np.maximum(points[:, 2], -0.02) + 0.03
    points[:, :2] += sheet.world_from_page(np.array([at_mm]))[0]
    return Prop(
        "drop", _plain(points, faces, np.ones(3)), {"centre_mat": list(at_mm), "radius_mm": radius_mm}, True
    )


def card(centre_mm: tuple[float, float], angle_deg: float, sheet: Sheet, rng: np.random.Generator) -> Prop:
    """Return an ID-1 card with artwork of its own: a slanting band and a few blocks."""
    width, height = CARD_MM
    n = 16
    quarter = np.linspace(0, np.pi / 2, n)
    rim = np.concatenate(
        [
            np.column_stack(
                [
                    cx * (width / 2 - CARD_CORNER_MM) + CARD_CORNER_MM * np.cos(quarter + turn),
                    cy * (height / 2 - CARD_CORNER_MM) + CARD_CORNER_MM * np.sin(quarter + turn),
                ]
            )
            for cx, cy, turn in ((1, 1, 0), (-1, 1, np.pi / 2), (-1, -1, np.pi), (1, -1, 3 * np.pi / 2))
        ]
    )
    shares = np.linspace(1.0, 0.0, 40)
    top = np.concatenate([rim * share for share in shares])
    ground, band = rng.uniform(0.1, 0.6, 3), rng.uniform(0.05, 0.5, 3)
    slanting = np.sin((top[:, 0] * 0.6 + top[:, 1]) * 0.16 + rng.uniform(0, 6)) > 0.35
    tint = np.where(slanting[:, None], band, ground)
    zs = np.full((len(top), 1), CARD_THICK_MM + 0.04)
    faces = grid_faces(len(shares), len(rim), is_closed=True)
    wall = np.concatenate(
        [np.column_stack([rim, np.full(len(rim), z)]) for z in (0.04, CARD_THICK_MM + 0.04)]
    )
    wall_faces = grid_faces(2, len(rim), is_closed=True)
    mesh = joined(
        [
            Mesh(np.column_stack([top, zs]), faces, tint, np.zeros(len(faces), int)),
            Mesh(wall, wall_faces, np.full((len(wall), 3), 0.7), np.zeros(len(wall_faces), int)),
        ]
    )
    turned = _turned(mesh, centre_mm, angle_deg, sheet)
    corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(CARD_MM) / 2
    a = np.radians(angle_deg)
    corner = corner @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    page = sheet.page_from_world(corner + sheet.world_from_page(np.array([centre_mm])))
    return Prop(
        "card",
        turned,
        {
            "size_mm": list(CARD_MM),
            "thickness_mm": CARD_THICK_MM,
            "top_z_mm": CARD_THICK_MM + 0.04,
            "centre_mat": list(centre_mm),
            "corners_mat": page.round(3).tolist(),
        },
    )


def _scattered(count: int, area_mm: tuple[float, float, float, float], rng: np.random.Generator) -> Floats:
    return rng.uniform([area_mm[0], area_mm[1]], [area_mm[2], area_mm[3]], (count, 2))


def _plain(points: Floats, faces: NDArray[np.int64], tone: Floats) -> Mesh:
    return Mesh(points, faces, np.tile(tone, (len(points), 1)), np.zeros(len(faces), int))


def _turned(mesh: Mesh, at_mm: tuple[float, float], angle_deg: float, sheet: Sheet) -> Mesh:
    a = np.radians(angle_deg)
    points = mesh.vertices_mm.copy()
    points[:, :2] = points[:, :2] @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    points[:, :2] += sheet.world_from_page(np.array([at_mm]))[0]
    return mesh.moved(points)


def _ball(rows: int, columns: int) -> tuple[Floats, NDArray[np.int64]]:
    polar = np.linspace(0.02, np.pi - 0.02, rows)
    around = np.linspace(0, 2 * np.pi, columns, endpoint=False)
    p, a = np.meshgrid(polar, around, indexing="ij")
    points = np.column_stack(
        [(np.sin(p) * np.cos(a)).ravel(), (np.sin(p) * np.sin(a)).ravel(), np.cos(p).ravel()]
    )
    return points, grid_faces(rows, columns, is_closed=True)


def _box(low: tuple[float, float, float], high: tuple[float, float, float], tone: Any) -> Mesh:
    corners = np.array([[(low, high)[(k >> a) & 1][a] for a in range(3)] for k in range(8)], dtype=float)
    quads = [(0, 1, 3, 2), (4, 5, 7, 6), (0, 1, 5, 4), (2, 3, 7, 6), (0, 2, 6, 4), (1, 3, 7, 5)]
    points = np.concatenate([corners[list(quad)] for quad in quads])
    base = np.arange(6)[:, None] * 4
    faces = np.concatenate([base + [0, 1, 2], base + [0, 2, 3]])
    return _plain(points, faces, np.asarray(tone, dtype=float))


__all__ = ["EMPTY", "Prop", "card", "crumbs", "fallen_leaves", "label", "pen", "water_drop"]
