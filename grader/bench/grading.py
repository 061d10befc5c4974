"""Photos that wait, and the processes that grade them: warm, each with a thread that hands it photos."""

from __future__ import annotations

import heapq
import itertools
import multiprocessing
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from grader.batch.keep import Keep, Kept, Line, result_of
from grader.batch.pool import run_tasks
from grader.batch.session import Session, line_of
from grader.batch.work import Done, Task
from grader.bench.log import Log
from grader.bench.refused import DISK, OURS, TABLE, Words
from grader.bench.told import OF_THE_COMPUTER, counts_of, graded_told, skipped_told
from grader.bench.trays import Tray, Trays
from grader.bench.warm import warm_up
from grader.errors import GraderError, OutputProblem
from grader.records import GradedPhoto, PhotoResult

FIRST_GUESS_S = 4.0
"""Per photo, until one was measured."""
SMOOTHING = 0.3
"""Weight of the last photo in the mean time of one."""
Finished = Callable[[Line, PhotoResult | None], None]
"""Told of every photo that has a result; from any thread."""


@dataclass(slots=True)
class _Load:
    waiting: list[tuple[bool, int, str]] = field(default_factory=list)
    """A heap of (nobody waits for it, order of arrival, tray)."""
    n_in_hand: int = 0
    n_reserved: int = 0
    """Uploads under way that have a place already."""
    photo_s: float = FIRST_GUESS_S


