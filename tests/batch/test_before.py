"""A second run into the same folder says which photos its tables no longer tell of."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from grader.batch.before import photos_told
from grader.batch.keep import file_hash
from grader.batch.request import Request
from grader.run import run
from tests.batch.trays import save_board, save_tray


def grade(folder: Path, *inputs: Path) -> None:
    board = save_board(folder / "board.json")
    run(Request(inputs, folder / "out", "landscape-juniper", board, None, {}, False, n_workers=0), folder)


def test_photos_that_are_not_named_again_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    monday, tuesday = (save_tray(tmp_path / day / "1.jpg", seed=k) for k, day in enumerate("ab"))
    grade(tmp_path, monday.parent)
    assert "no longer" not in capsys.readouterr().err
    assert photos_told(tmp_path / "out") == {file_hash(monday)}
    picture = (tmp_path / "out" / "1.graded.jpg").read_bytes()
    grade(tmp_path, tuesday.parent)
    told = " ".join(capsys.readouterr().err.split())
    assert f"1 photo graded into {tmp_path / 'out'} before is no longer listed" in told
    grade(tmp_path, monday.parent, tuesday.parent)
    assert "no longer" not in capsys.readouterr().err
    assert photos_told(tmp_path / "out") == {file_hash(monday), file_hash(tuesday)}
    assert picture in [path.read_bytes() for path in (tmp_path / "out").rglob("*.graded.jpg")]


def test_the_same_photo_by_another_name_is_still_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = save_tray(tmp_path / "a" / "1.jpg")
    grade(tmp_path, photo)
    shutil.move(photo, tmp_path / "2.jpg")
    grade(tmp_path, tmp_path / "2.jpg")
    assert "no longer" not in capsys.readouterr().err


def test_a_damaged_table_tells_of_nothing(tmp_path: Path) -> None:
    assert photos_told(tmp_path) == frozenset()
    (tmp_path / "cuttings.csv").write_bytes(b"\xff\xfe\x00photo")
    assert photos_told(tmp_path) == frozenset()


def test_a_mistyped_name_leaves_the_tables_of_an_earlier_run_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    grade(tmp_path, save_tray(tmp_path / "monday" / "1.jpg").parent)
    before = {path: path.read_bytes() for path in (tmp_path / "out").rglob("*") if path.is_file()}
    capsys.readouterr()
    grade(tmp_path, tmp_path / "mondya")
    assert f"There is no photo or folder {tmp_path / 'mondya'}." in capsys.readouterr().err
    assert before == {path: path.read_bytes() for path in (tmp_path / "out").rglob("*") if path.is_file()}


def test_a_mistyped_name_makes_no_folder(tmp_path: Path) -> None:
    grade(tmp_path, tmp_path / "mondya")
    assert not (tmp_path / "out").exists()
