"""The command ``grader audit``: what a cutter does again and again, told apart from chance."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EXAMPLE = "Example: grader audit graded --out audit --reference Ann --repeats repeats.csv"


def audit(
    results: Annotated[
        list[Path], typer.Argument(metavar="RESULTS...", help="results.json files, or their folders.")
    ],
    out: Annotated[Path, typer.Option(help="Folder for the pages and audit.json.")] = Path("audit"),
    targets: Annotated[
        str,
        typer.Option(help="Size targets to hold the work against; those it was graded by unless told."),
    ] = "",
    cutter: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="A page for this cutter only; may be repeated.")
    ] = None,
    reference: Annotated[
        str, typer.Option(metavar="NAME", help="Cutter whom the others are compared with.")
    ] = "",
    table: Annotated[
        Path | None,
        typer.Option(
            metavar="PHOTOS.csv",
            help="More about the photos; columns: photo, cutter, donor, day, tray, mat (which print).",
        ),
    ] = None,
    repeats: Annotated[
        Path | None,
        typer.Option(
            metavar="REPEATS.csv",
            help="Trays laid out and photographed again; columns: photo, tray, repeat, person.",
        ),
    ] = None,
    coded: Annotated[
        bool, typer.Option("--coded", help="Codes instead of names on the pages and in audit.json.")
    ] = False,
) -> None:
    """Audit the technique of cutters: pages to print, with what to say at the bench.

    Exit codes: 0 done, 1 some files of results left out, 2 wrong use, 3 nothing to audit.
    """
    from grader.audit.run import AuditRequest, run

    request = AuditRequest(
        tuple(results), out, targets, tuple(cutter or ()), reference, table, repeats, coded
    )
    raise typer.Exit(int(run(request)))
