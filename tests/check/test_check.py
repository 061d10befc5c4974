"""``grader check``: true figures, the right advice, and no photo stops another."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calib.design import mat_layout
from grader.check.expected import expected_for
from grader.check.figures import Light, NotChecked, PhotoCheck
from grader.check.improve import improvement
from grader.check.light import light_on
from grader.check.photo import check_one
from grader.check.run import run
from grader.check.told import rows, summary, to_json
from grader.errors import ExitCode
from grader.locate.scale import DISAGREE
from grader.pipeline import Kit, grade_photo
from grader.records import GradedPhoto, MatPose, Photo
from grader.verdict import load_targets
from tests.calib.mat_photos import Shot, camera, expose, page_of
from tests.scenes import Conditions, Plant, Stem, make_scene

GOOD_LIGHT = Light(0.6, 0.8, 0.0, 0.0, 0.0)
SHARP_MM = 0.2
DEMO = Path(__file__).parents[2] / "demo_images" / "bench_soft_light.jpg"
NAMES = ("total_length_mm", "base_diameter_mm")


def kit(**changes: object) -> Kit:
    return Kit(load_targets(), **changes)  # type: ignore[arg-type]


def mat_photo(folder: Path) -> Path:
    shot, gain = Shot(), 0.9
    page_mm = mat_layout("A4").page_mm
    grey = expose([(page_of("A4"), page_mm, camera(page_mm, shot))], shot)
    path = folder / "mat.png"
    Image.fromarray(np.stack([(grey * gain).astype(np.uint8)] * 3, axis=2)).save(path, compress_level=1)
    return path


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> PhotoCheck:
    result = check_one(mat_photo(tmp_path_factory.mktemp("check")), kit())
    assert isinstance(result, PhotoCheck)
    return result


def test_a_good_photo_has_every_figure(checked: PhotoCheck) -> None:
    pose = checked.pose
    assert pose.n_fiducials > 0.9 * pose.n_fiducials_expected
    assert 0.0 < checked.edge_width_px < 6.0
    assert checked.edge_width_px == pytest.approx(checked.edge_width_mm * pose.px_per_mm)
    assert checked.light.evenness > 0.9
    assert checked.light.clipped_share == 0.0
    told = dict(rows(checked))
    assert len(told) == 13
    lengths = [figure for figure in told.values() if "expected" in figure]
    assert len(lengths) == 2 and all(
        " mm (" in figure and figure.endswith(" in) expected") for figure in lengths
    )
    assert "assumed" in told["print scale"]


def test_the_scale_is_what_helps_a_good_photo_most(checked: PhotoCheck) -> None:
    assert "nearer" in checked.improvement  # 6 px per mm
    near = replace(checked.pose, px_per_mm=14.0)
    assert "check bar" in improvement(near, SHARP_MM, GOOD_LIGHT)
    measured = replace(near, scale_sigma=0.001, print_scale_source="check bar typed")
    assert improvement(measured, SHARP_MM, GOOD_LIGHT).startswith("nothing")
    at_odds = replace(measured, warnings=(f"{DISAGREE}: by the bar ...",))
    assert "disagree" in improvement(at_odds, SHARP_MM, GOOD_LIGHT)


@pytest.mark.parametrize(
    ("pose", "edge_mm", "light", "words"),
    [
        ({"px_per_mm": 3.5}, SHARP_MM, {}, "nearer"),
        ({"tilt_deg": 34.0}, SHARP_MM, {}, "straighter"),
        ({"curl_mm": 2.5}, SHARP_MM, {}, "flat"),
        ({"n_fiducials": 20}, SHARP_MM, {}, "uncover"),
        ({}, 0.9, {}, "sharper"),
        ({}, SHARP_MM, {"darkest_share": 0.1}, "softer"),
        ({}, SHARP_MM, {"clipped_share": 0.4}, "burnt out"),
        ({}, SHARP_MM, {"darkest_share": 0.05, "brightest_share": 0.06}, "more light"),
        ({}, SHARP_MM, {"blue_cast": -0.6}, "whiter"),
        # The worst of two.
        ({"px_per_mm": 3.5}, 0.5, {}, "nearer"),
    ],
)
def test_what_is_worst_is_what_is_advised(
    checked: PhotoCheck, pose: dict[str, float], edge_mm: float, light: dict[str, float], words: str
) -> None:
    spoilt = replace(checked.pose, **pose)  # type: ignore[arg-type]
    assert words in improvement(spoilt, edge_mm, replace(GOOD_LIGHT, **light))


@pytest.mark.slow
def test_the_expected_uncertainty_is_what_the_stages_state() -> None:
    """For most cuttings of a good photo; bark, leaves and bends of single ones make more of it."""
    graded = grade_photo(DEMO, kit())
    assert isinstance(graded, GradedPhoto)
    expected = expected_for(graded.pose)
    stated = [[each.traits[name].sigma for each in graded.cuttings] for name in NAMES]
    assert np.nanmedian(stated[0]) == pytest.approx(expected.length_sigma_mm, rel=0.25)
    assert np.nanmedian(stated[1]) == pytest.approx(expected.diameter_sigma_mm, rel=0.25)


def test_more_pixels_and_a_surer_scale_are_expected_to_help(checked: PhotoCheck) -> None:
    pose = checked.pose
    now = expected_for(pose)
    assert expected_for(replace(pose, px_per_mm=3.0)).diameter_sigma_mm > 1.5 * now.diameter_sigma_mm
    assert expected_for(replace(pose, scale_sigma=0.01)).length_sigma_mm > 1.3 * now.length_sigma_mm


def lit_scene(conditions: Conditions, plants: tuple[Plant, ...] = ()) -> tuple[Photo, MatPose]:
    scene = make_scene(plants, conditions, (120.0, 60.0))
    return scene.photo, scene.pose


def test_light_is_told_as_it_was_made() -> None:
    made = Conditions(px_per_mm=4.0, supersample=2, light=(0.9, 0.6, 0.3), falloff=0.5, noise=0.0)
    light = light_on(*lit_scene(made, (Plant(Stem((20.0, 20.0), 10.0, 70.0, 3.0, 2.0)),)))
    assert light.red_cast == pytest.approx(0.5, abs=0.02)
    assert light.blue_cast == pytest.approx(-0.5, abs=0.02)
    assert light.brightest_share == pytest.approx(0.6 * (1 - 0.5 * 10 / 120), rel=0.08)
    assert light.evenness == pytest.approx(0.55, abs=0.05)
    assert light.clipped_share == 0.0


def test_burnt_out_paper_is_counted() -> None:
    made = Conditions(px_per_mm=4.0, light=(2.0, 2.0, 2.0), falloff=1.0, noise=0.0)
    # Light falls from 2 to 0 across 120 mm: burnt out up to the middle, lay area from 3 mm on.
    assert light_on(*lit_scene(made)).clipped_share == pytest.approx(57 / 114, abs=0.02)


def test_one_bad_photo_never_stops_the_others(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = tmp_path / "notes.jpg"
    text.write_text("no picture")
    bad = check_one(text, kit())
    assert isinstance(bad, NotChecked) and bad.advice

    def slips(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("grader.check.photo.located", slips)
    slip = check_one(mat_photo(tmp_path), kit())
    assert isinstance(slip, NotChecked) and slip.reason == "program error"
    assert summary([bad, slip]) == "0 photos checked, 2 not measurable"


def test_json_has_units_in_its_names_and_no_nan(checked: PhotoCheck) -> None:
    unknown = replace(checked, edge_width_mm=float("nan"))
    told = json.loads(to_json([checked, unknown, NotChecked(Path("x.jpg"), "no mat", "m", "a")]))
    first, second, third = told["photos"]
    assert first["expected_length_sigma_in"] == pytest.approx(first["expected_length_sigma_mm"] / 25.4)
    assert first["px_per_mm"] == pytest.approx(checked.pose.px_per_mm)
    assert second["edge_width_mm"] is None and second["edge_width_px"] is None
    assert third["status"] == "not measurable" and third["advice"] == "a"


def test_a_typed_bar_counts_as_in_grading(tmp_path: Path) -> None:
    result = check_one(mat_photo(tmp_path), kit(print_scale=0.98))
    assert isinstance(result, PhotoCheck)
    assert result.pose.print_scale == 0.98
    assert "by the check bar" in dict(rows(result))["print scale"]


def test_exit_codes_are_those_of_grading(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, bad = mat_photo(tmp_path), tmp_path / "notes.jpg"
    bad.write_text("no picture")
    assert run((good,), kit(), as_json=False) is ExitCode.ALL_GRADED
    assert run((bad, good), kit(), as_json=False) is ExitCode.SOME_SKIPPED
    told = capsys.readouterr().out
    assert "What would help most" in told and "What to do" in told
    assert run((bad,), kit(), as_json=True) is ExitCode.NOTHING_GRADED
    assert json.loads(capsys.readouterr().out)["photos"][0]["status"] == "not measurable"
    empty = tmp_path / "empty"
    empty.mkdir()
    assert run((empty,), kit(), as_json=False) is ExitCode.NOTHING_GRADED
    assert "no photos" in capsys.readouterr().err
