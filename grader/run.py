"""One run of ``grader grade``: build the kit, grade the photos, write everything, say what happened."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rich.console import Console

from calib.design import CHECK_BAR_MM, MatLayout, load_layout
from grader.batch import grade_all, photos_in
from grader.errors import ExitCode, GraderError, OutputProblem
from grader.pipeline import Kit
from grader.records import GradedPhoto, PhotoResult
from grader.remember import load_bars, save_bars, scale_from_bar
from grader.verdict import load_targets

PIPE_WIDTH = 120
"""Columns of the table where the output is no terminal."""


@dataclass(frozen=True, slots=True)
class Request:
    """What the person asked for."""

    inputs: tuple[Path, ...]
    out: Path
    targets: str
    mat: Path | None
    measured_mm: float | None
    batch: Mapping[str, str]
    as_json: bool
    debug_dir: Path | None = None


def run(request: Request, settings: Path) -> ExitCode:
    """Grade, write, print; return the exit code.

    Raises
    ------
    GraderError
        If the targets, the mat's layout, the check bar or the output folder cannot be used.
    """
    kit = kit_for(request, settings)
    photos = photos_in(request.inputs)
    if not photos:
        names = ", ".join(str(path) for path in request.inputs)
        print(f"There are no photos in {names}.", file=sys.stderr)
        print("Give a folder with JPEG, PNG, TIFF, WebP or HEIC files.", file=sys.stderr)
        return ExitCode.NOTHING_GRADED
    _refuse_unwritable(request.out)
    results = _graded(photos, kit, request)
    if request.measured_mm is not None:
        _remember(results, request.measured_mm, settings)
    _write(results, kit, request)
    _print(results, kit, request)
    n_graded = sum(isinstance(result, GradedPhoto) for result in results)
    if n_graded == 0:
        return ExitCode.NOTHING_GRADED
    return ExitCode.ALL_GRADED if n_graded == len(results) else ExitCode.SOME_SKIPPED


def _refuse_unwritable(out: Path) -> None:
    """Find out before an hour of grading, not after it."""
    nearest = next(folder for folder in (out, *out.absolute().parents) if folder.exists())
    if not nearest.is_dir():
        raise OutputProblem(f"{nearest} is a file, not a folder.", "Give another folder with --out.")
    if not os.access(nearest, os.W_OK):
        raise OutputProblem(f"Nothing may be written in {nearest}.", "Give another folder with --out.")


def kit_for(request: Request, settings: Path) -> Kit:
    """Return what the run depends on.

    Raises
    ------
    GraderError
        If the targets, the mat's layout or the check bar cannot be used.
    """
    layouts: tuple[MatLayout, ...] = ()
    if request.mat is not None:
        try:
            layouts = (load_layout(request.mat),)
        except ValueError as problem:
            raise GraderError(
                str(problem), "Give the layout of the board as JSON; see the README."
            ) from problem
    measured = request.measured_mm
    return Kit(
        targets=load_targets(request.targets),
        layouts=layouts,
        print_scale=None if measured is None else scale_from_bar(measured),
        known_scales={mat_id: bar / CHECK_BAR_MM for mat_id, bar in load_bars(settings).items()},
        debug_dir=request.debug_dir,
    )


def _graded(photos: list[Path], kit: Kit, request: Request) -> list[PhotoResult]:
    """Grade, and show each photo's table as soon as it is done.

    Progress goes to stderr: a moving line in a terminal, a line a photo elsewhere.
    """
    from grader.write.annotate import write_picture
    from grader.write.terminal import clean, show_photo

    progress = Console(stderr=True)
    status = progress.status("starting") if progress.is_terminal else None

    def tell(index: int, n: int, path: Path) -> None:
        text = f"photo {index} of {n}: {clean(path.name)}"
        if status is None:
            print(text, file=sys.stderr, flush=True)
        else:
            status.update(text)
            status.start()

    results: list[PhotoResult] = []
    told: set[str] = set()
    try:
        for result in grade_all(photos, kit, request.batch, request.out, write_picture, tell):
            if status is not None:
                status.stop()
            results.append(result)
            if request.measured_mm is None:
                _tell_remembered(result, told)
            if not request.as_json:
                show_photo(_table_console(), result)
    except KeyboardInterrupt:
        print(f"stopped: {len(results)} of {len(photos)} photos are done and kept", file=sys.stderr)
    finally:
        if status is not None:
            status.stop()
    return results


def _tell_remembered(result: PhotoResult, told: set[str]) -> None:
    """Say once for each mat that a check bar of an earlier run is used: another print may differ."""
    if not isinstance(result, GradedPhoto) or result.pose.mat_id in told:
        return
    if result.pose.print_scale_source == "check bar typed":
        told.add(result.pose.mat_id)
        bar_mm = result.pose.print_scale * CHECK_BAR_MM
        print(
            f"mat {result.pose.mat_id}: using its check bar of {bar_mm:g} mm, measured earlier "
            "(for a new print give --measured, or --forget)",
            file=sys.stderr,
        )


def _table_console() -> Console:
    return Console() if sys.stdout.isatty() else Console(width=PIPE_WIDTH)


def _remember(results: list[PhotoResult], measured_mm: float, settings: Path) -> None:
    mats = {result.pose.mat_id for result in results if isinstance(result, GradedPhoto)}
    if mats:
        save_bars(settings, load_bars(settings) | dict.fromkeys(mats, measured_mm))
        names = ", ".join(sorted(mats))
        print(f"remembered: the check bar of mat {names} measures {measured_mm:g} mm", file=sys.stderr)


def _settings_told(kit: Kit, request: Request) -> dict[str, object]:
    return {
        "targets": kit.targets.id,
        "targets_file": str(kit.targets.path),
        "targets_sha256": kit.targets.sha256,
        "mat_layout": str(request.mat) if request.mat else None,
        "measured_check_bar_mm": request.measured_mm,
    }


def _write(results: list[PhotoResult], kit: Kit, request: Request) -> None:
    from grader.write.results import write_results
    from grader.write.table_csv import write_csv

    write_results(request.out / "results.json", results, _settings_told(kit, request), datetime.now())
    write_csv(request.out / "cuttings.csv", results)


def _print(results: list[PhotoResult], kit: Kit, request: Request) -> None:
    from grader.write.results import results_of, to_json
    from grader.write.terminal import summary

    if request.as_json:
        print(to_json(results_of(results, _settings_told(kit, request), datetime.now())), end="")
        print(summary(results), file=sys.stderr)
    else:
        print(summary(results))
    print(f"pictures, results.json and cuttings.csv are in {request.out}", file=sys.stderr)
