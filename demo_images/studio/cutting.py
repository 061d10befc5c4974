"""One cutting: built from its plan, then laid on the page."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .curves import STEP_MM, arc_length
from .foliage import build_foliage, build_strays
from .mesh import Mesh, Part, joined
from .plan import CuttingPlan
from .shoots import grow
from .stems import build_stem

Floats = NDArray[np.float64]

TIP_REACH_MM = 6.0
"""Only leaves within this distance of the end of the wood belong to the tip of the leader."""
TIP_SIDE_MM = 2.5
TIP_LEAST_MM = 12.0
"""A side shoot at least this long ..."""
TIP_LEAST_SHARE = 0.2
"""... and this share of the total length has a growing tip of its own, by the definition."""


@dataclass(frozen=True, slots=True, eq=False)
class Cutting:
    """Geometry of one cutting.  Built with its base at the origin, y and z up; after :meth:`laid`
    in page mm, x right, y down, z towards the camera."""

    plan: CuttingPlan
    mesh: Mesh
    axis_mm: Floats
    """(N, 2) from base to tip, the end of the leader's last leaves."""
    height_mm: Floats
    """(N,) of the axis."""
    wood_width_mm: Floats
    """(M,) width of the stem seen from above at the first M points of the axis."""
    tips: int

    @property
    def heel_mm(self) -> float:
        """Length of the heel, 0 without one."""
        return self.plan.heel.length_mm if self.plan.heel is not None else 0.0

    def laid(self, base_mm: tuple[float, float], angle_deg: float) -> Cutting:
        """Return the cutting on the page: base at ``base_mm``, pointing ``angle_deg`` (from +x towards +y).

        The page's y points down, so the built shape is mirrored first and seen as it was built.
        """
        a = np.radians(angle_deg)
        turn = np.array([[np.cos(a), np.sin(a)], [np.sin(a), -np.cos(a)]])
        base = np.asarray(base_mm, dtype=float)
        points = self.mesh.vertices_mm.copy()
        points[:, :2] = points[:, :2] @ turn.T + base
        return replace(
            self,
            mesh=self.mesh.moved(points),
            axis_mm=self.axis_mm @ turn.T + base,
        )

    def moved(self, by_mm: tuple[float, float]) -> Cutting:
        """Return the cutting shifted on the page."""
        shift = np.array([*by_mm, 0.0])
        return replace(
            self, mesh=self.mesh.moved(self.mesh.vertices_mm + shift), axis_mm=self.axis_mm + shift[:2]
        )

    def laid_higher(self, lift_mm: float) -> Cutting:
        """Return the cutting raised above the paper."""
        points = self.mesh.vertices_mm + np.array([0.0, 0.0, lift_mm])
        return replace(self, mesh=self.mesh.moved(points), height_mm=self.height_mm + lift_mm)


def build_cutting(plan: CuttingPlan, rng: np.random.Generator) -> Cutting:
    """Return the geometry of a plan."""
    stem = build_stem(plan, rng)
    shoots = grow(plan, stem, rng)
    foliage = build_foliage(plan, stem, shoots, rng)
    mesh = joined([stem.mesh, foliage, build_strays(plan, stem, rng)])
    axis, height = _to_tip(stem.axis_mm, stem.height_mm, foliage)
    total = arc_length(axis)[-1]
    least = max(TIP_LEAST_MM, TIP_LEAST_SHARE * total)
    long = sum(s.order == 1 and arc_length(s.line_mm)[-1] >= least for s in shoots)
    return Cutting(plan, mesh, axis, height, stem.width_mm, 1 + int(long))


def _to_tip(axis: Floats, height: Floats, foliage: Mesh) -> tuple[Floats, Floats]:
    """Return the axis carried on straight from the end of the wood to the end of the last leaves."""
    heading = axis[-1] - axis[-8]
    heading = heading / np.linalg.norm(heading)
    leafy = np.isin(foliage.parts, (int(Part.GREEN), int(Part.BROWN)))
    corners = foliage.vertices_mm[np.unique(foliage.faces[leafy])]
    away = corners[:, :2] - axis[-1]
    ahead = away @ heading
    aside = np.abs(away[:, 0] * heading[1] - away[:, 1] * heading[0])
    near = (ahead > 0) & (ahead < TIP_REACH_MM) & (aside < TIP_SIDE_MM)
    reach = float(ahead[near].max(initial=0.0))
    count = int(np.ceil(reach / STEP_MM))
    if count == 0:
        return axis, height
    more = axis[-1] + np.linspace(0, reach, count + 1)[1:, None] * heading
    return np.concatenate([axis, more]), np.concatenate([height, np.full(count, height[-1])])
