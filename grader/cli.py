"""The command ``grader``: reads the command line, calls, prints.  Everything slow is imported late."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from grader.errors import ExitCode, GraderError

APP_NAME = "cutting-grader"
DEFAULT_TARGETS = "landscape-juniper"

app = typer.Typer(
    help="Grade a tray of plant cuttings from one photo on a printed mat, in millimetres.",
    epilog="Example: grader grade tray.jpg --out graded",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def main() -> None:
    """Run the command; a problem of the person becomes a sentence and advice, never a traceback."""
    try:
        app()
    except GraderError as problem:
        _complain(problem)
        sys.exit(int(ExitCode.USAGE))


def _complain(problem: GraderError) -> None:
    from grader.write.terminal import clean

    typer.echo(clean(problem.message), err=True)
    if problem.advice:
        typer.echo(clean(problem.advice), err=True)


@app.command(
    epilog="Example: grader grade monday/ --out graded --targets landscape-juniper "
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

    if forget:
        from grader.remember import save_bars

        save_bars(settings_folder(), {})
        if not photos:
            typer.echo("All remembered check bars are forgotten.", err=True)
            return
    if not photos:
        raise typer.BadParameter("give at least one photo or folder", param_hint="PHOTO|FOLDER...")
    batch = {k: v for k, v in (("cutter", cutter), ("donor", donor), ("species", species)) if v}
    request = Request(tuple(photos), out, targets, mat, measured, batch, as_json, debug_dir)
    code = run(request, settings_folder())
    if strict and code is ExitCode.SOME_SKIPPED:
        code = ExitCode.NOTHING_GRADED
    raise typer.Exit(int(code))


@app.command(epilog="Example: grader mat --size A4 --out mat")
def mat(
    size: Annotated[str, typer.Option(help="A4, A3, Letter, Tabloid, or WIDTHxHEIGHT in mm.")] = "A4",
    out: Annotated[Path, typer.Option(help="Folder for the PDF, SVG and PNG.")] = Path("mat"),
) -> None:
    """Make the measuring mat to print: PDF in true size, SVG and PNG."""
    from calib.design import mat_design
    from calib.draw import draw_pdf, draw_png, draw_svg
    from grader.write.files import write_atomic

    try:
        design = mat_design(size)
    except ValueError as problem:
        raise typer.BadParameter(str(problem), param_hint="--size") from None
    # A board of 1.2 m at 300 dots per inch would be 200 megapixels.
    dpi = 300.0 if max(design.layout.page_mm) < 500.0 else 150.0
    for suffix, data in (
        ("pdf", draw_pdf(design)),
        ("svg", draw_svg(design)),
        ("png", draw_png(design, dpi)),
    ):
        path = out / f"mat-{design.layout.mat_id}.{suffix}"
        write_atomic(path, data)
        typer.echo(str(path))
    typer.echo(
        'Print the PDF at 100 % ("actual size"), measure the check bar, and give its length once: '
        "grader grade PHOTO --measured 149.5",
        err=True,
    )


@app.command(epilog="Example: grader targets landscape-juniper > mine.toml")
def targets(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="Print this set, to edit it.")] = None,
) -> None:
    """List the shipped size targets, or print one as a file to edit."""
    from grader.verdict import load_targets, shipped_names

    if name is not None:
        typer.echo(load_targets(name).path.read_text(encoding="utf-8"), nl=False)
        return
    for shipped in shipped_names():
        typer.echo(f"{shipped:22} {load_targets(shipped).species}")


@app.command(epilog="Example: grader explain L01")
def explain(
    code: Annotated[str | None, typer.Argument(metavar="[CODE]", help="Code of a rule, such as L01.")] = None,
    targets: Annotated[str, typer.Option(help="Whose limits to show.")] = DEFAULT_TARGETS,
) -> None:
    """Explain a rule: what it checks, why, its limit and source; without CODE list all rules."""
    from grader.verdict import RULES, explain_rule, find_rule, load_targets

    if code is None:
        for rule in RULES.values():
            typer.echo(f"{rule.code}  {rule.flag:22} {rule.checks}")
        return
    rule = find_rule(code)
    typer.echo(f"{rule.code}: {rule.flag}\n")
    for heading, text in explain_rule(rule, load_targets(targets)):
        typer.echo(f"{heading}\n  " + text.replace("\n", "\n  ") + "\n")


def settings_folder() -> Path:
    """Return where this person's settings live."""
    return Path(typer.get_app_dir(APP_NAME))
