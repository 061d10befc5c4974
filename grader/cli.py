"""The command line: parses, calls, prints."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from grader.errors import ExitCode, GraderError

app = typer.Typer(
    name="grader",
    help="Grade a tray of plant cuttings from one photo on a printed mat, in millimetres.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
)

OptionalPath = Optional[Path]  # noqa: UP045 - Typer reads it at run time on Python 3.11
OptionalFloat = Optional[float]  # noqa: UP045


def main() -> None:
    """Run the command line."""
    app()


def _fail(problem: GraderError, code: ExitCode) -> typer.Exit:
    typer.echo(f"grader: {problem.message}", err=True)
    if problem.advice:
        typer.echo(f"        {problem.advice}", err=True)
    return typer.Exit(int(code))


@app.command()
def grade(
    photos: Annotated[list[Path], typer.Argument(help="Photos, or folders of photos.", metavar="PHOTO...")],
    out: Annotated[
        Path, typer.Option(help="Folder for marked pictures, results.json and cuttings.csv.")
    ] = Path("graded"),
    targets: Annotated[
        str, typer.Option(help="Size targets: a name from 'grader targets' or a TOML file.")
    ] = "",
    mat: Annotated[
        OptionalPath, typer.Option(help="Layout (JSON) of a board that is not one of our mats.")
    ] = None,
    measured: Annotated[
        OptionalFloat,
        typer.Option(help="Length in mm of the printed 150 mm check bar; remembered for that mat."),
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Forget remembered check bars first.")] = False,
    cutter: Annotated[str, typer.Option(help="Who cut them.")] = "",
    donor: Annotated[str, typer.Option(help="Donor plant.")] = "",
    species: Annotated[str, typer.Option(help="Species or variety.")] = "",
    strict: Annotated[
        bool, typer.Option("--strict", help="Skipped photos make the run fail (exit 3).")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print results.json to standard output.")] = False,
) -> None:
    """Grade photos of cuttings on the mat: marked pictures, a table, results.json and cuttings.csv.

    Example: grader grade tray1.jpg tray2.jpg --out graded --measured 149.5 --cutter "Helper 3"
    """
    from grader.batch import GradeRequest, grade_all

    request = GradeRequest(
        photos=tuple(photos),
        out=out,
        targets=targets,
        mat=mat,
        measured_mm=measured,
        forget=forget,
        batch={k: v for k, v in {"cutter": cutter, "donor": donor, "species": species}.items() if v},
        print_json=as_json,
    )
    try:
        n_graded, n_skipped = grade_all(request, Path(typer.get_app_dir("cutting-grader")))
    except GraderError as problem:
        raise _fail(problem, ExitCode.USAGE) from None
    if n_graded == 0 or (strict and n_skipped):
        raise typer.Exit(int(ExitCode.NOTHING_GRADED))
    if n_skipped:
        raise typer.Exit(int(ExitCode.SOME_SKIPPED))


@app.command()
def mat(
    size: Annotated[str, typer.Option(help="A4, A3, Letter, Tabloid, or WIDTHxHEIGHT in mm.")] = "A4",
    out: Annotated[Path, typer.Option(help="Folder for the PDF, SVG and PNG.")] = Path("."),
) -> None:
    """Write the measuring mat to print: PDF in true size, SVG and PNG.

    Example: grader mat --size Letter --out mat
    """
    from calib.design import mat_design
    from calib.draw import draw_pdf, draw_png, draw_svg
    from grader.errors import OutputProblem
    from grader.write.results import write_atomically

    try:
        design = mat_design(size)
    except ValueError as problem:
        typer.echo(f"grader: {problem}", err=True)
        raise typer.Exit(int(ExitCode.USAGE)) from None
    name = f"cutting-mat-{design.layout.mat_id}"
    dots = 300.0 if max(design.layout.page_mm) < 500 else 150.0
    try:
        for suffix, data in (
            ("pdf", draw_pdf(design)),
            ("svg", draw_svg(design)),
            ("png", draw_png(design, dots)),
        ):
            write_atomically(out / f"{name}.{suffix}", data)
            typer.echo(str(out / f"{name}.{suffix}"))
    except OutputProblem as problem:
        raise _fail(problem, ExitCode.USAGE) from None
    typer.echo(
        "Print the PDF at 100 % (no fit to page), measure the check bar with a ruler, "
        "and tell its length once: grader grade PHOTO --measured 150.0",
        err=True,
    )


@app.command()
def targets(
    name: Annotated[str, typer.Argument(help="A name or a file to show and check; none lists all.")] = "",
) -> None:
    """List the size targets that come with the tool, or check and show one.

    Example: grader targets landscape-juniper > mine.toml
    """
    from grader.verdict import load_targets, shipped_names
    from grader.verdict.targets_file import targets_text

    if not name:
        for shipped in shipped_names():
            typer.echo(f"{shipped:24} {load_targets(shipped).species}")
        return
    try:
        load_targets(name)
        typer.echo(targets_text(name), nl=False)
    except GraderError as problem:
        raise _fail(problem, ExitCode.USAGE) from None


@app.command()
def explain(code: Annotated[str, typer.Argument(help="Code of a rule, such as L01.")]) -> None:
    """Explain a rule: what it checks, why it matters, its limit and source, an example.

    Example: grader explain L01
    """
    from grader.verdict import explain_rule

    try:
        typer.echo(explain_rule(code))
    except (GraderError, KeyError, ValueError) as problem:
        message = problem.message if isinstance(problem, GraderError) else str(problem).strip("'\"")
        typer.echo(f"grader: {message}", err=True)
        raise typer.Exit(int(ExitCode.USAGE)) from None
