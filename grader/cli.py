"""The command ``grader``: reads the command line, calls, prints.  Everything slow is imported late."""

from __future__ import annotations

import sys

import typer

from grader.commands import (
    audit,
    bench,
    check,
    explain,
    grade,
    learn,
    mat,
    record,
    report,
    sample,
    stick,
    targets,
)
from grader.errors import ExitCode, GraderError

app = typer.Typer(
    help="Grade a tray of plant cuttings from one photo on a printed mat, in millimetres.",
    epilog="Example: grader grade tray.jpg --out graded",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

for command in (grade, bench, check, mat, targets, explain, report, stick, audit, sample, learn):
    name = command.__name__.rpartition(".")[2]
    app.command(epilog=command.EXAMPLE)(getattr(command, name))
app.add_typer(record.app, name="record")


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
