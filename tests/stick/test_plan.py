"""Groups, containers and file: every cutting goes somewhere, once; counts add up. All sizes are invented."""

from __future__ import annotations

import json
import math
import tempfile
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.records import Piece, SkippedPhoto
from grader.results_file import GRADES, RECUT_WORDS
from grader.stick.groups import KEPT_GRADES, chosen_split
from grader.stick.ids import PATTERN, container_id, group_id
from grader.stick.plan import StickPlan, make_plan
from grader.stick.room import cell_tray, open_container
from grader.stick.sticking_file import sticking_json, sticking_of
from grader.stick.values import load_values
from grader.stick.words import left_out_lines
from grader.verdict import load_targets
from tests.stick.invented_results import Invented, invented_photo, plan_of, results_at
from tests.synthetic_records import graded_cutting, straight_shape

RULE = load_values().groups["total_length_mm"]
LENGTH = st.one_of(st.floats(20.0, 300.0), st.sampled_from([math.nan, 0.0, -5.0, 1e300]))
CUTTINGS = st.lists(
    st.builds(
        Invented,
        length_mm=LENGTH,
        stripped_mm=st.one_of(st.floats(0.0, 60.0), st.sampled_from([math.nan, 1e300])),
        grade=st.sampled_from(GRADES),
        advice=st.sampled_from(["stick", "cut again 7 mm above the base (to shorten it), stick"]),
    ),
    max_size=40,
)


