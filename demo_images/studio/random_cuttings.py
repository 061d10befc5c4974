"""Cuttings drawn at random for the measuring sets: sorts, sizes and faults."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .plan import BARK_COLOURS, LEAF_COLOURS, CuttingPlan, HeelPlan

Rng = np.random.Generator
Range = tuple[float, float]
Sort = tuple[str, str, str]
"""Kind, leaf colour, bark colour."""

KINDS = {"scale": 0.5, "awl": 0.2, "needle": 0.17, "broad": 0.13}
"""Share of each foliage kind."""
REFERENCE_MM = 85.0
"""Length of a cutting of usual proportions."""
CROWD = 12
"""More cuttings than this are kept shorter and narrower, so that they fit."""
CROWD_LENGTH_MM = 95.0


@dataclass(frozen=True, slots=True)
class CuttingRanges:
    """What a set's cuttings are drawn from."""

    length_mm: Range
    stripped_mm: Range
    usual_width_mm: float
    leaf_scale: Range
    fullness: Range


def random_cuttings(condition: str, ranges: CuttingRanges, rng: Rng) -> tuple[CuttingPlan, ...]:
    """Return a tray of one to three sorts of plant; about half of the cuttings have a fault."""
    sorts = _sorts(rng)
    count = _count(condition, sorts, rng)
    return tuple(_cutting(sorts[k % len(sorts)], condition, count, ranges, rng) for k in range(count))


def _sorts(rng: Rng) -> list[Sort]:
    found = []
    for _ in range(int(rng.integers(1, 4))):
        kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
        colour = str(rng.choice(list(LEAF_COLOURS)))
        if kind == "broad" and colour in ("glaucous", "blue"):
            colour = "dark green"
        found.append((kind, colour, str(rng.choice(list(BARK_COLOURS)))))
    return found


def _count(condition: str, sorts: list[Sort], rng: Rng) -> int:
    if condition == "miniature":
        return int(rng.integers(18, 31))
    if condition in ("oversize", "card"):
        return int(rng.integers(5, 9))
    is_wide = any(kind in ("needle", "broad") for kind, _, _ in sorts)
    return int(rng.integers(9, 14)) if is_wide else int(rng.integers(13, 22))


def _cutting(sort: Sort, condition: str, count: int, ranges: CuttingRanges, rng: Rng) -> CuttingPlan:
    kind, colour, bark = sort
    length, scale = _size(condition, count, ranges, rng)
    width = ranges.usual_width_mm * rng.lognormal(0.0, 0.30) * (length / REFERENCE_MM) ** 0.5
    plan = CuttingPlan(
        kind=kind,
        length_mm=length,
        base_width_mm=float(rng.uniform(4.5, 11.0) if condition == "oversize" else np.clip(width, 0.8, 6.0)),
        stripped_mm=float(rng.uniform(*ranges.stripped_mm)) * min(length / REFERENCE_MM, 1.0) + 2.0,
        colour=colour,
        bark=bark,
        turn_deg=float(rng.normal(0, 8)),
        wobble_deg=float(rng.uniform(0.5, 3.5)),
        brown=float(rng.uniform(0.15, 0.7)) if rng.random() < 0.18 else float(rng.choice([0.0, 0.0, 0.03])),
        strays=int(rng.choice([0, 0, 0, 1, 2, 3])),
        fullness=float(rng.uniform(*ranges.fullness)) * (0.8 if count > CROWD else 1.0),
        leaf_scale=scale,
        cut_tilt_deg=float(rng.uniform(0, 22)),
    )
    return _with_a_fault(plan, rng)


def _size(condition: str, count: int, ranges: CuttingRanges, rng: Rng) -> tuple[float, float]:
    """Return length in mm and the size of leaves."""
    if condition == "miniature":
        return float(rng.uniform(30, 55)), float(rng.uniform(0.5, 0.72))
    if condition == "oversize":
        return float(rng.uniform(110, 150)), float(rng.uniform(0.9, 1.25))
    longest = ranges.length_mm[1] if count <= CROWD else CROWD_LENGTH_MM
    return float(rng.uniform(ranges.length_mm[0], longest)), float(rng.uniform(*ranges.leaf_scale))


def _with_a_fault(plan: CuttingPlan, rng: Rng) -> CuttingPlan:
    """Return the cutting bent, swept, heeled or unstripped, as chance has it."""
    u, sign, chance = rng.uniform, float(rng.choice([-1.0, 1.0])), rng.random()
    if chance < 0.17:
        where = float(u(0.14, 0.5) * plan.length_mm)
        return replace(plan, bends=((where, sign * float(u(12, 60)), float(u(1.5, 8))),))
    if chance < 0.27:
        return replace(plan, turn_deg=sign * float(u(22, 65)))
    if chance < 0.37:
        heel = HeelPlan(float(u(4, 9)), plan.base_width_mm * float(u(1.4, 2.1)), sign * float(u(20, 50)))
        return replace(
            plan,
            heel=heel,
            length_mm=plan.length_mm + heel.length_mm,
            stripped_mm=max(plan.stripped_mm, 6.0) + heel.length_mm,
        )
    if chance < 0.43:
        return replace(plan, stripped_mm=float(u(0.8, 4.5)), strays=0)
    return plan
