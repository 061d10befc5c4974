"""Photos as they arrive in a folder: a file counts once it has stopped growing."""

from __future__ import annotations

import contextlib
import math
import signal
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from grader.batch.keep import Line
from grader.batch.photos import picture_names
from grader.batch.request import Request, find_photos
from grader.batch.session import Session
from grader.batch.tell import Teller
from grader.errors import GraderError, OutputProblem

POLL_S = 1.0
"""Looking at the folder costs little; shared and synchronised folders send no events."""
SETTLE_S = 3.0
"""A file this long unchanged is whole: phones and synchronising programs write in bursts of less."""
EMPTY_S = 60.0
"""An empty file is most likely waited for by its sender; after this it is told."""


@dataclass(frozen=True, slots=True)
class _Look:
    """What a file looked like, and since when."""

    size: int
    changed_ns: int
    since_s: float


class Arrivals:
    """Tells which files have arrived whole since it was last asked."""

    def __init__(self, settle_s: float = SETTLE_S) -> None:
        self._settle_s = settle_s
        self._looks: dict[Path, _Look] = {}
        self._taken: dict[Path, tuple[int, int]] = {}

    def whole(self, files: list[Path], now_s: float) -> list[Path]:
        """Return the files that are whole and were not told before in this state.

        The time of a file only tells that it changed: the clock of the disk it lies on may be wrong.

        Parameters
        ----------
        files : list of Path
            All that are there now.
        now_s : float
            Of a clock that only goes forward.
        """
        arrived = []
        for path in files:
            try:
                status = path.stat()
            except OSError:
                continue  # Taken away again, or a link to nowhere.
            state = (status.st_size, status.st_mtime_ns)
            if self._taken.get(path) == state:
                continue
            look = self._looks.get(path)
            if look is None or (look.size, look.changed_ns) != state:
                look = self._looks[path] = _Look(*state, now_s)
            if now_s - look.since_s >= (self._settle_s if status.st_size else EMPTY_S):
                self._taken[path] = state
                del self._looks[path]
                arrived.append(path)
        return arrived


def arriving(
    list_files: Callable[[], list[Path]], poll_s: float = POLL_S, settle_s: float = SETTLE_S
) -> Iterator[list[Path]]:
    """Yield the photos that have arrived, again and again without end; an empty list when there is none.

    Parameters
    ----------
    list_files : callable
        Returns all photos that are there now.
    poll_s : float
        Wait between two looks.
    settle_s : float
        How long a file must be unchanged.
    """
    arrivals = Arrivals(settle_s)
    while True:
        arrived = arrivals.whole(list_files(), time.monotonic())
        yield arrived
        if not arrived:
            time.sleep(poll_s)


@contextlib.contextmanager
def ended_by_signals() -> Iterator[None]:
    """Let a polite request to end, or a terminal that was closed, end the run as Ctrl-C does."""

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        names = []  # Only the main thread may say what signals do.
    before = {name: signal.signal(getattr(signal, name), end) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def watch(session: Session, request: Request, teller: Teller) -> tuple[list[Line], bool]:
    """Grade photos as they arrive, until the person ends it; return the lines of all.

    Raises
    ------
    OutputProblem
        If results cannot be written.
    """
    teller.say([f"watching {', '.join(map(str, request.inputs))}: Ctrl-C ends it"])
    lines: dict[Path, Line] = {}
    waiting: list[Path] = []
    told, written_s, cost_s, is_written = "", -math.inf, 0.0, True
    try:
        for arrived in arriving(lambda: find_photos(request).photos):
            waiting += [path for path in arrived if path not in waiting]
            try:
                session.read_again()
                session.check(waiting)
            except OutputProblem:
                raise
            except GraderError as problem:
                # A table that is being written: the photos wait until it can be understood.
                if problem.message != told:
                    told = problem.message
                    teller.say([problem.message, problem.advice])
                continue
            if waiting:
                told = ""
                _grade_arrived(session, waiting, lines, teller)
                waiting, is_written = [], False
            # The whole tables are written anew, so not more often than a tenth of the time.
            if not is_written and time.monotonic() - written_s > 10 * cost_s:
                start_s = time.monotonic()
                teller.write([lines[path] for path in sorted(lines)])
                written_s = time.monotonic()
                cost_s, is_written = written_s - start_s, True
    except KeyboardInterrupt:
        teller.end()
        teller.say(["watching has ended"])
    return [lines[path] for path in sorted(lines)], True


def _grade_arrived(session: Session, paths: list[Path], lines: dict[Path, Line], teller: Teller) -> None:
    for path in paths:
        if path in lines:
            session.forget(path)
    known = [*lines, *(path for path in paths if path not in lines)]
    names = picture_names(known, session.plan.inputs)
    try:
        for line in session.grade(paths, teller.working_on, names):
            lines[line.path] = replace(line, text=None)
            teller.done(line)
    finally:
        teller.end()
