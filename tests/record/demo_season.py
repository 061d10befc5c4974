"""A whole season, from measured cuttings to a target: ``python -m tests.record.demo_season [FOLDER]``.

The data are invented and labelled so; every step is a command that a person would type.
"""

from __future__ import annotations

import csv
import io
import sys
import tempfile
from pathlib import Path

from typer.testing import CliRunner

from grader.cli import app
from tests.record.invented import season_files

COUNTED_ON = "2026-05-04"


def run(*words: str) -> str:
    """Type a command and return what it printed."""
    print(f"$ grader {' '.join(words)}")
    result = CliRunner().invoke(app, list(words), catch_exceptions=False)
    print(result.output.rstrip())
    assert result.exit_code == 0
    return result.output


def play(folder: Path) -> Path:
    """Play the season in a folder; return the page."""
    record = str(folder / "demo.sqlite")
    sheet, rooted = season_files(folder / "results")
    run(
        "record",
        "stuck",
        str(sheet),
        "--hormone",
        "powder, as on its label",
        "--heat-c",
        "20",
        "--record",
        record,
    )
    counts = folder / "count.csv"
    run("record", "due", "--on", COUNTED_ON, "--csv", str(counts), "--record", record)
    counts.write_bytes(filled_in(counts.read_bytes(), rooted))
    run("record", "read", str(counts), "--record", record)
    run("record", "backup", str(folder / "backup.sqlite"), "--record", record)
    run(
        "learn",
        "--record",
        record,
        "--out",
        str(folder / "learned"),
        "--label",
        "Invented data: a demo season",
    )
    return folder / "learned" / "what-paid.html"


def filled_in(sheet: bytes, rooted: dict[str, int]) -> bytes:
    """Return a count sheet with the counts that a person would have written."""
    rows = list(csv.DictReader(io.StringIO(sheet.decode("utf-8-sig"))))
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, fieldnames=list(rows[0]))
    writer.writeheader()
    for row in rows:
        n = rooted[row["label"]]
        heights = " ".join(str(85 + n + 7 * k) for k in range(min(n, 3)))
        row |= {
            "rooted": str(n),
            "dead": str(int(row["cuttings"]) - n),
            "last_count": "yes",
            "height_mm": heights,
        }
        writer.writerow(row)
    return out.getvalue().encode("utf-8")


if __name__ == "__main__":
    where = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp(prefix="demo-season-"))
    print(play(where))
