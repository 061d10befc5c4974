"""The record's file: open, make, bring up to date, write as a whole or not at all.

One SQLite file with a rollback journal, so that a copy of that one file is the whole record. Writers queue:
each takes the write lock before it reads what it will rely on.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from importlib import resources
from pathlib import Path

from grader.errors import GraderError

APPLICATION_ID = 0x43475031
""""CGP1": tells this record from other SQLite files."""
WAIT_S = 10.0
"""How long to wait for another program that is writing; a write takes milliseconds."""
FILE_NAME = "propagation.sqlite"
_MIGRATION = re.compile(r"(\d{3})_\w+\.sql")


class RecordProblem(GraderError):
    """The record's file, or one that should go into it, cannot be used."""


class Refused(RecordProblem):
    """An entry that contradicts the record or itself; nothing of it, nor of what came with it, was kept."""

    def __init__(self, message: str, advice: str = "") -> None:
        super().__init__(f"{message} Nothing was written.", advice)


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """An open record."""

    path: Path
    db: sqlite3.Connection


def migrations() -> tuple[tuple[int, str], ...]:
    """Return version and SQL of every step, in order."""
    folder = resources.files("grader.record") / "schema"
    named = [(entry, _MIGRATION.fullmatch(entry.name)) for entry in folder.iterdir()]
    return tuple(
        sorted((int(match[1]), entry.read_text(encoding="utf-8")) for entry, match in named if match)
    )


def newest_version() -> int:
    """Return the version that this program writes."""
    return migrations()[-1][0]


@contextlib.contextmanager
def open_record(path: Path, *, make: bool = False, wait_s: float = WAIT_S) -> Iterator[Record]:
    """Open the record, brought up to date; closed at the end.

    Parameters
    ----------
    path : Path
        The file.
    make : bool
        Whether to begin a new one where there is none.
    wait_s : float
        How long to wait for another program that is writing.

    Raises
    ------
    RecordProblem
        If there is none, it is damaged, no record, of a newer version, or stays locked.
    """
    if not path.is_file():
        if path.exists():
            raise RecordProblem(f"{path} is not a file.", "Give the record's file with --record.")
        if not make:
            raise RecordProblem(
                f"There is no record at {path}.",
                "It begins with: grader record stuck. Is it elsewhere? Give it with --record FILE.",
            )
    with _told(path):
        if make:
            path.parent.mkdir(parents=True, exist_ok=True)
        db = sqlite3.connect(path, timeout=wait_s, isolation_level=None)
    try:
        with _told(path):
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("PRAGMA synchronous = FULL")
            _check_and_migrate(db, path)
        yield Record(path, db)
    finally:
        db.close()


@contextlib.contextmanager
def writing(record: Record) -> Iterator[sqlite3.Connection]:
    """Write as a whole: everything inside is kept at the end, or nothing of it.

    Raises
    ------
    RecordProblem
        If another program keeps the record locked, or the disk fails.
    """
    with _told(record.path):
        record.db.execute("BEGIN IMMEDIATE")
        try:
            yield record.db
            record.db.execute("COMMIT")
        except BaseException:
            if record.db.in_transaction:
                record.db.execute("ROLLBACK")
            raise


@contextlib.contextmanager
def reading(record: Record) -> Iterator[sqlite3.Connection]:
    """Read one state of the record, whatever others write meanwhile.

    Raises
    ------
    RecordProblem
        If it cannot be read.
    """
    with _told(record.path):
        record.db.execute("BEGIN")
        try:
            yield record.db
        finally:
            if record.db.in_transaction:
                record.db.execute("ROLLBACK")


def now() -> str:
    """Return the time of entry, ISO 8601 with zone, to the second."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def copy_to(db: sqlite3.Connection, path: Path) -> None:
    """Write the whole record to another file, whatever others write meanwhile."""
    with contextlib.closing(sqlite3.connect(path)) as other:
        db.backup(other)


def version_of(db: sqlite3.Connection) -> int:
    """Return the version of an open file; 0 when it is new."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what SQLite says into a sentence and advice."""
    try:
        yield
    except sqlite3.Error as problem:
        raise _problem(path, problem) from problem
    except OSError as problem:
        raise RecordProblem(
            f"{path} cannot be opened ({problem.strerror}).", "Check the folder and its permissions."
        ) from problem


def _problem(path: Path, problem: sqlite3.Error) -> RecordProblem:
    text = str(problem)
    if "locked" in text:
        return RecordProblem(
            f"{path} is locked: another program is writing. Nothing was written.",
            "Wait until it has finished, then do this again.",
        )
    if "readonly" in text or "read-only" in text:
        return RecordProblem(
            f"{path} may only be read. Nothing was written.", "Check the permissions of file and folder."
        )
    if "full" in text:
        return RecordProblem("The disk is full. Nothing was written.", "Free some space, then do this again.")
    if "unable to open" in text:
        return RecordProblem(f"{path} cannot be opened.", "Check the folder and its permissions.")
    return RecordProblem(
        f"{path} is damaged, or no propagation record ({text}). Nothing was written.",
        "Put it aside, do not delete it, and go on with the latest backup (grader record backup makes them).",
    )


def _check_and_migrate(db: sqlite3.Connection, path: Path) -> None:
    is_new = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    application = db.execute("PRAGMA application_id").fetchone()[0]
    if not is_new and application != APPLICATION_ID:
        raise RecordProblem(
            f"{path} is not a propagation record.", "Give the record's file with --record FILE."
        )
    version, newest = version_of(db), newest_version()
    if version > newest:
        raise RecordProblem(
            f"{path} was written by a newer version of this program (record version {version}; "
            f"this program knows up to {newest}). Nothing was changed.",
            "Update the program.",
        )
    health = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    if health != "ok":
        raise sqlite3.DatabaseError(str(health))
    if version < newest:
        _migrate(db, path)


def _migrate(db: sqlite3.Connection, path: Path) -> None:
    """Bring the file up to date in one transaction; an older file is copied first."""
    db.execute("BEGIN IMMEDIATE")
    try:
        version = version_of(db)
        if version:
            # Under the write lock nobody can write meanwhile. By a second connection, for one that holds the
            # lock would wait for itself; not by copying the file, for closing it drops our locks (POSIX).
            with contextlib.closing(sqlite3.connect(path)) as source:
                copy_to(source, path.with_name(f"{path.name}.version-{version}"))
        for step, sql in migrations():
            if step > version:
                for statement in _statements(sql):
                    db.execute(statement)
        broken = db.execute("PRAGMA foreign_key_check").fetchone()
        if broken:
            raise sqlite3.DatabaseError(f"a row of {broken[0]} refers to nothing")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {newest_version()}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def _statements(sql: str) -> Iterator[str]:
    """Split a script; ``executescript`` would commit between its statements."""
    part = ""
    for line in sql.splitlines(keepends=True):
        part += line
        if sqlite3.complete_statement(part):
            yield part
            part = ""
