"""The command ``grader report``: a page for people from results that are there already."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EXAMPLE = "Example: grader report graded --out monday.html --one-file"


def report(
    results: Annotated[
        Path,
        typer.Argument(
            metavar="RESULTS", help="The results.json that grader grade wrote, or the folder it lies in."
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The page to write; report.html beside the results unless told."),
    ] = None,
    one_file: Annotated[
        bool | None,
        typer.Option(
            "--one-file/--folder",
            help="Put the pictures into the page, to send it on, or into a folder beside it. Unless told, "
            "up to 12 photos make one file.",
        ),
    ] = None,
) -> None:
    """Make a page with every photo, cutting, reason and advice, to look at and to print."""
    from grader.report import write_report

    made = write_report(results, out, one_file)
    typer.echo(str(made.page))
    beside = f", pictures in {made.folder}" if made.folder else ", pictures inside"
    typer.echo(
        f"{made.n_photos} photo{'' if made.n_photos == 1 else 's'}, {made.n_bytes / 1e6:.1f} MB{beside}",
        err=True,
    )
    if made.n_without_picture:
        typer.echo(
            f"{made.n_without_picture} of the photos have no marked picture beside the results: "
            "keep the .graded.jpg files with results.json, or grade again.",
            err=True,
        )