class Grading:
    """Grades trays as they are added; photos that somebody waits for go first."""

    def __init__(
        self, session: Session, trays: Trays, log: Log, finished: Finished, n_workers: int, most_waiting: int
    ) -> None:
        self._session = session
        self._session_lock = threading.Lock()
        self._trays = trays
        self._log = log
        self._finished = finished
        self._most_waiting = most_waiting
        self._load = _Load()
        self._changed = threading.Condition()
        self._order = itertools.count()
        self._is_ending = False
        self._n_workers = n_workers
        self._threads = [
            threading.Thread(target=self._keep_working, name=f"grading {k + 1}", daemon=True)
            for k in range(n_workers)
        ]

    @property
    def keep(self) -> Keep:
        """Return the folder of kept results."""
        return self._session.keep

    def start(self) -> None:
        """Start the processes; they make themselves ready while the first photo is taken."""
        for thread in self._threads:
            thread.start()

    def stop(self, most_s: float) -> None:
        """Let the photos in hand come to their end, at most so long; those that wait are left for later."""
        with self._changed:
            self._is_ending = True
            self._changed.notify_all()
        end_s = time.monotonic() + most_s
        for thread in self._threads:
            thread.join(max(0.0, end_s - time.monotonic()))
        if any(thread.is_alive() for thread in self._threads):
            for process in multiprocessing.active_children():
                process.kill()  # Whatever it is writing is whole or not there.
            for thread in self._threads:
                thread.join(most_s)

    def reserve(self) -> float | None:
        """Take a place for an upload that begins; return None, or the seconds to wait if all are taken."""
        with self._changed:
            load = self._load
            n_urgent = sum(not is_patient for is_patient, _, _ in load.waiting)
            if n_urgent + load.n_reserved < self._most_waiting:
                load.n_reserved += 1
                return None
            return load.photo_s / max(1, self._n_workers)

    def release(self) -> None:
        """Give back the place of an upload that has ended, however it did."""
        with self._changed:
            self._load.n_reserved -= 1

    def add(self, tray: Tray) -> None:
        """Let a tray wait for its turn."""
        with self._changed:
            heapq.heappush(self._load.waiting, (not tray.is_urgent, next(self._order), tray.id))
            self._changed.notify()

    def ahead_of(self, tray_id: str) -> int:
        """Return how many photos come before a waiting one, those in hand included."""
        with self._changed:
            places = [place for place in self._load.waiting if place[2] == tray_id]
            if not places:
                return 0
            return sum(place < places[0] for place in self._load.waiting) + self._load.n_in_hand

    def is_idle(self) -> bool:
        """Return whether nothing waits or is being measured or received."""
        with self._changed:
            load = self._load
            return not load.waiting and not load.n_in_hand and not load.n_reserved

    def look_up(self, tray: Tray, is_new: bool) -> Line | Task:
        """Return what there is to do for a tray, or its line if it is done.

        Raises
        ------
        GraderError
            If its batch data cannot be understood.
        """
        with self._session_lock:
            if is_new:
                self._session.read_again()
            return self._session.task_for(tray.path, tray.picture)

    def settle(self, tray: Tray, line: Line) -> None:
        """Say what came of a tray; nothing raised."""
        try:
            result = result_of(line, self.keep)
        except OutputProblem as problem:
            self._fail(tray, DISK, f"{problem.message} {problem.advice}")
            return
        if isinstance(result, GradedPhoto):
            if not line.is_old:
                self._trays.told(tray.id, lambda: graded_told(result))  # Somebody asks for it at once.
            self._trays.change(
                tray.id,
                state="done",
                key=line.key,
                counts=counts_of(result),
                fields={**tray.fields, **result.batch},
            )
            n = len(result.cuttings)
            told = f"graded, {n} {'cutting' if n == 1 else 'cuttings'}"
        elif result.reason in OF_THE_COMPUTER:
            self._fail(tray, OURS, f"{result.message}; {result.advice}")
            self._finished(line, result)
            return
        else:
            message, advice = skipped_told(result)
            self._trays.change(tray.id, state="unusable", key=line.key, message=message, advice=advice)
            told = f"not usable, {result.reason}"
        if not line.is_old:
            self._log.say(f"{tray.path.name}: {told}")
        self._finished(line, result)

    def _keep_working(self) -> None:
        """Work until the end; a slip of the program costs one photo, not the server."""
        while not self._is_ending:
            in_hand: list[tuple[Tray, Task, float]] = []
            try:
                for _, done in run_tasks(self._tasks(in_hand), 1, warm_up):
                    tray, task, since_s = in_hand.pop()
                    self._take(tray, task, done, since_s)
            except Exception as problem:
                for tray, _, _ in in_hand:
                    self._fail(tray, OURS, f"{type(problem).__name__}: {problem}")
                    self._free()

    def _tasks(self, in_hand: list[tuple[Tray, Task, float]]) -> Iterator[tuple[int, Task]]:
        while (tray := self._next()) is not None:
            try:
                answer = self.look_up(tray, is_new=True)
            except GraderError as problem:
                self._fail(tray, TABLE, f"{problem.message} {problem.advice}")
                self._free()
                continue
            if isinstance(answer, Line):
                self.settle(tray, answer)
                self._free()
                continue
            in_hand.append((self._trays.change(tray.id, state="measuring"), answer, time.monotonic()))
            yield 0, answer

    def _next(self) -> Tray | None:
        """Wait for a tray; None at the end."""
        with self._changed:
            while not self._load.waiting and not self._is_ending:
                self._changed.wait()
            if self._is_ending:
                return None
            _, _, tray_id = heapq.heappop(self._load.waiting)
            self._load.n_in_hand += 1
        return self._trays.get(tray_id)

    def _take(self, tray: Tray, task: Task, done: Done, since_s: float) -> None:
        try:
            self.settle(tray, line_of(task, done))
        except OutputProblem as problem:
            self._fail(tray, DISK, f"{problem.message} {problem.advice}")
        with self._changed:
            spent_s = time.monotonic() - since_s
            self._load.photo_s += SMOOTHING * (spent_s - self._load.photo_s)
        self._free()

    def _free(self) -> None:
        with self._changed:
            self._load.n_in_hand -= 1

    def _fail(self, tray: Tray, words: Words, detail: str) -> None:
        self._trays.change(tray.id, state="failed", message=words.message, advice=words.advice)
        self._log.say(f"{tray.path.name}: {detail}")


def kept_graded(kept: Kept | None) -> GradedPhoto | None:
    """Return the graded photo of what is kept; None if it is gone."""
    return kept.result if kept is not None and isinstance(kept.result, GradedPhoto) else None
