"""Many photos: shared out, in order, each with what it carries; a process that dies costs one photo."""

from __future__ import annotations

import importlib
import multiprocessing
import shutil
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from calib.design import load_layout
from grader.batch import work as work_module
from grader.batch.keep import FOLDER, Keep, Line, file_hash, result_of
from grader.batch.pool import run_tasks
from grader.batch.session import Plan, Session
from grader.batch.work import Task, work
from grader.errors import GraderError, OutputProblem
from grader.pipeline import Kit
from grader.records import GradedPhoto, SkippedPhoto
from grader.verdict import load_targets
from grader.write.small import SUFFIX
from grader.write.told import Look, photo_text
from tests.batch.trays import save_board, save_tray


def plan_for(folder: Path, **changes: Any) -> Plan:
    board = save_board(folder / "board.json")
    kit = Kit(load_targets(), layouts=(load_layout(board),))
    plain: dict[str, Any] = {"kit": kit, "out": folder / "out", "inputs": (folder / "in",), "n_workers": 0}
    return Plan(**(plain | changes))


def graded(plan: Plan, photos: list[Path], **options: str) -> tuple[list[Line], list[str]]:
    told: list[str] = []
    session = Session(plan, options, load_targets)
    lines = list(session.grade(photos, lambda index, n, path: told.append(f"{index}/{n} {path.name}")))
    return lines, told


def three(folder: Path) -> list[Path]:
    return [save_tray(folder / "in" / f"{name}.jpg", seed=k) for k, name in enumerate("cab")]


def notes(folder: Path, *names: str) -> list[Path]:
    (folder / "in").mkdir(exist_ok=True)
    for name in names:
        (folder / "in" / name).write_text(f"not a picture {name}")
    return [folder / "in" / name for name in names]


def test_every_photo_has_its_result_in_order(tmp_path: Path) -> None:
    photos = notes(tmp_path, "c.jpg", "a.jpg", "b.jpg")
    lines, told = graded(plan_for(tmp_path), photos)
    results = [result_of(line, Keep(tmp_path / "out")) for line in lines]
    assert [result.path for result in results] == photos
    assert all(isinstance(r, SkippedPhoto) and r.reason == "not a picture" for r in results)
    assert told == ["1/3 c.jpg", "2/3 a.jpg", "3/3 b.jpg"]
    again, told = graded(plan_for(tmp_path), photos)
    assert told == [] and [replace(line, is_old=False) for line in again] == lines


def test_a_slip_of_the_program_costs_one_photo_and_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = work_module.grade_photo_and_picture
    problems: list[BaseException] = [ZeroDivisionError("division by zero"), MemoryError()]

    def slips(path: Path, *rest: Any) -> Any:
        if path.name == "a.jpg" and problems:
            raise problems.pop(0)
        return real(path, *rest)

    monkeypatch.setattr(work_module, "grade_photo_and_picture", slips)
    photos = notes(tmp_path, "a.jpg", "b.jpg")
    for reason, says in (("program error", "ZeroDivisionError"), ("out of memory", "not enough memory")):
        lines, _ = graded(plan_for(tmp_path), photos)
        first, second = (result_of(line, Keep(tmp_path / "out")) for line in lines)
        assert isinstance(first, SkippedPhoto) and first.reason == reason and says in first.message
        assert isinstance(second, SkippedPhoto) and second.reason == "not a picture"
    lines, told = graded(plan_for(tmp_path), photos)
    assert told == ["1/2 a.jpg"] and lines[0].key


def test_a_slip_in_drawing_costs_the_picture_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def slips(*_: object) -> None:
        raise ZeroDivisionError("no room")

    monkeypatch.setattr(importlib.import_module("grader.write.annotate"), "write_picture", slips)
    (line,), _ = graded(plan_for(tmp_path), [save_tray(tmp_path / "in" / "a.jpg")])
    result = result_of(line, Keep(tmp_path / "out"))
    assert isinstance(result, GradedPhoto) and len(result.cuttings) == 1
    assert "the picture could not be drawn" in result.warnings[-1]