def mixed(n: int = 60, seed: int = 1) -> list[Invented]:
    """Return short and long cuttings of both grades, shuffled."""
    random = np.random.default_rng(seed)
    sizes = random.permutation(np.concatenate([random.normal(72, 2, n // 2), random.normal(98, 2, n // 2)]))
    return [Invented(float(size), grade="1" if k % 4 else "2") for k, size in enumerate(sizes)]


@settings(deadline=None, max_examples=40)
@given(CUTTINGS, st.integers(1, 12))
def test_every_kept_cutting_is_in_exactly_one_container(cuttings: list[Invented], n_cells: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        plan = plan_of(Path(folder), cuttings, cell_tray(n_cells, 50.0))
    stuck = [placed.key for item in plan.groups for box in item.containers for placed in box.members]
    grouped = [placed.key for item in plan.groups for placed in item.group.members]
    left = [item.placed.key for item in plan.left_out]
    assert len(set(stuck)) == len(stuck) and sorted(stuck) == sorted(grouped)
    assert not set(stuck) & set(left) and len(stuck) + len(left) == len(cuttings)
    kept = {
        k + 1
        for k, c in enumerate(cuttings)
        if c.grade in KEPT_GRADES and c.advice == "stick" and 20.0 <= c.length_mm <= 300.0
    }
    assert {number for _, number in stuck} == kept
    assert plan.n_kept == len(stuck)
    for item in plan.groups:
        n = len(item.group.members)
        assert (len(item.containers) - 1) * n_cells < n <= len(item.containers) * n_cells
        assert all(0 < len(box.members) <= n_cells for box in item.containers)
        assert ((item.group.low <= item.group.sizes) & (item.group.sizes < item.group.high)).all()
        assert {placed.cutting.grade for placed in item.group.members} == {item.group.lot.grade}
        served = n - len(item.depth.misfits)
        assert (served > 0) == item.depth.is_known
    names = [box.id for item in plan.groups for box in item.containers]
    assert len(set(names)) == len(names) and all(PATTERN.fullmatch(name) for name in names)
    for even in plan.evenness:
        assert even.cv_after <= even.cv_before + 1e-12
        assert math.isnan(even.explained) or even.explained <= even.explained_exact + 1e-9


def test_boundaries_lie_on_whole_steps_and_the_groups_are_even(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, mixed())
    edges = [edge for item in plan.groups for edge in (item.group.low, item.group.high)]
    assert all(edge % RULE.step == 0 for edge in edges if math.isfinite(edge))
    assert [item.n_groups for item in plan.evenness] == [2, 2]
    for even in plan.evenness:
        assert even.is_even and even.cv_after < 0.03 < 0.12 < even.cv_before and even.explained > 0.95


def test_the_boundary_is_the_step_nearest_to_the_middle_of_the_gap(tmp_path: Path) -> None:
    """Between 74 and 96 mm the middle is 85 mm, by hand."""
    sizes = [72.0, 73.0, 73.5, 74.0, 72.5, 96.0, 97.0, 98.0, 96.5, 97.5]
    plan = plan_of(tmp_path, [Invented(size) for size in sizes])
    assert [(item.group.low, item.group.high) for item in plan.groups] == [
        (-math.inf, 85.0),
        (85.0, math.inf),
    ]


def test_evenness_by_hand(tmp_path: Path) -> None:
    """Five of 70 and five of 90 mm: mean 80, standard deviation 10, so 12.5 %; nothing is left inside."""
    plan = plan_of(tmp_path, [Invented(size) for size in [70.0, 90.0] * 5])
    (even,) = plan.evenness
    assert (even.cv_before, even.cv_after, even.explained) == pytest.approx((0.125, 0.0, 1.0))


def test_alike_cuttings_stay_one_group() -> None:
    assert chosen_split(np.sort(np.random.default_rng(3).normal(88.0, 3.0, 50)), RULE).starts == (0,)


def test_no_more_groups_than_allowed_and_none_too_small() -> None:
    spread = np.linspace(30.0, 300.0, 200)
    split = chosen_split(spread, RULE)
    assert len(split.starts) == RULE.most
    assert np.diff([*split.starts, len(spread)]).min() >= RULE.least
    assert chosen_split(np.array([50.0, 60.0, 90.0, 150.0]), RULE).starts == (0,)


def test_unlike_plants_and_grades_share_no_container(tmp_path: Path) -> None:
    alike = [Invented(90.0)] * 3 + [Invented(90.0, grade="2")] * 3
    photos = [
        invented_photo("1.jpg", alike, {"species": "invented juniper", "donor": "bed 1"}),
        invented_photo("2.jpg", alike, {"species": "invented juniper", "donor": "bed 2"}),
        invented_photo("3.jpg", alike, {"species": "invented thuja"}),
    ]
    base = plan_of(tmp_path, [])
    plan = make_plan([results_at(tmp_path / "r.json", *photos)], base.choices, base.values)
    assert [item.group.letter for item in plan.groups] == list("ABCDEF")
    for item in plan.groups:
        assert len({placed.photo.sha256 for placed in item.group.members}) == 1


def test_diameter_sorts_on_half_millimetres(tmp_path: Path) -> None:
    thin_and_thick = [Invented(diameter_mm=d) for d in [1.6, 1.7, 1.8, 1.65, 1.75, 2.9, 3.0, 3.1, 2.95, 3.05]]
    plan = plan_of(tmp_path, thin_and_thick, trait="base_diameter_mm")
    assert [item.group.low for item in plan.groups] == [-math.inf, 2.5]


def plan_again(plan: StickPlan, *paths_and_cuttings: tuple[Path, list[Invented], datetime]) -> StickPlan:
    files = [
        results_at(path, invented_photo("tray.jpg", cuttings), made_at=when)
        for path, cuttings, when in paths_and_cuttings
    ]
    return make_plan(files, plan.choices, plan.values)


def test_a_photo_given_twice_counts_once_and_the_latest_grading_counts(tmp_path: Path) -> None:
    old, new = datetime(2026, 3, 1), datetime(2026, 3, 2)
    plan = plan_of(tmp_path, [])
    both = plan_again(
        plan, (tmp_path / "new.json", [Invented(90.0)], new), (tmp_path / "old.json", [Invented(70.0)], old)
    )
    assert both.n_kept == 1 and both.groups[0].group.sizes.tolist() == [90.0]
    assert any("more than once" in note for note in both.notes)


def test_skipped_photos_are_said(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, [])
    skipped = SkippedPhoto(Path("dark.jpg"), "too dark", "It is too dark.", "Open the door.")
    told = make_plan([results_at(tmp_path / "r.json", skipped)], plan.choices, plan.values)
    assert any("1 photo was skipped" in note for note in told.notes)


def test_ids_stay_and_tell_contents_apart(tmp_path: Path) -> None:
    first, again = (plan_of(tmp_path / name, mixed()) for name in "ab")
    assert sticking_of(first)["groups"] == sticking_of(again)["groups"]
    other = plan_of(tmp_path / "c", mixed()[:-1])
    wider = plan_of(tmp_path / "d", mixed(), open_container((540.0, 280.0), 60.0, 80.0))
    ids = [{item.id for item in plan.groups} for plan in (first, other, wider)]
    assert not ids[0] & ids[2] and ids[0] != ids[1]
    day = replace(first, choices=replace(first.choices, stuck_on=datetime(2027, 1, 1).date()))
    assert sticking_of(day)["groups"] == sticking_of(first)["groups"]


def test_an_id_worked_out_again() -> None:
    """Printed labels keep their meaning: this id was computed with sha256sum and bc, not our code."""
    assert group_id("A", 91, [("0" * 64, 1), ("0" * 64, 2)]) == "CG1-GDS5ZSPY-A"
    assert container_id("CG1-7K3QF2ZC-A", 12) == "CG1-7K3QF2ZC-A-12"


def test_the_file_holds_where_every_cutting_is(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, [*mixed(), Invented(grade="cull"), Invented(grade="unsure")])
    told = json.loads(sticking_json(plan))
    assert told["schema"] == "cutting-grader/sticking-1"
    boxes = [box for group in told["groups"] for box in group["containers"]]
    assert all(box["n_cuttings"] == len(box["cuttings"]) for box in boxes)
    assert sum(box["n_cuttings"] for box in boxes) == told["n_cuttings"] == 60
    assert len(boxes) == told["n_containers"]
    numbers = sorted(c["number"] for box in boxes for c in box["cuttings"])
    assert numbers == list(range(1, 61))
    assert {c["kind"] for c in told["left_out"]} == {"cull", "unsure"}
    assert {c["photo_sha256"] for box in boxes for c in box["cuttings"]} == {plan.photos[0].sha256}


def to_strip(length_mm: float, grade: str = "cull", after: str = "1", advice: str = "") -> Invented:
    """Return a cutting that has only to be stripped to become good."""
    piece = Piece(0.0, length_mm, 27.0, after, {})
    words = advice or "strip 10 mm more, so that 27 mm (1.06 in) are bare, then stick: grade 1"
    return Invented(length_mm, 17.0, grade, words, pieces=(piece,))


def test_what_has_only_to_be_stripped_gets_a_place_of_its_own(tmp_path: Path) -> None:
    """Group A is below 85 mm, B above, both of grade 1: a cull is told where it belongs afterwards."""
    sizes = [72.0, 73.0, 73.5, 74.0, 72.5, 96.0, 97.0, 98.0, 96.5, 97.5]
    culls = [to_strip(73.0), to_strip(97.0), to_strip(97.0, "unsure"), to_strip(97.0, after="2")]
    measured = (
        "strip 2 mm more, so that 27 mm (1.06 in) are bare, then measure by hand: crook (at most 45\u00b0)"
    )
    others = [to_strip(97.0, advice=measured), Invented(grade="cull", advice="discard: too short")]
    plan = plan_of(tmp_path, [*(Invented(size) for size in sizes), *culls, *others])
    told = {item.placed.cutting.number: (item.kind, item.goes_to) for item in plan.left_out}
    assert told == {
        11: ("strip first", "A"),
        12: ("strip first", "B"),
        13: ("strip first", "B"),
        14: ("strip first", ""),  # no group of grade 2 on this tray
        15: ("cull", ""),
        16: ("cull", ""),
    }
    assert plan.n_kept == len(sizes)
    lines = left_out_lines(plan.left_out)
    assert any("after stripping: to group B" in line and line.endswith("tray.jpg: 12, 13") for line in lines)
    assert any("no group fits yet" in line and line.endswith(": 14") for line in lines)
    assert any(line.startswith("2 culled, not stuck") for line in lines)
    file = {item["number"]: item.get("goes_to") for item in sticking_of(plan)["left_out"]}
    assert file == {11: "A", 12: "B", 13: "B", 14: None, 15: None, 16: None}


def test_the_advice_of_the_grader_to_strip_only_is_known_as_such(tmp_path: Path) -> None:
    """The grader's own words and pieces, through the file of results."""
    targets = load_targets()
    short = graded_cutting(1, straight_shape(stripped_mm=17.0), targets)
    thin = graded_cutting(2, straight_shape(stripped_mm=24.6, width_mm=1.62), targets)
    long = graded_cutting(3, straight_shape(length_mm=118.0, stripped_mm=45.0), targets)
    good = graded_cutting(4, straight_shape(), targets)
    photo = replace(invented_photo("tray.jpg", []), cuttings=(short, thin, long, good))
    read = results_at(tmp_path / "r.json", photo).photos[0]
    assert [cutting.strip_only for cutting in read.cuttings] == ["1", "", "", ""]


def test_the_words_for_another_size_are_those_of_the_grader() -> None:
    """Advice that changes a size must be known as such; the advice itself is made by the grader."""
    targets = load_targets()
    long = graded_cutting(1, straight_shape(length_mm=118.0, stripped_mm=45.0), targets)
    longer = graded_cutting(2, straight_shape(length_mm=205.0, stripped_mm=30.0), targets)
    for cutting in (long, longer):
        assert any(words in cutting.grade.advice for words in RECUT_WORDS), cutting.grade.advice
    straight = graded_cutting(3, straight_shape(), targets)
    assert not any(words in straight.grade.advice for words in RECUT_WORDS)


@pytest.mark.parametrize(
    ("n_strip", "told"), [(0, ""), (1, "1 cutting in the groups"), (3, "3 cuttings in the groups")]
)
def test_what_may_be_better_once_stripped_is_said(tmp_path: Path, n_strip: int, told: str) -> None:
    """The picture says strip, the sheet takes the cutting as it lies: the person hears which comes first."""
    strip = [Invented(90.0, grade="2", advice="strip 6 mm more, so that 27 mm are bare, then stick: grade 1")]
    notes = " ".join(plan_of(tmp_path, [*strip * n_strip, *mixed(12)]).notes)
    assert told in notes
    assert ("strip first, photograph again" in notes) == bool(n_strip)


@pytest.mark.parametrize("grade", ["1", "2", "cull", "unsure"])
def test_a_cutting_to_be_cut_is_told_so_whatever_its_grade_today(tmp_path: Path, grade: str) -> None:
    too_long = Invented(260.0, grade=grade, advice="divide 110 mm above the base, stick: lower grade 1")
    plan = plan_of(tmp_path, [*mixed(12), too_long, Invented(40.0, grade="cull", advice="discard")])
    told = {item.placed.cutting.number: item.kind for item in plan.left_out}
    assert told[13] == "cut again" and told[14] == "cull"
