"""One run of ``grader check``: each photo in turn, told as soon as it is known."""

from __future__ import annotations

import sys
from pathlib import Path

from rich.console import Console

from grader.batch import photos_in
from grader.check.figures import CheckResult, PhotoCheck
from grader.check.photo import check_one
from grader.check.told import show_check, summary, to_json
from grader.errors import ExitCode
from grader.pipeline import Kit

PIPE_WIDTH = 120
"""Columns where the output is no terminal."""


def run(inputs: tuple[Path, ...], kit: Kit, as_json: bool) -> ExitCode:
    """Check the photos, print, and return the exit code: as ``grader grade`` does."""
    photos = photos_in(inputs)
    if not photos:
        print(f"There are no photos in {', '.join(str(path) for path in inputs)}.", file=sys.stderr)
        print("Give a folder with JPEG, PNG, TIFF, WebP or HEIC files.", file=sys.stderr)
        return ExitCode.NOTHING_GRADED
    console = Console() if sys.stdout.isatty() else Console(width=PIPE_WIDTH)
    results: list[CheckResult] = []
    for path in photos:
        results.append(check_one(path, kit))
        if not as_json:
            show_check(console, results[-1])
    if as_json:
        print(to_json(results), end="")
    print(summary(results), file=sys.stderr if as_json else sys.stdout)
    n_checked = sum(isinstance(result, PhotoCheck) for result in results)
    if n_checked == 0:
        return ExitCode.NOTHING_GRADED
    return ExitCode.ALL_GRADED if n_checked == len(results) else ExitCode.SOME_SKIPPED
