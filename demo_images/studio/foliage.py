"""Leaves on shoots: scale leaves in crossed pairs, awls in whorls, flat needles, small broad leaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .curves import arc_length
from .mesh import Mesh, Part, grid_faces, joined, leaf_shape, leaves, unit
from .plan import BROWN_COLOURS, LEAF_COLOURS, CuttingPlan
from .shoots import Shoot, on_shoot
from .stems import Stem, steps_between

Floats = NDArray[np.float64]

UP = np.array([0.0, 0.0, 1.0])
PAPER_MM = 0.06
"""No leaf lies lower than this."""


@dataclass(frozen=True, slots=True)
class Arrangement:
    """How leaves stand on a shoot; lengths in mm for a usual cutting."""

    pitch_mm: float
    per_node: int
    length_mm: float
    width_mm: float
    thickness_mm: float
    spread: float
    """Tangent of the angle between leaf and shoot."""
    spread_last: float
    """The same at the growing tip."""
    flatness: float
    """1: leaves turn to the sides and face up; 0: they stand all round."""
    bend: float


ARRANGEMENTS = {
    "scale": Arrangement(1.15, 2, 1.85, 1.10, 0.30, 0.30, 0.10, 0.0, 0.06),
    "awl": Arrangement(1.9, 3, 5.2, 1.05, 0.12, 0.95, 0.25, 0.0, -0.05),
    "needle": Arrangement(1.7, 1, 14.0, 1.85, 0.16, 1.15, 0.25, 0.80, 0.05),
    "broad": Arrangement(4.6, 2, 11.5, 5.6, 0.5, 1.2, 0.30, 0.65, 0.10),
}


def leafy_mesh(plan: CuttingPlan, shoots: list[Shoot], rng: np.random.Generator) -> tuple[Mesh, Mesh]:
    """Return the leader's leaves, and everything else that is foliage."""
    meshes = [
        _shoot_leaves(plan, shoot, ARRANGEMENTS[plan.kind], rng) for shoot in shoots if len(shoot.line_mm) > 2
    ]
    cores = [_core(plan, shoot) for shoot in shoots[1:]]
    return meshes[0], joined([*meshes[1:], *cores])


def _shoot_leaves(plan: CuttingPlan, shoot: Shoot, how: Arrangement, rng: np.random.Generator) -> Mesh:
    total = float(arc_length(shoot.line_mm)[-1])
    size = plan.leaf_scale
    start = 0.0 if shoot.order == 0 else 0.8 * size
    nodes = steps_between(start, total, how.pitch_mm * size, rng)
    if shoot.order and len(nodes) < 2:
        nodes = np.array([0.5, 1.0]) * total
    share = np.repeat(nodes / max(total, 1e-9), how.per_node)
    arc = np.repeat(nodes, how.per_node)
    n = len(arc)
    foot, along, radius = on_shoot(shoot, arc)
    turn = _turns(how, len(nodes), rng)
    side = unit(np.cross(UP, along))
    up = np.cross(along, side)
    radial = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * up
    last = np.clip((arc - total + 3.5 * how.pitch_mm * size) / (3.5 * how.pitch_mm * size), 0.0, 1.0)
    spread = (how.spread * (1 - last) + how.spread_last * last) * rng.uniform(0.75, 1.3, n)
    pointing = unit(along + spread[:, None] * radial)
    if how.flatness > 0:
        normal = unit(UP + 0.28 * rng.normal(size=(n, 3)) + 0.1 * along)
    elif plan.kind == "awl":
        normal = unit(along * spread[:, None] - radial)
    else:
        normal = radial
    smaller = (1.0 - 0.30 * share**3) * (0.85 if shoot.order == 2 else 1.0)
    length = how.length_mm * size * smaller * rng.lognormal(0.0, 0.12, n)
    width = how.width_mm * size * smaller * rng.lognormal(0.0, 0.08, n)
    colour, tip, parts = _colours(plan, shoot.is_brown, share, rng)
    mesh = leaves(
        leaf_shape(plan.kind),
        foot + radial * (radius * 0.75)[:, None],
        pointing,
        normal,
        length_mm=length,
        width_mm=width,
        thickness_mm=np.full(n, how.thickness_mm * size),
        bend=how.bend * rng.uniform(0.2, 1.8, n),
        colour=colour,
        tip_colour=tip,
        parts=parts,
    )
    return pressed(mesh)


def _turns(how: Arrangement, nodes: int, rng: np.random.Generator) -> Floats:
    """Return the position round the shoot (rad) of every leaf, node by node."""
    node = np.repeat(np.arange(nodes), how.per_node)
    place = np.tile(np.arange(how.per_node), nodes)
    step = 2 * np.pi / how.per_node
    turn = place * step + (node % 2) * (step / 2 if how.per_node > 1 else np.pi) + rng.uniform(0, 6.3) * (
        how.flatness == 0
    )
    turn = turn + 0.12 * rng.normal(size=turn.shape)
    if how.flatness > 0:
        # leaves of flat kinds turn to the sides; a few stay on top
        sideways = np.where(np.cos(turn) >= 0, 0.0, np.pi)
        sideways = np.where(np.abs(np.cos(turn)) < 0.3, np.where(rng.random(turn.shape) < 0.5, 0.0, np.pi), sideways)
        wild = rng.normal(size=turn.shape) * (1 - how.flatness) * 1.2
        turn = sideways + np.where(sideways == 0.0, np.abs(wild), -np.abs(wild))
    return turn


