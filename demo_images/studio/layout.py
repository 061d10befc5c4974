"""Where the cuttings lie: inside the lay area, apart from each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation
from scipy.signal import fftconvolve

from .cutting import Cutting

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

CELL_MM = 0.5
GAPS_MM = (18.0, 13.0, 9.0, 6.0, 4.0)
"""Wanted between cuttings, the widest that fits; half a millimetre of it is lost to the cells."""
EDGE_MM = 1.5
"""Left free along the edge of the lay area when the whole tray is moved to its middle."""
CORNER_SPACING_MM = 1.0
"""Corners of leaves are at most about two of these apart: the mask is closed by dilation."""
PAIR_CELLS = (40, 900)
"""Cells that an overlapping pair shares."""
ANGLE_TRIES = 7


class NoRoom(ValueError):
    """The cuttings of a plan do not fit into the lay area."""


@dataclass(frozen=True, slots=True)
class LayPlan:
    """How cuttings are laid; angles from +x towards +y."""

    angle_deg: float = -90.0
    """Direction from cut end to tip; -90: the cut ends lie towards the person."""
    spread_deg: float = 9.0
    is_row: bool = True
    """In rows from the top; otherwise anywhere."""
    is_pair_overlapping: bool = False
    """The last two lie across each other."""
    crowd_gap_mm: float | None = None
    """With it the tray is filled: this gap, and cuttings that find no room are left out."""


def lay(
    cuttings: list[Cutting],
    plan: LayPlan,
    area_mm: tuple[float, float, float, float],
    taken_mm: Floats,
    rng: np.random.Generator,
) -> list[Cutting]:
    """Return the cuttings laid in the area (left, top, right, bottom), clear of points ``taken_mm`` (N, 2).

    Raises
    ------
    NoRoom
        If one finds no place, unless the plan fills the tray.
    """
    gaps = GAPS_MM if plan.crowd_gap_mm is None else (plan.crowd_gap_mm,)
    for gap in gaps:
        try:
            laid = _laid_apart(cuttings, plan, area_mm, taken_mm, gap, rng)
        except NoRoom:
            if gap == gaps[-1]:
                raise
            continue
        break
    return laid if len(taken_mm) else _in_the_middle(laid, area_mm, rng)


def _laid_apart(
    cuttings: list[Cutting],
    plan: LayPlan,
    area_mm: tuple[float, float, float, float],
    taken_mm: Floats,
    gap_mm: float,
    rng: np.random.Generator,
) -> list[Cutting]:
    shape = (int((area_mm[3] - area_mm[1]) / CELL_MM), int((area_mm[2] - area_mm[0]) / CELL_MM))
    taken = np.zeros(shape, dtype=bool)
    _enter(taken, (np.asarray(taken_mm).reshape(-1, 2) - np.asarray(area_mm[:2])) / CELL_MM)
    order = np.argsort([-len(c.axis_mm) * np.ptp(c.mesh.vertices_mm[:, 1]) for c in cuttings], kind="stable")
    if plan.is_pair_overlapping:
        pair = len(cuttings) - 2, len(cuttings) - 1
        order = np.array([*pair, *[k for k in order if k not in pair]])
    laid: dict[int, Cutting] = {}
    for turn, k in enumerate(order):
        is_across = plan.is_pair_overlapping and turn == 1
        try:
            laid[int(k)] = _place(cuttings[k], plan, taken, area_mm, 0.0 if is_across else gap_mm, rng)
        except NoRoom:
            if plan.crowd_gap_mm is None:
                raise
            continue
        points = laid[int(k)].mesh.vertices_mm[:, :2]
        _enter(taken, (points - np.asarray(area_mm[:2])) / CELL_MM)
    return [laid[k] for k in sorted(laid)]


def _in_the_middle(
    laid: list[Cutting], area_mm: tuple[float, float, float, float], rng: np.random.Generator
) -> list[Cutting]:
    """Return the tray moved as a whole, so that free room lies on both sides."""
    points = np.concatenate([c.mesh.vertices_mm[:, :2] for c in laid])
    lowest = np.asarray(area_mm[:2]) + EDGE_MM - points.min(axis=0)
    highest = np.asarray(area_mm[2:]) - EDGE_MM - points.max(axis=0)
    share = rng.uniform(0.35, 0.65, 2)
    shift = np.where(highest > lowest, lowest + share * (highest - lowest), 0.0)
    return [c.moved((float(shift[0]), float(shift[1]))) for c in laid]


def _enter(taken: Mask, cells: Floats) -> None:
    """Mark the cells at which points lie."""
    columns, rows = np.floor(cells).astype(int).T
    inside = (rows >= 0) & (columns >= 0) & (rows < taken.shape[0]) & (columns < taken.shape[1])
    taken[rows[inside], columns[inside]] = True


def _place(
    cutting: Cutting,
    plan: LayPlan,
    taken: Mask,
    area_mm: tuple[float, float, float, float],
    gap_mm: float,
    rng: np.random.Generator,
) -> Cutting:
    """Return one cutting at a free place; with a gap of 0 it lies across what lies there already."""
    is_across = gap_mm == 0.0
    grown = binary_dilation(taken, iterations=max(round(gap_mm / CELL_MM), 1))
    for _ in range(ANGLE_TRIES):
        angle = (
            plan.angle_deg
            + rng.normal(0.0, plan.spread_deg)
            + (55.0 * rng.choice([-1, 1]) if is_across else 0)
        )
        at_origin = cutting.laid((0.0, 0.0), angle)
        points = at_origin.mesh.vertices_mm[:, :2] / CELL_MM
        low = np.floor(points.min(axis=0)).astype(int) - 1
        high = np.ceil(points.max(axis=0)).astype(int) + 1
        own = np.zeros((high[1] - low[1] + 1, high[0] - low[0] + 1), dtype=bool)
        _enter(own, points - low)
        own = binary_dilation(own, iterations=round(CORNER_SPACING_MM / CELL_MM))
        if own.shape[0] > taken.shape[0] or own.shape[1] > taken.shape[1]:
            continue
        shared = fftconvolve(grown.astype(float), own[::-1, ::-1].astype(float), mode="valid")
        least, most = PAIR_CELLS if is_across else (-np.inf, 0.5)
        free = (shared > least) & (shared < most)
        if not free.any():
            continue
        rows, columns = np.nonzero(free)
        if plan.is_row and not is_across:
            # side by side, loosely
            steep = abs(np.sin(np.radians(plan.angle_deg))) > 0.7
            across, along = (columns, rows) if steep else (rows, columns)
            score = across + 0.3 * along + rng.uniform(0, 12, len(rows))
            pick = int(np.argmin(score))
        else:
            pick = int(rng.integers(len(rows)))
        base = (np.array([columns[pick], rows[pick]]) - low) * CELL_MM + np.asarray(area_mm[:2])
        return cutting.laid((float(base[0]), float(base[1])), angle)
    raise NoRoom(f"no room for a cutting of {cutting.plan.length_mm:.0f} mm after {ANGLE_TRIES} angles")
