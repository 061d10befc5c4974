"""A card tells the print scale; nothing else does, and where bar and card differ the person is told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from grader.locate.card import CARD_MM, CORNER_RADIUS_MM, Card, UnusableCard, find_card
from grader.locate.scale import BY_BAR, NOT_CHECKED, pose_at_scale, scaled_by_card
from tests.card_scenes import MIDDLE_MM, SHOT, as_drawn, card_scene
from tests.scenes import Conditions, Ellipse, Stem

GOAL = 0.001
"""Relative: what the card is for."""
HARD = replace(SHOT, shadow=0.5, falloff=0.3, tilt_deg=12.0)


@pytest.mark.parametrize(
    ("conditions", "true_scale", "card"),
    [
        (SHOT, 1.0, {}),
        (SHOT, 0.97, {"angle_deg": 190.0, "centre_mm": (96.0, 50.0)}),
        (HARD, 1.013, {"colour": (0.5, 0.06, 0.05), "angle_deg": -14.0}),
        (replace(SHOT, px_per_mm=3.5, noise=0.006), 1.0, {"colour": (0.02, 0.02, 0.02)}),
        (SHOT, 1.0, {"colour": (0.86, 0.85, 0.82)}),
    ],
    ids=["plain", "print of 97 %", "shadow and tilt", "small photo of a black card", "whitish card"],
)
def test_the_scale_is_right_and_says_how_right(
    conditions: Conditions, true_scale: float, card: dict[str, object]
) -> None:
    scene = card_scene(conditions, **card)
    found = find_card(scene.photo, as_drawn(scene.pose, true_scale))
    assert isinstance(found, Card)
    assert found.print_scale == pytest.approx(true_scale, rel=GOAL)
    assert abs(found.print_scale / true_scale - 1.0) < 3 * found.sigma
    assert 0.0003 < found.sigma < 0.0015


def test_artwork_and_a_print_across_the_rim_do_not_matter() -> None:
    picture = (
        Ellipse((70.0, 60.0), 12.0, 9.0, 20.0, (0.9, 0.8, 0.3)),
        Stem((40.0, 80.0), 8.0, 70.0, 3.0, 3.0, colour=(0.85, 0.85, 0.85)),
    )
    scene = card_scene(things=picture)
    found = find_card(scene.photo, scene.pose)
    assert isinstance(found, Card)
    assert found.print_scale == pytest.approx(1.0, rel=GOAL)


@pytest.mark.parametrize(
    "card",
    [
        {"sides_mm": None},
        {"sides_mm": (85.0, 55.0), "radius_mm": 0.02},
        {"sides_mm": CARD_MM, "radius_mm": 0.02},
        {"sides_mm": (100.0, 60.0)},
        {"sides_mm": (74.0, 52.0)},
        {"sides_mm": (80.0, 25.0), "radius_mm": 2.0},
        {"radius_mm": 8.0},
        {"centre_mm": (36.0, 66.0)},
        {"centre_mm": (80.0, 22.0)},
    ],
    ids=[
        "nothing",
        "visiting card",
        "square corners",
        "larger label",
        "smaller label",
        "plant tag",
        "rounder corners",
        "partly beside the lay area",
        "partly above it",
    ],
)
def test_nothing_else_is_taken_for_a_card(card: dict[str, object]) -> None:
    scene = card_scene(**card)
    assert not isinstance(find_card(scene.photo, scene.pose), Card)
    assert scaled_by_card(scene.photo, scene.pose).print_scale == scene.pose.print_scale


@pytest.mark.parametrize(
    ("card", "things"),
    [
        ({"sides_mm": (85.6, 55.2)}, ()),
        ({"sides_mm": (87.5, 53.98)}, ()),
        ({}, (Ellipse((80.0, 39.0), 16.0, 3.0, 0.0),)),
    ],
    ids=["too high", "too wide", "covered by leaves"],
)
def test_what_looks_like_a_card_but_does_not_measure_is_said(
    card: dict[str, object], things: tuple[object, ...]
) -> None:
    scene = card_scene(things=things, angle_deg=0.0, radius_mm=CORNER_RADIUS_MM, **card)
    assert isinstance(find_card(scene.photo, scene.pose), UnusableCard)
    pose = scaled_by_card(scene.photo, scene.pose)
    assert pose.print_scale == scene.pose.print_scale
    assert any("does not tell the print scale" in words for words in pose.warnings)


def test_the_card_sets_the_scale_and_the_doubt_about_it_goes() -> None:
    scene = card_scene()
    drawn = as_drawn(scene.pose, 0.98)
    pose = scaled_by_card(scene.photo, pose_at_scale(drawn, 1.0, 0.003, "assumed"))
    assert pose.print_scale_source == "card"
    assert pose.print_scale == pytest.approx(0.98, rel=GOAL)
    assert pose.scale_sigma < 0.0015
    assert pose.page_mm[0] == pytest.approx(scene.pose.page_mm[0], rel=GOAL)
    assert NOT_CHECKED not in pose.warnings


@pytest.mark.parametrize(("bar", "is_told"), [(1.0, False), (1.0015, False), (0.99, True)])
def test_a_bar_that_disagrees_with_the_card_is_told(bar: float, is_told: bool) -> None:
    scene = card_scene()
    typed = pose_at_scale(scene.pose, bar, 0.001, BY_BAR)
    pose = scaled_by_card(scene.photo, typed)
    assert pose.print_scale_source == "card"
    assert pose.print_scale == pytest.approx(1.0, rel=GOAL)
    told = [words for words in pose.warnings if "disagree" in words]
    assert bool(told) == is_told
    if told:
        assert "99.00" in told[0] and "--measured" in told[0] and "card's is used" in told[0]


def test_the_middle_of_the_card_is_where_it_lies() -> None:
    scene = card_scene()
    found = find_card(scene.photo, scene.pose)
    assert isinstance(found, Card)
    assert found.corners_mm.mean(axis=0) == pytest.approx(MIDDLE_MM, abs=0.1)
