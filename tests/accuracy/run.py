"""Find photos with truth, run the program on them, compare."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

from grader.records import GradedPhoto, PhotoResult, SkippedPhoto
from grader.verdict import Targets
from tests.accuracy.compare import compare
from tests.accuracy.truth import SUFFIX, PhotoTruth, load_truth, photo_of
from tests.accuracy.worst import Case

Measure = Callable[[PhotoTruth, Path], PhotoResult]
"""The program: the truth (for the print scale only) and the folder of the photo -> its result."""

ROOT = Path(__file__).resolve().parents[2]
TRAYS_VARIABLE = "CUTTING_TRAYS"
DEFAULT_TRAYS = Path("..") / "shared" / "trays"


def trays_folder() -> Path:
    """Return the folder of the independent trays, whether it exists or not."""
    return (ROOT / os.environ.get(TRAYS_VARIABLE, str(DEFAULT_TRAYS))).resolve()


def default_folders() -> list[Path]:
    """Return the folders with truth that are there: independent trays, demo photos, renders."""
    trays = trays_folder()
    wanted = [trays / "a", trays / "b", trays / "c"]
    wanted += [ROOT / "demo_images", ROOT / "renders" / "dev", ROOT / "renders" / "judge"]
    return [folder for folder in wanted if truth_files(folder)]


def truth_files(folder: Path) -> list[Path]:
    """Return the truth files of a folder that have a photo beside them, by name."""
    return [path for path in sorted(folder.glob("*" + SUFFIX)) if photo_of(path) is not None]


def set_name(folder: Path) -> str:
    """Return what a folder is called in the tables."""
    folder = folder.resolve()
    return f"trays {folder.name}" if folder.parent == trays_folder() else folder.name


def measure_one(truth_path: Path, measure: Measure, targets: Targets, others: Sequence[Targets] = ()) -> Case:
    """Return one photo with its result and the comparison."""
    truth = load_truth(truth_path)
    result = measure(truth, truth_path.parent)
    return Case(truth, result, compare(truth, result, targets, others))


def run_set(
    paths: Sequence[Path], jobs: int, measure: Measure, targets: Targets, others: Sequence[Targets] = ()
) -> list[Case]:
    """Return the cases of some truth files, in order; progress goes to stderr."""
    work = partial(measure_one, measure=measure, targets=targets, others=others)
    if jobs <= 1:
        return list(_told(map(work, paths), len(paths)))
    with ProcessPoolExecutor(jobs) as pool:
        return list(_told(pool.map(work, paths), len(paths)))


def _told(cases: Iterable[Case], n: int) -> Iterable[Case]:
    started = time.monotonic()
    for index, case in enumerate(cases, start=1):
        seconds = time.monotonic() - started
        what = case.graded.reason if isinstance(case.graded, SkippedPhoto) else f"{len(case.graded.cuttings)}"
        print(f"  {index}/{n} {case.truth.name}: {what} ({seconds:.0f} s)", file=sys.stderr, flush=True)
        yield case


def usable(cases: Iterable[Case]) -> list[Case]:
    """Return the cases whose photo was graded."""
    return [case for case in cases if isinstance(case.graded, GradedPhoto)]
