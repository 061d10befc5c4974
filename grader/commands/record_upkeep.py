"""More of ``grader record``: moves, what stands there, backups, exchange."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from grader.commands.record import Day, Label, RecordFile, app, day_of, record_path

if TYPE_CHECKING:
    from grader.record.look import ContainerNow


@app.command(epilog="Example: grader record move CG1-7K3QF2ZC-A-01 --to 'bench 4'")
def move(
    label: Label,
    to: Annotated[str, typer.Option(help="Where it stands now.")],
    on: Day = "",
    record: RecordFile = None,
) -> None:
    """Enter where a container stands."""
    from grader.record import moves
    from grader.record.store import open_record

    with open_record(record_path(record)) as opened:
        moves.move(opened, label, to, day_of(on), date.today())
    typer.echo(f"moved to {to}")


@app.command(epilog="Example: grader record split CG1-7K3QF2ZC-A-01 --into A-01-B --count 8")
def split(
    label: Label,
    into: Annotated[str, typer.Option(help="Label of the new container.")],
    count: Annotated[int, typer.Option(help="How many cuttings go over, dead ones included.")],
    on: Day = "",
    record: RecordFile = None,
) -> None:
    """Enter that some cuttings went into a new container."""
    from grader.record import moves
    from grader.record.store import open_record

    with open_record(record_path(record)) as opened:
        moves.split(opened, label, into, count, day_of(on), date.today())
    typer.echo(f"{count} cuttings are now in {into}; count both from now on")


@app.command(epilog="Example: grader record merge CG1-7K3QF2ZC-A-02 --into CG1-7K3QF2ZC-A-01")
def merge(
    label: Label,
    into: Annotated[str, typer.Option(help="Label of the container that takes them.")],
    on: Day = "",
    record: RecordFile = None,
) -> None:
    """Enter that all cuttings of a container went into another one."""
    from grader.record import moves
    from grader.record.store import open_record

    with open_record(record_path(record)) as opened:
        n = moves.merge(opened, label, into, day_of(on), date.today())
    typer.echo(f"{n} cuttings are now in {into}")


@app.command(epilog="Example: grader record show CG1-7K3QF2ZC-A-01")
def show(
    label: Annotated[
        str | None, typer.Argument(metavar="[LABEL]", help="One container with its history; else all.")
    ] = None,
    record: RecordFile = None,
) -> None:
    """Show all containers, or one with everything ever entered about it."""
    from grader.record.look import container, containers
    from grader.record.store import open_record, reading
    from grader.record.tell import history, one_line

    path = record_path(record)
    with open_record(path) as opened, reading(opened) as db:
        if label is not None:
            for line in history(db, container(db, label)):
                typer.echo(line)
            return
        items: tuple[ContainerNow, ...] = containers(db)
    for item in items:
        typer.echo(one_line(item))
    typer.echo(f"{len(items)} in {path}", err=True)


@app.command(epilog="Example: grader record backup /media/stick")
def backup(
    target: Annotated[
        Path | None, typer.Argument(metavar="[FILE|FOLDER]", help="Where to; beside the record if left out.")
    ] = None,
    record: RecordFile = None,
) -> None:
    """Write a backup: a whole second file, checked. Keep one on another disk."""
    from grader.record.backup import backup as write_backup
    from grader.record.store import open_record

    with open_record(record_path(record)) as opened:
        typer.echo(str(write_backup(opened, target, datetime.now())))


@app.command(epilog="Example: grader record export record.json")
def export(
    target: Annotated[
        Path, typer.Argument(metavar="FILE.json|FOLDER", help="JSON file, or a folder for CSV tables.")
    ],
    record: RecordFile = None,
) -> None:
    """Write the whole record, history included, as JSON or CSV."""
    from grader.record.exchange import export_csv, export_json
    from grader.record.store import open_record

    with open_record(record_path(record)) as opened:
        (export_json if target.suffix == ".json" else export_csv)(opened, target)
    typer.echo(str(target))


@app.command(name="import", epilog="Example: grader record import record.json --record new.sqlite")
def import_(
    source: Annotated[Path, typer.Argument(metavar="FILE.json|FOLDER", help="What export wrote.")],
    record: RecordFile = None,
) -> None:
    """Read an export into a new record."""
    from grader.record.exchange import import_record
    from grader.record.store import open_record

    path = record_path(record)
    with open_record(path, make=True) as opened:
        n = import_record(opened, source)
    typer.echo(f"{n} rows are now in {path}")
