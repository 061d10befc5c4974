"""results.json and cuttings.csv, written anew from time to time by a process of their own.

What is measured is kept photo by photo the moment it is done; the tables are only made from that.  They
grow with the day, so they are written seldom, and never by the process that answers the phones.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from grader.batch.keep import Keep, KeptResults, Line
from grader.batch.pool import deaf_to_interrupts
from grader.bench.log import Log
from grader.errors import OutputProblem

QUIET_S = 3.0
"""Nothing to grade for so long: then the tables are worth their time."""
OVERDUE_S = 60.0
"""With photos coming without a pause the tables are written all the same."""
LEAST_RATIO = 10.0
"""Of the pause to the time that writing takes: not more than a tenth of one core."""
NICENESS = 10
"""A photo that comes meanwhile goes first."""
_LOOK_S = 0.5


def write_tables(out: Path, lines: Sequence[Line], settings: Mapping[str, Any]) -> None:
    """Write results.json and cuttings.csv from what is kept.

    Raises
    ------
    OutputProblem
        If they cannot be written.
    """
    from grader.write.results import write_results
    from grader.write.table_csv import write_csv

    results = KeptResults(lines, Keep(out))
    write_results(out / "results.json", results, settings)
    write_csv(out / "cuttings.csv", results)


class Tables:
    """Knows all lines of the folder, and writes them when it is quiet; from any thread."""

    def __init__(self, out: Path, settings: Mapping[str, Any], is_idle: Callable[[], bool], log: Log) -> None:
        self._out = out
        self._settings = settings
        self._is_idle = is_idle
        self._log = log
        self._lines: dict[Path, Line] = {}
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._new_since_s: float | None = None
        self._thread = threading.Thread(target=self._keep_writing, name="tables", daemon=True)

    def add(self, line: Line) -> None:
        """Take in what came of a photo."""
        with self._lock:
            self._lines[line.path] = line
            if self._new_since_s is None:
                self._new_since_s = time.monotonic()

    def lines(self) -> list[Line]:
        """Return the lines of all photos that are still there, in the order of ``grader grade``."""
        with self._lock:
            lines = list(self._lines.values())
        return sorted((line for line in lines if line.path.exists()), key=lambda line: line.path.parts)

    def start(self) -> None:
        """Begin to write from time to time."""
        self._thread.start()

    def stop(self) -> None:
        """End it; what is being written comes to its end."""
        self._ending.set()
        self._thread.join()

    def _keep_writing(self) -> None:
        quiet_since_s, rest_until_s = time.monotonic(), 0.0
        while not self._ending.wait(_LOOK_S):
            now_s = time.monotonic()
            if not self._is_idle():
                quiet_since_s = now_s
            if self._new_since_s is None or now_s < rest_until_s:
                continue
            if now_s - quiet_since_s < QUIET_S and now_s - self._new_since_s < OVERDUE_S:
                continue
            with self._lock:
                self._new_since_s = None
            self._write_apart()
            end_s = time.monotonic()
            rest_until_s = end_s + LEAST_RATIO * (end_s - now_s)

    def _write_apart(self) -> None:
        """Write in a process of its own, and wait for it."""
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(
            target=_written, args=(theirs, self._out, self.lines(), dict(self._settings)), daemon=True
        )
        with deaf_to_interrupts():
            process.start()
        theirs.close()
        try:
            problem = ours.recv()
        except EOFError:
            problem = "the process that writes the tables came to an end"
        if problem:
            self._log.say(f"the tables could not be written now: {problem}")
        process.join()
        process.close()
        ours.close()


def _written(pipe: Any, out: Path, lines: Sequence[Line], settings: Mapping[str, Any]) -> None:
    """Write in this process; tell through the pipe what went wrong, an empty text if nothing did."""
    threading.Thread(target=_end_with_the_server, daemon=True).start()
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    try:
        write_tables(out, lines, settings)
    except OutputProblem as problem:
        pipe.send(f"{problem.message} {problem.advice}")
    else:
        pipe.send("")


def _end_with_the_server() -> None:
    """End this process when the server is gone: a later one may write the same files."""
    server = multiprocessing.parent_process()
    if server is not None:
        server.join()
        os._exit(1)
