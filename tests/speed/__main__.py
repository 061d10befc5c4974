"""Print time and memory of grading: ``python -m tests.speed [--quick]``.

One photo: seconds of the processor, one thread.  Folders: seconds on the clock, so look at the load first:
other work on the machine makes them larger.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2

from grader.batch.pool import KEPT_MEMORY, WORKER_ENVIRONMENT
from tests.speed.memory import ROOT, in_own_process
from tests.speed.photos import enlarged, with_cuttings
from tests.speed.stages import timed

COUNTS = [0, 5, 10, 20, 30]
N_ABOUT = 20
"""Cuttings on the photo that stands for an ordinary one."""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer repeats and photos")
    quick: bool = parser.parse_args().quick
    if any(os.environ.get(name) != value for name, value in WORKER_ENVIRONMENT.items()):
        # Read as a process starts: everything is timed as it runs in a worker, decoding alone too.
        os.environ.update(WORKER_ENVIRONMENT)
        os.execv(sys.executable, [sys.executable, "-m", "tests.speed", *sys.argv[1:]])
    cv2.setNumThreads(0)
    cores = sorted(os.sched_getaffinity(0))
    print(f"{len(cores)} cores, load {os.getloadavg()[0]:.1f}; each figure is a median\n", flush=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = {}
        for n, data in with_cuttings(COUNTS).items():
            paths[n] = folder / f"{n}.jpg"
            paths[n].write_bytes(data)
        os.sched_setaffinity(0, {cores[-1]})
        ordinary(paths[N_ABOUT], folder, 2 if quick else 5)
        cuttings(paths, folder, 1 if quick else 3)
        help_time(3 if quick else 10)
        os.sched_setaffinity(0, cores)
        photos(paths[N_ABOUT], folder, [1, 2, 4] if quick else [1, 4, 8, 24])
        memory(paths[N_ABOUT], folder, 5 if quick else 20)
        main_process(folder, [5, 20] if quick else [10, 40])


def ordinary(path: Path, folder: Path, n: int) -> None:
    """Print the time of each stage for one photo of 12 megapixels."""
    stages, whole_s, decode_s = timed(path, folder / "out", n)
    plain_whole_s, plain_decode_s = timed_plainly(path, folder / "out", n)
    print(f"One photo of 12 megapixels, {N_ABOUT} cuttings, one core:")
    print("  in a Python process as any other, whose pictures are given back to the system at once")
    told(plain_whole_s, plain_decode_s)
    print("  in a worker, which keeps memory for the next photo")
    told(whole_s, decode_s)
    for name, time_s in stages.items():
        print(f"    {name:34}{1000 * time_s:7.0f} ms {'#' * round(40 * time_s / whole_s)}")
    print("  (those that write are not part of grade_photo)\n", flush=True)


def told(whole_s: float, decode_s: float) -> None:
    """Print the time of grading beside that of decoding."""
    print(f"    {'decoding the same JPEG with OpenCV':34}{1000 * decode_s:7.0f} ms")
    print(f"    {'grade_photo':34}{1000 * whole_s:7.0f} ms = {whole_s / decode_s:.1f} times as long")


def timed_plainly(path: Path, out: Path, n: int) -> tuple[float, float]:
    """Return the seconds of ``grade_photo`` and of decoding in a process that keeps no memory."""
    plain = {name: value for name, value in os.environ.items() if name not in KEPT_MEMORY}
    command = [sys.executable, "-m", "tests.speed.stages", str(path), str(out), str(n)]
    done = subprocess.run(command, cwd=ROOT, env=plain, check=True, capture_output=True, text=True)
    whole_s, decode_s = json.loads(done.stdout.splitlines()[-1])
    return whole_s, decode_s


def cuttings(paths: dict[int, Path], folder: Path, n: int) -> None:
    """Print the time of one photo against the number of cuttings on it."""
    print("One photo, by the number of cuttings on it:")
    times = {count: timed(path, folder / "out", n)[1] for count, path in paths.items()}
    bars(times, "cuttings", "grade_photo")
    per_one = (times[COUNTS[-1]] - times[0]) / COUNTS[-1]
    print(f"  {1000 * times[0]:.0f} ms and {1000 * per_one:.0f} ms for each cutting\n", flush=True)


def bars(times: dict[int, float], what: str, measured: str) -> None:
    """Print a curve as text."""
    most = max(times.values())
    for count, time_s in times.items():
        print(f"  {count:4} {what:9}{time_s:8.2f} s  {'#' * round(50 * time_s / most)}")
    print(f"  ({measured})")


def help_time(n: int) -> None:
    """Print how long ``grader --help`` takes."""
    times = [command_s("--help") for _ in range(n)]
    print(f"grader --help: {min(times):.2f} s at best, {sorted(times)[n // 2]:.2f} s as a rule\n", flush=True)


def command_s(*words: str) -> float:
    """Return the seconds that a command takes, start and end included."""
    start = time.perf_counter()
    command = [sys.executable, "-m", "grader", *words]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    return time.perf_counter() - start


def photos(path: Path, folder: Path, counts: list[int]) -> None:
    """Print the time of a folder against the number of photos in it, on one worker and on two."""
    data = path.read_bytes()
    times: dict[int, dict[int, float]] = {1: {}, 2: {}}
    for count in counts:
        photos_at = folder / f"in{count}"
        photos_at.mkdir()
        for k in range(count):
            (photos_at / f"{k}.jpg").write_bytes(data + bytes([k]))  # else it would be the same photo
        for workers in times:
            out = folder / f"out{count}-{workers}"
            words = ("grade", str(photos_at), "--out", str(out), "--workers", str(workers))
            times[workers][count] = command_s(*words)
    for workers, by_count in times.items():
        print(f"A folder, {workers} worker{'s' * (workers > 1)}, by the number of photos in it:")
        bars(by_count, "photos", "whole command, pictures included")
    most = counts[-1]
    again_s = command_s("grade", str(folder / f"in{most}"), "--out", str(folder / f"out{most}-1"))
    print(f"  two workers: {times[1][most] / times[2][most]:.2f} times as fast for {most} photos")
    print(f"  the same {most} photos again, all done: {again_s:.2f} s\n", flush=True)


def memory(path: Path, folder: Path, n: int) -> None:
    """Print the memory of a worker: by size of the photo, and over many photos."""
    large = folder / "large.jpg"
    large.write_bytes(enlarged(path.read_bytes()))
    (small_mib,) = in_own_process("peak", folder / "mem", path)
    (large_mib,) = in_own_process("peak", folder / "mem", large)
    print(f"Memory of a worker, most ever held: {small_mib:.0f} MiB at 12 megapixels, {large_mib:.0f} at 50")
    *held, peak = in_own_process("each", folder / "mem", *[path] * n)
    shown = " ".join(f"{value:.0f}" for value in held[:: max(1, n // 10)])
    print(f"  held after each of {n} photos, MiB: {shown}; peak {peak:.0f}\n", flush=True)


def main_process(folder: Path, counts: list[int]) -> None:
    """Print the memory of the process that shares photos out, by the number of photos."""
    from tests.batch.trays import save_board, save_tray

    board = save_board(folder / "board.json")
    for count in counts:
        for k in range(count):
            save_tray(folder / f"small{count}" / f"{k}.jpg", seed=k)
        (mib,) = in_own_process("run", folder / f"small{count}", folder / f"out-small{count}", board)
        print(f"Memory of the process that shares out {count} photos and writes the tables: {mib:.0f} MiB")


if __name__ == "__main__":
    main()
