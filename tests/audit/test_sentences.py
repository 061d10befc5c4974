"""What is said at the bench: about the step, with numbers that can be counted again."""

from __future__ import annotations

import math

import numpy as np
import pytest

from grader.audit.aims import faults_of
from grader.audit.findings import CutterFound, conclude
from grader.audit.samples import gather, samples_of
from grader.audit.sentences import SINGLE_STEPS, STEPS, sentences
from grader.audit.words import average_verdict
from grader.verdict.targets_file import load_targets, shipped_names
from tests.audit.crews import Habit, World, crew, simulate

TARGETS = load_targets("landscape-juniper")
PERSONAL = ("you ", "your", "bad", "sloppy", "careless", "worse", "worst", "lazy", "poor", "should")


def found(habit: Habit, world: World | None = None, seed: int = 1) -> CutterFound:
    read = simulate(crew(habit), world or World(), np.random.default_rng(seed))
    return conclude(samples_of(gather([read]).shots), TARGETS).cutters["D"]


def test_short_stripping_in_words_that_can_be_counted_again() -> None:
    person = found(Habit(stripped_mm=22.0))
    first = sentences(person)[0]
    assert first.trait == "stripped_length_mm"
    # Counted again from the records: surely short of 25 mm by more than 1.645 standard uncertainties.
    values = [(s.value(first.trait), s.sigma(first.trait)) for s in person.samples]
    short = [25.0 - v for v, sigma in values if 25.0 - v > 1.645 * sigma]
    assert f"{len(short)} of 40 were short of 25 mm, typically by {np.median(short):.0f} mm" in first.text
    more = 28.75 - person.averages[first.trait].spread.mean
    assert first.text.startswith(f"Strip about {more:.0f} mm")
    assert "more" in first.text


def test_there_are_three_and_praise_fills_up() -> None:
    said = sentences(found(Habit(stripped_mm=22.0)))
    assert [sentence.is_praise for sentence in said] == [False, True, True]
    said = sentences(found(Habit()))
    assert len(said) == 3
    assert all(sentence.is_praise for sentence in said)
    said = sentences(found(Habit(stripped_mm=18.0, length_mm=60.0, diameter_mm=1.2)))
    assert [sentence.is_praise for sentence in said] == [False, False, False]


def test_uneven_work_is_called_uneven_and_counted_on_both_sides() -> None:
    person = found(Habit(stripped_sd=10.0), seed=4)
    (text,) = [s.text for s in sentences(person) if s.trait == "stripped_length_mm"]
    values = [(s.value("stripped_length_mm"), s.sigma("stripped_length_mm")) for s in person.samples]
    outside = [max(25.0 - v, v - 40.0) for v, sigma in values if max(25.0 - v, v - 40.0) > 1.645 * sigma]
    assert text.startswith("Make the stripped stem more even: ")
    assert f"{len(outside)} of 40 were outside 25 to 40 mm" in text


def test_nothing_is_said_about_persons() -> None:
    texts = [*STEPS.values(), *SINGLE_STEPS.values()]
    for habit in (Habit(stripped_mm=20.0), Habit(stripped_mm=45.0, length_mm=120.0), Habit(diameter_mm=1.1)):
        texts += [sentence.text for sentence in sentences(found(habit))]
    assert not [text for text in texts for word in PERSONAL if word in text.lower()]


@pytest.mark.parametrize("name", shipped_names())
def test_every_limit_of_every_shipped_set_has_a_step(name: str) -> None:
    assert all((f.rule.trait, f.rule.side) in STEPS for f in faults_of(load_targets(name)))


def test_too_few_says_how_many_more() -> None:
    person = found(Habit(length_sd=15.0, stripped_sd=8.0), World(n_trays=2, per_tray=4))
    told = [average_verdict(a) for a in person.averages.values() if a.verdict == "too few"]
    assert told
    assert all(text.startswith("too few to tell: photograph ") for text in told)


def test_one_tray_each_finds_nothing_about_averages() -> None:
    person = found(Habit(stripped_mm=15.0), World(n_trays=1))
    assert {a.verdict for a in person.averages.values()} == {"too few"}
    assert all(math.isnan(a.p) for a in person.averages.values())
