"""The server as a process of its own, with bounds small enough to be reached in a test."""

from __future__ import annotations

import json
import sys
from dataclasses import fields
from pathlib import Path
from typing import Any

from grader.bench.limits import Limits
from grader.bench.run import Wish, run

WISH: dict[str, Any] = {
    "trays": Path("trays"),
    "out": Path("graded"),
    "targets": "landscape-juniper",
    "doubtful": "unsure",
    "mat": Path("board.json"),
    "measured_mm": None,
    "options": {"cutter": "Ann"},
    "unit": "mm",
    "is_lan": False,
    "address": "",
    "port": 0,
    "n_workers": 1,
}


def main(words: list[str]) -> int:
    """Serve with the bounds given as JSON."""
    limits = Limits(**json.loads(words[0]))
    assert {field.name for field in fields(Wish)} == set(WISH)
    return int(run(Wish(**WISH), Path("config"), limits))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
