"""How a cutting branches: the leader and its side shoots as lines in space."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .curves import arc_length, at_arc, directions
from .mesh import unit
from .plan import CuttingPlan
from .stems import Stem, steps_between

Floats = NDArray[np.float64]

POINT_MM = 0.5
"""Spacing of points along a shoot."""
FLOOR_MM = 0.45
"""Shoots rest this high on the paper."""


@dataclass(frozen=True, slots=True, eq=False)
class Shoot:
    """One shoot: its centre line and whether it is browned."""

    line_mm: Floats
    """(N, 3)."""
    radius_mm: Floats
    """(N,)."""
    order: int
    """0 the leader, 1 springs from the main stem, 2 from a side shoot."""
    is_brown: bool
    springs_at_mm: float
    """Distance along the main stem from the base."""


@dataclass(frozen=True, slots=True)
class Habit:
    """How densely and widely a kind branches; lengths in mm for a usual cutting."""

    spacing_mm: float
    angle_deg: float
    share: float
    """Length of the longest side shoot as a share of the leafy part."""
    flatness: float
    """Standard deviation (rad) of side shoots about the flat."""
    second_spacing_mm: float
    """0: side shoots do not branch."""


HABITS = {
    "scale": Habit(2.6, 42.0, 0.42, 0.45, 2.6),
    "awl": Habit(4.2, 42.0, 0.38, 0.60, 5.5),
    "needle": Habit(11.0, 42.0, 0.40, 0.30, 0.0),
    "broad": Habit(16.0, 45.0, 0.34, 0.35, 0.0),
}


def grow(plan: CuttingPlan, stem: Stem, rng: np.random.Generator) -> list[Shoot]:
    """Return the leader (first) and all side shoots."""
    habit = HABITS[plan.kind]
    line = stem.line_mm
    arc = arc_length(stem.axis_mm)
    leafy = arc >= plan.stripped_mm
    shoots = [
        Shoot(line[leafy], stem.radius_mm[leafy], 0, bool(rng.random() < plan.brown * 0.3), plan.stripped_mm)
    ]
    total = plan.length_mm
    run = total - plan.stripped_mm
    size = (run / 65.0) ** 0.25 * plan.leaf_scale**0.5
    first = plan.stripped_mm + (0.6 if plan.kind in ("scale", "awl") else 3.0)
    places = steps_between(first, total - 0.06 * run, habit.spacing_mm * size / plan.fullness**0.5, rng)
    tangents = directions(line)
    turn = rng.integers(0, 2)
    vigour = rng.uniform(0.75, 1.15)
    for k, place in enumerate(places):
        u = (place - plan.stripped_mm) / run
        envelope = (0.35 + 1.0 * u) * np.maximum(1.0 - u, 0.0) ** 0.75 * 1.55
        length = habit.share * run * envelope * rng.lognormal(-0.25, 0.42) * vigour * plan.fullness**0.7
        length = min(length, (total - place) * 0.95, 70.0)
        if length < 2.0 * plan.leaf_scale:
            continue
        here = int(np.searchsorted(arc, place))
        here = min(here, len(line) - 1)
        phi = rng.normal(0.0, habit.flatness) + (np.pi if (k + turn) % 2 else 0.0)
        child = _side_shoot(
            line[here], tangents[here], np.array([0.0, 0.0, 1.0]), phi, habit.angle_deg, length, plan, rng
        )
        shoots.append(Shoot(child, _taper(child, plan), 1, bool(rng.random() < plan.brown), float(place)))
    if habit.second_spacing_mm:
        shoots += _second(plan, shoots[1:], habit, size, rng)
    return shoots


def _second(
    plan: CuttingPlan, parents: list[Shoot], habit: Habit, size: float, rng: np.random.Generator
) -> list[Shoot]:
    found = []
    for parent in parents:
        length = float(arc_length(parent.line_mm)[-1])
        if length < 7.0:
            continue
        tangents = directions(parent.line_mm)
        arc = arc_length(parent.line_mm)
        for k, place in enumerate(steps_between(2.5, length - 1.5, habit.second_spacing_mm * size, rng)):
            grown = min((length - place) * 0.55, 9.0) * rng.uniform(0.45, 1.15)
            if grown < 1.5:
                continue
            here = min(int(np.searchsorted(arc, place)), len(arc) - 1)
            phi = rng.normal(0.0, 0.5) + (np.pi if k % 2 else 0.0)
            line = _side_shoot(
                parent.line_mm[here], tangents[here], np.array([0.0, 0.0, 1.0]), phi, 38.0, grown, plan, rng
            )
            brown = parent.is_brown or bool(rng.random() < plan.brown * 0.25)
            found.append(Shoot(line, _taper(line, plan), 2, brown, parent.springs_at_mm))
    return found


def _side_shoot(
    foot: Floats,
    tangent: Floats,
    up: Floats,
    phi: float,
    angle_deg: float,
    length_mm: float,
    plan: CuttingPlan,
    rng: np.random.Generator,
) -> Floats:
    """Return a line that leaves its parent at an angle and then leans back along it."""
    side = unit(np.cross(up, tangent))
    radial = side * np.cos(phi) + np.cross(tangent, side) * np.sin(phi)
    count = max(int(length_mm / POINT_MM), 3) + 1
    t = np.linspace(0.0, 1.0, count)
    angle = np.radians(angle_deg * rng.uniform(0.75, 1.25)) * (1.0 - rng.uniform(0.1, 0.6) * t)
    angle = angle + np.radians(6.0) * np.sin(2 * np.pi * (t * rng.uniform(0.6, 1.6) + rng.random()))
    sway = np.radians(10.0) * np.sin(np.pi * t * rng.uniform(0.5, 1.5)) * rng.normal()
    third = np.cross(tangent, radial)
    heading = unit(
        np.cos(angle)[:, None] * tangent + np.sin(angle)[:, None] * radial + np.sin(sway)[:, None] * third
    )
    step = length_mm / (count - 1)
    line = foot + np.concatenate([np.zeros((1, 3)), np.cumsum(heading[:-1] * step, axis=0)])
    # weight: far ends sag towards the paper
    line[:, 2] -= 0.010 * (t * length_mm) ** 2 * np.maximum(np.sign(line[:, 2] - 2.0), 0.0) * 0.3
    return resting(line, FLOOR_MM * plan.leaf_scale**0.5)


def resting(points_mm: Floats, floor_mm: float) -> Floats:
    """Return points pressed onto the paper: nothing lies lower than ``floor_mm``."""
    out = points_mm.copy()
    z = out[:, 2]
    out[:, 2] = np.where(z < floor_mm * 2, floor_mm * (1.0 + np.exp(np.minimum(z / floor_mm - 2.0, 0.0))), z)
    return out


def _taper(line: Floats, plan: CuttingPlan) -> Floats:
    root = {"scale": 0.42, "awl": 0.42, "needle": 0.55, "broad": 0.6}[plan.kind] * plan.leaf_scale
    return np.linspace(root, root * 0.7, len(line))


def on_shoot(shoot: Shoot, arc_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Return positions (M, 3), directions (M, 3) and radii (M,) at distances along a shoot."""
    arc = arc_length(shoot.line_mm)
    positions = at_arc(shoot.line_mm, arc_mm)
    tangent = directions(shoot.line_mm)
    along = np.column_stack([np.interp(arc_mm, arc, tangent[:, k]) for k in range(3)])
    return positions, unit(along), np.interp(arc_mm, arc, shoot.radius_mm)
