"""Advice: pieces are what a ruler would find, and nothing advised comes out worse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.records import Heel, Measured
from grader.traits.catalogue import not_measurable
from grader.verdict import grade_cutting, load_targets
from grader.verdict.advice import Plan, _tried
from grader.verdict.decide import apply_rules, grade_from
from grader.verdict.pieces import arc_of, shape_after, width_at
from tests.synthetic_records import measured_from, plain_traits, straight_shape, with_strays

JUNIPER = load_targets("landscape-juniper")


def advice_for(shape) -> tuple[str, str]:  # type: ignore[no-untyped-def]
    verdict = grade_cutting(measured_from(shape), JUNIPER, shape, measured_from)
    return verdict.grade, verdict.advice


def test_a_piece_is_as_long_as_the_cuts_are_apart() -> None:
    shape = straight_shape(length_mm=120.0, stripped_mm=30.0, taper_mm_per_mm=0.01)
    piece = shape_after(shape, 10.25, 100.0, 0.0)
    assert piece.arc_mm[0] == 0.0
    assert piece.arc_mm[-1] == pytest.approx(89.75)
    assert np.hypot(*(piece.axis_mm[-1] - piece.axis_mm[0])) == pytest.approx(89.75)
    assert piece.foliage_from_mm == pytest.approx(19.75)
    assert piece.foliage_area_mm2 == pytest.approx(600.0 * 70.0 / 90.0)
    # Width of the taper at 3 mm above the new base: 2.4 - 0.01 * 13.25.
    assert np.interp(3.0, piece.arc_mm, piece.width_mm) == pytest.approx(2.2675, abs=1e-6)


def test_stripping_moves_the_foliage_up_and_takes_strays_off() -> None:
    shape = with_strays(straight_shape(), 8.0, 20.0)
    piece = shape_after(shape, 0.0, 90.0, 45.0)
    assert piece.foliage_from_mm == 45.0
    assert piece.foliage_area_mm2 == pytest.approx(600.0 * 45.0 / 60.0)
    assert len(piece.strays_mm) == 0
    assert len(shape_after(shape, 12.0, 90.0, 0.0).strays_mm) == 1


def test_a_new_cut_takes_the_heel_off() -> None:
    shape = straight_shape(heel=Heel(6.0, 4.0))
    assert shape_after(shape, 7.0, 90.0, 0.0).heel is None
    assert shape_after(shape, 0.0, 80.0, 0.0).heel is shape.heel


def test_a_piece_too_short_to_stick_is_refused() -> None:
    with pytest.raises(ValueError, match="too short"):
        shape_after(straight_shape(), 85.0, 90.0, 0.0)


def test_width_under_foliage_follows_the_taper() -> None:
    shape = straight_shape(width_mm=5.0, taper_mm_per_mm=0.02)
    assert width_at(shape, 60.0) == pytest.approx(5.0 - 0.02 * 60.0)
    assert np.isnan(width_at(replace(shape, width_mm=np.full(len(shape.arc_mm), np.nan)), 60.0))


def test_wood_that_stripping_lays_bare_has_a_width_by_the_taper_that_is_less_certain() -> None:
    shape = straight_shape(length_mm=120.0, stripped_mm=30.0, width_mm=4.0, taper_mm_per_mm=0.01)
    piece = shape_after(shape, 50.0, 120.0, 77.0)
    at_mm = 6.5
    assert np.interp(at_mm, piece.arc_mm, piece.width_mm) == pytest.approx(4.0 - 0.01 * 56.5)
    assert piece.base_width_sigma_mm > 3 * shape.base_width_sigma_mm
    assert np.isnan(piece.width_mm[piece.arc_mm > 28.0]).all()


def test_arc_of_a_point_is_its_distance_along_the_axis() -> None:
    shape = straight_shape(bend_at_mm=40.0, bend_deg=50.0)
    assert arc_of(shape, shape.axis_mm[[20, 150]]).tolist() == [10.0, 75.0]


@pytest.mark.parametrize(
    ("shape", "grade", "advice"),
    [
        (straight_shape(), "1", "stick"),
        (with_strays(straight_shape(), 5.0, 12.0), "1", "pull 2 needles off the stem, stick"),
        # 17 mm bare, 25 wanted: 10 mm more with 2 mm to spare.
        (straight_shape(stripped_mm=17.0), "cull", "strip 10 mm more, stick"),
        # 24.6 +- 0.6 mm is too close to 25 to tell; stripping ends the doubt.
        (straight_shape(stripped_mm=24.6), "unsure", "strip 3 mm more, stick"),
        # 26.2 +- 0.6 mm might still be short of 25 with a chance of 2 %: clear; 25.5 mm is not.
        (straight_shape(stripped_mm=26.2), "1", "stick"),
        (straight_shape(stripped_mm=25.5), "unsure", "strip 2 mm more, stick"),
        # 125.3 +- 0.4 mm may or may not be refused; shortened it is surely grade 1.
        (
            straight_shape(length_mm=125.3, stripped_mm=38.0),
            "unsure",
            "cut again 27 mm above the base (to shorten it), strip 16 mm, stick",
        ),
        # 6.3 +- 0.04 mm thick all along: no cut makes it thinner.
        (
            straight_shape(width_mm=6.3, stripped_mm=38.0),
            "unsure",
            "measure by hand: base diameter (at most 6.35 mm)",
        ),
        (straight_shape(length_mm=44.0, stripped_mm=27.0), "cull", "discard: too short"),
        (straight_shape(length_mm=66.0, stripped_mm=27.0), "2", "stick with the second grade"),
        # A bend at 10 mm: cut one chord above it; 98 - 22 = 76 mm remain.
        (
            straight_shape(length_mm=98.0, bend_at_mm=10.0, bend_deg=60.0, stripped_mm=38.0),
            "cull",
            "cut again 22 mm above the base (above the crook), strip 11 mm, stick",
        ),
        (
            straight_shape(heel=Heel(6.0, 4.0), stripped_mm=35.0),
            "2",
            "cut again 7 mm above the base (off the heel), stick",
        ),
        # 9 mm thick all along: no cut helps.
        (straight_shape(width_mm=9.0), "cull", "discard: oversized wood"),
        # 4.2 mm at the base, 0.05 mm thinner per mm: below 3.2 mm from 20 mm on, and 5 mm is not enough.
        (
            straight_shape(length_mm=98.0, width_mm=4.2, taper_mm_per_mm=0.05, stripped_mm=38.0),
            "2",
            "cut again 21 mm above the base (above the oversized wood), strip 10 mm, stick",
        ),
        (
            straight_shape(length_mm=190.0, stripped_mm=30.0),
            "cull",
            "divide 91 mm above the base: two cuttings, strip 27 mm of the upper piece, stick",
        ),
        (
            straight_shape(length_mm=110.0, stripped_mm=35.0),
            "2",
            "cut again 11 mm above the base (to shorten it), strip 3 mm, stick",
        ),
    ],
)
def test_what_to_do_is_the_best_of_what_hands_can_do(shape, grade, advice) -> None:  # type: ignore[no-untyped-def]
    assert advice_for(shape) == (grade, advice)


def test_divided_shoots_are_shortened_where_upper_pieces_are_not_wanted() -> None:
    shape = straight_shape(length_mm=190.0, stripped_mm=30.0)
    verdict = grade_cutting(measured_from(shape), replace(JUNIPER, upper_pieces=False), shape, measured_from)
    assert "divide" not in verdict.advice


def test_unsure_says_what_to_measure_by_hand() -> None:
    traits = plain_traits(base_diameter_mm=not_measurable("foliage hides it"))
    expected = "measure by hand: base diameter (at least 1.00 mm, at most 6.35 mm)"
    assert grade_cutting(traits, JUNIPER).advice == expected


def test_without_a_shape_nothing_is_promised() -> None:
    traits = plain_traits(stripped_length_mm=Measured(12.0, 0.5))
    assert grade_cutting(traits, JUNIPER).advice == "discard: short stripped stem"


@settings(max_examples=60, deadline=None)
@given(
    length=st.floats(30.0, 230.0),
    stripped=st.floats(2.0, 60.0),
    width=st.floats(0.8, 9.0),
    taper=st.floats(0.0, 0.03),
    bend_at=st.floats(5.0, 60.0),
    bend=st.floats(0.0, 80.0),
)
def test_no_advice_makes_things_worse(
    length: float, stripped: float, width: float, taper: float, bend_at: float, bend: float
) -> None:
    stripped = min(stripped, length - 5.0)
    shape = straight_shape(
        length, stripped, width, min(taper, width / length / 2), bend_at_mm=bend_at, bend_deg=bend
    )
    traits = measured_from(shape)
    outcomes = apply_rules(traits, JUNIPER)
    before = Plan(0.0, "", 0.0, False, grade_from(outcomes))
    plans = list(_tried(outcomes, traits, JUNIPER, shape, measured_from))
    verdict = grade_cutting(traits, JUNIPER, shape, measured_from)
    if verdict.advice.startswith(("cut again", "divide", "strip")):
        best = min(plans, key=lambda plan: plan.rank)
        assert best.rank < before.rank
        assert f"{best.cut_mm or best.strip_mm:.0f} mm" in verdict.advice
    elif verdict.grade != "unsure":
        assert all(plan.rank >= before.rank for plan in plans)
