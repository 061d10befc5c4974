"""Averages by tray against the textbook, and whether their intervals hold the truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from grader.audit.clusters import likeness, spread
from grader.audit.enough import n_more


def trays(
    random: np.random.Generator, sizes: list[int], between: float, within: float = 3.0
) -> list[np.ndarray]:
    return [random.normal(random.normal(30.0, between), within, size) for size in sizes]


def test_equal_trays_of_one_cutter_are_the_t_test_on_tray_averages() -> None:
    own = trays(np.random.default_rng(1), [6] * 8, 2.0)
    found = spread(own, likeness({"A": own}))
    means = np.array([tray.mean() for tray in own])
    assert found.mean == pytest.approx(means.mean())
    assert found.se == pytest.approx(stats.sem(means))
    # The own spread within trays is estimated too; that costs a little.
    assert 0.8 * 7 < found.df < 7


@pytest.mark.parametrize(
    "between, sizes", [(0.0, [8] * 5), (1.0, [8] * 5), (3.0, [2, 9, 5, 8, 3, 12]), (1.0, [8, 8])]
)
def test_intervals_hold_the_truth(between: float, sizes: list[int]) -> None:
    random = np.random.default_rng(7)
    held = n = 0
    for _ in range(300):
        crew = {
            name: trays(random, sizes, between, within)
            for name, within in (("A", 2.0), ("B", 3.0), ("C", 5.0))
        }
        shared = likeness(crew)
        for own in crew.values():
            low, high = spread(own, shared).interval()
            held += low <= 30.0 <= high
            n += 1
    # 95 % meant; standard error of the count about 0.8 %.
    assert 0.925 <= held / n <= 0.99


def test_trays_taken_as_independent_would_be_wrong() -> None:
    """With trays unlike each other the ordinary interval holds the truth far too seldom: why trays count."""
    random = np.random.default_rng(3)
    held = 0
    for _ in range(300):
        values = np.concatenate(trays(random, [8] * 5, 3.0))
        low, high = stats.t.interval(0.95, len(values) - 1, values.mean(), stats.sem(values))
        held += low <= 30.0 <= high
    assert held / 300 < 0.75


def test_likeness_is_found_again() -> None:
    own = trays(np.random.default_rng(5), [10] * 400, 3.0)
    assert likeness({"A": own}).icc == pytest.approx(0.5, abs=0.05)
    assert likeness({"A": own}).within_sd == pytest.approx(3.0, abs=0.1)


def test_one_tray_cannot_be_told_from_its_cutter() -> None:
    own = trays(np.random.default_rng(6), [12], 1.0)
    found = spread(own, likeness({"A": own}))
    assert math.isnan(found.se)
    assert all(math.isnan(limit) for limit in found.interval())
    assert n_more(found, 1.5) == 40


def test_nothing_measured() -> None:
    found = spread([], likeness({"A": []}))
    assert found.n == 0
    assert math.isnan(found.mean)


def test_interval_of_a_spread_is_that_of_the_chi_square() -> None:
    own = [np.random.default_rng(4).normal(0.0, 3.0, 30)]
    found = spread(own, likeness({"A": own}))
    low, high = found.sd_interval()
    # NIST/SEMATECH e-Handbook 7.2.3: (N - 1) s^2 over chi-square at both tails.
    df, square = 29, found.sd**2
    assert low**2 == pytest.approx(df * square / stats.chi2.ppf(0.975, df))
    assert high**2 == pytest.approx(df * square / stats.chi2.ppf(0.025, df))


def test_enough_and_not_enough() -> None:
    random = np.random.default_rng(2)
    few, many = trays(random, [8] * 3, 1.0), trays(random, [8] * 60, 1.0)
    assert n_more(spread(many, likeness({"A": many})), 1.5) == 0
    more = n_more(spread(few, likeness({"A": few})), 1.5)
    assert more > 0
    assert more % 10 == 0
