"""Cut bases on masks and probability maps whose answer is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.outline.ends import LOOK_MM, EndMaps, Ends, _bare_run, _peaks, find_ends, way_between_mm

MM_PER_PX = 0.2
SHAPE = (120, 600)
BAR_X_PX, BAR_Y_PX, HALF_WIDTH_PX = (50, 549), 60, 5
"""A bar of 100 mm, 2.2 mm wide."""
LEFT, RIGHT = (50.0, 60.0), (549.0, 60.0)


def bar() -> np.ndarray:
    mask = np.zeros(SHAPE, bool)
    first, last = BAR_X_PX
    mask[BAR_Y_PX - HALF_WIDTH_PX : BAR_Y_PX + HALF_WIDTH_PX + 1, first : last + 1] = True
    return mask


def spot(at_px: tuple[float, float], value: float) -> np.ndarray:
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    near = np.hypot(columns - at_px[0], rows - at_px[1]) <= 1.0 / MM_PER_PX
    return np.where(near, np.float32(value), np.float32(0))


def maps(base: np.ndarray, bare_px: slice, leafy_px: slice) -> EndMaps:
    """Return maps with these bases and a centre line that is bare and leafy where told."""
    lines = []
    for columns in (bare_px, leafy_px):
        line = np.zeros(SHAPE, np.float32)
        line[BAR_Y_PX - 1 : BAR_Y_PX + 2, columns] = 0.9
        lines.append(line)
    return EndMaps(base, *lines)


def ends_of(mask: np.ndarray, maps: EndMaps) -> Ends | None:
    (ends,) = find_ends([mask], [maps], MM_PER_PX)
    return ends


def test_the_marked_end_of_a_bar_is_its_base() -> None:
    ends = ends_of(bar(), maps(spot(LEFT, 0.8), slice(50, 200), slice(200, 550)))
    assert ends is not None
    (base,) = ends.candidates
    assert base.score == pytest.approx(0.8)
    assert np.hypot(*np.subtract(base.xy_px, LEFT)) < 0.5
    assert base.run_mm == pytest.approx(30.0, abs=1.2)  # (200 - 50) px; the skeleton begins inside the bar
    assert base.half_width_mm == pytest.approx(1.1, abs=0.15)
    assert ends.longest_way_mm == pytest.approx(100.0, abs=2.5)
    assert ends.branching < 1.05


def test_the_base_may_be_at_the_other_end_and_the_run_is_counted_from_it() -> None:
    ends = ends_of(bar(), maps(spot(RIGHT, 0.6), slice(450, 550), slice(50, 450)))
    assert ends is not None
    assert ends.candidates[0].xy_px[0] > 540
    assert ends.candidates[0].run_mm == pytest.approx(20.0, abs=1.2)


def test_two_bases_far_apart_are_both_found_the_likelier_first() -> None:
    base = np.maximum(spot(LEFT, 0.6), spot(RIGHT, 0.9))
    ends = ends_of(bar(), maps(base, slice(50, 550), slice(0, 0)))
    assert ends is not None
    first, second = ends.candidates
    assert (first.score, second.score) == (pytest.approx(0.9), pytest.approx(0.6))
    assert first.xy_px[0] > second.xy_px[0]
    assert way_between_mm(ends, first, second, MM_PER_PX) == pytest.approx(98.0, abs=2.5)


def test_where_no_base_is_likely_there_is_a_skeleton_but_no_candidate() -> None:
    ends = ends_of(bar(), maps(spot(LEFT, 0.1), slice(50, 550), slice(0, 0)))
    assert ends is not None
    assert ends.candidates == ()
    assert ends.longest_way_mm > 95.0


def test_a_base_far_from_the_silhouette_is_another_ones() -> None:
    beside = (300.0, 5.0)  # 11 mm from the bar
    ends = ends_of(bar(), maps(spot(beside, 0.9), slice(50, 550), slice(0, 0)))
    assert ends is not None and ends.candidates == ()


@pytest.mark.parametrize("size_px", [0, 1])
def test_what_has_no_length_has_no_ends(size_px: int) -> None:
    mask = np.zeros(SHAPE, bool)
    mask[60 : 60 + size_px, 60 : 60 + size_px] = True
    assert ends_of(mask, maps(spot(LEFT, 0.9), slice(0, 0), slice(0, 0))) is None


def test_side_shoots_make_the_skeleton_longer_than_the_way_through_it() -> None:
    mask = bar()
    for column in (200, 300, 400):
        mask[BAR_Y_PX : BAR_Y_PX + 50, column - 3 : column + 4] = True
    ends = ends_of(mask, maps(spot(LEFT, 0.9), slice(50, 150), slice(150, 550)))
    assert ends is not None
    # Three shoots of about 9 mm on a way of about 98 mm.
    assert ends.branching == pytest.approx(1.27, abs=0.08)


def test_a_peak_is_the_middle_of_its_place_with_its_largest_probability() -> None:
    base = np.maximum(spot((40.0, 30.0), 0.5), spot((200.0, 80.0), 0.7))
    base[30, 42] = 0.55
    peaks = sorted(_peaks(base))
    assert [score for _, score in peaks] == [pytest.approx(0.55), pytest.approx(0.7)]
    assert np.allclose([xy for xy, _ in peaks], [(40.0, 30.0), (200.0, 80.0)], atol=0.1)


ALONG_MM = np.arange(0.0, LOOK_MM, MM_PER_PX)


@given(change_mm=st.floats(1.0, 55.0), clear=st.floats(0.2, 0.95), seed=st.integers(0, 99))
def test_the_bare_run_ends_where_the_line_turns_leafy(change_mm: float, clear: float, seed: int) -> None:
    noise = np.random.default_rng(seed).uniform(0.0, 0.05, (2, len(ALONG_MM)))
    is_bare = change_mm > ALONG_MM
    bare, leafy = np.where(is_bare, clear, 0.0) + noise[0], np.where(is_bare, 0.0, clear) + noise[1]
    assert abs(_bare_run(bare, leafy, ALONG_MM) - change_mm) <= MM_PER_PX


def test_a_short_doubtful_stretch_does_not_end_the_bare_run() -> None:
    bare = np.where(ALONG_MM < 30.0, 0.9, 0.02)
    leafy = np.where(ALONG_MM < 30.0, 0.02, 0.9)
    stray = (ALONG_MM > 10.0) & (ALONG_MM < 12.0)  # a needle left on the stem
    bare[stray], leafy[stray] = 0.1, 0.7
    assert abs(_bare_run(bare, leafy, ALONG_MM) - 30.0) <= MM_PER_PX


def test_all_bare_and_all_leafy_lines() -> None:
    likely, not_at_all = np.full(len(ALONG_MM), 0.9), np.zeros(len(ALONG_MM))
    assert _bare_run(likely, not_at_all, ALONG_MM) == ALONG_MM[-1]
    assert _bare_run(not_at_all, likely, ALONG_MM) == 0.0
    assert not math.isnan(_bare_run(not_at_all, not_at_all, ALONG_MM))


def test_many_silhouettes_at_once_give_what_each_gives_alone() -> None:
    tall = np.ascontiguousarray(bar().T)
    short = bar()[:, 40:300]
    speck = np.zeros((30, 20), bool)
    masks = [bar(), speck, tall, short]
    base, line = spot(LEFT, 0.8), maps(spot(LEFT, 0.8), slice(50, 200), slice(200, 550))
    turned = EndMaps(*(np.ascontiguousarray(field.T) for field in (base, line.bare_axis, line.leafy_axis)))
    cut = EndMaps(*(field[:, 40:300] for field in (base, line.bare_axis, line.leafy_axis)))
    nothing = EndMaps(*(np.zeros((30, 20), np.float32) for _ in range(3)))
    of_each = [line, nothing, turned, cut]
    together = find_ends(masks, of_each, MM_PER_PX)
    assert together[1] is None
    for ends, mask, of_it in zip(together, masks, of_each, strict=True):
        alone = ends_of(mask, of_it)
        if alone is None:
            assert ends is None
            continue
        assert ends is not None
        assert ends.longest_way_mm == alone.longest_way_mm and ends.branching == alone.branching
        for one, other in zip(ends.candidates, alone.candidates, strict=True):
            assert (one.node, one.xy_px, one.score) == (other.node, other.xy_px, other.score)
            assert (one.run_mm, one.half_width_mm) == (other.run_mm, other.half_width_mm)
    assert len(together[0].candidates) == len(together[2].candidates) == 1  # type: ignore[union-attr]
