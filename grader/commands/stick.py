"""The command ``grader stick``: sort graded cuttings into size groups, print the sticking sheet."""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from grader.stick.room import Container
    from grader.stick.values import StickValues

EXAMPLE = "Example: grader stick graded --out sticking --container 540x280 --spacing 40 --wood hardwood"


class SortBy(StrEnum):
    """What the groups are made by."""

    LENGTH = "length"
    DIAMETER = "diameter"


class Wood(StrEnum):
    """Class of wood."""

    SOFTWOOD = "softwood"
    SEMI_HARDWOOD = "semi-hardwood"
    HARDWOOD = "hardwood"


class Paper(StrEnum):
    """Paper of the sheet."""

    A4 = "A4"
    LETTER = "Letter"


TRAIT_OF = {SortBy.LENGTH: "total_length_mm", SortBy.DIAMETER: "base_diameter_mm"}


def stick(
    results: Annotated[
        list[Path] | None, typer.Argument(metavar="RESULTS...", help="results.json files, or their folders.")
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for sticking.pdf and sticking.json.")] = Path("sticking"),
    sort_by: Annotated[SortBy, typer.Option(help="What the size groups are made by.")] = SortBy.LENGTH,
    container: Annotated[
        str, typer.Option(metavar="WIDTHxLENGTH", help="Inside of an open container, mm.")
    ] = "",
    fill: Annotated[
        float | None, typer.Option(metavar="MM", help="Height of the medium in an open container.")
    ] = None,
    spacing: Annotated[
        float | None, typer.Option(metavar="MM", help="From cutting to cutting in an open container.")
    ] = None,
    cells: Annotated[
        int | None, typer.Option(metavar="N", help="Cells in a tray, instead of an open container.")
    ] = None,
    cell_ml: Annotated[float | None, typer.Option(metavar="ML", help="Volume of one cell.")] = None,
    wood: Annotated[
        Wood | None, typer.Option(help="Class of wood: shows the hormone strengths for it alone.")
    ] = None,
    mix: Annotated[str, typer.Option(metavar="NAME", help="Medium, one of those in the values.")] = "",
    values: Annotated[
        Path | None, typer.Option(metavar="FILE.toml", help="Your own values instead of the shipped ones.")
    ] = None,
    show_values: Annotated[
        bool, typer.Option("--show-values", help="Print the values with their sources, and stop.")
    ] = False,
    stuck_on: Annotated[
        datetime | None,
        typer.Option("--date", formats=["%Y-%m-%d"], help="Day of sticking; today unless told."),
    ] = None,
    paper: Annotated[Paper, typer.Option(help="Paper of sheet and labels.")] = Paper.A4,
) -> None:
    """Sort graded cuttings into even size groups; write a sticking sheet with labels, and pictures.

    Exit codes: 0 done, 1 some files of results left out, 2 wrong use, 3 nothing to stick.
    """
    from grader.stick.values import SHIPPED, load_values

    loaded = load_values(values or SHIPPED)
    if show_values:
        typer.echo((values or SHIPPED).read_text(encoding="utf-8"), nl=False)
        return
    if not results:
        raise typer.BadParameter("give at least one results.json or its folder", param_hint="RESULTS...")
    box = _container(container, fill, spacing, cells, cell_ml, loaded)
    from grader.stick.plan import Choices
    from grader.stick.run import run

    day = stuck_on.date() if stuck_on else date.today()
    choices = Choices(TRAIT_OF[sort_by], box, loaded.mix(mix), wood.value if wood else "", day)
    raise typer.Exit(int(run(results, out, choices, loaded, paper.value)))


def _container(
    size: str,
    fill_mm: float | None,
    spacing_mm: float | None,
    cells: int | None,
    cell_ml: float | None,
    values: StickValues,
) -> Container:
    """Return the container that the options describe; the values fill what is not told."""
    from grader.stick.room import cell_tray, open_container

    usual = values.container
    if cells is not None:
        if size or fill_mm is not None or spacing_mm is not None:
            raise typer.BadParameter(
                "give either --cells, or --container with --fill and --spacing", param_hint="--cells"
            )
        return cell_tray(cells, usual.cell_ml if cell_ml is None else cell_ml)
    if cell_ml is not None:
        raise typer.BadParameter("goes with --cells", param_hint="--cell-ml")
    return open_container(
        _size_mm(size) if size else (usual.width_mm, usual.length_mm),
        usual.fill_mm if fill_mm is None else fill_mm,
        usual.spacing_mm if spacing_mm is None else spacing_mm,
    )


def _size_mm(text: str) -> tuple[float, float]:
    try:
        width, length = (float(part) for part in text.lower().replace("×", "x").split("x"))
    except ValueError:
        raise typer.BadParameter(
            f'"{text}" is no size: write width x length in mm, such as 540x280', param_hint="--container"
        ) from None
    return (width, length)
