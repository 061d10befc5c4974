"""Say in plain words what the record teaches."""

from __future__ import annotations

import math
from collections.abc import Sequence

from grader.record.learn.curve import LEAST_UNITS_CURVED
from grader.record.learn.groups import DonorTold, Interval, Table
from grader.record.learn.shares import Difference, Share
from grader.record.learn.suggest import Lesson, Suggestion
from grader.record.learn.trial import DIFFERENCE, POWER, Trial
from grader.record.learn.units import Unit
from grader.traits.catalogue import TRAITS

SIZE_TABLES = ("size_group", "base_diameter_mm", "total_length_mm", "grade")
"""Tables told in the first words: the first one with at least two groups."""


def percent(share: Share) -> str:
    """Return a share with its interval, such as "82 % (74–88)"."""
    return f"{100 * share.value:.0f} % ({100 * share.low:.0f}–{100 * share.high:.0f})"


def points(difference: Difference | None) -> str:
    """Return a difference in points, such as "+12 (+3 to +21)"; "" without one."""
    if difference is None:
        return ""
    value, low, high = (100 * part for part in (difference.value, difference.low, difference.high))
    # A true minus sign: a hyphen is lost beside a bracket.
    return f"{value:+.0f} ({low:+.0f} to {high:+.0f})".replace("-", "−")


def interval(told: Interval | None, decimals: int = 0) -> str:
    """Return a mean with its interval; an open end is "?", for it is not known."""
    if told is None or told.n == 0 or not math.isfinite(told.value):
        return "–"
    if math.isnan(told.low):
        return f"{told.value:.{decimals}f} (1 container)"
    high = f"{told.high:.{decimals}f}" if math.isfinite(told.high) else "?"
    return f"{told.value:.{decimals}f} ({told.low:.{decimals}f}–{high})"


def containers(n: int) -> str:
    """Return a number of containers in words."""
    return f"{n} container" if n == 1 else f"{n} containers"


def sentences(
    units: Sequence[Unit],
    share: Share,
    tables: Sequence[Table],
    taught: Sequence[Lesson],
    donors: Sequence[DonorTold],
    trial: Trial | None,
) -> tuple[str, ...]:
    """Return the report in plain words, the most important first."""
    n = len(units)
    said = [f"{share.n_rooted} of {share.n_stuck} cuttings rooted: {percent(share)}, in {containers(n)}."]
    table = next((t for name in SIZE_TABLES for t in tables if t.factor == name and len(t.groups) > 1), None)
    if table:
        parts = [f"{group.name} took in {percent(group.share)}" for group in table.groups]
        said.append(f"By {table.words}: {'; '.join(parts)}.")
    if n < LEAST_UNITS_CURVED:
        said.append(f"{containers(n)} so far: too few to change a target.")
    suggestions = [lesson.suggestion for lesson in taught if lesson.suggestion]
    said += [suggestion_words(suggestion) for suggestion in suggestions]
    if n >= LEAST_UNITS_CURVED and not suggestions:
        said.append("The record does not carry a change of targets yet.")
    said += [
        f"{TRAITS[lesson.trait].words.capitalize()}: {lesson.why_not}."
        for lesson in taught
        if lesson.makes_no_difference
    ]
    said += [donor_words(donor) for donor in donors if _stands_out(donor)]
    if trial:
        said.append(trial_words(trial))
    return tuple(said)


def suggestion_words(suggestion: Suggestion) -> str:
    """Return a suggestion as a sentence."""
    gain, low, high = (100 * part for part in (suggestion.gain, suggestion.gain_low, suggestion.gain_high))
    return (
        f"Suggested target: {range_words(suggestion)}. Sticking only such cuttings would raise the take by "
        f"about {gain:.0f} points ({low:.0f} to {high:.0f}); {100 * suggestion.kept:.0f} % of today's "
        "cuttings are such. "
        f"It rests on {containers(suggestion.n_units)} with {suggestion.n_stuck} cuttings."
    )


def range_words(suggestion: Suggestion) -> str:
    """Return the range of sizes in words."""
    known = TRAITS[suggestion.trait]
    if math.isnan(suggestion.low):
        return f"{known.words} up to {_size(suggestion.trait, suggestion.high)}"
    if math.isnan(suggestion.high):
        return f"{known.words} of {_size(suggestion.trait, suggestion.low)} or more"
    low, high = (_size(suggestion.trait, end) for end in (suggestion.low, suggestion.high))
    return f"{known.words} of {low} to {high}"


def _size(trait: str, value: float) -> str:
    """Return a size in its unit and in inches."""
    known = TRAITS[trait]
    other = f" ({value / known.mm_per_other:.2g} {known.other_unit})" if known.mm_per_other else ""
    return f"{value:g} {known.unit}{other}"


def lesson_words(lesson: Lesson) -> str:
    """Return what one measurement taught, as a sentence."""
    if lesson.suggestion:
        return suggestion_words(lesson.suggestion)
    return f"No target is suggested: {lesson.why_not}."


def trial_words(trial: Trial) -> str:
    """Return what to stick next, as sentences."""
    return (
        f"What to stick next to find out: A = {trial.groups[0]}, B = {trial.groups[1]}: "
        f"{containers(trial.containers)} of {trial.per_container} cuttings each, from the same plants on the "
        "same day, side by side in the order that the lot gave. A difference of "
        f"{100 * DIFFERENCE:.0f} points of take would then be found in {100 * POWER:.0f} of 100 cases "
        f"(likeness of cuttings in one container taken as {trial.likeness:.2f})."
    )


def donor_words(donor: DonorTold) -> str:
    """Return how a donor plant stands out, as a sentence."""
    better = "better" if donor.from_rest and donor.from_rest.value > 0 else "worse"
    return (
        f"Donor {donor.name} took {better} than the others: {percent(donor.share)}, "
        f"{points(donor.from_rest)} points."
    )


def _stands_out(donor: DonorTold) -> bool:
    rest = donor.from_rest
    # With one container, a bad bench looks like a bad plant.
    return rest is not None and donor.share.n_units > 1 and not rest.low <= 0.0 <= rest.high
