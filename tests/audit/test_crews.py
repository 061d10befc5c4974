"""A short version of the table of simulated crews; the whole one: ``python -m tests.audit.crews``."""

from __future__ import annotations

import numpy as np
import pytest

from grader.audit.mats import doubtful_mats
from grader.audit.samples import gather, samples_of
from grader.verdict.targets_file import load_targets
from tests.audit.crews import CREW, Habit, Scenario, World, crew, scenarios, simulate, tally

TARGETS = load_targets("landscape-juniper")
SCENARIOS = {scenario.words: scenario for scenario in scenarios()}


def named(words: str) -> Scenario:
    return next(scenario for name, scenario in SCENARIOS.items() if name.startswith(words))


def test_honest_people_are_left_alone() -> None:
    got = [tally(named(words), TARGETS, 25, 1) for words in ("honest crew", "honest, all at the edge")]
    assert sum(result.n_blamed for result in got) <= 2  # at most 5 % of 50


def test_three_millimetres_are_found() -> None:
    got = tally(named("D strips 3 mm"), TARGETS, 30, 2)
    assert got.n_found >= 27
    assert got.n_blamed <= 1


def test_a_print_at_the_wrong_scale_is_blamed_on_the_print() -> None:
    got = tally(named("print B reads 6 % small, only D"), TARGETS, 25, 3)
    assert got.n_mat >= 20
    assert got.n_blamed <= 1


def test_a_habit_is_not_blamed_on_the_print() -> None:
    world = World(mats={"D": ("print B",)})
    random, n_doubts = np.random.default_rng(6), 0
    for _ in range(20):
        read = simulate(crew(Habit(stripped_mm=25.75)), world, random)
        n_doubts += bool(doubtful_mats(samples_of(gather([read]).shots)))
    assert n_doubts <= 2


def test_the_factor_of_a_print_is_found() -> None:
    mats = dict.fromkeys(CREW, ("print A", "print A", "print B"))
    world = World(n_trays=9, scales={"print B": 0.95}, mats=mats)
    random, held, missed = np.random.default_rng(5), 0, 0
    for _ in range(20):
        doubts = doubtful_mats(samples_of(gather([simulate(crew(), world, random)]).shots))
        if not doubts:
            missed += 1
            continue
        (doubt,) = doubts
        assert "print B" in doubt.mats
        assert doubt.is_same_people
        low, high = sorted((doubt.low, doubt.high))
        held += low <= (0.95 if doubt.mats[0] == "print B" else 1 / 0.95) <= high
    assert missed <= 2
    assert held >= 17 - missed  # 95 % intervals


@pytest.mark.slow
@pytest.mark.parametrize("words", [words for words in SCENARIOS if words.startswith("honest")])
def test_honest_crews_at_length(words: str) -> None:
    got = tally(SCENARIOS[words], TARGETS, 300, 11)
    # 5 % of 300 are 15; 22 is 2 standard errors above.
    assert got.n_blamed <= 22


@pytest.mark.slow
def test_three_millimetres_at_length() -> None:
    assert tally(named("D strips 3 mm"), TARGETS, 300, 12).n_found >= 270
