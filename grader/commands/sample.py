"""The command ``grader sample``: how many cuttings of a crate to photograph, and what to decide."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EXAMPLE = "Example: grader sample 1000 graded --aql 4 --out sample"


def sample(
    lot: Annotated[int, typer.Argument(metavar="LOT", help="How many cuttings the crate holds.")],
    results: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[RESULTS...]", help="Results of the sample, once it is graded."),
    ] = None,
    aql: Annotated[
        float, typer.Option(metavar="PERCENT", help="Quality level: bad cuttings that are still acceptable.")
    ] = 4.0,
    strict: Annotated[
        bool, typer.Option("--strict", help="Grade 2 counts as bad too, not only culls.")
    ] = False,
    out: Annotated[Path | None, typer.Option(help="Folder for a page with the plan and its drawing.")] = None,
) -> None:
    """Say how many cuttings of a crate to photograph, and accept or reject it by them.

    Exit codes: 0 done, 1 some files of results left out, 2 wrong use, 3 no results could be read.
    """
    from grader.audit.sample import run

    raise typer.Exit(int(run(lot, aql, results or [], strict, out)))
