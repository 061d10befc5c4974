"""The yardstick itself: it must report exactly what was put in."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from grader.records import Measured, SilhouetteKind, SkippedPhoto
from grader.traits.catalogue import does_not_exist, not_measurable
from grader.verdict import load_targets
from tests.accuracy import known_tray
from tests.accuracy.compare import Comparison, compare
from tests.accuracy.figures import Figures, by_place, by_trait, tally
from tests.accuracy.places import across
from tests.accuracy.tables import as_data, table

TINY = 1e-9
"""Rounding of double precision."""
TARGETS = load_targets()


def figures_with(tmp_path: Path, trait: str, change: Callable[[int, Measured], Measured]) -> Figures:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.with_trait(known_tray.flawless(truth), trait, change)
    return by_trait([compare(truth, graded, TARGETS)])[trait]


def test_flawless_result_has_no_error(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    result = compare(truth, known_tray.flawless(truth), TARGETS)
    assert len(result.pairs) == result.n_true == 4
    assert tally([result]).lost == 0
    assert not result.wrong_end
    assert all(abs(reading.error) < TINY for reading in result.readings)
    assert result.position_error_mm is not None
    assert result.position_error_mm.max() < TINY
    assert [pair.true_grade for pair in result.grades] == ["1"] * 4


@pytest.mark.parametrize("bias", [0.25, -0.04])
@pytest.mark.parametrize("trait", ["base_diameter_mm", "total_length_mm", "sweep_ratio", "crook_deg"])
def test_injected_bias_is_reported(tmp_path: Path, trait: str, bias: float) -> None:
    row = figures_with(tmp_path, trait, lambda _, m: Measured(m.value + bias, m.sigma))
    assert row.n == 4
    assert row.bias == pytest.approx(bias, abs=TINY)
    assert row.rmse == pytest.approx(abs(bias), abs=TINY)
    assert row.p95 == pytest.approx(abs(bias), abs=TINY)
    assert row.worst == pytest.approx(abs(bias), abs=TINY)


def test_foliage_error_is_in_percent_of_the_truth(tmp_path: Path) -> None:
    row = figures_with(tmp_path, "foliage_area_mm2", lambda _, m: Measured(m.value * 1.02, m.value * 0.03))
    assert row.bias == pytest.approx(2.0, abs=TINY)
    assert row.mean_sigma == pytest.approx(3.0, abs=TINY)


def test_rmse_p95_and_coverage_of_known_errors(tmp_path: Path) -> None:
    errors = [0.1, -0.1, 0.15, -0.3]
    row = figures_with(tmp_path, "base_diameter_mm", lambda i, m: Measured(m.value + errors[i], 0.1))
    assert row.bias == pytest.approx(np.mean(errors), abs=TINY)
    assert row.rmse == pytest.approx(math.sqrt((0.01 + 0.01 + 0.0225 + 0.09) / 4), abs=TINY)
    # Linear interpolation between the order statistics 0.15 and 0.3 at (4 - 1) * 0.95 = 2.85.
    assert row.p95 == pytest.approx(0.15 + 0.85 * 0.15, abs=TINY)
    # 0.3 is beyond 1.96 * 0.1; the others are within.
    assert row.coverage == 0.75
    assert row.mean_sigma == pytest.approx(0.1)


def test_no_value_is_counted_and_not_averaged(tmp_path: Path) -> None:
    missing = {0: not_measurable("hidden"), 1: does_not_exist("too short")}
    row = figures_with(tmp_path, "crook_deg", lambda i, m: missing.get(i, m))
    assert (row.n, row.cannot_tell, row.says_none) == (2, 1, 1)
    assert row.bias == pytest.approx(0.0, abs=TINY)


def test_hidden_base_is_left_out_of_the_diameter(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    hidden = replace(truth.cuttings[0], is_base_clear=False)
    truth = replace(truth, cuttings=(hidden, *truth.cuttings[1:]))
    result = compare(truth, known_tray.flawless(truth), TARGETS)
    assert by_trait([result])["base_diameter_mm"].n == 3
    assert by_trait([result])["total_length_mm"].n == 4
    assert by_place([result])["diameter_unclear_mm"].n == 1


def test_unclear_diameters_stand_apart(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    truth = replace(truth, cuttings=tuple(replace(item, is_base_clear=False) for item in truth.cuttings))
    graded = known_tray.with_trait(
        known_tray.flawless(truth), "base_diameter_mm", lambda i, m: m if i else not_measurable("hidden")
    )
    result = compare(truth, graded, TARGETS)
    assert "base_diameter_mm" not in by_trait([result])
    row = by_place([result])["diameter_unclear_mm"]
    assert (row.n, row.cannot_tell) == (3, 1)


def test_ends_and_axis_that_are_off_are_reported(tmp_path: Path) -> None:
    """The base 2 mm too far in, the tip 3 mm too far out, all 0.4 mm to the right (y down)."""
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.flawless(truth, sigma=0.3)
    cuttings = []
    for item in graded.cuttings:
        axis = item.shape.axis_mm[2:] + np.array([0.0, 0.4])
        axis = np.vstack([axis, axis[-1] + [3.0, 0.0]])
        arc = np.concatenate([np.arange(len(axis) - 1.0), [len(axis) + 1.0]])
        shape = replace(item.shape, axis_mm=axis, arc_mm=arc, axis_sigma_mm=np.full(len(axis), 0.3))
        cuttings.append(replace(item, shape=shape))
    rows = by_place([compare(truth, replace(graded, cuttings=tuple(cuttings)), TARGETS)])
    assert rows["base_along_mm"].bias == pytest.approx(2.0)
    assert rows["tip_along_mm"].bias == pytest.approx(3.0)
    for name in ("axis_bare_mm", "axis_leafy_mm"):
        assert rows[name].bias == pytest.approx(0.4)
        assert rows[name].worst == pytest.approx(0.4)
        assert rows[name].coverage == 1.0
    # Points at 2, 6, ... 26 mm of the true axis lie on the 28 mm of bare stem.
    assert rows["axis_bare_mm"].n == 4 * 7


def test_distance_from_a_bent_line() -> None:
    line = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    arc, away = across(line, np.array([[4.0, 1.0], [4.0, -2.0], [12.0, 5.0], [-3.0, 1.0]]))
    assert arc == pytest.approx([4.0, 4.0, 15.0, -3.0])
    assert away == pytest.approx([1.0, -2.0, -2.0, 1.0])


def test_missed_cutting(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.flawless(truth)
    result = compare(truth, replace(graded, cuttings=graded.cuttings[1:]), TARGETS)
    assert result.missed == (0,)
    assert len(result.pairs) == 3


def test_skipped_photo_misses_all(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    result = compare(truth, SkippedPhoto(truth.photo, "no mat", "No mat.", "Show it."), TARGETS)
    assert result.missed == (0, 1, 2, 3)
    assert tally([result]).skipped == 1


def test_invented_cutting(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.flawless(truth)
    below_mm = graded.cuttings[0].outline_mm + np.array([0.0, 130.0])
    extra = replace(graded.cuttings[0], number=9, outline_mm=below_mm)
    result = compare(truth, replace(graded, cuttings=(*graded.cuttings, extra)), TARGETS)
    assert result.invented == (9,)
    assert not result.missed


def test_second_piece_of_a_cutting_is_invented(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.flawless(truth)
    outline = graded.cuttings[0].outline_mm
    middle = outline[:, 0].mean() - 5.0
    left, right = outline.copy(), outline.copy()
    left[:, 0] = left[:, 0].clip(max=middle)
    right[:, 0] = right[:, 0].clip(min=middle)
    pieces = (
        replace(graded.cuttings[0], outline_mm=left, number=8),
        replace(graded.cuttings[0], outline_mm=right, number=9),
    )
    result = compare(truth, replace(graded, cuttings=(*pieces, *graded.cuttings[1:])), TARGETS)
    # The right piece holds more of the foliage.
    assert result.pairs[0] == (0, 9)
    assert result.invented == (8,)


def test_merged_cuttings(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.flawless(truth)
    both = np.concatenate([graded.cuttings[0].outline_mm, graded.cuttings[1].outline_mm])
    low, high = both.min(axis=0), both.max(axis=0)
    hull = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    merged = replace(graded.cuttings[0], outline_mm=hull, number=7)
    result = compare(truth, replace(graded, cuttings=(merged, *graded.cuttings[2:])), TARGETS)
    assert result.merged == (7,)
    assert len(result.missed) == 1


@pytest.mark.parametrize("is_alone", [True, False])
def test_set_aside_is_wrong_only_when_the_cutting_lies_alone(tmp_path: Path, is_alone: bool) -> None:
    truth = known_tray.known_truth(tmp_path)
    first = replace(truth.cuttings[0], is_alone=is_alone)
    truth = replace(truth, cuttings=(first, *truth.cuttings[1:]))
    graded = known_tray.set_aside(known_tray.flawless(truth), 0, SilhouetteKind.OVERLAP)
    result = compare(truth, graded, TARGETS)
    assert result.set_aside_wrongly == ((0,) if is_alone else ())
    assert result.reported == (() if is_alone else (0,))
    assert not result.missed


@pytest.mark.parametrize(("clearance_mm", "is_right"), [(0.2, True), (3.0, False)])
def test_cutting_at_the_edge_of_the_lay_area_is_rightly_set_aside(
    tmp_path: Path, clearance_mm: float, is_right: bool
) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.set_aside(known_tray.flawless(truth), 0, SilhouetteKind.OUTSIDE)
    seen = truth.seen_from_true(truth.cuttings[0].cells_mm, truth.cuttings[0].cells_height_mm())
    area = (float(seen[:, 0].min()) - clearance_mm, 10.0, 290.0, 200.0)
    result = compare(truth, replace(graded, pose=replace(graded.pose, lay_area_mm=area)), TARGETS)
    assert result.reported == ((0,) if is_right else ())
    assert result.set_aside_wrongly == (() if is_right else (0,))


def test_base_at_the_wrong_end(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.flawless(truth)
    first = graded.cuttings[0]
    turned = replace(first, shape=replace(first.shape, axis_mm=first.shape.axis_mm[::-1]))
    result = compare(truth, replace(graded, cuttings=(turned, *graded.cuttings[1:])), TARGETS)
    assert result.wrong_end == (0,)


def test_position_error_of_a_shifted_and_a_stretched_mat(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.flawless(truth)
    plane = graded.pose.plane
    shift_px = np.eye(3)
    shift_px[0, 2] = 1.0  # one pixel is 0.1 mm here
    moved = replace(plane, homography=shift_px @ plane.homography)
    result = compare(truth, replace(graded, pose=replace(graded.pose, plane=moved)), TARGETS)
    assert result.position_error_mm == pytest.approx(0.1, abs=1e-6)
    result = compare(truth, replace(graded, pose=replace(graded.pose, plane=plane.scaled(1.01))), TARGETS)
    assert result.position_error_mm is not None
    # 1 % of the distance from the page's corner to the far corner of the lay area's grid.
    assert result.position_error_mm.max() == pytest.approx(0.01 * math.hypot(265.0, 175.0), rel=0.01)


def test_curl_is_told(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path, curl_mm=2.5)
    graded = known_tray.flawless(truth)
    result = compare(truth, replace(graded, pose=replace(graded.pose, curl_mm=2.2)), TARGETS)
    assert (result.curl_true_mm, result.curl_found_mm) == (2.5, 2.2)
    assert result.position_error_mm is None
    assert "2.5 / 2.2" in table("curled", [result])


def test_grades_and_doubt(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.flawless(truth, sigma=0.01)
    given = ["1", "2", "unsure", "unsure"]
    cuttings = [
        replace(item, grade=replace(item.grade, grade=grade))
        for item, grade in zip(graded.cuttings, given, strict=True)
    ]
    # The last one is measured so badly that its truth (90 mm) is within 3 * 4 mm of the limit at 100 mm.
    vague = {**cuttings[3].traits, "total_length_mm": Measured(92.0, 4.0)}
    cuttings[3] = replace(cuttings[3], traits=vague)
    result = compare(truth, replace(graded, cuttings=tuple(cuttings)), TARGETS)
    counts = tally([result])
    assert (counts.grades_equal, counts.grades_sure, counts.unsure) == (1, 2, 2)
    assert counts.unsure_far == 1
    assert counts.confusion == (("1", "1", 1), ("1", "2", 1), ("1", "unsure", 2))


def test_other_targets_are_asked_too(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.flawless(truth, sigma=0.001)
    small = load_targets("miniature-conifer")
    result = compare(truth, graded, TARGETS, [small])
    assert {pair.targets for pair in result.other_grades} == {small.id}
    # Without any error both grades are the same, whatever the limits; 90 mm is too long for a miniature.
    assert {(pair.true_grade, pair.given) for pair in result.other_grades} == {("cull", "cull")}
    assert len(result.grades) == len(result.other_grades) == 4
    assert "miniature-conifer" in table("made up", [result])


def test_print_scale_turns_page_mm_into_true_mm(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path, print_scale=0.97)
    assert truth.page_mm == pytest.approx((0.97 * 297.0, 0.97 * 210.0))
    assert truth.cuttings[0].base_mm == pytest.approx([0.97 * 60.0, 0.97 * 50.0])
    # Measurements are in true mm already.
    assert truth.cuttings[0].values["total_length_mm"] == 90.0


@pytest.mark.parametrize(
    ("changes", "stress"),
    [
        ({}, ()),
        ({"light": {"name": "hard_sun"}}, ("hard_sun",)),
        ({"curl_mm": 2.0}, ("curled",)),
        ({"curl_mm": 0.4}, ()),
        ({"debris": ["soil"]}, ("debris",)),
    ],
)
def test_stress_is_read_from_the_data(
    tmp_path: Path, changes: dict[str, Any], stress: tuple[str, ...]
) -> None:
    assert known_tray.known_truth(tmp_path, **changes).stress == stress


def test_camera_of_the_truth_agrees_with_opencv(tmp_path: Path) -> None:
    """Source of the expected values: cv2.projectPoints (OpenCV 4 and 5), the same camera model."""
    import cv2

    truth = known_tray.known_truth(tmp_path)
    camera = replace(truth.camera, dist=(0.08, -0.12, 0.0012, -0.0008))
    world = np.array([[-140.0, 100.0, 0.0], [0.0, 0.0, 5.0], [130.0, -90.0, 2.0]])
    matrix = np.array(
        [
            [camera.focal_px[0], 0, camera.centre_px[0]],
            [0, camera.focal_px[1], camera.centre_px[1]],
            [0, 0, 1],
        ]
    )
    expected, _ = cv2.projectPoints(
        world, cv2.Rodrigues(camera.rotation)[0], camera.shift_mm, matrix, np.array(camera.dist)
    )
    assert camera.px_from_world(world) == pytest.approx(expected.reshape(-1, 2), abs=1e-6)


def test_table_and_json_tell_the_same(tmp_path: Path) -> None:
    truth = known_tray.known_truth(tmp_path)
    graded = known_tray.with_trait(
        known_tray.flawless(truth), "base_diameter_mm", lambda _, m: Measured(m.value + 0.123, m.sigma)
    )
    comparison = compare(truth, graded, TARGETS)
    text = table("made up", [comparison])
    row = next(line for line in text.splitlines() if line.startswith("base diameter"))
    assert row.split()[6] == "0.123"
    assert "<-" in row
    data = json.loads(json.dumps(as_data({"made up": [comparison]}), allow_nan=False))
    figure = data["sets"]["made up"]["groups"]["even"]["traits"]["base_diameter_mm"]
    assert figure["bias"] == pytest.approx(0.123)
    assert len(data["sets"]["made up"]["photos"]["known"]["readings"]) == len(comparison.readings)


def test_every_photo_belongs_to_one_group() -> None:
    from tests.accuracy.tables import GROUPS

    for stress in ((), ("curled",)):
        for is_lowres in (False, True):
            item = Comparison("x", stress, is_lowres, 0)
            assert sum(belongs(item) for belongs in GROUPS.values()) == 1
