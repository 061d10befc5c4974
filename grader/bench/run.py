"""One run of ``grader bench``: open the door, grade what comes, and in the end write the tables."""

from __future__ import annotations

import contextlib
import logging
import os
import socket
import sys
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import segno
import uvicorn

from grader.batch.keep import Line, held, sweep
from grader.batch.request import Request
from grader.batch.session import Plan, Session
from grader.batch.tell import settings_told
from grader.batch.watch import ended_by_signals
from grader.bench.address import LOOPBACK, chosen_addresses, entry, hosts_of, listening
from grader.bench.app import application
from grader.bench.choices import choices_of
from grader.bench.connections import Connections
from grader.bench.desk import Desk
from grader.bench.folder import PhotoFolder
from grader.bench.grading import Grading
from grader.bench.guard import Door, Guard
from grader.bench.limits import Limits
from grader.bench.log import Log
from grader.bench.tables import Tables, write_tables
from grader.bench.trays import Trays
from grader.errors import ExitCode, GraderError, OutputProblem
from grader.records import GradedPhoto, PhotoResult
from grader.run import kit_for, refuse_file, remember_bar
from grader.verdict import load_targets
from grader.write.terminal import clean

MOST_WORKERS = 2
"""Of our own accord: two phones at once, and each process takes about 1 GB."""
GRACE_S = 5
"""For answers under way, when the person ends the program."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What the person asked for."""

    trays: Path
    out: Path
    targets: str
    doubtful: str
    mat: Path | None
    measured_mm: float | None
    options: Mapping[str, str]
    """Cutter, donor, species to begin with."""
    unit: str
    is_lan: bool
    address: str
    port: int
    n_workers: int | None


def default_workers() -> int:
    """Return how many processes grade: as many as cores, at most MOST_WORKERS."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(MOST_WORKERS, cores))


def run(wish: Wish, settings: Path, limits: Limits | None = None) -> ExitCode:
    """Serve until the person ends it.

    Raises
    ------
    GraderError
        If targets, board, check bar, folders, address or port cannot be used.
    """
    limits = limits or Limits()
    log = Log(most_refusals=limits.most_refusals)
    request = Request(
        (wish.trays,), wish.out, wish.targets, wish.mat, wish.measured_mm, {}, False, doubtful=wish.doubtful
    )
    kit, board_sha256 = kit_for(request, settings)
    refuse_file(wish.out)
    refuse_file(wish.trays, "Name the folder that the photos go into.")
    choices = choices_of(wish.trays, wish.targets, wish.options)
    addresses = [LOOPBACK, *chosen_addresses(wish.is_lan, wish.address)]
    folder, trays = PhotoFolder(wish.trays, log), Trays()
    with _listening(addresses, wish.port) as sockets, folder.held(), held(wish.out), ended_by_signals():
        sweep(wish.out)
        session = Session(Plan(kit, wish.out, (wish.trays,), board_sha256), {}, load_targets)
        told_mats: set[str] = set()

        def finished(line: Line, result: PhotoResult | None) -> None:
            tables.add(line)
            if isinstance(result, GradedPhoto) and wish.measured_mm is not None:
                _remember(result.pose.mat_id, told_mats, wish.measured_mm, settings, log)

        n_workers = default_workers() if wish.n_workers is None else wish.n_workers
        grading = Grading(session, trays, log, finished, n_workers, limits.most_waiting)
        tables = Tables(wish.out, settings_told(kit, request), grading.is_idle, log)
        desk = Desk(folder, wish.out, choices, trays, grading, tables, limits, log)
        port = int(sockets[0].getsockname()[1])
        door = Door(hosts_of(addresses, port), f"grader-bench-{port}")
        _tell_door(addresses, port, door, wish)
        try:
            _serve(desk, door, wish.unit, sockets)
        finally:
            _finish(desk, tables, settings_told(kit, request), wish.out)
    return ExitCode.ALL_GRADED


@contextlib.contextmanager
def _listening(addresses: list[str], port: int) -> Iterator[list[socket.socket]]:
    sockets = listening(addresses, port)
    try:
        yield sockets
    finally:
        for one in sockets:
            one.close()


def _serve(desk: Desk, door: Door, unit: str, sockets: list[socket.socket]) -> None:
    """Answer until Ctrl-C."""
    limits, log = desk.limits, desk.log
    desk.grading.start()
    desk.tables.start()
    threading.Thread(target=desk.look_through, name="looking", daemon=True).start()
    # Its remarks are for contributors; what concerns the person is told by our own log.
    logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL + 1)
    config = uvicorn.Config(
        Guard(application(desk, unit), door, limits, log),
        http=Connections(limits, log).protocol(),
        loop="asyncio",
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        timeout_keep_alive=round(limits.idle_s),
        timeout_graceful_shutdown=GRACE_S,
        h11_max_incomplete_event_size=limits.most_head_bytes,
    )
    with contextlib.suppress(KeyboardInterrupt):
        uvicorn.Server(config).run(sockets)


def _finish(desk: Desk, tables: Tables, settings: dict[str, object], out: Path) -> None:
    """Let the photos in hand end, and write the tables and the report."""
    from grader.report import report_after_grading

    log = desk.log
    log.say("ending: the photos in hand are graded, the tables are written (Ctrl-C leaves that for later)")
    try:
        desk.stop_looking()
        desk.grading.stop(desk.limits.stop_s)
        tables.stop()
        lines = tables.lines()
        if lines:
            write_tables(out, lines, settings)
            report_after_grading(out)
            log.say(f"pictures, results.json and cuttings.csv are in {out}; photos: {len(lines)}")
    except KeyboardInterrupt:
        log.say(f"the tables are not written; later: grader grade {desk.folder.path} --out {out}")
    except OutputProblem as problem:
        log.say(f"{problem.message} {problem.advice}")


def _remember(mat_id: str, told: set[str], measured_mm: float, settings: Path, log: Log) -> None:
    if mat_id in told:
        return
    told.add(mat_id)
    try:
        remember_bar({mat_id}, measured_mm, settings)
    except GraderError as problem:
        log.say(f"{problem.message} {problem.advice}")


def _tell_door(addresses: list[str], port: int, door: Door, wish: Wish) -> None:
    """Print the addresses, and for phones the code to scan."""
    print(f"photos: {clean(str(wish.trays))}, results: {clean(str(wish.out))}")
    if len(addresses) == 1:
        print(f"on this computer: {entry(LOOPBACK, port, door.token)}")
        print("Only this computer reaches the page. For phones in the same network give --lan.")
    else:
        phone = entry(addresses[1], port, door.token)
        print("Scan this with the phone; phone and computer in the same network:\n")
        segno.make(phone, micro=False).terminal(out=sys.stdout, compact=True)
        print(f"\n{phone}")
        for other in (*addresses[2:], LOOPBACK):
            print(f"or: {entry(other, port, door.token)}")
        print(
            "Whoever is in this network can read along: use your own network, not one for guests.\n"
            "Whoever has the address can send photos and see the trays, until you end the program."
        )
    print("Ctrl-C ends it.", flush=True)
