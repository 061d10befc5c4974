"""The analytic scenes are what they say: areas, widths, camera, light; and the first stages agree."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from grader.flat import LIN_FROM_SRGB8
from grader.locate.flatten import flatten
from tests.flat_views import linear_of_view
from tests.scenes import (
    BARK,
    Conditions,
    Ellipse,
    Plant,
    Scene,
    Stem,
    camera,
    leafy,
    make_scene,
    srgb_from_linear,
)

PLAIN = Conditions(blur_px=0.0, noise=0.0, light=(1.0, 1.0, 1.0))
"""Nothing but geometry and the 8 bit sRGB curve."""
ROUNDING_PX = 0.02
"""8 bit rounding and the grid inside a pixel, over the width of a stem."""


def darkness(scene: Scene) -> NDArray[np.float64]:
    """Return the covered share (H, W) of each pixel, from the red channel of a bark-only scene."""
    linear = LIN_FROM_SRGB8[scene.photo.rgb[..., 0]].astype(float)
    return np.asarray((1.0 - linear) / (1.0 - BARK[0]))


@pytest.mark.parametrize("width_mm", [0.8, 2.37, 11.0])
@pytest.mark.parametrize("px_per_mm", [5.0, 10.0])
def test_bar_has_its_width(width_mm: float, px_per_mm: float) -> None:
    bar = Stem((10.0, 20.03), 0.0, 40.0, width_mm, width_mm)
    scene = make_scene([Plant(bar)], Conditions(px_per_mm, blur_px=0.0, noise=0.0, light=(1, 1, 1)), (60, 40))
    column = round(30 * px_per_mm)
    assert darkness(scene)[:, column].sum() == pytest.approx(width_mm * px_per_mm, abs=0.1)


@pytest.mark.parametrize("angle_deg", [0.0, 17.0, 45.0, 90.0])
def test_bar_has_its_area_at_every_angle(angle_deg: float) -> None:
    bar = Stem((30.0, 10.0), angle_deg, 18.0, 2.0, 3.0)
    scene = make_scene([Plant(bar)], PLAIN, (60.0, 40.0))
    assert darkness(scene).sum() / PLAIN.px_per_mm**2 == pytest.approx(18.0 * 2.5, rel=0.002)


@pytest.mark.parametrize("turn_deg", [25.0, -25.0, 80.0])
def test_bent_bar_of_even_width_has_length_times_width(turn_deg: float) -> None:
    # Pappus: a strip of even width about an arc has the area of its centre line times its width.
    bar = Stem((8.0, 20.0), -turn_deg / 2, 40.0, 3.0, 3.0, turn_deg=turn_deg)
    scene = make_scene([Plant(bar)], PLAIN, (60.0, 40.0))
    assert darkness(scene).sum() / PLAIN.px_per_mm**2 == pytest.approx(120.0, rel=0.002)


def test_kink_turns_where_it_says() -> None:
    stem = Stem((0.0, 0.0), 0.0, 50.0, 2.0, 2.0, turn_deg=30.0, kink_at_mm=20.0)
    assert stem.point_at(20.0) == pytest.approx(np.array([[20.0, 0.0]]))
    assert stem.point_at(50.0) == pytest.approx(
        np.array([[20.0 + 30.0 * math.cos(math.radians(30)), 30.0 * math.sin(math.radians(30))]])
    )
    assert stem.covers(np.array([[10.0, 0.9], [10.0, 1.1], [30.0, 0.0]])).tolist() == [True, False, False]


def test_arc_has_its_length_and_turn() -> None:
    stem = Stem((5.0, 5.0), 30.0, 80.0, 2.0, 1.0, turn_deg=-40.0)
    line = stem.point_at(np.linspace(0.0, 80.0, 4001))
    assert np.hypot(*np.diff(line, axis=0).T).sum() == pytest.approx(80.0, rel=1e-6)
    assert stem.direction_at(80.0) == pytest.approx(
        [math.cos(math.radians(-10)), math.sin(math.radians(-10))]
    )
    assert stem.covers(line[1:-1]).all()


def test_leaf_has_its_area() -> None:
    leaf = Ellipse((20.0, 15.0), 6.0, 1.5, 33.0, BARK)
    scene = make_scene([], PLAIN, (40.0, 30.0), things=[leaf])
    assert darkness(scene).sum() / PLAIN.px_per_mm**2 == pytest.approx(leaf.area_mm2, rel=0.003)


@pytest.mark.parametrize("tilt_deg", [0.0, 15.0, 25.0])
def test_camera_sees_raised_points_where_its_eye_says(tilt_deg: float) -> None:
    """Similar triangles in space: eye, raised point and seen point lie on one line."""
    plane, shape = camera(Conditions(tilt_deg=tilt_deg), (150.0, 80.0))
    middle = plane.px_from_mm(np.array([[75.0, 40.0]]))[0]
    assert middle == pytest.approx([(shape[1] - 1) / 2, (shape[0] - 1) / 2], abs=1e-6)
    assert plane.px_per_mm_at(np.array([[75.0, 40.0]]))[0] == pytest.approx(
        10.0 * math.sqrt(math.cos(math.radians(tilt_deg))), rel=1e-4
    )
    eye, raised = np.array(plane.eye_mm), np.array([30.0, 60.0, 7.0])
    seen = eye + (raised - eye) * eye[2] / (eye[2] - raised[2])
    assert plane.ground_from_seen(seen[None, :2], 7.0) == pytest.approx(raised[None, :2], abs=1e-9)
    # A pinhole's homography is K [r1 r2 t]: its first two columns, freed of K, are orthogonal.
    focal_px = 10.0 * 400.0 / math.cos(math.radians(tilt_deg))
    columns = plane.homography.copy()
    columns[:2] = (columns[:2] - np.outer(middle, columns[2])) / focal_px
    first, second = columns[:, 0], columns[:, 1]
    assert first @ second == pytest.approx(0.0, abs=1e-12)
    assert np.linalg.norm(first) == pytest.approx(np.linalg.norm(second), rel=1e-9)


def test_gamma_is_undone_by_the_code_under_test() -> None:
    levels = np.arange(256)
    assert 255.0 * srgb_from_linear(LIN_FROM_SRGB8.astype(float)) == pytest.approx(levels, abs=0.01)


def test_noise_is_as_injected() -> None:
    scene = make_scene([], Conditions(noise=0.01, blur_px=0.0, light=(0.5, 0.5, 0.5)), (40.0, 30.0))
    linear = LIN_FROM_SRGB8[scene.photo.rgb].astype(float)
    assert linear.std() == pytest.approx(0.01, rel=0.05)


def test_shadow_lies_beside_and_never_wraps_around() -> None:
    conditions = Conditions(blur_px=0.0, noise=0.0, shadow=0.4, light=(1.0, 1.0, 1.0))
    bar = Stem((10.0, 27.0), 0.0, 40.0, 3.0, 3.0)
    scene = make_scene([Plant(bar)], conditions, (60.0, 30.0))
    linear = LIN_FROM_SRGB8[scene.photo.rgb[..., 0]]
    assert linear[:200].min() > 0.99
    assert 0.6 < linear[round(28.7 * 10), 300] < 0.95


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, 20.0])
def test_flat_view_shows_paper_as_one_and_the_stem_where_it_is(tilt_deg: float) -> None:
    stem = Stem((20.0, 40.0), 0.0, 90.0, 4.0, 4.0)
    scene = make_scene([Plant(stem)], Conditions(tilt_deg=tilt_deg, falloff=0.15))
    view = flatten(scene.photo, scene.pose)
    row, column = (
        round((at - origin) / view.mm_per_px)
        for at, origin in ((55.0, view.origin_mm[1]), (60.0, view.origin_mm[0]))
    )
    linear = linear_of_view(view)
    assert linear[row - 20 : row + 20, column - 20 : column + 20].mean() == pytest.approx(1.0, abs=0.01)
    # In linear light the integral of the dark is the width, whatever the blur.
    across = linear[:, column - 30 : column + 30, 1].astype(float).mean(axis=1)
    y_mm = view.origin_mm[1] + view.mm_per_px * np.arange(len(across))
    beside = (np.abs(y_mm - 40.0) > 5.0) & (np.abs(y_mm - 40.0) < 10.0)
    cover = (1.0 - across / across[beside].mean()) / (1.0 - BARK[1])
    near = np.abs(y_mm - 40.0) < 4.0
    assert (cover[near] * y_mm[near]).sum() / cover[near].sum() == pytest.approx(40.0, abs=0.02)
    # The photo is interpolated in sRGB, which darkens edges: up to 0.02 mm at 10 px/mm.
    assert cover[near].sum() * view.mm_per_px == pytest.approx(4.0, abs=0.03)


def test_leaves_stay_between_foliage_start_and_tip() -> None:
    plant = leafy(Stem((10.0, 40.0), 0.0, 90.0, 2.4, 1.0), foliage_from_mm=28.0)
    ends = [
        leaf.centre_mm[0] + side * leaf.half_length_mm * math.cos(math.radians(leaf.angle_deg))
        for leaf in plant.leaves
        for side in (-1, 1)
    ]
    assert min(ends) == pytest.approx(38.0, abs=0.1)
    assert max(ends) <= 100.0 + 1e-9
    assert plant.base_diameter_mm == pytest.approx(2.4 - 1.4 * 6.5 / 90.0)
    assert plant.straight_length_mm == pytest.approx(90.0)
