"""Finding photos, running them, pictures of the worst cases."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from grader.records import GradedPhoto, Measured, SilhouetteKind
from grader.verdict import load_targets
from tests.accuracy import known_tray
from tests.accuracy.compare import compare
from tests.accuracy.goals import GOALS
from tests.accuracy.run import run_set, truth_files, usable
from tests.accuracy.truth import PhotoTruth
from tests.accuracy.worst import (
    FOUND_COLOUR,
    OUTLINE_COLOUR,
    TRUE_COLOUR,
    Case,
    across_at,
    draw_case,
    read_upright,
    save_worst,
)

LONG_MM = 7.0
"""Injected error of the total length of one cutting."""


def one_too_long(truth: PhotoTruth, _folder: Path) -> GradedPhoto:
    return known_tray.with_trait(
        known_tray.flawless(truth),
        "total_length_mm",
        lambda i, m: Measured(m.value + (LONG_MM if i == 2 else 0.0), m.sigma),
    )


@pytest.fixture
def case(tmp_path: Path) -> Case:
    path = known_tray.truth_file(tmp_path)
    Image.fromarray(np.full((3024, 4032, 3), 200, dtype=np.uint8)).save(tmp_path / "known.jpg")
    return run_set([path], 1, one_too_long, load_targets())[0]


def test_truth_without_photo_is_left_out(tmp_path: Path) -> None:
    path = known_tray.truth_file(tmp_path)
    assert truth_files(tmp_path) == []
    Image.new("RGB", (8, 8)).save(tmp_path / "known.jpg")
    assert truth_files(tmp_path) == [path]


def test_worst_case_comes_first(case: Case, tmp_path: Path) -> None:
    saved = save_worst({"made up": usable([case])}, tmp_path / "worst", per_trait=1)
    assert len(saved) == len(GOALS)
    assert (tmp_path / "worst" / "total_length_mm_01_made up_known_2.png").is_file()


def test_picture_shows_what_was_found(case: Case) -> None:
    reading = next(
        item for item in case.comparison.readings if item.trait == "total_length_mm" and item.cutting_id == 2
    )
    assert reading.error == pytest.approx(LONG_MM)
    colours = {
        tuple(colour)
        for _, colour in draw_case(case, reading, read_upright(case.truth.photo)).getcolors(1 << 20)
    }
    # Drawn last; without an error of position it hides the true one.
    assert FOUND_COLOUR in colours


def test_lost_cutting_gets_a_picture_with_the_reason(case: Case, tmp_path: Path) -> None:
    graded = known_tray.set_aside(case.graded, 1, SilhouetteKind.OBJECT)
    lost = Case(case.truth, graded, compare(case.truth, graded, load_targets()))
    saved = save_worst({"made up": [lost]}, tmp_path / "worst", per_trait=0)
    assert [path.name for path in saved] == ["lost_set_aside_made up_known_1.png"]
    colours = {tuple(colour) for _, colour in Image.open(saved[0]).getcolors(1 << 20)}
    assert {TRUE_COLOUR, OUTLINE_COLOUR} <= colours


def test_mark_across_the_axis() -> None:
    axis = np.column_stack([np.arange(0.0, 11.0), np.zeros(11)])
    assert across_at(axis, 4.5, 3.0) == pytest.approx(np.array([[4.5, -3.0], [4.5, 3.0]]))
    assert math.hypot(*np.diff(across_at(axis, 100.0), axis=0)[0]) == pytest.approx(6.0)
