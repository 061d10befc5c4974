"""Foliage areas and browning, and what slant and height make of an area."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.records import MatPose, PaperLight, Silhouette, SilhouetteKind
from grader.shape.branches import branches_from, skeletons_of, ways_from
from grader.shape.fields import CuttingFields, colours_of
from grader.shape.foliage import _roots, browned, foliage_area_mm2, side_shoots
from grader.shape.sheet import Sheet
from grader.shape.trace import ShapeSettings, _area_from_above
from tests.flat_views import view_of_light
from tests.shape.probabilities import MM_PER_PX, blank, draw_line, fields_of
from tests.synthetic_records import straight_pose

BASE, TIP = (10.0, 20.0), (110.0, 20.0)


def leafy(share: float) -> np.ndarray:
    """A rectangle of 50 mm x 10 mm that is foliage with this probability."""
    foliage = blank()
    foliage[100:200, 400:900] = share
    return foliage


GREEN, BROWN, REDDISH = (0.2, 0.3, 0.18), (0.55, 0.3, 0.18), (0.55, 0.3, 0.3)
"""Linear light: ln(R/G) is -0.4 or 0.6, ln(B/G) -0.5 or 0."""


def coloured(brown_columns: int = 0, brown: tuple[float, float, float] = BROWN) -> np.ndarray:
    """Return pixels of green with the first columns of the rectangle brown."""
    colours = np.empty((*blank().shape, 3))
    colours[:] = GREEN
    colours[:, 400 : 400 + brown_columns] = brown
    return colours


def silhouette_of(foliage: np.ndarray, corner_px: tuple[int, int] = (0, 0)) -> Silhouette:
    fields = fields_of((foliage > 0).astype(np.float32), foliage=foliage)
    return Silhouette(
        kind=SilhouetteKind.CUTTING,
        reason="",
        outline_mm=np.zeros((0, 2)),
        holes_mm=(),
        coverage=fields.coverage,
        corner_px=corner_px,
        area_mm2=0.0,
        base_mm=(0.0, 0.0),
        base_run_mm=0.0,
        base_half_width_mm=0.0,
        base_score=1.0,
        rival_score=0.0,
        edge_sigma_mm=0.0,
        marks=fields.marks,
    )


def browned_alone(foliage: np.ndarray, colours: np.ndarray) -> float:
    return browned(view_of_light(colours), [silhouette_of(foliage)])[0][0]


@given(share=st.floats(0.0, 1.0))
def test_the_area_is_the_sum_of_the_probabilities(share: float) -> None:
    area_mm2 = foliage_area_mm2(leafy(share), leafy(share), leafy(share), MM_PER_PX)
    assert math.isclose(area_mm2, 500.0 * share, rel_tol=1e-4, abs_tol=1e-6)


def test_a_soft_edge_has_the_area_of_a_sharp_one() -> None:
    soft = blank()
    soft[100:200, 400:900] = 1.0
    soft[100:200, 390:400] = np.linspace(0.05, 0.95, 10)  # half of 1 mm
    assert math.isclose(foliage_area_mm2(soft, soft, soft, MM_PER_PX), 505.0, rel_tol=1e-4)


def test_what_colours_cover_counts_as_much_as_what_the_network_says() -> None:
    plant, foliage = leafy(1.0), leafy(0.5)  # half of the plant is wood
    fine = cv2.resize(leafy(0.8), None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
    area_mm2 = foliage_area_mm2(foliage, plant, fine, MM_PER_PX)
    assert math.isclose(area_mm2, 500.0 * (0.5 + 0.5 * 0.8) / 2, rel_tol=1e-4)


def test_bare_wood_has_no_foliage_however_much_it_covers() -> None:
    assert foliage_area_mm2(blank(), leafy(1.0), leafy(1.0), MM_PER_PX) == 0.0


@pytest.mark.parametrize("columns", [0, 100, 260, 500])
def test_the_browned_share_is_that_of_the_sure_foliage(columns: int) -> None:
    assert browned_alone(leafy(0.9), coloured(columns)) == pytest.approx(columns / 500)


def test_green_that_is_red_but_not_blue_poor_is_not_brown() -> None:
    assert browned_alone(leafy(0.9), coloured(500, REDDISH)) == 0.0


def test_each_cutting_has_the_colours_of_its_own_foliage() -> None:
    view = view_of_light(np.concatenate([coloured(100), coloured(0), coloured(260)]))
    corners = [(0, 0), (0, 400), (0, 800)]
    shares = [share for share, _ in browned(view, [silhouette_of(leafy(0.9), at) for at in corners])]
    assert shares == pytest.approx([0.2, 0.0, 0.52])
    assert browned(view, []) == []


def test_doubtful_foliage_is_not_judged_by_its_colour() -> None:
    assert browned_alone(leafy(0.6), coloured(500)) == 0.0


def test_colours_are_relative_to_the_light_on_the_paper() -> None:
    """Paper under a warm lamp is white, and a brown patch on it keeps its ratios."""
    warm = np.array([0.9, 0.6, 0.3])
    linear = np.ones((80, 160, 3)) * warm
    linear[16:48, 40:120] = warm * BROWN
    light = PaperLight(np.full((5, 10, 3), warm, np.float32), (160, 80))
    view = replace(view_of_light(linear), light=light)
    colours = colours_of(view, np.array([(22, 10), (80, 30), (159, 79)]))
    assert np.allclose(colours[[0, 2]], 1.0, atol=0.01)
    assert np.allclose(colours[1], BROWN, rtol=0.02)


def over(foot_mm: tuple[float, float], eye_mm: float) -> MatPose:
    """Return a pose whose camera is above a place."""
    pose = straight_pose()
    return replace(pose, plane=replace(pose.plane, eye_mm=(*foot_mm, eye_mm)))


LINE = np.stack([np.linspace(0.0, 90.0, 91), np.full(91, 0.0)], axis=1)
MIDDLE = (60.0, 0.0)
"""Two thirds along: where the slant is taken."""
SEEN_MM2 = 1000.0
SETTINGS = ShapeSettings()


def test_foliage_nearer_to_the_camera_is_smaller_than_it_looks() -> None:
    area, _ = _area_from_above(SEEN_MM2, LINE, over(MIDDLE, 400.0), SETTINGS)
    near = (400.0 - SETTINGS.foliage_height_mm) / 400.0
    assert math.isclose(area, SEEN_MM2 * near**2, rel_tol=1e-9)
    assert area < _area_from_above(SEEN_MM2, LINE, over(MIDDLE, 800.0), SETTINGS)[0] < SEEN_MM2


@given(beside_mm=st.floats(20.0, 300.0), angle=st.floats(0.0, 6.28))
def test_foliage_seen_at_a_slant_is_smaller_than_it_looks_on_every_side(
    beside_mm: float, angle: float
) -> None:
    def away(distance_mm: float) -> tuple[float, float]:
        foot = (MIDDLE[0] + distance_mm * math.cos(angle), MIDDLE[1] + distance_mm * math.sin(angle))
        return _area_from_above(SEEN_MM2, LINE, over(foot, 400.0), SETTINGS)

    straight, straight_sigma = away(0.0)
    slanted, slanted_sigma = away(beside_mm)
    further, further_sigma = away(beside_mm + 20.0)
    assert further < slanted < straight
    assert further_sigma > slanted_sigma > straight_sigma
    secant = math.hypot(beside_mm, 400.0) / 400.0
    expected = straight / (1 + SETTINGS.foliage_slant_share * (secant - 1))
    assert math.isclose(slanted, expected, rel_tol=1e-6)


def test_without_a_known_height_of_the_camera_the_area_is_as_seen() -> None:
    area, sigma = _area_from_above(SEEN_MM2, LINE, over(MIDDLE, math.nan), SETTINGS)
    assert area == SEEN_MM2 * (1 + SETTINGS.foliage_bias)
    assert sigma == SETTINGS.foliage_share_sigma


def with_shoots(*lengths_mm: float, width_mm: float = 2.0) -> CuttingFields:
    """Return a cutting of 100 mm with shoots at right angles, 20 mm apart."""
    cover = blank(60.0)
    cover[190:211, 100:1100] = 1.0
    for k, length_mm in enumerate(lengths_mm):
        x = 400 + 200 * k
        cover[200 : 200 + round(length_mm * 10), x : x + round(width_mm * 10)] = 1.0
    return fields_of(cover)


AXIS = np.stack([np.arange(10.0, 110.01, 0.5), np.full(201, 20.0)], axis=1)


def shoots_of(fields: CuttingFields) -> tuple[np.ndarray, ...]:
    branches = branches_from(fields, np.array([BASE]))
    assert branches is not None
    return side_shoots(Sheet.of([fields]), np.array([0]), [branches], [AXIS])[0]


@pytest.mark.parametrize(
    ("lengths_mm", "counted"),
    [((), []), ((12.0,), []), ((18.0, 17.0), []), ((28.0,), [28.0]), ((15.0, 24.0, 30.0), [30.0, 24.0])],
)
def test_side_shoots_from_a_fifth_of_the_length_are_tips(
    lengths_mm: tuple[float, ...], counted: list[float]
) -> None:
    fields = with_shoots(*lengths_mm)
    found = shoots_of(fields)
    assert len(found) == len(counted)
    for (root, tip), length_mm in zip(found, counted, strict=True):
        assert abs(root[1] - 20.0) < 2.5
        assert root[0] == pytest.approx(41.0 + 20.0 * lengths_mm.index(length_mm), abs=1.5)
        assert tip[1] == pytest.approx(20.0 + length_mm, abs=1.5)


def test_a_single_long_leaf_is_no_side_shoot() -> None:
    fields = with_shoots(28.0, width_mm=0.8)
    assert shoots_of(fields) == ()


def test_side_shoots_of_several_cuttings_are_those_of_each() -> None:
    cuttings = [with_shoots(28.0), with_shoots(), with_shoots(15.0, 24.0, 30.0)]
    sheet, owner = Sheet.of(cuttings), np.arange(3)
    branches = ways_from(skeletons_of(sheet), owner, np.array([BASE] * 3))
    together = side_shoots(sheet, owner, branches, [AXIS] * 3)
    assert [len(found) for found in together] == [1, 0, 2]
    for cutting, found in zip(cuttings, together, strict=True):
        assert np.allclose(found, shoots_of(cutting))


def test_a_bare_skeleton_leads_from_the_base_to_its_end() -> None:
    line = blank()
    draw_line(line, np.array((BASE, TIP)), 1.0)
    branches = branches_from(fields_of(line), np.array([BASE]))
    assert branches is not None
    far = int(np.argmax(np.where(np.isfinite(branches.length_mm), branches.length_mm, -1.0)))
    way = branches.way_mm(far)
    assert np.hypot(*(way[0] - BASE)) < 0.5 and np.hypot(*(way[-1] - TIP)) < 0.5
    assert branches.length_mm[far] == pytest.approx(100.0, abs=1.0)


def test_a_loose_piece_is_not_reached_and_paper_has_no_branches() -> None:
    cover = blank()
    draw_line(cover, np.array((BASE, (60.0, 20.0))), 1.0)
    draw_line(cover, np.array(((70.0, 20.0), TIP)), 1.0)
    branches = branches_from(fields_of(cover), np.array([BASE]))
    assert branches is not None
    beyond = branches.nodes_mm[:, 0] > 65.0
    assert np.isinf(branches.length_mm[beyond]).all() and np.isfinite(branches.length_mm[~beyond]).all()
    assert branches_from(fields_of(blank()), np.array([BASE])) is None


def test_the_root_of_a_node_is_the_next_one_on_its_way_to_the_base() -> None:
    before = np.array([-1, 0, 1, 2, 3, 2, 5, -9, 7], dtype=np.int32)
    is_root = np.array([1, 0, 1, 0, 0, 0, 0, 0, 0], dtype=bool)
    assert _roots(before, is_root).tolist() == [0, 0, 2, 2, 2, 2, 2, 7, 7]
