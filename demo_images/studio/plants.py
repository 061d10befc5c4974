"""A plan becomes a cutting: its mesh, its axis, and what is known of it from having built it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .curves import STEP_MM, arc_length
from .foliage import leafy_mesh, stray_mesh
from .mesh import Mesh, joined
from .plan import CuttingPlan
from .shoots import grow
from .stems import build_stem

Floats = NDArray[np.float64]

TIP_REACH_MM = 8.0
"""Leaves standing on the last part of the leader can be its end."""


@dataclass(frozen=True, slots=True, eq=False)
class SideShoot:
    """A side shoot that springs from the main stem."""

    springs_at_mm: float
    length_mm: float
    """Seen from above, its leaves counted."""
    tip_mm: Floats
    """(2,)."""


@dataclass(frozen=True, slots=True, eq=False)
class Cutting:
    """One cutting as built; its own frame, or the sheet's once it is placed.  z up, all in mm."""

    plan: CuttingPlan
    mesh: Mesh
    axis_mm: Floats
    """(N, 2) base to tip, leaves at the tip counted."""
    height_mm: Floats
    """(N,) of the axis above the paper."""
    stem_width_mm: Floats
    """(N,) seen from above; nan beyond the wood."""
    stripped_mm: float
    side_shoots: tuple[SideShoot, ...]
    stray_at_mm: Floats
    """(S,) along the axis."""
    raised_mm: float = 0.0
    """Lifted because it lies on another one."""

    @property
    def heel_length_mm(self) -> float:
        """Length of the heel, 0 without one."""
        return self.plan.heel.length_mm if self.plan.heel else 0.0

    def placed(self, base_mm: tuple[float, float], angle_deg: float, raised_mm: float = 0.0) -> Cutting:
        """Return the cutting with its base at ``base_mm`` and its tip in direction ``angle_deg``.

        Both in a frame with y up; the angle is that of the straight line base-tip.
        """
        chord = self.axis_mm[-1] - self.axis_mm[0]
        turn = np.radians(angle_deg) - np.arctan2(chord[1], chord[0])
        rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        shift = np.asarray(base_mm) - self.axis_mm[0] @ rotation
        points = self.mesh.vertices_mm.copy()
        points[:, :2] = points[:, :2] @ rotation + shift
        points[:, 2] += raised_mm
        return replace(
            self,
            mesh=self.mesh.moved(points),
            axis_mm=self.axis_mm @ rotation + shift,
            height_mm=self.height_mm + raised_mm,
            side_shoots=tuple(
                replace(shoot, tip_mm=shoot.tip_mm @ rotation + shift) for shoot in self.side_shoots
            ),
            raised_mm=raised_mm,
        )


def build_cutting(plan: CuttingPlan, rng: np.random.Generator) -> Cutting:
    """Return the cutting of a plan, base at the origin."""
    stem = build_stem(plan, rng)
    shoots = grow(plan, stem, rng)
    leader, rest = leafy_mesh(plan, shoots, rng)
    strays, stray_at = stray_mesh(plan, stem, rng)
    axis, height, width = _to_the_tip(stem.axis_mm, stem.height_mm, stem.width_mm, leader.vertices_mm)
    sides = tuple(
        SideShoot(
            shoot.springs_at_mm,
            float(arc_length(shoot.line_mm[:, :2])[-1]) + 0.6 * plan.leaf_scale,
            shoot.line_mm[-1, :2],
        )
        for shoot in shoots[1:]
        if shoot.order == 1
    )
    mesh = joined([stem.mesh, leader, rest, strays])
    return Cutting(plan, mesh, axis, height, width, plan.stripped_mm, sides, stray_at)


def _to_the_tip(
    axis: Floats, height: Floats, width: Floats, leader_points: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return axis, height and width continued straight on to the end of the leader's last leaves."""
    end, direction = axis[-1], axis[-1] - axis[-5]
    direction = direction / np.linalg.norm(direction)
    near = np.linalg.norm(leader_points[:, :2] - end, axis=1) < TIP_REACH_MM + 12.0
    beyond = (leader_points[near, :2] - end) @ direction
    reach = float(beyond.max(initial=0.0))
    if reach < STEP_MM:
        return axis, height, width
    steps = np.linspace(0.0, reach, max(int(reach / STEP_MM), 1) + 1)[1:]
    return (
        np.concatenate([axis, end + steps[:, None] * direction]),
        np.concatenate([height, np.full(len(steps), height[-1])]),
        np.concatenate([width, np.full(len(steps), np.nan)]),
    )
