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
from grader.record.look import containers
from grader.record.rules import check_container
from grader.record.store import Record, RecordProblem, Refused, newest_version, reading, writing
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
    """Write one CSV a table into a folder; an empty cell is "not told", texts always stand in quotes.

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    for table, (columns, rows) in _all_rows(record).items():
        out = io.StringIO(newline="")
        writer = csv.writer(out, quoting=csv.QUOTE_NOTNULL if hasattr(csv, "QUOTE_NOTNULL") else csv.QUOTE_MINIMAL)
        writer.writerow(columns)
        writer.writerows(rows)
        write_atomic(folder / f"{table}.csv", out.getvalue().encode("utf-8"))
    form = {"schema": SCHEMA, "version": newest_version()}
    write_atomic(folder / FORMAT_FILE, f"{json.dumps(form)}\n".encode())
