"""The comparison of advice with the best possible: right on trays whose answer is plain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from grader.verdict import grade_cutting, load_targets
from tests.accuracy.advice import action_of, outcome_of, pair_of, report, true_outlook, true_shape
from tests.accuracy.grades import true_traits
from tests.accuracy.truth import CuttingTruth
from tests.synthetic_records import graded_cutting, measured_from, straight_shape

TARGETS = load_targets()


def truth_of(
    length_mm: float, stripped_mm: float, width_mm: float = 2.4, area_mm2: float = 900.0
) -> CuttingTruth:
    """Return a straight true cutting with even foliage, lying like the synthetic shapes."""
    arc = np.append(np.arange(0.0, length_mm), length_mm)
    axis = np.column_stack([100.0 + arc, np.full(len(arc), 100.0)])
    along = np.arange(stripped_mm, length_mm, 0.5)
    cells = np.column_stack([100.0 + along, np.full(len(along), 101.0)])
    values = {
        "total_length_mm": length_mm, "straight_length_mm": length_mm, "stripped_length_mm": stripped_mm,
        "base_diameter_mm": width_mm, "foliage_area_mm2": area_mm2, "crook_deg": 0.0, "crook_at_mm": 30.0,
        "sweep_ratio": 0.0, "tips_count": 3.0, "browned_share": 0.0, "heel_length_mm": 0.0,
        "heel_width_mm": np.nan, "strays_count": 0.0,
    }  # fmt: skip
    return CuttingTruth(
        id=1, kind="scale", values=values, is_base_clear=True, base_mm=axis[0], tip_mm=axis[-1], axis_mm=axis,
        axis_height_mm=np.zeros(len(arc)), cells_mm=cells,
        cell_area_mm2=0.25, is_alone=True, is_inside=True,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("length", "stripped", "width", "action", "counts"),
    [
        (90.0, 30.0, 2.4, "stick", (1, 0)),
        (66.0, 30.0, 2.4, "stick", (0, 1)),
        (90.0, 15.0, 2.4, "strip", (1, 0)),
        (110.0, 38.0, 2.4, "cut again", (1, 0)),
        (190.0, 30.0, 2.9, "divide", (2, 0)),
        (40.0, 25.0, 2.4, "discard", (0, 0)),
    ],
)
def test_a_perfect_reading_gets_the_best_advice(
    length: float, stripped: float, width: float, action: str, counts: tuple[int, int]
) -> None:
    true = truth_of(length, stripped, width, area_mm2=20.0 * length)
    found = graded_cutting(1, true_shape(true))
    given = grade_cutting(true_traits(true), TARGETS, true_shape(true))
    pair = pair_of("tray", true, found, given, TARGETS)
    assert (pair.best, pair.given) == (action, action)
    assert pair.best_counts == pair.given_counts == counts
    assert all(error == 0.0 for error in (*pair.cut_errors_mm, *pair.strip_errors_mm))


def test_a_wrong_reading_costs_cuttings_and_shows_in_the_report() -> None:
    # Two good cuttings in it; read as 9 mm thick, it is discarded.
    true = truth_of(190.0, 30.0, 2.9, area_mm2=4000.0)
    shape = replace(straight_shape(190.0, 30.0, 9.0), foliage_area_mm2=4000.0)
    found = graded_cutting(1, shape)
    pair = pair_of("tray", true, found, grade_cutting(measured_from(shape), TARGETS, shape), TARGETS)
    assert (pair.best, pair.given, pair.best_counts, pair.given_counts) == (
        "divide",
        "discard",
        (2, 0),
        (0, 0),
    )
    text = report("a tray", [pair])
    assert "same action: 0 of 1" in text and "acceptable cuttings lost: 2" in text


def test_a_cut_in_the_wrong_place_is_carried_out_on_the_true_cutting() -> None:
    true = truth_of(110.0, 38.0)
    outlook = true_outlook(true)
    piece = replace(grade_cutting(true_traits(true), TARGETS, true_shape(true)).pieces[0], from_mm=40.0)
    assert outcome_of("cut again", (replace(piece, strip_to_mm=68.0),), outlook, 110.0, TARGETS) == (0, 1)
    assert outcome_of("cut again", (replace(piece, from_mm=70.0),), outlook, 110.0, TARGETS) == (0, 0)


@pytest.mark.parametrize(
    ("words", "action"),
    [
        ("stick", "stick"), ("pull 1 needle off the stem, stick", "stick"), ("discard: too short", "discard"),
        ("set aside: may be too short", "discard"), ("measure by hand: x", "measure"),
        ("judge by eye: y", "measure"), ("lay it with the cut end free", "measure"),
    ],
)  # fmt: skip
def test_words_without_pieces_are_told_apart(words: str, action: str) -> None:
    assert action_of(words, (), 90.0) == action
