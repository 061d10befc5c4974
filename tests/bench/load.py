"""Measure the server: one phone, four phones at once, many uploads in a row.

::

    python -m tests.bench.load                       # a demo photo of 12 megapixels
    python -m tests.bench.load --uploads 500 --phones 4
    python -m tests.bench.load --photo tray.jpg --workers 2 --uploads 50

It starts ``grader bench`` in a folder of its own, as a grower would, and talks to it through the loopback.
Times run from the moment the whole photo was received (the answer 202) until the marked picture was fetched
whole; and from the first byte sent.  "Upload" is the time of the upload alone.  Memory is the resident set of
the server and all its processes (``/proc``, Linux only), summed.  Processor time does not depend on what
else the computer does.  Each upload is another file: bytes are put
behind the end of the photo.  Quote figures of a machine with nothing else to do.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.bench.phone import MOST_WAIT_S, ROOT, Phone, Server, other_bytes, start, wait_for

DEMO = ROOT / "demo_images" / "bench_soft_light.jpg"
ONE_GOAL_S, MANY_GOAL_S = 3.0, 8.0
"""From received to shown: with one phone, and with four at once on two cores."""
MOST_END_S = 1.0
"""For tables and report at the end, per photo."""
POLL_S = 0.1
"""Quicker than the page (0.4 s), so that what is measured is the server."""


@dataclass(frozen=True, slots=True)
class Shown:
    """One photo, from the phone and back."""

    upload_s: float
    received_to_shown_s: float
    n_picture_bytes: int

    @property
    def whole_s(self) -> float:
        return self.upload_s + self.received_to_shown_s


def sent_and_shown(phone: Phone, photo: bytes) -> Shown:
    """Send a photo, wait, fetch its picture.

    Raises
    ------
    RuntimeError
        If it was not graded.
    """
    began_s = time.monotonic()
    tray_id = phone.sent(other_bytes(photo), cutter="load")
    received_s = time.monotonic()
    while (tray := phone.get(f"/api/trays/{tray_id}"))["state"] in ("waiting", "measuring"):
        time.sleep(POLL_S)
    if tray["state"] != "done":
        raise RuntimeError(f"{tray['state']}: {tray['message']}")
    picture = phone.ask("GET", tray["picture"])
    assert picture.status == 200 and picture.body[:2] == b"\xff\xd8"
    return Shown(received_s - began_s, time.monotonic() - received_s, len(picture.body))


def at_once(server: Server, photo: bytes, n_phones: int) -> list[Shown]:
    """Let several phones send at the same moment."""
    shown: list[Shown] = []
    problems: list[BaseException] = []
    phones = [Phone(server) for _ in range(n_phones)]
    gate = threading.Barrier(n_phones)

    def one(phone: Phone) -> None:
        try:
            gate.wait()
            shown.append(sent_and_shown(phone, photo))
        except BaseException as problem:
            problems.append(problem)

    threads = [threading.Thread(target=one, args=(phone,)) for phone in phones]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if problems:
        raise RuntimeError(f"{len(problems)} of {n_phones} requests were lost") from problems[0]
    return shown


def memory_mb(group: int) -> dict[int, float]:
    """Return the resident set of each process of a group, MB."""
    found: dict[int, float] = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            if int((folder / "stat").read_text().rpartition(")")[2].split()[2]) != group:
                continue
            lines = (folder / "status").read_text().splitlines()
        except OSError:
            continue
        kilobytes = [int(line.split()[1]) for line in lines if line.startswith("VmRSS:")]
        if kilobytes:
            found[int(folder.name)] = kilobytes[0] / 1000.0
    return found


def cpu_s(group: int) -> dict[int, float]:
    """Return the processor time that each process of a group has used, s."""
    tick_s = 1.0 / os.sysconf("SC_CLK_TCK")
    found: dict[int, float] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[2]) == group:
            found[int(stat.parent.name)] = (int(fields[11]) + int(fields[12])) * tick_s
    return found


def open_files(process: int) -> int:
    """Return how many files and sockets a process has open."""
    return len(list(Path(f"/proc/{process}/fd").iterdir()))


def told(title: str, shown: Sequence[Shown], goal_s: float) -> str:
    """Return a line of figures."""
    times_s = [one.received_to_shown_s for one in shown]
    return (
        f"{title}: received to shown, s: median {statistics.median(times_s):.2f}, "
        f"most {max(times_s):.2f} (goal {goal_s:.0f}); upload {max(one.upload_s for one in shown):.2f}; "
        f"whole {max(one.whole_s for one in shown):.2f}"
    )


def in_a_row(server: Server, photo: bytes, n_uploads: int) -> None:
    """Send many photos one after another; print time, memory and open files now and then."""
    phone = Phone(server)
    before_s = cpu_s(server.process.pid)
    step = max(1, n_uploads // 10)
    times_s: list[float] = []
    for k in range(n_uploads):
        times_s.append(sent_and_shown(phone, photo).received_to_shown_s)
        if (k + 1) % step == 0:
            each = memory_mb(server.process.pid)
            workers = sum(each.values()) - each[server.process.pid]
            print(
                f"  after {k + 1}: median {statistics.median(times_s[-step:]):.2f} s; server "
                f"{each[server.process.pid]:.0f} MB, its {len(each) - 1} processes {workers:.0f} MB; "
                f"{open_files(server.process.pid)} files open",
                flush=True,
            )
    spent_s = {one: s - before_s.get(one, 0.0) for one, s in cpu_s(server.process.pid).items()}
    own_s = spent_s.pop(server.process.pid)
    print(
        f"  processor time a photo: server {own_s / n_uploads:.2f} s, its processes "
        f"{sum(spent_s.values()) / n_uploads:.2f} s"
    )


def left_over(server: Server, n_sent: int) -> str:
    """Return what lies in the folders beside what should."""
    photos = list(server.trays.glob("tray-*.jpg"))
    pictures = list(server.out.glob("*.graded.jpg"))
    kept = list((server.out / ".done").glob("*.kept"))
    return (
        f"sent {n_sent}; photos {len(photos)}, pictures {len(pictures)}, kept results {len(kept)}, "
        f"half-written files {len(server.halves())}"
    )


def main(words: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--photo", type=Path, default=DEMO)
    parser.add_argument("--repeats", type=int, default=5, help="photos of the one phone")
    parser.add_argument("--phones", type=int, default=4)
    parser.add_argument("--rounds", type=int, default=3, help="times that all phones send at once")
    parser.add_argument("--uploads", type=int, default=20, help="in a row")
    parser.add_argument("--workers", type=int, default=0, help="0: as the command chooses")
    wish = parser.parse_args(words)
    photo = wish.photo.read_bytes()
    workers = ["--workers", str(wish.workers)] if wish.workers else []
    with tempfile.TemporaryDirectory() as name:
        began_s = time.monotonic()
        server = start(Path(name), ["-m", "grader", "bench", "trays", "--port", "0", *workers])
        try:
            print(f"address told after {time.monotonic() - began_s:.1f} s")
            first = sent_and_shown(Phone(server), photo)  # sent at once, while the processes warm up
            print(f"first photo, sent at once: received to shown {first.received_to_shown_s:.2f} s")
            phone = Phone(server)
            one = [sent_and_shown(phone, photo) for _ in range(wish.repeats)]
            print(told("one phone", one, ONE_GOAL_S), flush=True)
            many = [s for _ in range(wish.rounds) for s in at_once(server, photo, wish.phones)]
            print(told(f"{wish.phones} phones at once", many, MANY_GOAL_S), flush=True)
            print(f"{wish.uploads} in a row:")
            in_a_row(server, photo, wish.uploads)
            wait_for((server.out / "results.json").exists)
            ending_s = time.monotonic()
            n_photos = 1 + len(one) + len(many) + wish.uploads
            code = server.stop(most_s=MOST_WAIT_S + MOST_END_S * n_photos)
            print(f"ended with {code} after {time.monotonic() - ending_s:.1f} s, tables and report written")
            print(left_over(server, n_photos))
        finally:
            server.stop()


if __name__ == "__main__":
    main()
