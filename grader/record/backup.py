"""Backups of the record: a whole second file, checked after it was written."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from contextlib import closing
from datetime import datetime
from pathlib import Path

from grader.record.store import Record, RecordProblem, copy_to


def backup(record: Record, target: Path | None, at: datetime) -> Path:
    """Write a backup, while others may go on writing; return where.

    Parameters
    ----------
    record : Record
        The record.
    target : Path or None
        File or folder; None for the folder of the record.
    at : datetime
        Goes into the name unless a file is named.

    Raises
    ------
    RecordProblem
        If the file exists, cannot be written, or does not read back whole.
    """
    name = f"{record.path.stem}-{at:%Y%m%d-%H%M%S}{record.path.suffix}"
    if target is None:
        target = record.path.with_name(name)
    elif target.is_dir():
        target = target / name
    if target.exists():
        raise RecordProblem(f"{target} exists already; it was left as it is.", "Give another name.")
    partial = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, partial_name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        os.close(handle)
        partial = Path(partial_name)
        copy_to(record.db, partial)
        _check_same(record.db, partial)
        os.replace(partial, target)
    except (OSError, sqlite3.Error) as problem:
        raise RecordProblem(
            f"The backup {target} cannot be written ({problem}).", "Give another place, or free some space."
        ) from problem
    finally:
        if partial is not None:
            partial.unlink(missing_ok=True)
    return target


def tables(db: sqlite3.Connection) -> tuple[str, ...]:
    """Return the names of all tables in the order of making: what is referred to comes first."""
    rows = db.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY rowid"
    )
    return tuple(str(row[0]) for row in rows)


def _check_same(db: sqlite3.Connection, copy: Path) -> None:
    """Raise unless the copy is sound. It may hold more than ``db`` did when it began, never less."""
    with closing(sqlite3.connect(copy)) as other:
        health = other.execute("PRAGMA integrity_check").fetchone()[0]
        if health != "ok":
            raise sqlite3.DatabaseError(str(health))
        if tables(other) != tables(db):
            raise sqlite3.DatabaseError("tables are missing")
