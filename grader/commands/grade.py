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
MOST_WORKERS = 64

Photos = Annotated[
    list[Path] | None, typer.Argument(metavar="PHOTO|FOLDER...", help="Photos, or folders of photos.")
]
Out = Annotated[Path, typer.Option(help="Folder for pictures, results.json and cuttings.csv.")]
TargetsName = Annotated[str, typer.Option(help="Size targets: a .toml file, or the name of a shipped set.")]
Doubtful = Annotated[
    str,
    typer.Option(
        metavar="unsure|keep|set-aside",
        help="Cuttings too close to a limit to tell: say so, keep them at the measured value, or set "
        "them aside as if they failed.",
    ),
]
Mat = Annotated[Path | None, typer.Option(metavar="LAYOUT.json", help="Layout of a board that is not ours.")]
Measured = Annotated[
    float | None,
    typer.Option(metavar="MM", help="Measured length of the 150 mm check bar; remembered for this mat."),
]
Forget = Annotated[bool, typer.Option("--forget", help="Forget all remembered check bars first.")]
Cutter = Annotated[str, typer.Option(help="Who made the cuttings; written to the results.")]
Donor = Annotated[str, typer.Option(help="Plant or bed they come from.")]
Species = Annotated[str, typer.Option(help="What plant it is.")]
Workers = Annotated[
    int | None,
    typer.Option(
        min=1, max=MOST_WORKERS, help="Processes at work; left out: half the cores, at most 4.",
    ),
]  # fmt: skip
Fresh = Annotated[bool, typer.Option("--fresh", help="Measure again what is done already.")]
Watch = Annotated[
    bool, typer.Option("--watch", help="Grade photos as they arrive in the folder, until Ctrl-C.")
]
Strict = Annotated[bool, typer.Option("--strict", help="Fail (exit code 3) if any photo had to be skipped.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the results as JSON instead of a table.")]
DebugDir = Annotated[
    Path | None, typer.Option(metavar="FOLDER", help="Save what each stage saw, one picture a stage.")
]


def grade(
    photos: Photos = None,
    out: Out = Path("graded"),
    targets: TargetsName = DEFAULT_TARGETS,
    doubtful: Doubtful = "unsure",
    mat: Mat = None,
    measured: Measured = None,
    forget: Forget = False,
    cutter: Cutter = "",
    donor: Donor = "",
    species: Species = "",
    workers: Workers = None,
    fresh: Fresh = False,
    watch: Watch = False,
    strict: Strict = False,
    as_json: AsJson = False,
    debug_dir: DebugDir = None,
) -> None:
    """Grade the cuttings on each photo; write pictures, results.json and cuttings.csv.

    What is done already is not measured again. Exit codes: 0 all photos graded, 1 some skipped or stopped
    early, 2 wrong use, 3 nothing graded. A bad grade is not an error.
    """
    from grader.batch.request import Request
    from grader.run import run
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
    if watch and not all(path.is_dir() for path in photos):
        raise typer.BadParameter("--watch needs folders, not files", param_hint="FOLDER...")
    request = Request(
        inputs=tuple(photos),
        out=out,
        targets=targets,
        mat=mat,
        measured_mm=measured,
        batch={k: v for k, v in (("cutter", cutter), ("donor", donor), ("species", species)) if v},
        as_json=as_json,
        debug_dir=debug_dir,
        is_fresh=fresh,
        is_watching=watch,
        n_workers=workers,
        doubtful=doubtful,
    )
    code = run(request, settings_folder())
    if strict and code is ExitCode.SOME_SKIPPED:
        code = ExitCode.NOTHING_GRADED
    raise typer.Exit(int(code))
