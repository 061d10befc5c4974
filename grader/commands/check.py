"""The command ``grader check``: how well photos measure, without grading."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from grader.commands.settings import DEFAULT_TARGETS, settings_folder

EXAMPLE = "Example: grader check tray.jpg --measured 149.5"


def check(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO|FOLDER...", help="Photos, or folders of photos.")
    ],
    mat: Annotated[
        Path | None, typer.Option(metavar="LAYOUT.json", help="Layout of a board that is not ours.")
    ] = None,
    measured: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Measured length of the 150 mm check bar, for these photos only."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the figures as JSON instead of tables.")
    ] = False,
) -> None:
    """Tell how well each photo measures, and what would improve it most; nothing is graded or written.

    Exit codes: 0 all photos measurable, 1 some not, 2 wrong use, 3 none measurable.
    """
    from grader.batch.request import Request
    from grader.check.run import run
    from grader.run import kit_for

    request = Request(tuple(photos), Path(), DEFAULT_TARGETS, mat, measured, {}, as_json)
    kit, _ = kit_for(request, settings_folder())
    raise typer.Exit(int(run(request.inputs, kit, as_json)))
