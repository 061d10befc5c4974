"""The record's file: nothing entered is lost, whatever happens to it."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import date, datetime
from pathlib import Path

import pytest

from grader.record.backup import backup
from grader.record.enter import enter_found, enter_stuck
from grader.record.entries import FoundEntry, StuckEntry
from grader.record.exchange import export_csv, export_json, import_record
from grader.record.look import container, labels
from grader.record.moves import move, split
from grader.record.store import (
    APPLICATION_ID,
    Record,
    RecordProblem,
    Refused,
    migrations,
    newest_version,
    open_record,
    reading,
    version_of,
    writing,
)
from tests.record.conftest import STUCK, TODAY

DAY = date(2026, 5, 4)
ROOT = Path(__file__).parents[2]


def dump(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as db:
        return list(db.iterdump())


def older_file(path: Path) -> None:
    """Write a file of version 1 with a count and its correction, by SQL alone."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript(migrations()[0][1])
        db.executescript(
            "INSERT INTO donor VALUES (1, 'bed 7', '2025-02-01T08:00:00+00:00');"
            "INSERT INTO container VALUES (1, 'OLD-1', '2025-02-01T08:00:00+00:00');"
            "INSERT INTO sticking VALUES (1, 1, '2025-02-01', 20, 'juniper', 1, '1', 'Ann', '', '', NULL, "
            "NULL, 'sand', '', NULL, 12.0, 'n', 'command', '2025-02-01T08:00:00+00:00', NULL);"
            "INSERT INTO finding VALUES (1, 1, '2025-05-01', 15, NULL, 2, '', 'command', 'x', 0, NULL);"
            "INSERT INTO finding VALUES (2, 1, '2025-05-01', 16, NULL, 2, '', 'command', 'x', 0, 1);"
            f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = 1;"
        )


def test_an_older_file_is_brought_up_to_date_and_kept_beside(path: Path) -> None:
    older_file(path)
    before = dump(path)
    with open_record(path) as record, reading(record) as db:
        assert version_of(db) == newest_version()
        item = container(db, "OLD-1")
        assert (item.n_stuck, item.donor, item.stuck_on) == (20, "bed 7", date(2025, 2, 1))
        assert [(f.rooted, f.dead, f.is_final) for f in item.findings] == [(16, 2, False)]
        assert db.execute("SELECT count(*) FROM finding").fetchone() == (2,)
    assert dump(path.with_name("record.sqlite.version-1")) == before


def test_a_migration_that_fails_leaves_the_file_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    older_file(path)
    before = dump(path)
    broken = (
        *migrations(),
        (newest_version() + 1, "CREATE TABLE new (id INTEGER);\nSELECT * FROM no_table;"),
    )
    monkeypatch.setattr("grader.record.store.migrations", lambda: broken)
    with pytest.raises(RecordProblem, match="no_table"), open_record(path):
        pass
    assert dump(path) == before


def test_a_file_of_a_newer_version_is_left_alone(record: Record, path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
    before = path.read_bytes()
    with pytest.raises(RecordProblem, match="newer version"), open_record(path):
        pass
    assert path.read_bytes() == before


def test_a_file_that_is_no_record_is_refused(path: Path) -> None:
    path.write_bytes(b"not a database, but long enough to look at " * 40)
    with pytest.raises(RecordProblem, match="damaged, or no propagation record"), open_record(path):
        pass
    path.unlink()
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE mine (id INTEGER)")
    with pytest.raises(RecordProblem, match="not a propagation record"), open_record(path, make=True):
        pass
    with pytest.raises(RecordProblem, match="no record at"), open_record(path.with_name("other.sqlite")):
        pass
    with pytest.raises(RecordProblem, match="not a file"), open_record(path.parent):
        pass


def test_a_damaged_record_is_told(record: Record, path: Path) -> None:
    data = bytearray(path.read_bytes())
    page = int.from_bytes(data[16:18], "big")
    for start in range(page, len(data), page):
        data[start : start + 64] = b"\xff" * 64
    path.write_bytes(data)
    with pytest.raises(RecordProblem, match="damaged"), open_record(path):
        pass


def test_a_locked_record_is_told_and_nothing_is_written(record: Record, path: Path) -> None:
    with (
        writing(record),
        open_record(path, wait_s=0.1) as other,
        pytest.raises(RecordProblem, match="another program is writing"),
    ):
        enter_found(other, [FoundEntry("A-01", DAY, 3)], TODAY)
    with reading(record) as db:
        assert container(db, "A-01").findings == ()


def test_rows_can_be_neither_changed_nor_deleted(record: Record) -> None:
    enter_found(record, [FoundEntry("A-01", DAY, 3, sizes_mm={"height_mm": (80.0,)})], TODAY)
    move(record, "A-01", "bench 4", DAY, TODAY)
    split(record, "A-01", "A-01B", 5, DAY, TODAY)
    for table in ("donor", "container", "sticking", "finding", "size", "transfer", "place"):
        for sql in (f"DELETE FROM {table}", f"UPDATE {table} SET id = id + 1"):
            with pytest.raises(RecordProblem, match="nothing in the record is"), writing(record) as db:
                db.execute(sql)


def test_a_row_cannot_refer_to_nothing(record: Record) -> None:
    with pytest.raises(RecordProblem, match="FOREIGN KEY"), writing(record) as db:
        db.execute("INSERT INTO placement (container_id, cutting_id) VALUES (1, 77)")


WRITER = """
import sys
from datetime import date
from pathlib import Path
from grader.record.enter import enter_stuck
from grader.record.entries import StuckEntry
from grader.record.store import open_record
name, n = sys.argv[2], int(sys.argv[3])
for k in range(n):
    with open_record(Path(sys.argv[1]), make=True) as record:
        pair = [StuckEntry(f"{name}-{k}-{side}", date(2026, 2, 2), 20, donor=f"bed {k % 3}") for side in "LR"]
        enter_stuck(record, pair, date(2026, 6, 1))
    print(k, flush=True)
"""


def writer(path: Path, name: str, n: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), name, str(n)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )


