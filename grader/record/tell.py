"""Tell what stands in the record, as lines for the terminal."""

from __future__ import annotations

import sqlite3
from datetime import date

from grader.record.entries import SIZE_TRAITS
from grader.record.look import ContainerNow, Finding


def one_line(item: ContainerNow) -> str:
    """Return one container as one line."""
    parts = [item.label, f"{item.n_now} cuttings", f"since {item.first_day}"]
    parts += [
        part for part in (item.species, item.donor, item.grade and f"grade {item.grade}", item.place) if part
    ]
    if item.findings:
        parts.append(_counts(item.findings[-1]))
    elif item.due_on:
        parts.append(f"due {item.due_on}")
    return ", ".join(parts)


def due_text(due_on: date | None, day: date) -> str:
    """Return when a container is due, and since when it is overdue.

    Examples
    --------
    >>> due_text(date(2026, 5, 4), date(2026, 5, 4)), due_text(date(2026, 5, 4), date(2026, 5, 7))
    ('due 2026-05-04', 'due 2026-05-04, overdue by 3 days')
    >>> due_text(None, date(2026, 5, 4))
    'due date unknown'
    """
    if due_on is None:
        return "due date unknown"
    n_days = (day - due_on).days
    late = f", overdue by {n_days} {'day' if n_days == 1 else 'days'}" if n_days > 0 else ""
    return f"due {due_on}{late}"


def _counts(finding: Finding) -> str:
    pairs = ((finding.rooted, "rooted"), (finding.callused, "callused"), (finding.dead, "dead"))
    told = " ".join(f"{n} {word}" for n, word in pairs if n is not None)
    return f"{told} on {finding.found_on}{' (last count)' if finding.is_final else ''}"


def history(db: sqlite3.Connection, item: ContainerNow) -> list[str]:
    """Return everything ever entered about a container, in order of entry, replaced rows included."""
    lines: list[tuple[str, str]] = []
    for row in db.execute(
        "SELECT s.entered_at, s.stuck_on, s.n_stuck, coalesce(d.name, ''), s.medium, s.hormone, s.heat_c, "
        "s.note, s.source, s.replaces, EXISTS (SELECT 1 FROM sticking r WHERE r.replaces = s.id) "
        "FROM sticking s LEFT JOIN donor d ON d.id = s.donor_id WHERE s.container_id = ? ORDER BY s.id",
        (item.id,),
    ):
        heat = f"{row[6]:g} °C" if row[6] is not None else ""
        told = ", ".join(part for part in (row[3], row[4], row[5], heat, row[7]) if part)
        text = f"stuck on {row[1]}: {row[2]} cuttings{f' ({told})' if told else ''}, from {row[8]}"
        lines.append((row[0], _marked(text, row[9] is not None, bool(row[10]))))
    for row in db.execute(
        "SELECT f.entered_at, f.found_on, f.n_rooted, f.n_callused, f.n_dead, f.is_final, f.note, f.source, "
        "f.withdrawn, f.replaces, EXISTS (SELECT 1 FROM finding r WHERE r.replaces = f.id), f.id "
        "FROM finding f WHERE f.container_id = ? ORDER BY f.id",
        (item.id,),
    ):
        if row[8]:
            lines.append((row[0], f"count of {row[1]} withdrawn"))
            continue
        pairs = zip(("rooted", "callused", "dead"), row[2:5], strict=True)
        counts = ", ".join(f"{n} {word}" for word, n in pairs if n is not None)
        text = f"found on {row[1]}: {counts}{', last count' if row[5] else ''}{_sizes(db, row[11])}"
        text += f" ({row[6]})" if row[6] else ""
        lines.append((row[0], _marked(f"{text}, from {row[7]}", row[9] is not None, bool(row[10]))))
    places = db.execute(
        "SELECT entered_at, moved_on, place FROM place WHERE container_id = ? ORDER BY id", (item.id,)
    )
    lines.extend((row[0], f"moved on {row[1]} to {row[2]}") for row in places)
    moves = db.execute(
        "SELECT entered_at FROM transfer WHERE from_id = ? OR to_id = ? ORDER BY moved_on, id",
        (item.id, item.id),
    )
    lines.extend(
        (row[0], f"{move.n} cuttings went from {move.from_label} to {move.to_label} on {move.moved_on}")
        for row, move in zip(moves, item.transfers, strict=True)
    )
    lines.sort(key=lambda line: line[0])
    return [one_line(item), *(f"  {entered:25} {text}" for entered, text in lines)]


def _sizes(db: sqlite3.Connection, finding: int) -> str:
    told = ""
    for trait, words in SIZE_TRAITS.items():
        rows = db.execute(
            "SELECT value FROM size WHERE finding_id = ? AND trait = ?", (finding, trait)
        ).fetchall()
        if rows:
            told += f", {words} {' '.join(f'{row[0]:g}' for row in rows)} mm"
    return told


def _marked(text: str, corrects: bool, is_replaced: bool) -> str:
    mark = " [corrects the one before]" if corrects else ""
    return text + mark + (" [replaced]" if is_replaced else "")
