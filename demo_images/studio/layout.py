"""Where cuttings lie on the sheet: side by side, never touching unless asked for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from .plants import Cutting
from .raster import seen_from_above
from .truth import Sheet

CELL_MM = 1.0
"""Cells in which free space is kept."""
TRIES = 240


def lay_out(
    cuttings: Sequence[Cutting],
    sheet: Sheet,
    lay_area_mm: tuple[float, float, float, float],
    *,
    angle_deg: float,
    angle_spread_deg: float,
    gap_mm: float,
    taken: NDArray[np.bool_] | None,
    rng: np.random.Generator,
) -> list[Cutting]:
    """Return the cuttings that found a place, longest first, each well inside the lay area (page mm).

    ``angle_deg`` is the usual direction base to tip, y up.  ``taken`` marks cells (see
    :func:`empty_cells`) where something else lies.
    """
    free_of = empty_cells(sheet) if taken is None else taken.copy()
    left, top, right, bottom = lay_area_mm
    border = np.ones_like(free_of)
    border[int(np.ceil(top)) + 1 : int(bottom) - 1, int(np.ceil(left)) + 1 : int(right) - 1] = False
    blocked = free_of | border
    placed = []
    order = sorted(range(len(cuttings)), key=lambda k: -cuttings[k].plan.length_mm)
    for k in order:
        found = _find_place(cuttings[k], blocked, sheet, lay_area_mm, angle_deg, angle_spread_deg, gap_mm, rng)
        if found is not None:
            cutting, cells = found
            blocked |= cells
            placed.append(cutting)
    return placed


def empty_cells(sheet: Sheet) -> NDArray[np.bool_]:
    """Return (rows, columns) of 1 mm cells of the page, nothing taken."""
    return np.zeros((round(sheet.page_mm[1] / CELL_MM), round(sheet.page_mm[0] / CELL_MM)), dtype=bool)


def covered_cells(cutting: Cutting, sheet: Sheet, gap_mm: float) -> NDArray[np.bool_]:
    """Return the cells a placed cutting covers, and those nearer than ``gap_mm``."""
    page = sheet.page_from_world(cutting.mesh.vertices_mm)
    mesh = cutting.mesh.moved(np.column_stack([page, cutting.mesh.vertices_mm[:, 2]]))
    shape = empty_cells(sheet).shape
    fine = seen_from_above(mesh, corner_mm=(0.0, 0.0), cell_mm=0.5, shape=(2 * shape[0], 2 * shape[1])) >= 0
    cells = fine.reshape(shape[0], 2, shape[1], 2).any(axis=(1, 3))
    return np.asarray(binary_dilation(cells, iterations=max(round(gap_mm / CELL_MM), 1)))


def _find_place(
    cutting: Cutting,
    blocked: NDArray[np.bool_],
    sheet: Sheet,
    area_mm: tuple[float, float, float, float],
    angle_deg: float,
    spread_deg: float,
    gap_mm: float,
    rng: np.random.Generator,
) -> tuple[Cutting, NDArray[np.bool_]] | None:
    """Try turns; for each, try shifts of the same cells, which costs next to nothing."""
    middle = ((area_mm[0] + area_mm[2]) / 2, (area_mm[1] + area_mm[3]) / 2)
    centre = sheet.world_from_page(np.array([middle]))[0]
    for _ in range(8):
        turn = angle_deg + rng.normal(0.0, spread_deg)
        lying = cutting.placed((0.0, 0.0), turn)
        box = (lying.mesh.vertices_mm[:, :2].max(axis=0) + lying.mesh.vertices_mm[:, :2].min(axis=0)) / 2
        lying = lying.placed((float(centre[0] - box[0]), float(centre[1] - box[1])), turn)
        cells = covered_cells(lying, sheet, gap_mm)
        rows, columns = np.nonzero(cells)
        down = (area_mm[1] - rows.min(), area_mm[3] - rows.max())
        across = (area_mm[0] - columns.min(), area_mm[2] - columns.max())
        if down[1] < down[0] or across[1] < across[0]:
            continue
        for _ in range(TRIES):
            dy, dx = int(rng.uniform(*down)), int(rng.uniform(*across))
            y, x = rows + dy, columns + dx
            if y.min() < 0 or x.min() < 0 or y.max() >= blocked.shape[0] or x.max() >= blocked.shape[1]:
                continue
            if not blocked[y, x].any():
                moved = np.zeros_like(blocked)
                moved[y, x] = True
                base = lying.axis_mm[0] + np.array([dx, -dy]) * sheet.print_scale
                return lying.placed((float(base[0]), float(base[1])), turn), moved
    return None
