"""What an earlier run left in the folder: photos that its tables tell of."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

from grader.write.table_csv import SHA_COLUMN
from grader.write.tables import CSV_NAME


def photos_told(out: Path) -> frozenset[str]:
    """Return the hashes of the photos in the table of cuttings; none where there is no table to be read."""
    try:
        with (out / CSV_NAME).open(encoding="utf-8-sig", newline="") as file:
            return frozenset(row.get(SHA_COLUMN) or "" for row in csv.DictReader(file)) - {""}
    except (OSError, ValueError, csv.Error):
        return frozenset()


def no_longer_told(before: frozenset[str], out: Path) -> Sequence[str]:
    """Return a sentence if the tables have just stopped telling of photos that they told of ``before``."""
    n = len(before - photos_told(out))
    if not n:
        return ()
    photos = "1 photo" if n == 1 else f"{n} photos"
    return (
        f"the tables and the report list the photos of this run; {photos} graded into {out} before "
        f"{'is' if n == 1 else 'are'} no longer listed. What was measured is kept: name all photos in one "
        "run to have them together, nothing is measured twice",
    )
