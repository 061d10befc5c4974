"""The measuring sets keep their promises, and what is printed too small is told in drawn millimetres."""

from __future__ import annotations

import numpy as np
import pytest

from calib.design import mat_layout
from demo_images.studio import series
from demo_images.studio.camera import place_camera
from demo_images.studio.flat_things import CARD_CORNER_MM, CARD_MM, card
from demo_images.studio.photo import arrange, drawn_from_true, truth_of

PAGE_MM = mat_layout("A4").page_mm
MICROMETRE_MM = 1e-3


def test_sets_share_no_seed_and_no_photo() -> None:
    dev, judge = (series.photos(name) for name in ("dev", "judge"))
    assert not {p.seed for p in dev} & {p.seed for p in judge}
    assert len({p.name for p in (*dev, *judge)}) == 2 * series.USUAL_COUNT


@pytest.mark.parametrize("name", ["dev", "judge"])
def test_every_condition_occurs_and_the_whole_page_is_in_the_picture(name: str) -> None:
    plans = series.photos(name)
    assert {p.tags[1] for p in plans} == set(series.CONDITIONS)
    corners = np.array([[x * PAGE_MM[0] / 2, y * PAGE_MM[1] / 2, 0.0] for x in (-1, 1) for y in (-1, 1)])
    for plan in plans:
        px = place_camera(plan.camera, PAGE_MM).seen_at_px(corners)
        assert (px > 0).all() and (px < [plan.camera.width_px, plan.camera.height_px]).all(), plan.name


def test_card_has_the_size_of_the_standard_and_its_corners_are_told() -> None:
    mesh, told = card((100.0, 80.0), 30.0, np.random.default_rng(1))
    a = np.radians(30.0)
    axes = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    own = (mesh.vertices_mm[:, :2] - [100.0, 80.0]) @ axes.T
    assert np.ptp(own, axis=0) == pytest.approx(CARD_MM, abs=MICROMETRE_MM)
    corners = (np.array(told["corners_mat"]) - [100.0, 80.0]) @ axes.T
    assert np.abs(corners) == pytest.approx(np.tile(np.array(CARD_MM) / 2, (4, 1)), abs=2 * MICROMETRE_MM)
    # the rounded corner leaves the square corner free by (sqrt 2 - 1) radii
    gap = np.linalg.norm(own - corners[0], axis=1).min()
    assert gap == pytest.approx((np.sqrt(2) - 1) * CARD_CORNER_MM, abs=0.01)


def test_places_are_told_in_drawn_mm_and_sizes_in_true_mm() -> None:
    told = {
        "base_mat": [10.0, 20.0],
        "total_length_mm": 80.0,
        "mask": {"px_mm": 0.2, "origin_mat": [4.0, 6.0]},
    }
    drawn = drawn_from_true(told, 0.5)
    assert drawn["base_mat"] == [20.0, 40.0]
    assert drawn["total_length_mm"] == 80.0
    assert drawn["mask"] == {"px_mm": 0.4, "origin_mat": [8.0, 12.0]}


def test_a_scaled_print_is_told_consistently() -> None:
    plan = next(p for p in series.photos("dev") if p.tags[1] == "card")
    told = truth_of(arrange(plan))
    assert told["print_scale"] != 1.0
    for one in told["cuttings"]:
        drawn_mm = np.linalg.norm(np.subtract(one["tip_mat"], one["base_mat"]))
        assert drawn_mm * told["print_scale"] == pytest.approx(one["straight_length_mm"], abs=MICROMETRE_MM)
    corners = np.array(told["props"]["card"]["corners_mat"]) * told["print_scale"]
    assert np.linalg.norm(corners[1] - corners[0]) == pytest.approx(CARD_MM[0], abs=0.01)
