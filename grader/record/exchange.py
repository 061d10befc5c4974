"""The whole record as JSON or as a folder of CSV tables, and back, history included."""

from __future__ import annotations

import csv
import io
import json
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from grader.record.backup import tables
from grader.record.count_sheet import FORMULA_SIGNS
from grader.record.look import containers
from grader.record.rules import check_container
from grader.record.store import Record, Refused, newest_version, reading, writing
from grader.write.files import write_atomic

SCHEMA = "cutting-grader/record"
FORMAT_FILE = "record.json"
"""In a folder of tables: which version of the record they are of."""
Rows = dict[str, tuple[tuple[str, ...], list[tuple[Any, ...]]]]
"""Table -> its columns, its rows."""


def export_json(record: Record, path: Path) -> None:
    """Write the whole record as one JSON file.

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    whole: dict[str, Any] = {"schema": SCHEMA, "version": newest_version()}
    whole["tables"] = {
        table: [dict(zip(columns, row, strict=True)) for row in rows]
        for table, (columns, rows) in _all_rows(record).items()
    }
    text = json.dumps(whole, ensure_ascii=False, allow_nan=False, indent=1)
    write_atomic(path, f"{text}\n".encode())


def export_csv(record: Record, folder: Path) -> None:
    """Write one CSV a table into a folder; an empty cell is "not told".

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    for table, (columns, rows) in _all_rows(record).items():
        out = io.StringIO(newline="")
        writer = csv.writer(out)
        writer.writerow(columns)
        writer.writerows([[_guarded(value) for value in row] for row in rows])
        write_atomic(folder / f"{table}.csv", out.getvalue().encode("utf-8"))
    form = {"schema": SCHEMA, "version": newest_version()}
    write_atomic(folder / FORMAT_FILE, f"{json.dumps(form)}\n".encode())


def import_record(record: Record, path: Path) -> int:
    """Read a whole export into a record that is still empty; return how many rows.

    Raises
    ------
    Refused
        If the record is not empty, or the export is damaged, of a newer version, or contradicts itself.
    """
    rows_by_table = _read_csv(path, record) if path.is_dir() else _read_json(path)
    with writing(record) as db:
        known = tables(db)
        if any(db.execute(f"SELECT 1 FROM {table} LIMIT 1").fetchone() for table in known):
            raise Refused(
                f"{record.path} holds entries already.",
                "Import into a new record: give a new name with --record.",
            )
        unknown = sorted(set(rows_by_table) - set(known))
        if unknown:
            raise Refused(
                f"{path}: the table {unknown[0]} is not known.", "Was it written by another program?"
            )
        db.execute("PRAGMA defer_foreign_keys = ON")
        n_rows = 0
        try:
            for table in known:
                n_rows += _insert_all(db, table, rows_by_table.get(table, ((), [])))
            broken = db.execute("PRAGMA foreign_key_check").fetchone()
        except (sqlite3.IntegrityError, sqlite3.OperationalError, sqlite3.ProgrammingError) as problem:
            raise Refused(
                f"{path} is damaged ({problem}).", "Export again, or take another export."
            ) from problem
        if broken:
            raise Refused(
                f"{path} is damaged: a row of {broken[0]} refers to nothing.", "Take another export."
            )
        for item in containers(db):
            check_container(item)
        return n_rows


def _insert_all(
    db: sqlite3.Connection, table: str, content: tuple[Sequence[str], list[tuple[Any, ...]]]
) -> int:
    columns, rows = content
    if not rows:
        return 0
    known = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
    unknown = sorted(set(columns) - set(known))
    if unknown:
        raise Refused(
            f"The column {unknown[0]} of {table} is not known.", "Was it written by another program?"
        )
    marks = ", ".join("?" * len(columns))
    db.executemany(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", rows)
    return len(rows)


def _all_rows(record: Record) -> Rows:
    found: Rows = {}
    with reading(record) as db:
        for table in tables(db):
            cursor = db.execute(f"SELECT * FROM {table} ORDER BY id")
            found[table] = (tuple(item[0] for item in cursor.description), cursor.fetchall())
    return found


def _read_json(path: Path) -> Rows:
    whole = _checked(path, path)
    try:
        found: Rows = {}
        for table, rows in whole["tables"].items():
            columns = tuple(rows[0]) if rows else ()
            found[str(table)] = (columns, [tuple(row[name] for name in columns) for row in rows])
        return found
    except (KeyError, TypeError, AttributeError, IndexError):
        raise Refused(f"{path} is damaged.", "Export again, or take another export.") from None


def _read_csv(folder: Path, record: Record) -> Rows:
    _checked(folder / FORMAT_FILE, folder)
    found: Rows = {}
    for file in sorted(folder.glob("*.csv")):
        kinds = {
            row[1]: row[2] for row in record.db.execute("SELECT * FROM pragma_table_info(?)", (file.stem,))
        }
        try:
            lines = list(csv.reader(io.StringIO(file.read_bytes().decode("utf-8-sig"), newline="")))
            columns = tuple(lines[0])
            rows = [
                tuple(_typed(text, kinds.get(name, "")) for text, name in zip(line, columns, strict=True))
                for line in lines[1:]
            ]
        except (OSError, ValueError, IndexError) as problem:
            raise Refused(
                f"{file} is damaged ({problem}).", "Export again, or take another export."
            ) from None
        found[file.stem] = (columns, rows)
    return found


def _checked(form: Path, path: Path) -> Mapping[str, Any]:
    try:
        whole = json.loads(form.read_bytes())
    except OSError as problem:
        raise Refused(
            f"{form} cannot be read ({problem.strerror}).", "Give what grader record export wrote."
        ) from None
    except (ValueError, RecursionError):
        raise Refused(f"{form} is damaged or cut short.", "Export again, or take another export.") from None
    if (
        not isinstance(whole, dict)
        or whole.get("schema") != SCHEMA
        or not isinstance(whole.get("version"), int)
    ):
        raise Refused(f"{path} is not an export of a record.", "Give what grader record export wrote.")
    if whole["version"] > newest_version():
        raise Refused(
            f"{path} was written by a newer version of this program (record version {whole['version']}).",
            "Update the program.",
        )
    return whole


def _guarded(value: object) -> object:
    """Mark texts that a spreadsheet would run as a formula; :func:`_typed` takes the mark off."""
    return f"'{value}" if isinstance(value, str) and value[:1] in FORMULA_SIGNS else value


def _typed(text: str, kind: str) -> object:
    if kind == "TEXT":
        return text[1:] if text.startswith("'") else text
    if text == "":
        return None
    return int(text) if kind == "INTEGER" else float(text)
