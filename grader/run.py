"""One run of ``grader grade``: build the kit, grade the photos, write everything, say what happened."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path

from calib.design import CHECK_BAR_MM, MatLayout, load_layout
from grader.batch.before import no_longer_told, photos_told
from grader.batch.keep import Line, file_hash, held, sweep
from grader.batch.pool import default_workers
from grader.batch.request import Found, Request, find_photos
from grader.batch.session import SAME_PHOTO, Plan, Session
from grader.batch.tell import Teller, interrupted
from grader.batch.watch import ended_by_signals, watch
from grader.errors import ExitCode, GraderError, OutputProblem
from grader.pipeline import Kit
from grader.remember import load_bars, save_bars, scale_from_bar
from grader.verdict.targets_file import load_targets
from grader.write.tables import Tables
from grader.write.terminal import clean


def run(request: Request, settings: Path) -> ExitCode:
    """Grade, write, print; return the exit code.

    Raises
    ------
    GraderError
        If the targets, the mat's layout, the check bar, what the photos carry or the output folder cannot
        be used.
    """
    kit, board_sha256 = kit_for(request, settings)
    teller = Teller(request, kit)
    plan = Plan(
        kit=kit,
        out=request.out,
        inputs=request.inputs,
        board_sha256=board_sha256,
        is_fresh=request.is_fresh,
        n_workers=default_workers() if request.n_workers is None else request.n_workers,
        look=teller.look,
    )
    session = Session(plan, request.batch, load_targets)
    found = find_photos(request)
    if not request.is_watching:
        session.check(found.photos)
        if not any(os.path.lexists(path) for path in request.inputs):
            return _nothing_there(request)  # A slip of the pen must not empty the tables of an earlier run.
        if not found.photos and not found.problems:
            return _nothing_found(request)
    refuse_file(request.out)
    with held(request.out), ended_by_signals():
        sweep(request.out)
        before = photos_told(request.out)
        if request.is_watching:
            lines, is_whole = watch(session, request, teller)
            _finish(request, settings, teller, lines)
        else:
            with teller.begun() as tables:
                lines, is_whole = _grade(session, found, teller, tables)
                # Stopped early, the tables may hold a photo in part.
                _finish(request, settings, teller, lines, tables if is_whole else None)
        teller.say(no_longer_told(before, request.out))
    return _exit_code(lines, teller.n_graded, is_whole)


def _finish(
    request: Request, settings: Path, teller: Teller, lines: list[Line], tables: Tables | None = None
) -> None:
    if request.measured_mm is not None:
        remember_bar(teller.mats, request.measured_mm, settings)
    teller.finish(lines, tables)


def _grade(session: Session, found: Found, teller: Teller, tables: Tables) -> tuple[list[Line], bool]:
    """Grade the photos that are there; return their lines, and whether the run came to its end."""
    lines: list[Line] = []
    try:
        for line in session.grade(found.photos, teller.working_on):
            lines.append(replace(line, text=None))
            teller.done(line, tables)
    except KeyboardInterrupt:
        teller.stopped(len(lines), len(found.photos))
        return lines, False
    except OutputProblem as problem:
        raise interrupted(problem, len(lines), len(found.photos)) from problem
    finally:
        teller.end()
    teller.say(session.unmatched(found.photos))
    problems = [Line(problem.path, skipped=problem) for problem in found.problems]
    for line in problems:
        teller.done(line, tables)
    return lines + problems, True


def _nothing_there(request: Request) -> ExitCode:
    for path in request.inputs:
        print(f"There is no photo or folder {clean(str(path))}.", file=sys.stderr)
    print("Check the name. Nothing was graded and nothing was written.", file=sys.stderr)
    return ExitCode.NOTHING_GRADED


def _nothing_found(request: Request) -> ExitCode:
    names = ", ".join(clean(str(path)) for path in request.inputs)
    print(f"There are no photos in {names}.", file=sys.stderr)
    print("Give a folder with JPEG, PNG, TIFF, WebP or HEIC files.", file=sys.stderr)
    return ExitCode.NOTHING_GRADED


def refuse_file(out: Path, remedy: str = "Give another folder with --out.") -> None:
    """Refuse a results folder that is a file, or lies below one.

    Raises
    ------
    OutputProblem
        If so.
    """
    nearest = next(folder for folder in (out, *out.absolute().parents) if os.path.lexists(folder))
    if not nearest.is_dir():
        raise OutputProblem(f"{nearest} is a file, not a folder.", remedy)


def _exit_code(lines: list[Line], n_graded: int, is_whole: bool) -> ExitCode:
    """Return the exit code; a photo that is there twice is no failure."""
    if n_graded == 0:
        return ExitCode.NOTHING_GRADED
    n_same = sum(line.skipped is not None and line.skipped.reason == SAME_PHOTO for line in lines)
    return ExitCode.ALL_GRADED if is_whole and n_graded + n_same == len(lines) else ExitCode.SOME_SKIPPED


def kit_for(request: Request, settings: Path) -> tuple[Kit, str]:
    """Return what the run goes by, and the hash of the file of a board that is not ours.

    Raises
    ------
    GraderError
        If the targets, the mat's layout or the check bar cannot be used.
    """
    board_sha256 = ""
    layouts: tuple[MatLayout, ...] = ()
    if request.mat is not None:
        try:
            layouts = (load_layout(request.mat),)
            board_sha256 = file_hash(request.mat)
        except (ValueError, OSError) as problem:
            raise GraderError(
                str(problem), "Give the layout of the board as JSON; see the README."
            ) from problem
    measured = request.measured_mm
    kit = Kit(
        targets=replace(load_targets(request.targets), doubtful=request.doubtful),
        layouts=layouts,
        print_scale=None if measured is None else scale_from_bar(measured),
        known_scales={mat_id: bar / CHECK_BAR_MM for mat_id, bar in load_bars(settings).items()},
        debug_dir=request.debug_dir,
    )
    return kit, board_sha256


def remember_bar(mats: set[str], measured_mm: float, settings: Path) -> None:
    """Remember the check bar of these mats, and say so.

    Raises
    ------
    OutputProblem
        If it cannot be remembered.
    """
    if mats:
        save_bars(settings, load_bars(settings) | dict.fromkeys(mats, measured_mm))
        names = clean(", ".join(sorted(mats)))
        print(f"remembered: the check bar of mat {names} measures {measured_mm:g} mm", file=sys.stderr)