def test_two_processes_write_at_once_and_nothing_is_lost(path: Path) -> None:
    processes = [writer(path, name, 12) for name in "XY"]
    for process in processes:
        process.communicate(timeout=60)
        assert process.returncode == 0
    with open_record(path) as record, reading(record) as db:
        assert len(labels(db)) == 2 * 2 * 12
        assert db.execute("SELECT count(*) FROM donor").fetchone() == (3,)


@pytest.mark.parametrize("wait_s", [0.0, 0.013])
def test_kill_in_the_middle_loses_nothing_that_was_confirmed(path: Path, wait_s: float) -> None:
    process = writer(path, "K", 100_000)
    assert process.stdout
    done = [process.stdout.readline() for _ in range(5)]
    time.sleep(wait_s)
    os.kill(process.pid, signal.SIGKILL)
    done += process.stdout.read().splitlines(keepends=True)
    process.wait()
    process.stdout.close()
    confirmed = sum(line.endswith("\n") for line in done)
    with open_record(path) as record, reading(record) as db:
        found = labels(db)
        assert len(found) >= 2 * confirmed
        assert {label[:-1] for label in found if label.endswith("L")} == {
            label[:-1] for label in found if label.endswith("R")
        }, "half of a pair was kept"
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_half_written_transaction_is_rolled_back_after_a_kill(record: Record, path: Path) -> None:
    """The journal of a writer killed before its commit is left behind, and undone by the next one."""
    code = (
        "import os, signal, sqlite3, sys\n"
        "db = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "db.execute('PRAGMA cache_size = 1'); db.execute('BEGIN IMMEDIATE')\n"
        "sql = 'INSERT INTO container (label, entered_at) VALUES (?, ?)'\n"
        "for k in range(3000): db.execute(sql, (f'H{k}', 'x'))\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    before = dump(path)
    subprocess.run([sys.executable, "-c", code, str(path)], check=False)
    assert path.with_name("record.sqlite-journal").stat().st_size > 0
    with open_record(path) as opened, reading(opened) as db:
        assert labels(db) == ("A-01", "A-02")
    assert dump(path) == before


def test_a_backup_is_the_whole_record_and_replaces_nothing(
    record: Record, path: Path, tmp_path: Path
) -> None:
    enter_found(record, [FoundEntry("A-01", DAY, 3)], TODAY)
    target = backup(record, tmp_path, datetime(2026, 6, 1, 12, 30))
    assert target.name == "record-20260601-123000.sqlite"
    assert dump(target) == dump(path)
    with pytest.raises(RecordProblem, match="exists already"):
        backup(record, target, datetime(2026, 6, 1, 12, 30))
    with open_record(target) as copy, reading(copy) as db:
        assert container(db, "A-01").findings[0].rooted == 3
    assert not [file for file in tmp_path.iterdir() if file.name.startswith(".")]


@pytest.mark.parametrize("kind", ["json", "csv"])
def test_export_and_import_give_the_same_record(
    record: Record, path: Path, tmp_path: Path, kind: str
) -> None:
    odd = StuckEntry(
        "=B 1", STUCK, 12, 'ju"ni,per', "'Bett' 7\noben", heat_c=0.1 + 0.2, note="-1+2 @ ünï", hormone=""
    )
    enter_stuck(record, [odd], TODAY)
    enter_found(record, [FoundEntry("A-01", DAY, 3, None, 1, sizes_mm={"caliper_mm": (1 / 3,)})], TODAY)
    enter_found(record, [FoundEntry("A-01", DAY, 4, None, 1, is_final=True)], TODAY, correct=True)
    move(record, "A-01", "bench 4", DAY, TODAY)
    split(record, "A-02", "A-02B", 5, DAY, TODAY)
    out = tmp_path / ("out.json" if kind == "json" else "tables")
    (export_json if kind == "json" else export_csv)(record, out)
    again = tmp_path / "again.sqlite"
    with open_record(again, make=True) as fresh:
        assert import_record(fresh, out) > 10
        with pytest.raises(Refused, match="holds entries already"):
            import_record(fresh, out)
    assert dump(again) == dump(path)


def test_a_damaged_export_is_refused_whole(record: Record, tmp_path: Path) -> None:
    export_json(record, tmp_path / "out.json")
    text = (tmp_path / "out.json").read_text()
    cases = {
        "cut short": text[:-40],
        "newer version": text.replace('"version": 2', '"version": 99'),
        "not an export": "[1, 2]",
        "damaged": text.replace('"container_id": 2', '"container_id": 22'),
        "not known": text.replace('"n_stuck"', '"n_other"'),
        "cannot be read": None,
    }
    for k, (message, content) in enumerate(cases.items()):
        source = tmp_path / f"case-{k}.json"
        if content is not None:
            assert content != text
            source.write_text(content)
        with open_record(tmp_path / f"new-{k}.sqlite", make=True) as fresh:
            with pytest.raises(Refused, match=message):
                import_record(fresh, source)
            assert labels(fresh.db) == ()
