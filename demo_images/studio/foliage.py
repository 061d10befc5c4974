"""Leaves on shoots: scale-leaf cords, awl leaves, flat needles, small broad leaves; and leftover strays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .curves import arc_length, directions
from .mesh import Mesh, Part, grid_faces, joined, leaf_shape, leaves, unit
from .plan import BARK_COLOURS, BROWN_COLOURS, CUT_FACE_COLOUR, LEAF_COLOURS, CuttingPlan
from .shoots import Shoot, on_shoot, resting
from .stems import Stem, steps_between

Floats = NDArray[np.float64]

PAPER_GAP_MM = 0.06
"""Leaves lie no lower than this."""
SHOOT_SIDES = 7
END_LEAVES_SHARE = 0.5
"""Leaves at the very end of a shoot are this much shorter: they are young."""


@dataclass(frozen=True, slots=True)
class Arrangement:
    """How leaves of a kind stand; lengths in mm of a usual plant."""

    pitch_mm: float
    per_node: int
    length_mm: float
    width_mm: float
    thickness_mm: float
    angle_deg: float
    """Between leaf and shoot."""
    is_two_ranked: bool
    """Twisted flat to both sides, as yew needles are."""
    bend: float


ARRANGEMENTS = {
    "scale": Arrangement(0.85, 2, 1.75, 1.35, 0.42, 17.0, False, 0.10),
    "awl": Arrangement(1.7, 3, 4.6, 1.15, 0.35, 38.0, False, 0.05),
    "needle": Arrangement(1.5, 1, 15.0, 2.1, 0.30, 52.0, True, 0.08),
    "broad": Arrangement(4.6, 2, 11.0, 6.4, 0.80, 48.0, False, 0.14),
}


def build_foliage(plan: CuttingPlan, stem: Stem, shoots: list[Shoot], rng: np.random.Generator) -> Mesh:
    """Return all leaves and green side shoots of a cutting."""
    parts = [_shoot_tube(shoot, plan) for shoot in shoots if shoot.order > 0]
    parts += [_clad(plan, shoot, rng) for shoot in shoots]
    mesh = joined(parts)
    return mesh.moved(resting(mesh.vertices_mm, PAPER_GAP_MM))


def _clad(plan: CuttingPlan, shoot: Shoot, rng: np.random.Generator) -> Mesh:
    """Return the leaves of one shoot."""
    kind = ARRANGEMENTS[plan.kind]
    size = plan.leaf_scale
    length = float(arc_length(shoot.line_mm)[-1])
    first = 0.0 if shoot.order == 0 else min(0.8 * size, 0.3 * length)
    nodes = steps_between(first, length, kind.pitch_mm * size, rng)
    nodes = np.append(nodes, length)
    turn = rng.uniform(0, 2 * np.pi)
    where = np.repeat(nodes, kind.per_node)
    number = np.repeat(np.arange(len(nodes)), kind.per_node)
    around = turn + _phyllotaxis(kind, number, np.tile(np.arange(kind.per_node), len(nodes)), rng)
    foot, along, radius = on_shoot(shoot, where)
    side = unit(np.cross(np.array([0.0, 0.0, 1.0]), along))
    up = np.cross(along, side)
    radial = np.cos(around)[:, None] * side + np.sin(around)[:, None] * up
    young = np.clip((length - where) / (6.0 * kind.pitch_mm * size), 0.0, 1.0)
    grown = END_LEAVES_SHARE + (1 - END_LEAVES_SHARE) * young
    spread = np.radians(kind.angle_deg * rng.uniform(0.75, 1.25, len(where))) * (0.3 + 0.7 * young)
    heading = np.cos(spread)[:, None] * along + np.sin(spread)[:, None] * radial
    normal = radial
    if kind.is_two_ranked or plan.kind == "broad":
        tilt = rng.normal(0.0, 0.35, (len(where), 1))
        normal = (
            up + tilt * side if kind.is_two_ranked else 0.8 * up - 0.6 * along + 0.5 * radial + tilt * side
        )
    colour, tip_colour, brown = _colours(plan, shoot, len(where), rng)
    leaf_length = kind.length_mm * size * grown * rng.uniform(0.75, 1.15, len(where))
    return leaves(
        leaf_shape(plan.kind),
        foot + radius[:, None] * 0.85 * radial,
        heading,
        normal,
        length_mm=np.minimum(leaf_length, 0.4 * plan.length_mm),
        width_mm=kind.width_mm * size * grown**0.6 * rng.uniform(0.85, 1.12, len(where)),
        thickness_mm=np.full(len(where), kind.thickness_mm * size),
        bend=kind.bend * rng.uniform(-0.2, 1.6, len(where)),
        colour=colour,
        tip_colour=tip_colour,
        parts=np.where(brown, int(Part.BROWN), int(Part.GREEN)),
    )


def _phyllotaxis(
    kind: Arrangement, node: NDArray[np.int64], member: NDArray[np.int64], rng: np.random.Generator
) -> Floats:
    """Return (N,) angles of leaves round their shoot."""
    if kind.is_two_ranked:
        return np.asarray(np.where(node % 2 == 0, 0.15, np.pi - 0.15) + rng.normal(0, 0.35, len(node)))
    step = np.pi / kind.per_node
    return np.asarray(2 * np.pi * member / kind.per_node + step * node + rng.normal(0, 0.12, len(node)))


def _colours(
    plan: CuttingPlan, shoot: Shoot, count: int, rng: np.random.Generator
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return colours of leaf feet and tips (N, 3), and which leaves are brown (N,)."""
    base = np.asarray(LEAF_COLOURS[plan.colour])
    light = np.exp(rng.normal(0.0, 0.17, (count, 1))) * rng.uniform(0.85, 1.15)
    hue = 1.0 + rng.normal(0.0, 0.06, (count, 3))
    colour = base * light * hue
    young = shoot.order > 0 and rng.random() < 0.25
    tip = colour * (1.15 if not young else 1.45)
    brown = (rng.random(count) < plan.brown / 5.0) | shoot.is_brown
    dead = np.asarray(BROWN_COLOURS)[rng.integers(0, len(BROWN_COLOURS))] * light
    colour = np.where(brown[:, None], dead, colour)
    tip = np.where(brown[:, None], dead * 1.2, tip)
    return np.clip(colour, 0.005, 0.8), np.clip(tip, 0.005, 0.8), brown


