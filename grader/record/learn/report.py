"""Everything the record teaches, put together: one chapter a species."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from grader.record.learn import words
from grader.record.learn.curve import usable
from grader.record.learn.groups import DonorTold, Table, donors_of, tables_of
from grader.record.learn.shares import Share, Spread, share_of, spread_inside
from grader.record.learn.suggest import TRAITS_TRIED, Lesson, Suggestion, lessons
from grader.record.learn.trial import Trial, plan_trial
from grader.record.learn.units import MIXED, NotYet, Unit
from grader.traits.catalogue import TRAITS

UNKNOWN_SPECIES = "species not told"


@dataclass(frozen=True, slots=True, eq=False)
class Chapter:
    """What the containers of one species teach."""

    species: str
    units: tuple[Unit, ...]
    share: Share
    spread: Spread
    """Of containers under the same conditions."""
    tables: tuple[Table, ...]
    lessons: tuple[Lesson, ...]
    donors: tuple[DonorTold, ...]
    trial: Trial | None
    """What to stick next; None where a target can be suggested."""
    sentences: tuple[str, ...]
    """The whole in plain words, the most important first."""

    @property
    def suggestions(self) -> tuple[Suggestion, ...]:
        """All suggested targets."""
        return tuple(lesson.suggestion for lesson in self.lessons if lesson.suggestion)


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """The whole report."""

    chapters: tuple[Chapter, ...]
    waiting: tuple[NotYet, ...]
    n_mixed: int
    """Containers in which species were mixed."""


def report_of(units: Sequence[Unit], waiting: Sequence[NotYet], seed: int) -> Report:
    """Return the report; ``seed`` sets the order of the containers in a suggested comparison."""
    by_species: dict[str, list[Unit]] = {}
    for unit in units:
        if unit.species != MIXED:
            by_species.setdefault(unit.species or UNKNOWN_SPECIES, []).append(unit)
    n_mixed = sum(unit.species == MIXED for unit in units)
    chapters = tuple(_chapter(name, tuple(group), seed) for name, group in sorted(by_species.items()))
    return Report(chapters, tuple(waiting), n_mixed)


def _chapter(species: str, units: tuple[Unit, ...], seed: int) -> Chapter:
    alike: dict[tuple[str, ...], list[Unit]] = {}
    for unit in units:
        alike.setdefault((*unit.conditions, unit.factors["size_group"], unit.factors["grade"]), []).append(
            unit
        )
    spread = spread_inside(list(alike.values()))
    share = share_of(units, spread_inside([units]))
    tables, taught = tables_of(units), lessons(units)
    has_target = any(lesson.suggestion for lesson in taught)
    trial = None if has_target else _next(units, taught, share.value, spread, seed)
    donors = donors_of(units)
    sentences = words.sentences(units, share, tables, taught, donors, trial)
    return Chapter(species, units, share, spread, tables, taught, donors, trial, sentences)


def _next(units: Sequence[Unit], taught: Sequence[Lesson], take: float, spread: Spread, seed: int) -> Trial:
    """Return the comparison to stick next: the half below and above the median of the most promising size."""
    open_questions = [lesson for lesson in taught if not lesson.makes_no_difference] or list(taught)
    promising = max(open_questions, key=lambda lesson: lesson.curve.evidence if lesson.curve else -1.0)
    trait = promising.trait if promising.curve else next(iter(TRAITS_TRIED))
    per_container = Counter(unit.n_stuck // len(unit.labels) for unit in units).most_common(1)[0][0]
    measured = usable(units, trait)
    known = TRAITS[trait]
    if measured:
        step = TRAITS_TRIED[trait]
        middle = round(
            round(float(np.median(np.concatenate([u.sizes[trait] for u in measured]))) / step) * step, 6
        )
        groups = (
            f"{known.words} below {middle:g} {known.unit}",
            f"{known.words} from {middle:g} {known.unit}",
        )
    else:
        groups = (f"{known.words}: the smaller half", f"{known.words}: the larger half")
    return plan_trial(groups, take, max(1, per_container), spread, seed)
