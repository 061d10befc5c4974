"""The command ``grader record``: what was stuck, and what became of it."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from grader.commands.settings import settings_folder

if TYPE_CHECKING:
    from grader.record.entries import FoundEntry, StuckEntry

EXAMPLE = "Example: grader record due"
HELP = "Keep a record of what was stuck and what rooted; nothing entered is ever overwritten."
_DUE_WEEKS = 12.0
app = typer.Typer(help=HELP, epilog=EXAMPLE, no_args_is_help=True, rich_markup_mode=None)

RecordFile = Annotated[
    Path | None, typer.Option("--record", metavar="FILE", help="The record's file, if not the usual one.")
]
Day = Annotated[
    str, typer.Option("--on", metavar="YYYY-MM-DD", help="The day it happened; today if left out.")
]
Label = Annotated[str, typer.Argument(metavar="LABEL", help="Label of the container, typed or scanned.")]


def record_path(given: Path | None) -> Path:
    """Return the record's file: the one given, or the usual one in the program's settings folder."""
    from grader.record.store import FILE_NAME

    return given or settings_folder() / FILE_NAME


def day_of(text: str) -> date:
    """Return a day as typed; today when empty."""
    try:
        return date.fromisoformat(text) if text else date.today()
    except ValueError:
        raise typer.BadParameter(f'"{text}" is no day; write year-month-day, such as 2026-02-28') from None


@app.command(epilog="Example: grader record stuck sheet/sticking.json --hormone 'powder, as on its label'")
def stuck(
    what: Annotated[str, typer.Argument(metavar="STICKING.json|LABEL", help="The sheet, or one container.")],
    count: Annotated[int | None, typer.Option(help="How many cuttings; only for one container.")] = None,
    on: Day = "",
    results: Annotated[
        list[Path] | None, typer.Option(help="results.json of the sheet, if it was moved since.")
    ] = None,
    species: Annotated[str, typer.Option(help="What plant it is.")] = "",
    donor: Annotated[str, typer.Option(help="Plant or bed the cuttings come from.")] = "",
    grade: Annotated[str, typer.Option(help="Their grade.")] = "",
    cutter: Annotated[str, typer.Option(help="Who made them.")] = "",
    medium: Annotated[str, typer.Option(help="What they stand in.")] = "",
    hormone: Annotated[str, typer.Option(help="Rooting hormone and strength; follow its label.")] = "",
    heat_c: Annotated[float, typer.Option("--heat-c", help="Bottom heat, degrees Celsius.")] = math.nan,
    due_weeks: Annotated[float, typer.Option(help="Weeks from sticking to the count.")] = _DUE_WEEKS,
    note: Annotated[str, typer.Option(help="Anything else.")] = "",
    correct: Annotated[bool, typer.Option("--correct", help="Correct what was entered before.")] = False,
    record: RecordFile = None,
) -> None:
    """Enter what was stuck: all containers of a sticking sheet, or one by hand."""
    from grader.record.enter import Entered, enter_stuck
    from grader.record.entries import StuckEntry
    from grader.record.sticking_in import Conditions, read_sticking
    from grader.record.store import open_record

    notes: tuple[str, ...] = ()
    entries: tuple[StuckEntry, ...]
    if what.endswith(".json") or Path(what).exists():
        if count is not None or any((species, donor, grade, cutter, medium)):
            raise typer.BadParameter("these stand on the sheet; give a label to enter one container by hand")
        told = Conditions(day_of(on) if on else None, hormone, heat_c, due_weeks, note)
        entries, notes = read_sticking(Path(what), results or [], told)
    else:
        if count is None:
            raise typer.BadParameter("give the number of cuttings: --count", param_hint="--count")
        entries = (
            StuckEntry(
                label=what, stuck_on=day_of(on), n_stuck=count, species=species, donor=donor, grade=grade,
                cutter=cutter, medium=medium, hormone=hormone, heat_c=heat_c, due_weeks=due_weeks, note=note,
                source="command",
            ),
        )  # fmt: skip
    path = record_path(record)
    is_new = not path.exists()
    with open_record(path, make=True) as opened:
        told_each = enter_stuck(opened, entries, date.today(), correct=correct)
    for text in notes:
        typer.echo(f"Note: {text}", err=True)
    for outcome in Entered:
        same = [e for e, o in zip(entries, told_each, strict=True) if o is outcome]
        if same:
            n = sum(entry.n_stuck for entry in same)
            typer.echo(f"{outcome.value}: {len(same)} {_plural('container', len(same))}, {n} cuttings")
    if is_new:
        typer.echo(f"A new record was begun: {path}", err=True)


@app.command(epilog="Example: grader record found CG1-7K3QF2ZC-A-01 --rooted 18 --dead 2 --last")
def found(
    label: Annotated[
        str | None, typer.Argument(metavar="[LABEL]", help="Container; without it, you are asked one by one.")
    ] = None,
    rooted: Annotated[int | None, typer.Option(help="Rooted so far, those potted on too.")] = None,
    callused: Annotated[int | None, typer.Option(help="With callus but no roots, that day.")] = None,
    dead: Annotated[int | None, typer.Option(help="Dead so far, those thrown away too.")] = None,
    last: Annotated[bool, typer.Option("--last", help="The last count: no more will root.")] = False,
    height_mm: Annotated[str, typer.Option(help="Heights of rooted plants, mm, such as '85 92 78'.")] = "",
    caliper_mm: Annotated[str, typer.Option(help="Stem calipers of rooted plants, mm.")] = "",
    on: Day = "",
    note: Annotated[str, typer.Option(help="Anything else.")] = "",
    correct: Annotated[bool, typer.Option("--correct", help="Replace the count of that day.")] = False,
    withdraw: Annotated[
        bool, typer.Option("--withdraw", help="Take the count of that day back: wrong container.")
    ] = False,
    record: RecordFile = None,
) -> None:
    """Enter what was found in a container: totals since sticking."""
    from grader.record.enter import withdraw_found
    from grader.record.entries import FoundEntry
    from grader.record.store import open_record

    day = day_of(on)
    if label is None:
        _ask_one_by_one(record_path(record), day)
        return
    if withdraw:
        with open_record(record_path(record)) as opened:
            withdraw_found(opened, label, day)
        typer.echo("withdrawn; it stays in the history")
        return
    pairs = (("height_mm", height_mm), ("caliper_mm", caliper_mm))
    sizes = {name: _sizes(name, text) for name, text in pairs if text}
    entry = FoundEntry(label, day, rooted, callused, dead, last, sizes, note)
    _keep(record_path(record), [entry], correct)


@app.command(epilog="Example: grader record due --csv count.csv")
def due(
    on: Day = "",
    csv: Annotated[Path | None, typer.Option(help="Write a sheet to fill in on the bench.")] = None,
    record: RecordFile = None,
) -> None:
    """List the containers to count; with --csv, as a sheet to fill in."""
    from grader.record import look
    from grader.record.count_sheet import count_sheet
    from grader.record.store import open_record, reading
    from grader.record.tell import due_text
    from grader.write.files import write_atomic

    day = day_of(on)
    with open_record(record_path(record)) as opened, reading(opened) as db:
        items = look.due(db, day)
    if csv is not None:
        if csv.exists():
            raise typer.BadParameter(f"{csv} exists already and may be filled in", param_hint="--csv")
        write_atomic(csv, count_sheet(items, day))
        typer.echo(f"{csv}: {len(items)} {_plural('container', len(items))}. Then: grader record read {csv}")
        return
    for item in items:
        told = ", ".join(part for part in (item.donor, item.place) if part)
        when = due_text(item.due_on, day)
        typer.echo(f"{item.label}  {item.n_now} cuttings, {when}  {told}".rstrip())
    if not items:
        typer.echo("Nothing is due.")


@app.command(epilog="Example: grader record read count.csv")
def read(
    sheet: Annotated[Path, typer.Argument(metavar="FILE.csv", help="The filled-in count sheet.")],
    correct: Annotated[bool, typer.Option("--correct", help="Replace counts of the same days.")] = False,
    record: RecordFile = None,
) -> None:
    """Enter a filled-in count sheet: all its lines, or none."""
    from grader.record.count_sheet import read_count_sheet

    entries = list(read_count_sheet(sheet, date.today()))
    if not entries:
        typer.echo("No counts are filled in; nothing was written.", err=True)
        return
    _keep(record_path(record), entries, correct)


def _keep(path: Path, entries: list[FoundEntry], correct: bool) -> None:
    from grader.record.enter import Entered, enter_found
    from grader.record.store import open_record

    with open_record(path) as opened:
        outcomes = enter_found(opened, entries, date.today(), correct=correct)
    for outcome in Entered:
        n = outcomes.count(outcome)
        if n:
            told = "; nothing was written" if outcome is Entered.ALREADY else ""
            typer.echo(f"{outcome.value}: {n} {_plural('count', n)}{told}")


def _ask_one_by_one(path: Path, day: date) -> None:
    """Ask for label and counts until an empty label; each is kept at once, a mistake only costs that one."""
    from grader.errors import GraderError
    from grader.record.entries import FoundEntry
    from grader.record.look import container
    from grader.record.store import open_record, reading

    while label := typer.prompt("Scan or type a label (empty: done)", default="", show_default=False).strip():
        try:
            with open_record(path) as opened, reading(opened) as db:
                item = container(db, label)
            typer.echo(f"{item.label}: {item.n_on(day)} cuttings, {item.donor or 'donor not told'}")
            counts = [_ask_count(word) for word in ("rooted", "callused", "dead")]
            is_last = typer.confirm("the last count?", default=False)
            rooted, callused, dead = counts
            _keep(path, [FoundEntry(label, day, rooted, callused, dead, is_last)], correct=False)
        except GraderError as problem:
            typer.echo(f"{problem.message} {problem.advice}", err=True)


def _ask_count(word: str) -> int | None:
    while text := typer.prompt(f"{word} (empty: not counted)", default="", show_default=False).strip():
        if text.isdecimal():
            return int(text)
        typer.echo("A whole number, please.", err=True)
    return None


def _sizes(name: str, text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.split())
    except ValueError:
        raise typer.BadParameter("sizes in mm, divided by blanks", param_hint=f"--{name}") from None


def _plural(word: str, n: int) -> str:
    return word if n == 1 else f"{word}s"


# The other sub-commands join the same app.
from grader.commands import record_upkeep as record_upkeep  # noqa: E402
