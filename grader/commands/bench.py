"""The command ``grader bench``: a page for the phone, served by this computer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from grader.commands.grade import MOST_WORKERS, Cutter, Donor, Doubtful, Mat, Measured, Species, TargetsName
from grader.commands.settings import DEFAULT_TARGETS, settings_folder

EXAMPLE = "Example: grader bench monday --out monday-graded --lan --cutter Ann --donor 'bed 7'"
DEFAULT_PORT = 8737
"""Of no known service (IANA's list, from memory); always the same one, so that a firewall can be told."""
MOST_PORT = 65_535

Trays = Annotated[Path, typer.Argument(metavar="TRAYS", help="Folder that the photos go into.")]
Out = Annotated[Path, typer.Option(help="Folder for pictures and tables, as in grader grade.")]
Lan = Annotated[
    bool, typer.Option("--lan", help="Let phones in the same network in; shows the code to scan.")
]
Address = Annotated[
    str, typer.Option(metavar="ADDRESS", help="Like --lan, at this one of the computer's addresses.")
]
Port = Annotated[int, typer.Option(min=0, max=MOST_PORT, help="Port; 0 takes any that is free.")]
Unit = Annotated[str, typer.Option(metavar="mm|in", help="Unit that the page begins with.")]
Workers = Annotated[
    int | None,
    typer.Option(min=1, max=MOST_WORKERS, help="Processes at work; left out: as many as cores, at most 2."),
]  # fmt: skip


def bench(
    trays: Trays = Path("trays"),
    out: Out = Path("graded"),
    lan: Lan = False,
    address: Address = "",
    port: Port = DEFAULT_PORT,
    unit: Unit = "mm",
    targets: TargetsName = DEFAULT_TARGETS,
    doubtful: Doubtful = "unsure",
    mat: Mat = None,
    measured: Measured = None,
    cutter: Cutter = "",
    donor: Donor = "",
    species: Species = "",
    workers: Workers = None,
) -> None:
    """Serve a page at the bench: the phone takes a picture of the tray and sees it graded.

    Photos and results are left as grader grade leaves them. Ctrl-C ends it.
    """
    from grader.errors import GraderError
    from grader.verdict import DOUBTFUL

    if doubtful not in DOUBTFUL:
        raise typer.BadParameter(f"{doubtful!r} is none of {', '.join(DOUBTFUL)}", param_hint="--doubtful")
    if unit not in ("mm", "in"):
        raise typer.BadParameter(f"{unit!r} is neither mm nor in", param_hint="--unit")
    try:
        from grader.bench.run import Wish, run
    except ModuleNotFoundError as problem:
        if str(problem.name).partition(".")[0] not in ("starlette", "uvicorn", "python_multipart"):
            raise
        raise GraderError(
            "The page at the bench needs a small web server that is not installed.",
            "Install it, in the folder of the program: .venv/bin/pip install '.[bench]'",
        ) from problem
    wish = Wish(
        trays=trays,
        out=out,
        targets=targets,
        doubtful=doubtful,
        mat=mat,
        measured_mm=measured,
        options={"cutter": cutter, "donor": donor, "species": species},
        unit=unit,
        is_lan=lan,
        address=address,
        port=port,
        n_workers=workers,
    )
    raise typer.Exit(int(run(wish, settings_folder())))