def _colours(
    plan: CuttingPlan, is_brown: bool, share: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    n = len(share)
    base = np.asarray(LEAF_COLOURS[plan.colour])
    leaf = base * rng.lognormal(0.0, 0.13, (n, 1)) * rng.lognormal(0.0, 0.04, (n, 3))
    fresh = base * np.array([1.55, 1.40, 1.0])
    leaf = leaf + (fresh - base) * (0.6 * share**3)[:, None]
    tip = leaf * np.array([1.12, 1.12, 1.0])
    brown = (rng.random(n) < plan.brown * 0.2) | is_brown
    if is_brown:
        brown &= rng.random(n) < 0.93
    dead = np.asarray(BROWN_COLOURS)[rng.choice(len(BROWN_COLOURS), n, p=(0.6, 0.3, 0.1))]
    dead = dead * rng.lognormal(0.0, 0.18, (n, 1))
    leaf = np.where(brown[:, None], dead, leaf)
    tip = np.where(brown[:, None], dead * 0.85, tip)
    return leaf, tip, np.where(brown, int(Part.BROWN), int(Part.GREEN))


def _core(plan: CuttingPlan, shoot: Shoot) -> Mesh:
    """Return the thin shoot under the leaves."""
    sides = 6
    _, along, radius = on_shoot(shoot, arc_length(shoot.line_mm))
    side = unit(np.cross(UP, along))
    up = np.cross(along, side)
    theta = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    around = np.cos(theta)[None, :, None] * side[:, None] + np.sin(theta)[None, :, None] * up[:, None]
    points = shoot.line_mm[:, None] + radius[:, None, None] * around
    faces = grid_faces(len(radius), sides, is_closed=True)
    tint = np.asarray(BROWN_COLOURS[0] if shoot.is_brown else LEAF_COLOURS[plan.colour]) * 0.85
    part = int(Part.BROWN if shoot.is_brown else Part.GREEN)
    mesh = Mesh(
        points.reshape(-1, 3), faces, np.tile(tint, (len(radius) * sides, 1)), np.full(len(faces), part)
    )
    return pressed(mesh)


def pressed(mesh: Mesh) -> Mesh:
    """Return foliage pressed onto the paper: what would be below it lies on it."""
    points = mesh.vertices_mm.copy()
    z = points[:, 2]
    points[:, 2] = np.where(
        z < 2 * PAPER_MM, PAPER_MM * (1.0 + np.exp(np.minimum(z / PAPER_MM - 2.0, 0.0) * 0.15)), z
    )
    return mesh.moved(points)


def stray_mesh(plan: CuttingPlan, stem: Stem, rng: np.random.Generator) -> tuple[Mesh, Floats]:
    """Return leftover needles and stubs on the stripped stem, and where along it they sit (S,) mm."""
    lower = (plan.heel.length_mm if plan.heel else 0.0) + 2.0
    upper = plan.stripped_mm - 2.5
    if plan.strays == 0 or upper <= lower:
        return Mesh(np.zeros((0, 3)), np.zeros((0, 3), int), np.zeros((0, 3)), np.zeros(0, int)), np.zeros(0)
    arc = np.sort(rng.uniform(lower, upper, plan.strays))
    whole = Shoot(stem.line_mm, stem.radius_mm, 0, False, 0.0)
    foot, along, radius = on_shoot(whole, arc)
    side = unit(np.cross(UP, along)) * rng.choice([-1.0, 1.0], (len(arc), 1))
    how = ARRANGEMENTS[plan.kind]
    stub = rng.random(len(arc)) < 0.5
    length = np.where(stub, rng.uniform(1.0, 2.2, len(arc)), how.length_mm * rng.uniform(0.5, 0.9, len(arc)))
    length = np.maximum(length * plan.leaf_scale**0.5, 0.9)
    width = np.where(stub, rng.uniform(0.7, 1.2, len(arc)), how.width_mm * 0.9)
    brown = stub | (rng.random(len(arc)) < 0.5)
    dead = np.asarray(BROWN_COLOURS)[rng.choice(2, len(arc))]
    colour = np.where(brown[:, None], dead, np.asarray(LEAF_COLOURS[plan.colour]))
    mesh = leaves(
        leaf_shape("awl" if plan.kind == "scale" else plan.kind),
        foot + side * (radius * 0.8)[:, None],
        unit(side + along * rng.uniform(0.4, 1.2, (len(arc), 1)) + UP * rng.uniform(-0.3, 0.4, (len(arc), 1))),
        np.tile(UP, (len(arc), 1)) + 0.2 * rng.normal(size=(len(arc), 3)),
        length_mm=length,
        width_mm=width,
        thickness_mm=np.where(stub, 0.5, 0.15),
        bend=rng.uniform(-0.1, 0.1, len(arc)),
        colour=colour,
        tip_colour=colour * 0.8,
        parts=np.full(len(arc), int(Part.STRAY)),
    )
    return pressed(mesh), arc
