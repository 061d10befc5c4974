"""Smoothing: noise goes, bends stay, crooks are measured as what they are."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.shape.axis import AxisSettings, RoughAxes, StemAxis, cheapest_lines, stem_axes
from grader.shape.curves import arc_of, fitted, normals_of, quantile
from grader.shape.lines import Lines
from grader.shape.sheet import Sheet
from grader.traits.measure import crook
from tests.shape.probabilities import blank, draw_line, fields_of
from tests.synthetic_records import straight_shape

SIGMA_MM = 0.15
STIFFNESS_MM3 = AxisSettings().stiffness_mm3


def crook_deg(line_mm: np.ndarray) -> float:
    """Return the crook that is measured on an axis."""
    arc = arc_of(line_mm)
    filled = np.full(len(arc), 0.1)
    shape = replace(straight_shape(), axis_mm=line_mm, arc_mm=arc, axis_sigma_mm=filled)
    return crook(shape)[0].value


def bent(bend_deg: float, bend_at_mm: float = 45.0, length_mm: float = 100.0) -> np.ndarray:
    shape = straight_shape(length_mm, bend_at_mm=bend_at_mm, bend_deg=bend_deg, base_mm=(10.0, 10.0))
    return shape.axis_mm


@pytest.mark.parametrize("seed", range(5))
def test_a_straight_line_with_noise_becomes_straight(seed: int) -> None:
    line = bent(0.0)
    noisy = line + np.random.default_rng(seed).normal(0.0, SIGMA_MM, line.shape)
    curve = fitted([(noisy, np.full(len(line), SIGMA_MM))], 0.5, STIFFNESS_MM3)[0]
    away = np.abs(curve[:, 1] - 10.0)
    assert away.max() < 2 * SIGMA_MM
    assert np.sqrt((away**2).mean()) < 0.6 * SIGMA_MM
    assert crook_deg(curve) < 4.0


def test_a_straight_line_without_noise_is_left_alone() -> None:
    line = bent(0.0)
    assert np.allclose(fitted([(line, np.full(len(line), SIGMA_MM))], 0.5, STIFFNESS_MM3)[0], line, atol=1e-9)


def rounded(bend_deg: float, bend_at_mm: float, radius_mm: float) -> np.ndarray:
    """Return a line of 100 mm whose bend is an arc, as that of a twig is."""
    arc, turn = np.arange(0.0, 100.1, 0.5), np.radians(bend_deg)
    bend_mm = max(radius_mm * turn, 1e-9)
    heading = np.clip((arc - (bend_at_mm - bend_mm / 2)) / bend_mm, 0.0, 1.0) * turn
    middle = (heading[1:] + heading[:-1]) / 2
    steps = 0.5 * np.stack([np.cos(middle), np.sin(middle)], axis=1)
    return np.vstack([np.zeros((1, 2)), np.cumsum(steps, axis=0)]) + 10.0


@given(
    bend_deg=st.floats(10.0, 70.0),
    bend_at_mm=st.floats(30.0, 60.0),
    radius_mm=st.floats(4.0, 15.0),
    sigma_mm=st.floats(0.05, 0.2),
)
@settings(max_examples=25, deadline=None)
def test_a_crook_keeps_its_angle(
    bend_deg: float, bend_at_mm: float, radius_mm: float, sigma_mm: float
) -> None:
    line = rounded(bend_deg, bend_at_mm, radius_mm)
    curve = fitted([(line, np.full(len(line), sigma_mm))], 0.5, STIFFNESS_MM3)[0]
    assert abs(crook_deg(curve) - crook_deg(line)) < 3.0


@pytest.mark.parametrize("bend_deg", [10.0, 20.0, 30.0, 45.0, 70.0])
def test_a_corner_without_any_radius_reads_a_little_small_and_never_large(bend_deg: float) -> None:
    """The known price of smoothing: 1.4 degrees at 10, 3.6 at 45, 4.4 at 70."""
    line = bent(bend_deg)
    lost_deg = bend_deg - crook_deg(fitted([(line, np.full(len(line), SIGMA_MM))], 0.5, STIFFNESS_MM3)[0])
    assert 0.0 < lost_deg < (3.0 if bend_deg <= 30.0 else 5.0)


def test_uncertain_points_pull_less() -> None:
    line = bent(0.0)
    sigma = np.full(len(line), 0.1)
    line[95:106, 1] += 1.5
    pulled = fitted([(line, sigma)], 0.5, STIFFNESS_MM3)[0][:, 1].max() - 10.0
    sigma[95:106] = 1.0
    assert fitted([(line, sigma)], 0.5, STIFFNESS_MM3)[0][:, 1].max() - 10.0 < 0.2 * pulled


@pytest.mark.parametrize("n", [2, 3])
def test_very_short_curves_stay_as_they_are(n: int) -> None:
    line = np.stack([np.arange(n) * 0.5, np.zeros(n)], axis=1)
    assert np.allclose(fitted([(line, np.full(n, 0.1))], 0.5, STIFFNESS_MM3)[0], line)


def test_resampling_keeps_ends_and_steps_evenly() -> None:
    even = Lines.of([np.array([(0.0, 0.0), (3.0, 4.0), (3.0, 5.05)])]).resampled(0.5).points_mm
    steps = np.hypot(*np.diff(even, axis=0).T)
    assert np.allclose(even[[0, -1]], [(0.0, 0.0), (3.0, 5.05)])
    assert np.allclose(steps, 0.5, atol=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_lines_in_a_row_are_what_each_is_alone(seed: int) -> None:
    rng = np.random.default_rng(seed)
    parts = [np.cumsum(rng.normal(0.3, 0.4, (n, 2)), axis=0) for n in (40, 2, 7, 300, 3)]
    row = Lines.of(parts)
    smooth, even = row.smoothed(1.0, 0.25).parts(), row.resampled(0.4).parts()
    for k, part in enumerate(parts):
        assert np.allclose(row.split(row.arc_mm)[k], arc_of(part))
        assert np.allclose(row.split(row.normals())[k], normals_of(part))
        assert np.allclose(even[k], Lines.of([part]).resampled(0.4).points_mm)
        assert np.allclose(smooth[k], Lines.of([part]).smoothed(1.0, 0.25).points_mm)
        ends = row.at(np.array([0.0, 1e9]), np.array([k, k]))
        assert np.allclose(ends, part[[0, -1]])


def test_smoothing_takes_wiggles_out_and_keeps_the_ends() -> None:
    along = np.arange(0.0, 81.1, 0.25)  # whole waves
    wiggly = np.stack([along, 0.5 * np.sin(along * 2 * np.pi / 3.0)], axis=1)
    soft = Lines.of([wiggly]).smoothed(2.0, 0.25).points_mm
    assert np.allclose(soft[[0, -1]], wiggly[[0, -1]], atol=1e-6)
    assert np.abs(soft[8:-8, 1]).max() < 0.06


@given(values=st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=30), share=st.floats(0.0, 1.0))
def test_quantiles_are_those_of_numpy(values: list[float], share: float) -> None:
    assert quantile(np.array(values), share) == pytest.approx(float(np.quantile(values, share)), abs=1e-9)


def test_normals_are_the_direction_turned_from_x_towards_y() -> None:
    assert np.allclose(normals_of(np.array([(0.0, 0.0), (1.0, 0.0), (2.0, 0.0)])), [(0.0, 1.0)] * 3)


def axis_of(cover: np.ndarray, leafy: np.ndarray, trail: np.ndarray, way: np.ndarray) -> StemAxis:
    sheet = Sheet.of([fields_of(cover, leafy_axis=leafy)])
    return stem_axes(sheet, RoughAxes([trail], [way], np.array([0])), AxisSettings())[0]


@pytest.mark.parametrize("bend_deg", [0.0, 15.0, 45.0, 70.0])
def test_the_axis_of_a_crooked_line_keeps_the_crook(bend_deg: float) -> None:
    line = rounded(bend_deg, 45.0, 5.0)
    cover, leafy = blank(100.0, 120.0), blank(100.0, 120.0)
    draw_line(cover, line, 1.0)
    draw_line(leafy, line, 0.9)
    # The rough way runs on pixels of 0.2 mm.
    way = np.round(line / 0.2) * 0.2
    axis = axis_of(cover, leafy, line[:31], way)
    assert abs(crook_deg(axis.line_mm) - crook_deg(line)) < 3.0
    assert abs(arc_of(axis.line_mm)[-1] - 100.0) < 0.5


def test_the_axis_moves_from_a_rough_way_to_the_line() -> None:
    line = bent(0.0)
    cover, leafy = blank(), blank()
    cover[60:140] = 1.0
    draw_line(leafy, line, 0.9)
    way = line + np.stack([np.zeros(len(line)), 1.2 * np.sin(np.pi * arc_of(line) / 100.0)], axis=1)
    axis = axis_of(cover, leafy, line[:31], way)
    assert np.abs(axis.line_mm[:, 1] - 10.0).max() < 0.2


@pytest.mark.parametrize("seed", range(3))
def test_curves_fitted_together_are_those_fitted_alone(seed: int) -> None:
    rng = np.random.default_rng(seed)
    curves = []
    for n, bend_deg in ((201, 40.0), (2, 0.0), (3, 0.0), (31, 20.0), (4, 0.0), (120, 0.0)):
        line = bent(bend_deg)[:n]
        curves.append((line + rng.normal(0.0, 0.05, line.shape), rng.uniform(0.05, 0.3, n)))
    together = fitted(curves, 0.5, STIFFNESS_MM3)
    for curve, one in zip(curves, together, strict=True):
        assert np.allclose(one, fitted([curve], 0.5, STIFFNESS_MM3)[0], atol=1e-6)
    assert fitted([], 0.5, STIFFNESS_MM3) == []


def test_positions_that_are_not_finite_are_refused() -> None:
    for sigma_mm in (np.nan, 0.0):
        sigma = np.full(201, 0.1)
        sigma[5] = sigma_mm
        with (
            np.errstate(divide="ignore", invalid="ignore"),
            pytest.raises(ValueError, match="must be finite"),
        ):
            fitted([(bent(0.0), sigma)], 0.5, STIFFNESS_MM3)


SMALL_STRIP = AxisSettings(reach_mm=0.6)
SMALL_ACROSS = np.arange(-0.6, 0.601, 0.1)


@pytest.mark.parametrize("seed", range(4))
def test_the_cheapest_line_costs_no_more_than_any_other(seed: int) -> None:
    """Against all lines of four places at each of seven offsets, one by one."""
    cost = np.random.default_rng(seed).uniform(0.0, 4.0, (8, 13)).astype(np.float32)
    found = cheapest_lines([cost], [np.zeros(0)], SMALL_ACROSS, SMALL_STRIP)[0]
    pairs, offsets = cost[::2, ::2] + cost[1::2, ::2], SMALL_ACROSS[::2]

    def price(places: tuple[int, ...]) -> float:
        slopes = np.diff(offsets[list(places)])  # over 1 mm each
        return float(sum(pairs[k, place] for k, place in enumerate(places))) + float(
            SMALL_STRIP.slope_cost * (slopes**2).sum()
        )

    least = min(itertools.product(range(7), repeat=4), key=price)
    assert np.allclose(found, np.interp(np.arange(8), 2 * np.arange(4) + 0.5, offsets[list(least)]))


def test_lines_of_several_strips_are_those_of_each_alone() -> None:
    rng = np.random.default_rng(1)
    costs = [rng.uniform(0.0, 3.0, (n, 13)).astype(np.float32) for n in (40, 9, 120, 2)]
    known = [np.full(11, 0.3), np.zeros(0), np.linspace(-0.4, 0.5, 30), np.zeros(1)]
    together = cheapest_lines(costs, known, SMALL_ACROSS, SMALL_STRIP)
    for cost, values, one in zip(costs, known, together, strict=True):
        alone = cheapest_lines([cost], [values], SMALL_ACROSS, SMALL_STRIP)[0]
        assert len(one) == len(cost) and np.allclose(one, alone)