def _shoot_tube(shoot: Shoot, plan: CuttingPlan) -> Mesh:
    """Return the thin stem of a side shoot, green or brown as its leaves."""
    line = shoot.line_mm
    along = directions(line)
    side = unit(np.cross(np.array([0.0, 0.0, 1.0]), along))
    up = np.cross(along, side)
    theta = np.linspace(0, 2 * np.pi, SHOOT_SIDES, endpoint=False)
    around = np.cos(theta)[None, :, None] * side[:, None] + np.sin(theta)[None, :, None] * up[:, None]
    points = line[:, None] + shoot.radius_mm[:, None, None] * 0.8 * around
    faces = grid_faces(len(line), SHOOT_SIDES, is_closed=True)
    green = np.asarray(LEAF_COLOURS[plan.colour]) * 0.75 + np.asarray(BARK_COLOURS[plan.bark]) * 0.15
    tint = np.asarray(BROWN_COLOURS[0]) if shoot.is_brown else green
    part = Part.BROWN if shoot.is_brown else Part.GREEN
    count = len(line) * SHOOT_SIDES
    return Mesh(points.reshape(-1, 3), faces, np.tile(tint, (count, 1)), np.full(len(faces), int(part)))


def build_strays(plan: CuttingPlan, stem: Stem, rng: np.random.Generator) -> Mesh:
    """Return leftover leaves and stubs on the stripped stem: ``plan.strays`` of them."""
    if plan.strays == 0:
        return joined([])
    arc = arc_length(stem.axis_mm)
    low, high = min(4.0, 0.3 * plan.stripped_mm), 0.8 * plan.stripped_mm
    where = np.sort(rng.uniform(low, high, plan.strays))
    here = np.searchsorted(arc, where)
    along = directions(stem.line_mm)[here]
    side = unit(np.cross(np.array([0.0, 0.0, 1.0]), along))
    around = np.where(rng.random(plan.strays) < 0.5, 0.0, np.pi) + rng.normal(0.3, 0.4, plan.strays)
    radial = np.cos(around)[:, None] * side + np.sin(around)[:, None] * np.cross(along, side)
    kind = ARRANGEMENTS[plan.kind]
    stub = rng.random(plan.strays) < 0.4
    colour = np.where(stub[:, None], CUT_FACE_COLOUR, np.asarray(LEAF_COLOURS[plan.colour]))
    brown = rng.random(plan.strays) < 0.4
    colour = np.where((brown & ~stub)[:, None], BROWN_COLOURS[0], colour)
    size = plan.leaf_scale * rng.uniform(0.6, 1.0, plan.strays)
    usual_mm = max(kind.length_mm, 2.5)
    mesh = leaves(
        leaf_shape("needle" if plan.kind != "broad" else "broad"),
        stem.line_mm[here] + stem.radius_mm[here, None] * 0.9 * radial,
        along * 0.75 + radial,
        np.tile([0.0, 0.0, 1.0], (plan.strays, 1)) + 0.2 * along,
        length_mm=np.where(stub, 1.3, usual_mm) * size,
        width_mm=np.where(stub, 0.9, max(kind.width_mm, 0.9)) * size,
        thickness_mm=np.full(plan.strays, 0.3),
        bend=np.full(plan.strays, 0.05),
        colour=colour,
        tip_colour=colour * 0.9,
        parts=np.full(plan.strays, int(Part.STRAY)),
    )
    return mesh.moved(resting(mesh.vertices_mm, PAPER_GAP_MM))
