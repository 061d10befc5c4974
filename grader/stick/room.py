"""How many containers, and how much medium."""

from __future__ import annotations

import math
from dataclasses import dataclass

from grader.errors import GraderError
from grader.stick.lengths import range_text
from grader.traits.catalogue import MM_PER_INCH

MM3_PER_LITRE = 1e6
ML_PER_LITRE = 1000.0
NARROWEST_MM = 5.0
"""Closer, the stems themselves have no room: a typing error."""
WIDEST_MM = 5000.0
"""A bench; a larger container is a typing error."""
MOST_CELLS = 2000
MOST_CELL_ML = 20_000.0


@dataclass(frozen=True, slots=True)
class Container:
    """What is stuck into: an open tray at a spacing, or a tray of cells."""

    capacity: int
    """Cuttings in a full one."""
    volume_mm3: float
    """Of medium in a full one, settled."""
    fill_mm: float
    """Height of the medium; nan for cells, whose depth is not known."""
    words: str


def open_container(size_mm: tuple[float, float], fill_mm: float, spacing_mm: float) -> Container:
    """Return an open container: each cutting has a square of its own, half a spacing from the walls.

    Raises
    ------
    GraderError
        If a size makes no sense, or no cutting fits.

    Examples
    --------
    >>> open_container((540.0, 280.0), 60.0, 40.0).capacity  # 13 rows of 7
    91
    """
    for name, value in (("side", size_mm[0]), ("side", size_mm[1]), ("filling height", fill_mm)):
        _check(f"container {name}", value, NARROWEST_MM, WIDEST_MM, "mm", "--container or --fill")
    _check("spacing", spacing_mm, NARROWEST_MM, WIDEST_MM, "mm", "--spacing")
    # A part in 10^9 more, so that 0.3 / 0.1 counts as 3.
    rows, columns = (int(side / spacing_mm * (1 + 1e-9)) for side in size_mm)
    if rows * columns == 0:
        raise GraderError(
            f"No cutting fits: a spacing of {spacing_mm:g} mm is wider than a container of "
            f"{size_mm[0]:g} x {size_mm[1]:g} mm.",
            "Give a smaller --spacing or a larger --container.",
        )
    inches = " x ".join(f"{side / MM_PER_INCH:.1f}" for side in size_mm)
    words = (
        f"{size_mm[0]:g} x {size_mm[1]:g} mm ({inches} in), filled {range_text(fill_mm, fill_mm)} high, "
        f"spacing {range_text(spacing_mm, spacing_mm)}: {rows} x {columns} cuttings in each"
    )
    return Container(rows * columns, size_mm[0] * size_mm[1] * fill_mm, fill_mm, words)


def cell_tray(n_cells: int, cell_ml: float) -> Container:
    """Return a tray of cells, one cutting in each.

    Raises
    ------
    GraderError
        If a size makes no sense.
    """
    _check("number of cells", float(n_cells), 1.0, float(MOST_CELLS), "", "--cells")
    _check("volume of a cell", cell_ml, 1.0, MOST_CELL_ML, "ml", "--cell-ml")
    words = f"trays of {n_cells} cells of {cell_ml:g} ml"
    return Container(n_cells, n_cells * cell_ml / ML_PER_LITRE * MM3_PER_LITRE, math.nan, words)


def n_containers(n_cuttings: int, container: Container) -> int:
    """Return how many containers hold so many cuttings.

    Examples
    --------
    >>> [n_containers(n, open_container((540.0, 280.0), 60.0, 40.0)) for n in (0, 1, 91, 92)]
    [0, 1, 1, 2]
    """
    return -(-n_cuttings // container.capacity)


def medium_litres(n: int, container: Container, settling_share: float) -> float:
    """Return the loose medium that fills ``n`` containers, litres: their volume and what settles.

    Examples
    --------
    >>> two = medium_litres(2, open_container((540.0, 280.0), 60.0, 40.0), 0.15)
    >>> round(two, 3)  # 2 x 5.4 dm x 2.8 dm x 0.6 dm = 18.144 L, and 15 %
    20.866
    """
    return n * container.volume_mm3 / MM3_PER_LITRE * (1.0 + settling_share)


def _check(what: str, value: float, low: float, high: float, unit: str, option: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        gap = f" {unit}" if unit else ""
        raise GraderError(
            f"A {what} of {value:g}{gap} makes no sense.",
            f"Give {low:g} to {high:g}{gap} with {option}.",
        )
