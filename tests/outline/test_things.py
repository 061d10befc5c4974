"""What lies on the paper and is no plant is listed too, whole, with its outline."""

from __future__ import annotations

import numpy as np
import pytest

from grader.outline import separate
from grader.outline.plant import MAP_SHRINK, PlantMaps
from grader.records import SilhouetteKind
from tests.flat_views import view_of_light

SHAPE = (400, 900)
BLUE_PEN = (0.05, 0.08, 0.35)
PEN_PX = (slice(101, 183), slice(90, 811))
"""82 x 721 pixels of 0.1 mm; its edges lie between cells and within them."""


@pytest.mark.parametrize("n_plant_px", [0, 40])
def test_a_pen_of_which_no_plant_is_seen_is_listed_with_its_outline(
    monkeypatch: pytest.MonkeyPatch, n_plant_px: int
) -> None:
    linear = np.ones((*SHAPE, 3))
    linear[PEN_PX] *= BLUE_PEN
    zero = np.zeros((SHAPE[0] // MAP_SHRINK, SHAPE[1] // MAP_SHRINK), np.float32)
    plant = zero.copy()
    plant[60:80, 100 : 100 + n_plant_px // MAP_SHRINK] = 0.9  # the network errs about a part of it
    monkeypatch.setattr(separate, "plant_maps", lambda _: PlantMaps(plant, zero, zero, zero, zero, zero))
    (pen,) = separate.find_silhouettes(view_of_light(linear), None)  # type: ignore[arg-type]  # of no use here
    assert pen.kind is SilhouetteKind.OBJECT
    assert pen.area_mm2 == pytest.approx(8.2 * 72.1, rel=0.03)
    low, high = pen.outline_mm.min(axis=0), pen.outline_mm.max(axis=0)
    assert np.allclose(low, (8.95, 10.05), atol=0.15) and np.allclose(high, (81.05, 18.25), atol=0.15)


@pytest.mark.parametrize(("foliage", "kind"), [(0.9, SilhouetteKind.CUTTING), (0.0, SilhouetteKind.OBJECT)])
def test_a_small_straight_thing_is_told_by_its_foliage_and_never_left_out(
    monkeypatch: pytest.MonkeyPatch, foliage: float, kind: SilhouetteKind
) -> None:
    """26 x 1.6 mm without a side shoot: a miniature with its needles pressed on, or a bare stick."""
    linear = np.ones((*SHAPE, 3))
    linear[200:216, 300:560] *= (0.1, 0.16, 0.08)
    zero = np.zeros((SHAPE[0] // MAP_SHRINK, SHAPE[1] // MAP_SHRINK), np.float32)
    plant, leaves, axis, base = (zero.copy() for _ in range(4))
    plant[100:108, 150:280] = 0.95
    leaves[100:108, 190:280] = foliage
    axis[103:105, 150:190] = 0.9
    base[102:106, 150:154] = 0.9
    monkeypatch.setattr(separate, "plant_maps", lambda _: PlantMaps(plant, leaves, axis, zero, base, zero))
    (thing,) = separate.find_silhouettes(view_of_light(linear), None)  # type: ignore[arg-type]  # of no use here
    assert thing.kind is kind
    assert thing.area_mm2 == pytest.approx(26 * 1.6, rel=0.03)
