"""The woody stem: a tapered, slightly bumpy tube along the axis, with a pale cut face at its base."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .curves import STEP_MM, arc_length, bent_line, directions
from .mesh import Mesh, Part, grid_faces, joined, unit
from .plan import BARK_COLOURS, CAMBIUM_COLOUR, CUT_FACE_COLOUR, LEAF_COLOURS, PITH_COLOUR, CuttingPlan

Floats = NDArray[np.float64]

SIDES = 28
"""Corners round a stem: the polygon's width falls short of the circle's by less than 0.7 %; truth is
taken from the polygon itself."""
TIP_RADIUS_MM = 0.38
CHIN_MM = 0.02
"""Stems touch the paper this much above it."""


@dataclass(frozen=True, slots=True, eq=False)
class Stem:
    """The stem of one cutting, in its own frame: base at the origin, first towards +x, z up."""

    mesh: Mesh
    axis_mm: Floats
    """(N, 2) from the base to the end of the wood."""
    height_mm: Floats
    """(N,) of the axis above the paper."""
    radius_mm: Floats
    """(N,) nominal."""
    width_mm: Floats
    """(N,) as seen from above, from the mesh itself."""
    green_from_mm: float
    """Beyond this the stem is a green shoot."""

    @property
    def line_mm(self) -> Floats:
        """The axis in space (N, 3)."""
        return np.column_stack([self.axis_mm, self.height_mm])


def build_stem(plan: CuttingPlan, rng: np.random.Generator) -> Stem:
    """Return the stem of a plan."""
    bends = plan.bends
    if plan.heel is not None:
        bends = (*bends, (plan.heel.length_mm - 0.8, plan.heel.angle_deg, 1.6))
    axis = bent_line(plan.length_mm, turn_deg=plan.turn_deg, wobble_deg=plan.wobble_deg, bends=bends, rng=rng)
    s = arc_length(axis)
    radius = _radius(plan, s)
    bare = plan.stripped_mm
    leafy = np.clip((s - bare) / max(plan.length_mm - bare, 1.0), 0.0, 1.0)
    green_from = (
        bare + (plan.length_mm - bare) * {"scale": 0.45, "awl": 0.5, "needle": 0.6, "broad": 0.65}[plan.kind]
    )
    rise = {"scale": 1.2, "awl": 1.6, "needle": 1.5, "broad": 1.8}[plan.kind] * rng.uniform(0.5, 1.3)
    rise *= min(plan.length_mm / 90.0, 1.5) ** 0.5
    lift = rise * (0.25 * s / plan.length_mm + 0.75 * np.sqrt(leafy) * (1.0 - 0.3 * leafy)) + CHIN_MM
    bumps = _bumps(plan, s, rng)
    rings = radius[:, None] * (1.0 + bumps)
    height = lift + rings.max(axis=1) * 0.5 + radius * 0.5
    centre = np.column_stack([axis, height])
    tube, width = _tube(centre, rings, plan, s, green_from, rng)
    return Stem(tube, axis, height, radius, width, green_from)


def _radius(plan: CuttingPlan, s: Floats) -> Floats:
    base = plan.base_width_mm / 2
    tip = min(max(TIP_RADIUS_MM * plan.leaf_scale, 0.10 * base), 0.9 * base)
    share = s / plan.length_mm
    radius = base + (tip - base) * share**0.85
    if plan.heel is not None:
        old = np.clip((plan.heel.length_mm - s) / 1.4 + 0.5, 0.0, 1.0)
        old = old * old * (3 - 2 * old)
        radius = radius * (1 - old) + plan.heel.width_mm / 2 * old
    flare = 0.03 * base * np.exp(-s / 0.8)
    return np.asarray(radius + flare)


def _bumps(plan: CuttingPlan, s: Floats, rng: np.random.Generator) -> Floats:
    """Return (N, SIDES) relative unevenness of the bark: waves, and swellings where leaves sat."""
    theta = np.linspace(0, 2 * np.pi, SIDES, endpoint=False)
    total = np.zeros((len(s), SIDES))
    size = 0.022 if plan.base_width_mm > 1.5 else 0.014
    for _ in range(10):
        around = rng.integers(1, 5)
        along = rng.uniform(0.15, 2.2) / max(plan.base_width_mm / 2.5, 0.6)
        total += size * rng.normal() / 2 * np.cos(around * theta + along * s[:, None] + rng.uniform(0, 6.3))
    where = 2.0 + np.cumsum(rng.uniform(2.5, 6.0, 80) * max(plan.base_width_mm / 2.5, 0.7))
    for node in where[where < plan.length_mm]:
        lobe = np.maximum(np.cos(theta - rng.uniform(0, 6.3)), 0.0) ** 4
        total += rng.uniform(0.02, 0.11) * np.exp(-(((s - node) / 0.45) ** 2))[:, None] * lobe
    return np.clip(total, -0.10, 0.16)


def _tube(
    centre: Floats, rings: Floats, plan: CuttingPlan, s: Floats, green_from: float, rng: np.random.Generator
) -> tuple[Mesh, Floats]:
    """Return the tube with its cut face, and its width (N,) seen from above."""
    along = directions(centre)
    side = unit(np.cross(np.array([0.0, 0.0, 1.0]), along))
    up = np.cross(along, side)
    theta = np.linspace(0, 2 * np.pi, SIDES, endpoint=False)
    cos, sin = np.cos(theta), np.sin(theta)
    around = cos[None, :, None] * side[:, None] + sin[None, :, None] * up[:, None]
    points = centre[:, None] + rings[:, :, None] * around
    across = np.sum((points - centre[:, None])[..., :2] * side[:, None, :2], axis=-1)
    width = across.max(axis=1) - across.min(axis=1)
    # the blade leaves a slanting face: shift the first rings along the stem
    slant = np.tan(np.radians(plan.cut_tilt_deg)) * np.exp(-s / 1.2)
    points += (slant[:, None] * -rings * sin[None, :])[..., None] * -along[:, None]
    points[..., 2] = np.maximum(points[..., 2], CHIN_MM)
    colours, parts = _bark(plan, s, green_from, rng)
    count = len(s)
    faces = grid_faces(count, SIDES, is_closed=True)
    face_parts = np.repeat(parts[:-1], SIDES)
    bark = Mesh(
        points.reshape(-1, 3), faces, colours.reshape(-1, 3), np.concatenate([face_parts, face_parts])
    )
    return joined([bark, _cut_face(points[0], rng), _end_cap(points[-1], colours[-1], parts[-1])]), width


def _bark(
    plan: CuttingPlan, s: Floats, green_from: float, rng: np.random.Generator
) -> tuple[Floats, NDArray[np.int64]]:
    theta = np.linspace(0, 2 * np.pi, SIDES, endpoint=False)
    wave = np.zeros((len(s), SIDES))
    for k in range(14):
        along = rng.uniform(0.2, 1.5) if k < 7 else rng.uniform(2.0, 7.0)
        wave += (
            rng.normal() / 7 * np.cos(rng.integers(0, 7) * theta + along * s[:, None] + rng.uniform(0, 6.3))
        )
    wave += 0.10 * rng.normal(size=wave.shape)
    old = np.asarray(BARK_COLOURS[plan.bark])
    young = np.asarray(LEAF_COLOURS[plan.colour]) * 0.9 + 0.1 * old
    mix = np.clip((s - green_from * 0.85) / max(0.3 * green_from, 2.0), 0.0, 1.0)[:, None, None]
    colour = (old * (1 - mix) + young * mix) * (1.0 + 0.45 * wave[..., None])
    if plan.heel is not None:
        heel = np.clip((plan.heel.length_mm - s) / 1.5 + 0.5, 0, 1)[:, None, None]
        colour = (
            colour * (1 - heel) + np.asarray(BARK_COLOURS["dark"]) * 1.3 * (1 + 0.4 * wave[..., None]) * heel
        )
    parts = np.where(s < green_from, int(Part.WOOD), int(Part.GREEN))
    return np.clip(colour, 0.01, 0.8), parts


def _cut_face(ring: Floats, rng: np.random.Generator) -> Mesh:
    """Return the pale face: pith, wood, a thin green line under the bark."""
    middle = ring.mean(axis=0)
    shares = (1.0, 0.94, 0.88, 0.55, 0.18, 0.0)
    colours = (CAMBIUM_COLOUR, CAMBIUM_COLOUR, CUT_FACE_COLOUR, CUT_FACE_COLOUR, PITH_COLOUR, PITH_COLOUR)
    points = np.concatenate([middle + (ring - middle) * share for share in shares])
    tint = np.repeat(np.asarray(colours), SIDES, axis=0) * rng.uniform(0.85, 1.1, (len(points), 1))
    faces = grid_faces(len(shares), SIDES, is_closed=True)
    return Mesh(points, faces, tint, np.full(len(faces), int(Part.WOOD)))


def _end_cap(ring: Floats, colours: Floats, part: int) -> Mesh:
    points = np.concatenate([ring, ring.mean(axis=0, keepdims=True)])
    k = np.arange(SIDES)
    faces = np.column_stack([k, (k + 1) % SIDES, np.full(SIDES, SIDES)])
    tint = np.concatenate([colours, colours.mean(axis=0, keepdims=True)])
    return Mesh(points, faces, tint, np.full(SIDES, int(part)))


def steps_between(start_mm: float, end_mm: float, pitch_mm: float, rng: np.random.Generator) -> Floats:
    """Return places about ``pitch_mm`` apart, the first exactly at ``start_mm``, none beyond ``end_mm``."""
    count = max(int((end_mm - start_mm) / pitch_mm), 0) + 1
    places = start_mm + pitch_mm * (np.arange(count) + rng.uniform(-0.2, 0.2, count))
    places[0] = start_mm
    return np.asarray(places[places <= end_mm])


__all__ = ["STEP_MM", "Stem", "build_stem", "steps_between"]
