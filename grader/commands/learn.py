"""The command ``grader learn``: what paid, and which targets that suggests."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from grader.commands.record import RecordFile, record_path
from grader.commands.settings import DEFAULT_TARGETS

EXAMPLE = "Example: grader learn --out learned --targets mine.toml"


def learn(
    out: Annotated[Path, typer.Option(help="Folder for the page and suggested targets.")] = Path("learned"),
    targets: Annotated[
        str, typer.Option(help="Size targets in use: what a suggestion starts from.")
    ] = DEFAULT_TARGETS,
    seed: Annotated[int, typer.Option(help="Of the order by lot; the same seed gives the same order.")] = 1,
    label: Annotated[str, typer.Option(help="A line on top of the page, such as 'invented data'.")] = "",
    record: RecordFile = None,
) -> None:
    """Tell what rooted by size, grade, plant and more; suggest a target where the record carries it."""
    from grader.record.learn.page import page
    from grader.record.learn.report import report_of
    from grader.record.learn.target_out import check_loads, target_file
    from grader.record.learn.units import units_of
    from grader.record.store import open_record, reading
    from grader.verdict import load_targets
    from grader.write.files import write_atomic
    from grader.write.terminal import clean

    base = load_targets(targets)
    path = record_path(record)
    with open_record(path) as opened, reading(opened) as db:
        units, waiting = units_of(db)
    report = report_of(units, waiting, seed)
    day = date.today()
    files: dict[str, str] = {}
    for chapter in report.chapters:
        if chapter.suggestions:
            text = target_file(base, chapter.suggestions, day, path.name)
            check_loads(text)
            name = f"suggested-{_file_name(chapter.species)}.toml"
            if name in files.values():
                name = f"suggested-{_file_name(chapter.species)}-{len(files) + 1}.toml"
            write_atomic(out / name, text.encode("utf-8"))
            files[chapter.species] = name
    html = page(report, path.name, day, files, label)
    write_atomic(out / "what-paid.html", html.encode("utf-8"))
    for chapter in report.chapters:
        typer.echo(clean(f"{chapter.species}:"))
        for sentence in chapter.sentences:
            typer.echo(clean(f"- {sentence}"))
    if not report.chapters:
        typer.echo("Nothing is counted yet that could be compared.")
    if report.n_mixed:
        typer.echo(f"Left out, for species were mixed in them: {report.n_mixed}", err=True)
    if report.waiting:
        typer.echo(f"Not counted yet: {len(report.waiting)}; see grader record due", err=True)
    for name in ("what-paid.html", *files.values()):
        typer.echo(str(out / name), err=True)


def _file_name(species: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", species.lower()).strip("-")[:40] or "plant"
