"""Pens and labels are told from plants, from paper and from its shadows; ambient colours are found again."""

from __future__ import annotations

import numpy as np
import pytest

from grader.outline.cells import light_of_cells
from grader.outline.foreign import ForeignSettings, foreign_things
from grader.outline.plant import MAP_SHRINK
from grader.outline.shadow import ShadowColour, ShadowSettings, find_shadow_colour, log_colour, shaded_paper
from grader.records import FlatView
from tests.flat_views import linear_of_view, view_of_light

SHAPE = (600, 900)
CELLS = (SHAPE[0] // MAP_SHRINK, SHAPE[1] // MAP_SHRINK)
NO_PLANT, ALL_LAY = np.zeros(CELLS, np.uint8), np.ones(CELLS, bool)
SETTINGS, SHADOWS = ForeignSettings(), ShadowSettings()
BLUE_PEN, LEAF = (0.05, 0.08, 0.35), (0.10, 0.20, 0.06)


def shaded(level: np.ndarray, ambient: ShadowColour) -> np.ndarray:
    """Return white paper (H, W, 3) fully lit where ``level`` is 1, by ambient light alone where it is 0."""
    red = np.exp(SHADOWS.daylight_slope * ambient.blueness + ambient.tint)
    colour = np.array([red, 1.0, np.exp(ambient.blueness)])
    colour *= np.exp(ambient.depth) / colour.mean()
    return level[..., None] + (1 - level[..., None]) * colour


def view_of(linear: np.ndarray, seed: int = 0) -> FlatView:
    noise = np.random.default_rng(seed).normal(1, 0.01, linear.shape)
    return view_of_light(np.clip(linear * noise, 0, 1))


def things(view: FlatView, plant: np.ndarray, lay: np.ndarray) -> list:
    return foreign_things(view, light_of_cells(view), plant, lay, SETTINGS)


def soft_shadow() -> np.ndarray:
    """Return a level (H, W) that falls over a third of the picture."""
    columns = np.arange(SHAPE[1])[None, :] * np.ones((SHAPE[0], 1))
    return np.clip((columns - 150) / 300, 0, 1)


@pytest.mark.parametrize(
    "ambient", [ShadowColour(0.5, 0.0, -1.7), ShadowColour(-0.15, -0.1, -1.7), ShadowColour(0.2, 0.0, -2.0)]
)
def test_the_colour_of_shaded_paper_is_found_again(ambient: ShadowColour) -> None:
    small = linear_of_view(view_of(shaded(soft_shadow(), ambient)))[::4, ::4]
    found = find_shadow_colour(small, SHADOWS)
    brightness = np.linspace(-1.5, -0.2, 30).astype(np.float32)
    for one, other in zip(
        shaded_paper(brightness, found, SHADOWS), shaded_paper(brightness, ambient, SHADOWS), strict=True
    ):
        assert abs(one - other).max() < SHADOWS.red_tolerance


def test_the_formula_gives_the_colour_of_mixed_light() -> None:
    ambient = ShadowColour(0.4, -0.05, -1.7)
    level = np.linspace(0.05, 1, 40)[None, :]
    brightness, red, blue = log_colour(shaded(level, ambient).astype(np.float32))
    on_red, on_blue = shaded_paper(brightness, ambient, SHADOWS)
    assert np.allclose(red, on_red, atol=1e-4)
    assert np.allclose(blue, on_blue, atol=1e-4)


def test_shadows_alone_are_nothing_foreign() -> None:
    for blueness in (-0.2, 0.0, 0.5):
        view = view_of(shaded(soft_shadow(), ShadowColour(blueness, 0.0, -1.7)))
        assert things(view, NO_PLANT, ALL_LAY) == []


def test_a_pen_is_found_whole_in_light_and_shade_and_a_plant_is_left_alone() -> None:
    linear = shaded(soft_shadow(), ShadowColour(0.3, 0.0, -1.7))
    linear[100:180, 100:800] *= BLUE_PEN  # 8 x 70 mm, half of it in the shade
    linear[300:340, 100:800] *= LEAF
    plant = NO_PLANT.copy()
    plant[150:170, 50:400] = 1
    found = things(view_of(linear), plant, ALL_LAY)
    assert len(found) == 1
    (x, y), mask = found[0]
    whole = np.zeros(CELLS, bool)
    whole[y : y + mask.shape[0], x : x + mask.shape[1]] = mask
    true = np.zeros(CELLS, bool)
    true[50:90, 50:400] = True
    assert (whole & true).sum() / (whole | true).sum() > 0.95


def test_what_is_small_is_not_mentioned() -> None:
    linear = np.ones((*SHAPE, 3))
    linear[100:170, 100:170] *= BLUE_PEN  # 49 mm2
    assert things(view_of(linear), NO_PLANT, ALL_LAY) == []


def test_beyond_the_lay_area_nothing_is_looked_for() -> None:
    linear = np.ones((*SHAPE, 3))
    linear[100:300, 100:300] *= BLUE_PEN
    view = view_of(linear)
    lay = ALL_LAY.copy()
    lay[45:155, 45:155] = False
    assert len(things(view, NO_PLANT, ALL_LAY)) == 1
    assert things(view, NO_PLANT, lay) == []
