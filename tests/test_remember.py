"""The check bar: what may be typed, what is remembered."""

from __future__ import annotations

from pathlib import Path

import pytest

from grader.errors import GraderError, OutputProblem
from grader.remember import FILE_NAME, load_bars, save_bars, scale_from_bar


def test_scale_is_measured_over_drawn() -> None:
    assert scale_from_bar(150.0) == 1.0
    assert scale_from_bar(145.5) == pytest.approx(0.97)


@pytest.mark.parametrize(("typed", "meant"), [(5.9, "149.9"), (14.9, "149.0")])
def test_another_unit_is_noticed(typed: float, meant: str) -> None:
    with pytest.raises(GraderError) as problem:
        scale_from_bar(typed)
    assert f"--measured {meant}" in problem.value.advice


@pytest.mark.parametrize("typed", [0.0, -150.0, 100.0, 200.0, float("nan"), float("inf")])
def test_impossible_lengths_are_refused(typed: float) -> None:
    with pytest.raises(GraderError):
        scale_from_bar(typed)


def test_remembered_for_each_mat(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "settings"
    assert load_bars(folder) == {}
    save_bars(folder, {"A4-1": 149.5, "A3-1": 150.2})
    assert load_bars(folder) == {"A4-1": 149.5, "A3-1": 150.2}


@pytest.mark.parametrize("text", ["", "[]", "{broken", '{"A4-1": "long"}', '{"A4-1": 15.0}'])
def test_a_damaged_file_is_as_good_as_none(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE_NAME).write_text(text)
    assert load_bars(tmp_path) == {}


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputProblem):
        save_bars(tmp_path / "file", {})
