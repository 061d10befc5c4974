"""The command ``grader grade``: grade the cuttings on photos."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from grader.commands.settings import DEFAULT_TARGETS, settings_folder
from grader.errors import ExitCode

EXAMPLE = (
    "Example: grader grade monday/ --out graded --targets landscape-juniper "
    "--measured 149.5 --cutter Ann --donor 'bed 7'"
)


def grade(
    photos: Annotated[
        list[Path] | None, typer.Argument(metavar="PHOTO|FOLDER...", help="Photos, or folders of photos.")
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for pictures, results.json and cuttings.csv.")] = Path(
        "graded"
    ),
    targets: Annotated[
        str, typer.Option(help="Size targets: a .toml file, or the name of a shipped set.")
    ] = DEFAULT_TARGETS,
    doubtful: Annotated[
        str,
        typer.Option(
            metavar="unsure|keep|set-aside",
            help="Cuttings too close to a limit to tell: say so, keep them at the measured value, or set "
            "them aside as if they failed.",
        ),
    ] = "unsure",
    mat: Annotated[
        Path | None, typer.Option(metavar="LAYOUT.json", help="Layout of a board that is not ours.")
    ] = None,
    measured: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Measured length of the 150 mm check bar; remembered for this mat."),
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Forget all remembered check bars first.")] = False,
    cutter: Annotated[str, typer.Option(help="Who made the cuttings; written to the results.")] = "",
    donor: Annotated[str, typer.Option(help="Plant or bed they come from.")] = "",
    species: Annotated[str, typer.Option(help="What plant it is.")] = "",
    strict: Annotated[
        bool, typer.Option("--strict", help="Fail (exit code 3) if any photo had to be skipped.")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the results as JSON instead of a table.")
    ] = False,
    debug_dir: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Save what each stage saw, one picture a stage.")
    ] = None,
) -> None:
    """Grade the cuttings on each photo; write pictures, results.json and cuttings.csv.

    Exit codes: 0 all photos graded, 1 some skipped, 2 wrong use, 3 nothing graded.
    A bad grade is not an error.
    """
    from grader.run import Request, run
    from grader.verdict import DOUBTFUL

    if forget:
        from grader.remember import save_bars

        save_bars(settings_folder(), {})
        if not photos:
            typer.echo("All remembered check bars are forgotten.", err=True)
            return
    if not photos:
        raise typer.BadParameter("give at least one photo or folder", param_hint="PHOTO|FOLDER...")
    if doubtful not in DOUBTFUL:
        raise typer.BadParameter(f"{doubtful!r} is none of {', '.join(DOUBTFUL)}", param_hint="--doubtful")
    batch = {k: v for k, v in (("cutter", cutter), ("donor", donor), ("species", species)) if v}
    request = Request(tuple(photos), out, targets, mat, measured, batch, as_json, debug_dir, doubtful)
    code = run(request, settings_folder())
    if strict and code is ExitCode.SOME_SKIPPED:
        code = ExitCode.NOTHING_GRADED
    raise typer.Exit(int(code))