def test_a_picture_that_is_gone_is_drawn_again_without_measuring(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photos = [save_tray(tmp_path / "in" / "a.jpg")]
    graded(plan_for(tmp_path), photos)
    picture = tmp_path / "out" / "a.graded.jpg"
    before = picture.read_bytes()
    monkeypatch.setattr(work_module, "grade_photo_and_picture", lambda *_: pytest.fail("measured again"))
    (small,) = (tmp_path / "out" / FOLDER).glob(f"*{SUFFIX}")
    small_before = small.read_bytes()
    for spoil in (
        picture.unlink,
        lambda: picture.write_bytes(b"painted over"),
        small.unlink,
        lambda: small.write_bytes(small_before[:1000]),
    ):
        spoil()
        graded(plan_for(tmp_path), photos)
        assert picture.read_bytes() == before and small.read_bytes() == small_before


def test_what_is_done_is_known_by_its_content_targets_and_scale(tmp_path: Path) -> None:
    photo = save_tray(tmp_path / "in" / "a.jpg")
    plan = plan_for(tmp_path)
    graded(plan, [photo], cutter="Ann")
    moved = tmp_path / "in" / "sub" / "moved.jpg"
    moved.parent.mkdir()
    shutil.move(photo, moved)
    (line,), told = graded(plan, [moved], cutter="Bea")
    result = result_of(line, Keep(plan.out))
    assert isinstance(result, GradedPhoto)
    assert (result.path, result.batch) == (moved, {"cutter": "Bea"})
    assert told == ["1/1 moved.jpg"]  # its picture has another place now, so it is drawn
    assert graded(plan, [moved])[1] == []
    for other in (
        replace(plan, kit=replace(plan.kit, print_scale=0.99)),
        replace(plan, kit=replace(plan.kit, targets=load_targets("rosemary"))),
        replace(plan, kit=replace(plan.kit, targets=replace(plan.kit.targets, doubtful="keep"))),
        replace(plan, board_sha256="another"),
        replace(plan, is_fresh=True),
    ):
        assert graded(other, [moved])[1] == ["1/1 moved.jpg"]


def test_each_photo_is_judged_by_its_own_targets(tmp_path: Path) -> None:
    photos = [
        save_tray(tmp_path / "in" / "a.jpg", seed=0),
        save_tray(tmp_path / "in" / "targets=rosemary" / "b.jpg", seed=1),
    ]
    lines, _ = graded(plan_for(tmp_path), photos)
    ids = []
    for line in lines:
        result = result_of(line, Keep(tmp_path / "out"))
        assert isinstance(result, GradedPhoto)
        ids.append(result.cuttings[0].grade.targets_id)
    assert ids == [load_targets().id, load_targets("rosemary").id]


def test_wrong_targets_of_one_photo_are_told_before_any_work(tmp_path: Path) -> None:
    photo = save_tray(tmp_path / "in" / "targets=rosmary" / "a.jpg")
    with pytest.raises(GraderError, match="rosmary"):
        Session(plan_for(tmp_path), {}, load_targets).check([photo])


def test_a_photo_that_changes_while_it_waits_is_kept_for_what_was_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo = save_tray(tmp_path / "in" / "a.jpg", seed=0)
    real = work_module.grade_photo_and_picture

    def changes(path: Path, *rest: Any) -> Any:
        save_tray(photo, seed=1)
        return real(path, *rest)

    monkeypatch.setattr(work_module, "grade_photo_and_picture", changes)
    (line,), _ = graded(plan_for(tmp_path), [photo])
    result = result_of(line, Keep(tmp_path / "out"))
    assert isinstance(result, GradedPhoto) and result.sha256 == file_hash(photo)
    assert graded(plan_for(tmp_path), [photo])[1] == []


def test_a_process_that_dies_with_a_photo_in_hand_is_told_of(tmp_path: Path) -> None:
    photos = three(tmp_path)
    plan = plan_for(tmp_path, n_workers=1)
    tasks = [(k, Task(path, (), plan.kit, "", plan.out, f"{k}.jpg")) for k, path in enumerate(photos)]

    def handed_out() -> Any:
        yield tasks[0]
        yield tasks[1]
        yield tasks[2]

    running = run_tasks(handed_out(), 1)
    assert next(running)[0] == 0
    # The second photo is handed out when the next answer is asked for; a timer strikes while it is worked on.
    timer = threading.Timer(0.05, lambda: [p.kill() for p in multiprocessing.active_children()])
    timer.start()
    number, done = next(running)
    timer.join()
    assert number == 1
    assert done.skipped is not None
    assert done.skipped.reason == "program error" and "signal 9" in done.skipped.message
    number, done = next(running)
    assert number == 2 and done.key
    assert list(running) == []
    assert multiprocessing.active_children() == []


def test_a_photo_that_takes_for_ever_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("grader.batch.pool.MOST_S", 0.0)
    photos = three(tmp_path)
    plan = plan_for(tmp_path)
    task = Task(photos[0], (), plan.kit, "", plan.out, "a.jpg")
    ((_, done),) = run_tasks([(0, task)], 1)
    assert done.skipped is not None and "it took longer than" in done.skipped.message


def test_a_disk_problem_ends_the_run_with_the_rest_undone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photos = notes(tmp_path, "a.jpg", "b.jpg")
    (tmp_path / "out").write_text("a file where the folder should be")
    with pytest.raises(OutputProblem, match="cannot be written"):
        graded(plan_for(tmp_path), photos)
    assert work(Task(photos[0], (), plan_for(tmp_path).kit, "", tmp_path / "out", "a.jpg")).output_problem


def test_no_process_is_started_where_there_is_nothing_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    photos = notes(tmp_path, "a.jpg")
    graded(plan_for(tmp_path), photos)
    monkeypatch.setattr("grader.batch.pool._started", lambda *_: pytest.fail("a process was started"))
    lines, _ = graded(plan_for(tmp_path, n_workers=2), photos)
    assert lines[0].is_old


def test_words_of_a_photo_are_those_of_what_is_kept(tmp_path: Path) -> None:
    photos = [save_tray(tmp_path / "in" / "a.jpg")]
    look = Look(100, is_terminal=True, encoding="utf-8")
    (line,), _ = graded(plan_for(tmp_path, look=look), photos, cutter="Ann")
    assert line.text is not None and "\x1b[" in line.text.shown
    assert line.text == photo_text(result_of(line, Keep(tmp_path / "out")), look)
    assert '"cutter": "Ann"' in line.text.json and "Ann" in line.text.csv
    (again,), _ = graded(plan_for(tmp_path, look=look), photos, cutter="Ann")
    assert again.text is None and again.is_old
