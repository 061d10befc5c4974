"""Worker processes: photos shared out, a process that dies costs its photo only.

Each process has its own pipe, so it is known which photo it had in hand.  A process ends by itself when the
one that started it is gone, however that ended.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess

from grader.batch.work import Done, Task, died, work

MOST_S = 900.0
"""A photo of 200 megapixels takes a slow computer two minutes; one that takes longer hangs."""
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
"""Read by numeric libraries as they load.  One thread each: the number of threads changes the order of sums
and with it the last digits, and more threads than cores are slower."""
KEPT_MEMORY = {"MALLOC_MMAP_THRESHOLD_": 256 * 2**20, "MALLOC_TRIM_THRESHOLD_": 512 * 2**20}
"""Bytes, read by the GNU C library as a process starts (mallopt(3), Linux man-pages): so much memory is used
again for the next photo.  By default pictures go back to the system at once, and fetching their 27,000 pages
anew took an eighth of the time of each photo.  Other systems ignore it."""
WORKER_ENVIRONMENT = {
    **dict.fromkeys(ONE_THREAD, "1"),
    **{name: str(value) for name, value in KEPT_MEMORY.items()},
}
MOST_WORKERS = 4
"""Of our own accord: each takes up to half a GB for a photo of 50 megapixels."""
_EXIT_S = 2.0
_STARTING = threading.Lock()
"""Held while a process starts: what it inherits is set for this whole process, whichever thread starts it."""
Prepare = Callable[[], None]


def default_workers() -> int:
    """Return how many processes to use: one for two cores, for the person works on that computer too."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(MOST_WORKERS, cores // 2))


@dataclass(slots=True)
class _Worker:
    process: SpawnProcess
    pipe: Connection[object, object]
    number: int = -1
    """Of the task in hand; -1 when idle."""
    task: Task | None = None
    since_s: float = 0.0


def run_tasks(
    tasks: Iterable[tuple[int, Task]], n_workers: int, prepare: Prepare | None = None
) -> Iterator[tuple[int, Done]]:
    """Yield the number of each task and what came of it, as they are done.

    Tasks are taken one at a time, when a process is free.  Ending the iteration early ends the processes.

    Parameters
    ----------
    tasks : iterable of (number, Task)
    n_workers : int
        Processes.  0: none, the work is done here (for tests and for looking for mistakes).
    prepare : callable, optional
        Called in each process before its first task.  With it the processes start at once, not with the
        first task: for tasks that are waited for.
    """
    if n_workers == 0:
        for number, task in tasks:
            yield number, work(task)
        return
    waiting = iter(tasks)
    workers: list[_Worker] = []
    is_more = True
    try:
        if prepare is not None:
            workers.extend(_started(prepare) for _ in range(n_workers))
        while True:
            while is_more and (len(workers) < n_workers or any(w.task is None for w in workers)):
                following = next(waiting, None)
                if following is None:
                    is_more = False
                    break
                _hand_out(workers, *following, prepare)
            busy = [worker for worker in workers if worker.task is not None]
            if not busy:
                return
            for worker in _ready(busy):
                number, done = _result(worker, workers)
                yield number, done
    finally:
        _end(workers)


def _hand_out(workers: list[_Worker], number: int, task: Task, prepare: Prepare | None) -> None:
    worker = next((worker for worker in workers if worker.task is None), None)
    if worker is not None:
        with contextlib.suppress(OSError):
            worker.pipe.send(task)
            worker.number, worker.task, worker.since_s = number, task, time.monotonic()
            return
        workers.remove(worker)  # It died while it was idle.
    worker = _started(prepare)
    workers.append(worker)
    worker.number, worker.task, worker.since_s = number, task, time.monotonic()
    with contextlib.suppress(OSError):
        worker.pipe.send(task)  # If it died at once, its pipe tells so below.


def _ready(busy: list[_Worker]) -> list[_Worker]:
    """Wait; return the workers whose pipe has something to say, or that have had their time."""
    left_s = min(worker.since_s for worker in busy) + MOST_S - time.monotonic()
    spoken = wait([worker.pipe for worker in busy], timeout=max(left_s, 0.0))
    if spoken:
        return [worker for worker in busy if worker.pipe in spoken]
    return [worker for worker in busy if time.monotonic() - worker.since_s >= MOST_S]


def _result(worker: _Worker, workers: list[_Worker]) -> tuple[int, Done]:
    number, task = worker.number, worker.task
    assert task is not None
    worker.number, worker.task = -1, None
    if time.monotonic() - worker.since_s >= MOST_S and not worker.pipe.poll():
        workers.remove(worker)
        _end([worker])
        return number, Done(skipped=died(task.path, f"it took longer than {MOST_S / 60:.0f} minutes"))
    try:
        done = worker.pipe.recv()
    except (EOFError, OSError):
        workers.remove(worker)
        worker.process.join(_EXIT_S)
        code = worker.process.exitcode
        how = f"signal {-code}" if code is not None and code < 0 else f"exit code {code}"
        return number, Done(skipped=died(task.path, how))
    assert isinstance(done, Done)
    return number, done


def _started(prepare: Prepare | None) -> _Worker:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, prepare), daemon=True)
    with _STARTING, _worker_environment(), deaf_to_interrupts():
        process.start()
    theirs.close()
    return _Worker(process, ours)


@contextlib.contextmanager
def _worker_environment() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in WORKER_ENVIRONMENT}
    os.environ.update(WORKER_ENVIRONMENT)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextlib.contextmanager
def deaf_to_interrupts() -> Iterator[None]:
    """Start a process that Ctrl-C does not reach: the one that started it decides when it ends."""
    if not hasattr(signal, "pthread_sigmask"):
        yield  # Windows: _serve turns it off as soon as it runs.
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(pipe: Connection[object, object], prepare: Prepare | None) -> None:
    """Work until the other end of the pipe is closed."""
    # The process that started this one decides when it ends, also where a signal goes to the whole group.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    if not sys.warnoptions:
        # What numeric libraries remark is for contributors, not for the person at the bench.
        warnings.simplefilter("ignore")
    import cv2

    cv2.setNumThreads(0)
    if prepare is not None:
        prepare()
    with contextlib.suppress(EOFError, OSError):
        while True:
            task = pipe.recv()
            assert isinstance(task, Task)
            pipe.send(work(task))


def _end(workers: list[_Worker]) -> None:
    for worker in workers:
        worker.pipe.close()
        if worker.task is not None:
            worker.process.kill()  # Whatever it is writing is whole or not there.
    for worker in workers:
        worker.process.join(_EXIT_S)
        if worker.process.is_alive():
            worker.process.kill()
            worker.process.join()
        worker.process.close()
