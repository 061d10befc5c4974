"""Memory of one process, measured in a process of its own."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from pathlib import Path

from tests.speed.photos import kit

ROOT = Path(__file__).parents[2]
PAGE_KIB = resource.getpagesize() / 1024


def in_own_process(what: str, *paths: Path) -> list[float]:
    """Return the MiB that a fresh process reports: see :func:`main`."""
    command = [sys.executable, "-m", "tests.speed.memory", what, *map(str, paths)]
    done = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True)
    values: list[float] = json.loads(done.stdout.splitlines()[-1])
    return values


def now_mib() -> float:
    """Return the memory that this process holds (Linux, /proc/self/statm)."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE_KIB / 1024


def peak_mib() -> float:
    """Return the most that it ever held."""
    # Not getrusage: what the parent process held before it started this one would count too.
    (line,) = (
        line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")
    )
    return int(line.split()[1]) / 1024


def main(what: str, paths: list[Path]) -> list[float]:
    """Grade as a worker does.

    "peak": the most memory ever held. "each": what is held after each photo, then the peak.
    "run": the most that the process holds which shares photos out and writes the tables.
    """
    from grader.batch.work import Task, work

    if what == "run":
        from grader.batch.request import Request
        from grader.run import run

        folder, out, board = paths
        run(Request((folder,), out, "landscape-juniper", board, None, {}, False, n_workers=1), out)
        return [peak_mib()]
    out, *photos = paths
    held = []
    for path in photos:
        done = work(Task(path, (), kit(), "", out, "x.graded.jpg"))
        assert done.key, done
        held.append(now_mib())
    return [*held, peak_mib()] if what == "each" else [peak_mib()]


if __name__ == "__main__":
    import cv2

    cv2.setNumThreads(0)
    print(json.dumps(main(sys.argv[1], [Path(word) for word in sys.argv[2:]])))
