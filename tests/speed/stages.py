"""One photo on one core: the time of each stage, beside that of merely decoding the file."""

from __future__ import annotations

import importlib
import json
import statistics
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import numpy as np

import grader.batch.keep
import grader.capture
import grader.locate
import grader.outline
import grader.shape
import grader.traits.measure
import grader.verdict
import grader.write.small
from grader.batch.work import Task, work
from tests.speed.photos import kit

ANNOTATE = importlib.import_module("grader.write.annotate")
"""The package has a function of that name as well."""
STAGES: tuple[tuple[str, Any, str], ...] = (
    ("capture: read and decode", grader.capture, "read_photo"),
    ("capture: exposure", grader.capture, "check_exposure"),
    ("locate: find the mat", grader.locate, "find_mat"),
    ("capture: light and sharpness", grader.capture, "check_photo"),
    ("locate: flat view", grader.locate, "flatten"),
    ("outline", grader.outline, "find_silhouettes"),
    ("shape", grader.shape, "trace_cuttings"),
    ("traits", grader.traits.measure, "measure_traits"),
    ("verdict (measures pieces too)", grader.verdict, "grade_cutting"),
    ("write: picture", ANNOTATE, "write_picture"),
    ("write: images of the report", grader.write.small, "small_images"),
    ("write: images of the report, stored", grader.write.small, "keep_images"),
    ("write: kept result", grader.batch.keep.Keep, "store"),
)
"""Name for the table, where the function is looked up, its name."""


def timed(path: Path, out: Path, n: int) -> tuple[dict[str, float], float, float]:
    """Return the median seconds of each stage, of ``grade_photo`` and of decoding, over n runs.

    Seconds of the processor, with one thread: waiting for others on the machine does not count.  Runs of
    both alternate, so that a change in the machine's speed hits both alike.
    """
    stages: dict[str, list[float]] = defaultdict(list)
    wholes, decodes = [], []
    task = Task(path, (), kit(), "", out, "timed.graded.jpg")
    for run in range(n + 1):
        decode_s = decoding_s(path)
        times, whole_s = _one(task)
        if run == 0:
            continue  # Imports and caches.
        decodes.append(decode_s)
        wholes.append(whole_s)
        for name, time_s in times.items():
            stages[name].append(time_s)
    return (
        {name: statistics.median(values) for name, values in stages.items()},
        statistics.median(wholes),
        statistics.median(decodes),
    )


def decoding_s(path: Path) -> float:
    """Return the seconds that OpenCV takes to decode the file, once in memory."""
    data = np.frombuffer(path.read_bytes(), dtype=np.uint8)
    start = time.process_time()
    picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
    assert picture is not None
    return time.process_time() - start


def _one(task: Task) -> tuple[dict[str, float], float]:
    times: dict[str, float] = dict.fromkeys((name for name, _, _ in STAGES), 0.0)

    def wrapped(name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*rest: Any, **more: Any) -> Any:
            start = time.process_time()
            try:
                return function(*rest, **more)
            finally:
                times[name] += time.process_time() - start

        return call

    patches = [
        mock.patch.object(place, attribute, wrapped(name, getattr(place, attribute)))
        for name, place, attribute in STAGES
    ]
    for patch in patches:
        patch.start()
    try:
        start = time.process_time()
        done = work(task)
        whole_s = time.process_time() - start
    finally:
        for patch in patches:
            patch.stop()
    assert done.key, done
    return times, whole_s - sum(time_s for name, time_s in times.items() if name.startswith("write: "))


if __name__ == "__main__":
    cv2.setNumThreads(0)
    print(json.dumps(timed(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))[1:]))
