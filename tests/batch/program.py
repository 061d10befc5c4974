"""The program as its own process, so that it can be killed; and all that it wrote, to compare."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.batch.trays import save_board, save_tray

ROOT = Path(__file__).parents[2]
N_PHOTOS = 3
MOST_WAIT_S = 120.0
"""For something that comes within a second or two on a free computer."""


def morning(folder: Path, n: int = N_PHOTOS) -> Path:
    """Write a folder of small photos and their board; return the photos' folder."""
    save_board(folder / "board.json")
    for k in range(n):
        save_tray(folder / "in" / f"tray {k}.jpg", seed=k)
    return folder / "in"


def start(folder: Path, *words: str, out: str = "out", **options: Any) -> subprocess.Popen[str]:
    """Start ``grader grade in`` in its own group of processes."""
    command = [sys.executable, "-m", "grader", "grade", "in", "--mat", "board.json", "--out", out, *words]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_CONFIG_HOME": str(folder / "config")}
    return subprocess.Popen(
        command,
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        **options,
    )


def finished(process: subprocess.Popen[str]) -> tuple[int, str, str]:
    """Wait; return exit code, standard output, standard error."""
    out, err = process.communicate(timeout=MOST_WAIT_S)
    assert "Traceback" not in out + err, err
    return process.returncode, out, err


def grade(folder: Path, *words: str, out: str = "out", **options: Any) -> tuple[int, str, str]:
    """Run to the end."""
    return finished(start(folder, *words, out=out, **options))


def wait_for(is_so: Callable[[], bool]) -> None:
    """Wait until something is so."""
    end_s = time.monotonic() + MOST_WAIT_S
    while not is_so():
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.005)


def kept(folder: Path, out: str = "out") -> dict[str, int]:
    """Return the kept files, with the time when each was written."""
    return {path.name: path.stat().st_mtime_ns for path in (folder / out / ".done").glob("*.kept")}


def written(folder: Path, out: str = "out") -> dict[str, str]:
    """Return name -> hash of all that a run left, without halves of killed runs and the lock."""
    root = folder / out
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(root.rglob("*"))
        if path.is_file() and not path.name.startswith(".grader-part-") and path.name != "lock"
    }
