"""Advice in words: what to do, only where it gains something, and never to the worse."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from grader.records import CuttingShape, Grade, Heel, Measured
from grader.traits.catalogue import not_measurable
from grader.verdict import Targets, grade_cutting, load_targets, note_on_targets, shipped_names
from grader.verdict.advice import doubts_left
from grader.verdict.decide import apply_rules, best_possible, grade_from
from tests.synthetic_records import measured_from, plain_traits, straight_shape, with_strays
from tests.verdict.cut_up import cut_up, measured_piece

JUNIPER = load_targets("landscape-juniper")
SIMPLE = replace(JUNIPER, policy="simple")


def verdict_on(shape: CuttingShape, targets: Targets = JUNIPER) -> Grade:
    return grade_cutting(measured_from(shape), targets, shape)


@pytest.mark.parametrize(
    ("shape", "grade", "advice"),
    [
        (straight_shape(), "1", "stick: grade 1"),
        (with_strays(straight_shape(), 5.0, 12.0), "1", "pull 2 needles off the stem, then stick: grade 1"),
        # 17 mm bare, 25 wanted: 27 mm are surely 25 when a hand strips to +- 1 mm.
        (
            straight_shape(stripped_mm=17.0),
            "cull",
            "strip 10 mm more, so that 27 mm (1.06 in) are bare, then stick: grade 1",
        ),
        # 24.6 +- 0.6 mm is too close to 25 to tell; stripping ends the doubt.
        (
            straight_shape(stripped_mm=24.6),
            "unsure",
            "strip 2 mm more, so that 27 mm (1.06 in) are bare, then stick: grade 1",
        ),
        # 26.2 +- 0.6 mm might still be short of 25 with a chance of 2 %: clear; 25.5 mm is not.
        (straight_shape(stripped_mm=26.2), "1", "stick: grade 1"),
        (
            straight_shape(stripped_mm=25.5),
            "unsure",
            "strip 2 mm more, so that 28 mm (1.10 in) are bare, then stick: grade 1",
        ),
        # 6.3 +- 0.04 mm thick all along: no cut makes it surely thinner.
        (
            straight_shape(width_mm=6.3, stripped_mm=38.0),
            "unsure",
            "measure by hand: base diameter, caliper 3 to 10 mm above the cut end: at most 6.35 mm ("
            "0.250 in); if so stick: grade 2, else discard",
        ),
        (straight_shape(length_mm=44.0, stripped_mm=27.0), "cull", "discard: too short"),
        (straight_shape(length_mm=66.0, stripped_mm=27.0), "2", "stick: grade 2"),
        # A bend at 10 mm, seen from 12 mm on, its place known to 3 mm: 6 mm above it is surely above it.
        (
            straight_shape(length_mm=104.0, bend_at_mm=10.0, bend_deg=60.0, stripped_mm=38.0),
            "cull",
            "cut again 19 mm (0.75 in) above the present cut end (above the crook), "
            "strip 9 mm more, so that 28 mm (1.10 in) are bare, then stick: grade 1",
        ),
        (
            straight_shape(heel=Heel(6.0, 4.0), stripped_mm=35.0),
            "2",
            "cut again 7 mm (0.28 in) above the present cut end (off the heel), then stick: grade 1",
        ),
        # 9 mm thick all along: no cut helps.
        (straight_shape(width_mm=9.0), "cull", "discard: oversized wood"),
        # 4.2 mm at the base, 0.05 mm thinner per mm: surely below 3.2 mm from 15 mm on.
        (
            straight_shape(length_mm=98.0, width_mm=4.2, taper_mm_per_mm=0.05, stripped_mm=38.0),
            "2",
            "cut again 15 mm (0.59 in) above the present cut end (above the oversized wood), "
            "strip 5 mm more, so that 28 mm (1.10 in) are bare, then stick: grade 1",
        ),
        (
            replace(straight_shape(length_mm=190.0, stripped_mm=30.0), foliage_area_mm2=3000.0),
            "cull",
            "divide 95 mm (3.74 in) above the cut end: 2 cuttings, strip nothing off the lower one, "
            "strip the upper one so that 28 mm (1.10 in) are bare, then stick: both grade 1",
        ),
        (
            straight_shape(length_mm=110.0, stripped_mm=38.0),
            "2",
            "cut again 12 mm (0.47 in) above the present cut end (to shorten it), "
            "strip 2 mm more, so that 28 mm (1.10 in) are bare, then stick: grade 1",
        ),
        # 60 mm of bare stem where 40 are wanted, and enough length above.
        (
            straight_shape(length_mm=99.0, stripped_mm=52.0),
            "2",
            "cut again 14 mm (0.55 in) above the present cut end (to shorten the bare stem), "
            "then stick: grade 1",
        ),
    ],
)
def test_what_to_do_is_the_best_of_what_hands_can_do(shape, grade, advice) -> None:  # type: ignore[no-untyped-def]
    verdict = verdict_on(shape)
    assert (verdict.grade, verdict.advice) == (grade, advice)


@pytest.mark.parametrize("length", [100.0, 100.3, 100.6, 100.65])
def test_nothing_is_cut_for_a_doubtful_part_of_a_millimetre(length: float) -> None:
    # +- 0.4 mm: from 100.658 mm on the cutting is surely too long; below that it may well be grade 1.
    verdict = verdict_on(straight_shape(length_mm=length, stripped_mm=36.0))
    assert verdict.grade == "unsure" and not verdict.pieces
    assert verdict.advice == (
        "measure by hand: total length, ruler along the stem, cut end to tip: at most 100.0 mm (3.94 in); "
        "if so stick: grade 1, else stick: grade 2"
    )


def test_stripping_for_a_certain_fault_cuts_nothing_for_a_doubtful_one() -> None:
    verdict = verdict_on(straight_shape(length_mm=99.8, stripped_mm=21.0))
    assert verdict.grade == "2"
    assert verdict.advice == (
        "strip 6 mm more, so that 27 mm (1.06 in) are bare, then measure by hand: total length, "
        "ruler along the stem, cut end to tip: at most 100.0 mm (3.94 in); if so stick: grade 1, "
        "else stick: grade 2"
    )


def test_stripping_ends_its_own_doubt_and_leaves_the_others_to_be_measured() -> None:
    verdict = verdict_on(straight_shape(stripped_mm=24.6, width_mm=1.62))
    assert verdict.grade == "unsure"
    assert verdict.advice == (
        "strip 2 mm more, so that 27 mm (1.06 in) are bare, then measure by hand: base diameter, "
        "caliper 3 to 10 mm above the cut end: at least 1.60 mm (0.063 in); if so stick: grade 1, "
        "else stick: grade 2"
    )


def test_a_second_grade_is_not_promised_to_what_may_be_a_cull() -> None:
    # The base diameter is hidden by a heel, which makes it grade 2 at best; the stem may be short.
    shape = straight_shape(stripped_mm=24.6, heel=Heel(12.0, 4.0), width_mm=4.6)
    traits = dict(measured_from(shape)) | {"base_diameter_mm": not_measurable("the heel hides it")}
    verdict = grade_cutting(traits, JUNIPER, shape)
    assert verdict.grade == "unsure"
    # Only behind "if so": the doubt comes first, and what becomes of it otherwise is said too.
    assert "grade 2" not in verdict.advice.partition("; if so ")[0]
    assert verdict.advice.endswith("if so stick: grade 2, else discard")
    assert (
        "measure by hand: base diameter, caliper 3 to 10 mm above the heel: at least 1.00 mm (0.039 in), "
        "at most 6.35 mm (0.250 in)" in verdict.advice
    )


def test_stripping_is_not_advised_where_the_foliage_would_not_last() -> None:
    # 255 +- 9 mm2 on 60 mm of axis: stripping 10 mm takes it below 250.
    shape = replace(straight_shape(stripped_mm=20.0), foliage_area_mm2=280.0)
    assert verdict_on(shape).grade == "2"
    assert verdict_on(shape).advice == "stick: grade 2"


def test_the_pieces_say_what_the_words_say() -> None:
    verdict = verdict_on(straight_shape(length_mm=110.0, stripped_mm=38.0))
    (piece,) = verdict.pieces
    assert (piece.from_mm, piece.to_mm, piece.strip_to_mm, piece.grade) == (12.0, 110.0, 40.0, "1")
    assert piece.traits["total_length_mm"].value == 98.0
    assert piece.traits["stripped_length_mm"].value == 28.0
    assert verdict_on(straight_shape()).pieces == ()


def test_a_discarded_top_is_said() -> None:
    # A bend of 60 degrees at 85 mm, far above the base: the part below it is a good cutting.
    shape = straight_shape(length_mm=124.0, stripped_mm=30.0, bend_at_mm=90.0, bend_deg=60.0)
    verdict = verdict_on(replace(shape, foliage_area_mm2=2000.0))
    assert verdict.grade == "cull"
    assert "cut the top off" in verdict.advice
    assert verdict.pieces[-1].to_mm < 124.0


def test_unsure_says_what_to_measure_by_hand_and_what_to_judge_by_eye() -> None:
    traits = plain_traits(
        base_diameter_mm=not_measurable("foliage hides it"), browned_share=Measured(0.3, 0.1)
    )
    assert grade_cutting(traits, JUNIPER).advice == (
        "measure by hand: base diameter, caliper 3 to 10 mm above the cut end: at least 1.00 mm (0.039 in), "
        "at most 6.35 mm (0.250 in); judge by eye: brown part of the foliage: at most 30 %, best guess 30 %, "
        "so yes; if so stick: grade 2, else discard"
    )


def test_nothing_is_measured_that_cannot_change_the_grade() -> None:
    """Surely beyond the 10 % wanted, perhaps beyond the 30 % allowed: the wanted diameter is all one."""
    traits = plain_traits(base_diameter_mm=Measured(1.6, 0.1), browned_share=Measured(0.28, 0.04))
    advice = grade_cutting(traits, JUNIPER).advice
    assert advice == (
        "judge by eye: brown part of the foliage: at most 30 %, best guess 28 %, so yes; if so stick: "
        "grade 2, else discard"
    )


def test_doubts_with_unlike_ends_say_each_its_own() -> None:
    traits = plain_traits(base_diameter_mm=Measured(1.6, 0.1), browned_share=Measured(0.25, 0.1))
    advice = grade_cutting(traits, JUNIPER).advice
    assert "above the cut end: at least 1.60 mm (0.063 in), else stick: grade 2;" in advice
    assert (
        "brown part of the foliage: best guess 25 %, at most 10 %, else stick: grade 2 if at most 30 %, "
        "else discard; if so stick: grade 1" in advice
    )


def test_between_the_limits_of_one_measurement_lies_grade_2() -> None:
    """A diameter that may miss the wanted 1.6 mm and even the allowed 1.0 mm: 1.3 mm are grade 2."""
    told = grade_cutting(plain_traits(base_diameter_mm=Measured(1.7, 0.48)), JUNIPER)
    assert told.advice == (
        "measure by hand: base diameter, caliper 3 to 10 mm above the cut end: stick: grade 1 if at least "
        "1.60 mm (0.063 in), stick: grade 2 if at least 1.00 mm (0.039 in), else discard"
    )
    assert told.steps[-1] == (
        "stick: grade 1 if at least 1.60 mm, stick: grade 2 if at least 1.00 mm, else discard"
    )
    assert told.afterwards == (
        "when measured: grade 1 if base diameter is at least 1.60 mm, else grade 2 or discard"
    )


def test_what_comes_of_the_advice_is_said_where_it_lifts_the_grade() -> None:
    """On the picture the first thing is what to do; the grade that it makes stands beside that of today."""
    short = verdict_on(straight_shape(stripped_mm=17.0))
    assert (short.grade, short.steps) == ("cull", ("strip 10 mm more, to 27 mm bare", "stick: grade 1"))
    assert short.afterwards == "after stripping: grade 1"
    assert verdict_on(straight_shape()).afterwards == ""
    thin = verdict_on(straight_shape(stripped_mm=24.6, width_mm=1.62))
    assert thin.steps == (
        "strip 2 mm more, to 27 mm bare",
        "measure base diameter (see list)",
        "stick: grade 1 if at least 1.60 mm, else stick: grade 2",
    )
    assert thin.afterwards == ("after stripping: grade 1 if base diameter is at least 1.60 mm, else grade 2")
    long = verdict_on(replace(straight_shape(length_mm=190.0, stripped_mm=30.0), foliage_area_mm2=3000.0))
    assert long.steps == (
        "divide at 95 mm",
        "strip nothing off the lower one",
        "strip the upper one to 28 mm bare",
        "stick: both grade 1",
    )
    assert long.afterwards == "after cutting and stripping: both grade 1"


def test_a_cutting_that_stays_grade_2_says_why() -> None:
    stays = verdict_on(straight_shape(length_mm=71.5, stripped_mm=17.0))
    assert stays.afterwards == "after stripping: grade 2 (too short: 71.5 mm)"
    assert stays.steps[-1] == "stick: grade 2"


def test_a_bend_is_measured_as_a_gap_beside_a_ruler() -> None:
    """30 mm * sin(45 degrees) = 21.2 mm; where only 24 mm are left above the bend, 20 mm * sin(45) = 14.1."""
    bent = plain_traits(crook_deg=Measured(44.0, 3.0))
    assert grade_cutting(bent, JUNIPER).advice == (
        "measure by hand: bend, ruler's edge along the middle of the stem below the bend, 40 mm above the "
        "cut end: 30 mm up the stem from the bend its middle may lie at most 21 mm (0.83 in) beside the "
        "ruler; if so stick: grade 2, else discard"
    )
    short = bent | {"crook_at_mm": Measured(66.0, 3.0)}
    assert (
        "20 mm up the stem from the bend its middle may lie at most 14 mm (0.55 in) beside the ruler"
        in grade_cutting(short, JUNIPER).advice
    )
    assert grade_cutting(bent, JUNIPER).steps == (
        "measure bend (see list)", "if good stick: grade 2, else discard"
    )  # fmt: skip


def test_a_sweep_is_measured_as_a_gap_beside_a_ruler() -> None:
    """0.12 of the straight line of 89 mm are 10.7 mm."""
    bowed = plain_traits(sweep_ratio=Measured(0.119, 0.004))
    assert grade_cutting(bowed, JUNIPER).advice == (
        "measure by hand: bow, ruler straight from cut end to tip: where it bows most its middle may lie at "
        "most 11 mm (0.43 in) beside the ruler; if so stick: grade 1, else stick: grade 2"
    )


@settings(max_examples=60, deadline=None)
@given(st.floats(30.0, 230.0), st.floats(2.0, 60.0), st.floats(0.8, 9.0), st.floats(0.0, 60.0))
def test_every_advice_ends_in_a_named_place(length: float, bare: float, width: float, bend: float) -> None:
    shape = straight_shape(
        length, min(bare, length - 12.0), width, 0.4 * width / length, bend_at_mm=20.0, bend_deg=bend
    )
    verdict = verdict_on(shape)
    for words in (verdict.advice, verdict.steps[-1]):
        assert re.search(r"(grade [12]|discard(: .*)?|photograph( them)? again)$", words)
        assert not re.search(r"stick(?!:)|else cull", words)
    assert "else cull" not in verdict.afterwards


@settings(max_examples=40, deadline=None)
@given(st.floats(30.0, 230.0), st.floats(2.0, 60.0), st.floats(0.8, 9.0))
def test_the_few_words_say_the_numbers_of_the_sentence(length: float, bare: float, width: float) -> None:
    verdict = verdict_on(straight_shape(length, min(bare, length - 12.0), width, 0.4 * width / length))
    assert len(verdict.steps) >= 1
    for step in verdict.steps:
        for number in re.findall(r"[0-9]+(?= mm)", step):
            assert f"{number} mm" in verdict.advice
    assert bool(verdict.pieces) <= bool(verdict.afterwards)


def test_without_a_shape_nothing_is_promised() -> None:
    traits = plain_traits(stripped_length_mm=Measured(12.0, 0.5))
    assert grade_cutting(traits, JUNIPER).advice == "discard: short stripped stem"


def test_where_foliage_begins_nowhere_nothing_is_tried() -> None:
    shape = replace(straight_shape(length_mm=190.0), foliage_from_mm=math.nan)
    traits = dict(measured_from(shape)) | {"stripped_length_mm": not_measurable("no foliage is seen")}
    assert grade_cutting(traits, JUNIPER, shape).advice == "discard: too long"


@st.composite
def shoots(draw: st.DrawFn) -> tuple[CuttingShape, np.ndarray]:
    """Draw a shoot and its true width all along."""
    length = draw(st.floats(30.0, 230.0))
    width = draw(st.floats(0.8, 9.0))
    share = draw(st.floats(0.25, 0.75))
    shape = straight_shape(
        length,
        min(draw(st.floats(2.0, 60.0)), length - 12.0),
        width,
        share * width / length,
        bend_at_mm=draw(st.floats(5.0, 120.0)),
        bend_deg=draw(st.floats(0.0, 80.0)),
        heel=draw(st.sampled_from([None, None, Heel(5.0, 1.6 * width)])),
    )
    true_width = width * (1.0 - share * shape.arc_mm / length)
    return replace(shape, foliage_area_mm2=draw(st.floats(2.0, 20.0)) * length), true_width


@settings(max_examples=50, deadline=None)
@given(shoots(), st.sampled_from(["landscape-juniper", "rosemary", "miniature-conifer"]))
def test_no_advice_makes_things_worse(shoot: tuple[CuttingShape, np.ndarray], name: str) -> None:
    """Follow the advice on the true shoot; measure the pieces; grade them by the measured value."""
    shape, true_width = shoot
    targets = load_targets(name)
    traits = measured_piece(shape)
    verdict = grade_cutting(traits, targets, shape)
    if not verdict.pieces:
        return
    order = {"1": 0, "2": 1, "unsure": 2, "cull": 3}
    assert min(order[piece.grade] for piece in verdict.pieces) <= order[best_possible(verdict.outcomes)]
    now = grade_from(apply_rules(traits, replace(targets, policy="simple")))
    # What nobody could measure yet may turn out a cull, cut or not.
    now = "cull" if now == "unsure" else now
    after = []
    for piece in verdict.pieces:
        made = cut_up(shape, piece.from_mm, piece.to_mm, piece.strip_to_mm, true_width)
        grade = grade_from(apply_rules(measured_piece(made), replace(targets, policy="simple")))
        if doubts_left(piece, targets):
            # What was left to be measured by hand may still be in doubt, and come out as it is now.
            grade = best_possible(apply_rules(measured_piece(made), targets))
            assert order[grade] <= max(order[piece.grade], order[now])
        else:
            assert order[grade] <= order[piece.grade]
        after.append(grade)
    assert min(order[grade] for grade in after) <= order[now]
    assert sum(grade in ("1", "2") for grade in after) >= (now in ("1", "2"))


@settings(max_examples=30, deadline=None)
@example(109.25, 38.0, -0.0625)  # a cut 1 mm lower leaves bare stem enough, so nothing is stripped
@given(st.floats(60.0, 130.0), st.floats(10.0, 50.0), st.floats(-0.1, 0.1))
def test_a_hair_of_length_changes_no_certain_advice(length: float, stripped: float, hair: float) -> None:
    """Two cuttings that differ by a tenth of a mm get the same cuts, or differ in what is sure of them."""
    first, second = (verdict_on(straight_shape(at, stripped, 2.4, 0.005)) for at in (length, length + hair))
    if [o.outcome for o in first.outcomes] != [o.outcome for o in second.outcomes]:
        return
    for one, other in zip(first.pieces, second.pieces, strict=False):
        if one.grade == other.grade and len(first.pieces) == len(second.pieces):
            assert abs(one.from_mm - other.from_mm) <= 1.0
            bare_mm = [max(piece.strip_to_mm, stripped) - piece.from_mm for piece in (one, other)]
            assert abs(bare_mm[0] - bare_mm[1]) <= 1.0


def test_a_tray_culled_by_size_hints_at_targets_that_fit() -> None:
    others = [load_targets(name) for name in shipped_names()]
    small = plain_traits(
        total_length_mm=Measured(42.0, 0.4), stripped_length_mm=Measured(13.0, 0.6),
        base_diameter_mm=Measured(1.3, 0.04), foliage_area_mm2=Measured(120.0, 5.0),
    )  # fmt: skip
    tray = [small] * 4
    grades = [grade_cutting(traits, JUNIPER) for traits in tray]
    note = note_on_targets(grades, tray, JUNIPER, others)
    assert "under miniature-conifer, 4 of 4 may pass (--targets miniature-conifer)" in note
    assert note_on_targets(grades[:2], tray[:2], JUNIPER, others) == ""
    brown = plain_traits(browned_share=Measured(0.5, 0.01))
    assert note_on_targets([grade_cutting(brown, JUNIPER)] * 4, [brown] * 4, JUNIPER, others) == ""
    huge = plain_traits(total_length_mm=Measured(400.0, 1.0), base_diameter_mm=Measured(20.0, 0.1))
    note = note_on_targets([grade_cutting(huge, JUNIPER)] * 4, [huge] * 4, JUNIPER, others)
    assert note.endswith("see with 'grader targets' whether another set fits")
    mixed = [grade_cutting(small, JUNIPER)] * 3 + [grade_cutting(plain_traits(), JUNIPER)]
    assert note_on_targets(mixed, [small] * 3 + [plain_traits()], JUNIPER, others) == ""
