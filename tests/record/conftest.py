"""What the tests of the record share."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from grader.record.enter import enter_stuck
from grader.record.entries import StuckEntry
from grader.record.store import Record, open_record

TODAY = date(2026, 6, 1)
STUCK = date(2026, 2, 2)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


@pytest.fixture
def record(path: Path) -> Iterator[Record]:
    """A record with two containers of 20 cuttings."""
    with open_record(path, make=True) as opened:
        entries = [StuckEntry(label, STUCK, 20, "juniper", "bed 7") for label in ("A-01", "A-02")]
        enter_stuck(opened, entries, TODAY)
        yield opened
