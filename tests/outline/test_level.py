"""Level lines of pictures whose lines are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.measure import find_contours

from grader.outline.level import level_loops, signed_areas


def loops_of(field: np.ndarray) -> list[np.ndarray]:
    loops = level_loops([field.astype(np.float32)], 0.5)
    return np.split(loops.points, loops.starts[1:]) if len(loops.starts) else []


def smooth_noise(seed: int, side: int = 60) -> np.ndarray:
    """Return smooth hills and valleys, 0 at the rim."""
    rng = np.random.default_rng(seed)
    x = np.arange(side)
    field = np.zeros((side, side))
    for _ in range(25):
        cx, cy, width = rng.uniform(5, side - 5), rng.uniform(5, side - 5), rng.uniform(2, 6)
        field += rng.uniform(-0.5, 1.0) * np.exp(
            -((x[None] - cx) ** 2 + (x[:, None] - cy) ** 2) / (2 * width**2)
        )
    field[[0, -1]] = field[:, [0, -1]] = 0.0
    return field


@given(seed=st.integers(0, 10_000))
def test_the_corners_are_those_of_marching_squares(seed: int) -> None:
    field = smooth_noise(seed)
    ours = np.concatenate([np.zeros((0, 2)), *loops_of(field)])
    theirs = [line[:-1, ::-1] for line in find_contours(field.astype(np.float32), 0.5)]
    theirs = np.concatenate([np.zeros((0, 2)), *(line for line in theirs if len(line) > 16)])
    # Of the other's long loops every corner is ours; short ones are specks, left out here.
    gaps = np.hypot(*(theirs[:, None] - ours[None]).transpose(2, 0, 1)).min(axis=1) if len(theirs) else 0.0
    assert np.max(gaps, initial=0.0) < 1e-4


@given(seed=st.integers(0, 10_000))
def test_each_loop_is_closed_and_goes_from_pixel_to_neighbour(seed: int) -> None:
    for loop in loops_of(smooth_noise(seed)):
        steps = np.hypot(*(np.roll(loop, -1, axis=0) - loop).T)
        assert steps.max() < 1.5


def test_a_ring_has_an_outline_and_a_hole_of_the_other_sign() -> None:
    x = np.arange(80)
    away = np.hypot(x[None] - 40.3, x[:, None] - 39.6)
    field = np.clip(25.5 - away, 0, 1) * np.clip(away - 9.5, 0, 1)
    loops = level_loops([field.astype(np.float32)], 0.5)
    areas = sorted(signed_areas(loops.points, loops.starts), key=abs)
    assert len(areas) == 2
    assert abs(areas[1]) == pytest.approx(np.pi * 25**2, rel=0.005)
    assert abs(areas[0]) == pytest.approx(np.pi * 10**2, rel=0.01)
    assert areas[0] * areas[1] < 0


def test_a_line_one_pixel_wide_is_gone_round_once() -> None:
    field = np.zeros((20, 30))
    field[10, 5:25] = 1.0
    (loop,) = loops_of(field)
    assert len(loop) == 2 * 20 + 2
    loops = level_loops([field.astype(np.float32)], 0.5)
    # A rectangle of 20 x 1 whose four corners are cut off half a pixel each way.
    assert abs(signed_areas(loops.points, loops.starts)[0]) == pytest.approx(20 * 1 - 4 * 0.125)


def test_what_touches_by_a_corner_is_joined_and_nothing_gives_no_line() -> None:
    field = np.zeros((20, 20))
    field[4:9, 4:9] = field[9:14, 9:14] = 1.0
    assert len(loops_of(field)) == 1
    assert loops_of(np.zeros((9, 9))) == []


def test_pictures_of_different_widths_give_together_what_each_gives_alone() -> None:
    fields = [smooth_noise(1), np.zeros((9, 9)), smooth_noise(2, side=45)[:, 1:], smooth_noise(3)]
    fields[2][:, 0] = 0.0
    together = level_loops([field.astype(np.float32) for field in fields], 0.5)
    lines = np.split(together.points, together.starts[1:])
    for number, field in enumerate(fields):
        mine = [line for line, of_it in zip(lines, together.picture, strict=True) if of_it == number]
        alone = loops_of(field)
        assert len(mine) == len(alone) > 0 or number == 1
        assert all(np.array_equal(one, other) for one, other in zip(mine, alone, strict=True))
