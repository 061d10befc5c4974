"""One run of ``grader stick``: read results, plan, write sheet, pictures and file, say what happened."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from grader.batch import GROUPS_SUFFIX, PICTURE_SUFFIX, picture_names
from grader.errors import ExitCode
from grader.results_file import read_all
from grader.stick.picture import original, picture
from grader.stick.plan import Choices, StickPlan, make_plan
from grader.stick.sheet import sheet_pdf
from grader.stick.sticking_file import FILE_NAME, sticking_json
from grader.stick.terminal import show_plan
from grader.stick.values import StickValues
from grader.write.files import write_atomic
from grader.write.terminal import clean
from grader.write.told import PIPE_WIDTH

SHEET_NAME = "sticking.pdf"


def run(paths: Sequence[Path], out: Path, choices: Choices, values: StickValues, paper: str) -> ExitCode:
    """Plan and write; return the exit code. A file that cannot be read stops no other.

    Raises
    ------
    GraderError
        If the values lack what is needed, or nothing can be written.
    """
    results = read_all(paths)
    if not results:
        return ExitCode.NOTHING_GRADED
    plan = make_plan(results, choices, values)
    write_atomic(out / FILE_NAME, sticking_json(plan))
    write_atomic(out / SHEET_NAME, sheet_pdf(plan, paper))
    pictures = _pictures(plan, out)
    console = Console() if sys.stdout.isatty() else Console(width=PIPE_WIDTH)
    show_plan(console, plan)
    print(f"{SHEET_NAME} with the labels and {FILE_NAME} are in {clean(str(out))}", file=sys.stderr)
    for folder in dict.fromkeys(path.parent for path in pictures):
        print(f"pictures *{GROUPS_SUFFIX} are in {clean(str(folder))}", file=sys.stderr)
    if not plan.groups:
        print("There is no cutting to stick: none of grade 1 or 2 as it lies.", file=sys.stderr)
        return ExitCode.NOTHING_GRADED
    return ExitCode.ALL_GRADED if len(results) == len(paths) else ExitCode.SOME_SKIPPED


def _pictures(plan: StickPlan, out: Path) -> list[Path]:
    """Write a picture of each photo beside its graded one; into ``out`` where that may not be written."""
    written: list[Path] = []
    left = {photo.sha256: photo for photo in plan.photos}
    for result in plan.sources:
        names = picture_names([Path(file) for file in result.files])
        folder = result.path.parent
        if not os.access(folder, os.W_OK):
            folder = out
        for photo in (photo for photo in result.photos if left.get(photo.sha256) is photo):
            stem = names[Path(photo.file)].removesuffix(PICTURE_SUFFIX)
            path = _unused(folder, stem, written)
            write_atomic(path, picture(plan, photo, original(photo, result.path)))
            written.append(path)
    return written


def _unused(folder: Path, stem: str, written: Sequence[Path]) -> Path:
    """Return a name that no other picture of this run has."""
    path, n = folder / f"{stem}{GROUPS_SUFFIX}", 1
    while path in written:
        n += 1
        path = folder / f"{stem}-{n}{GROUPS_SUFFIX}"
    return path
