"""Which cuttings go together: like plant, like grade, like size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from grader.records import Values
from grader.results_file import RECUT_WORDS, ReadCutting, ReadPhoto
from grader.stick.breaks import Split, best_split, distinct_breaks, visible_breaks
from grader.stick.values import Grouping
from grader.traits.catalogue import TRAITS

KEPT_GRADES = ("1", "2")
STRIP_FIRST = "strip first"
"""Left out as it lies, for stripping alone makes it good."""
LOT_KEYS = ("species", "donor")
"""What must be alike in a container, besides the grade."""


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """One cutting and the photo it is on."""

    photo: ReadPhoto
    cutting: ReadCutting

    @property
    def key(self) -> tuple[str, int]:
        """SHA-256 of the photo and number on it: names this cutting for good."""
        return (self.photo.sha256, self.cutting.number)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A cutting that goes into no group, and why."""

    placed: Placed
    kind: str
    """"strip first", "cull", "unsure", "cut again", "not measured"."""
    goes_to: str = ""
    """Letter of the group where it belongs once it is stripped; empty if there is none for it."""


@dataclass(frozen=True, slots=True)
class Lot:
    """Cuttings that may share a container: one plant, one grade."""

    species: str
    donor: str
    grade: str


@dataclass(frozen=True, slots=True)
class SizeGroup:
    """A size group: what goes into the same containers."""

    letter: str
    lot: Lot
    trait: str
    low: float
    """Boundary; -inf where the group is open below. A cutting on a boundary goes up."""
    high: float
    members: tuple[Placed, ...]
    """In reading order: photo by photo, number by number."""

    @property
    def sizes(self) -> Values:
        """Sizes of the members, in the unit of the trait."""
        return np.array([placed.cutting.measured(self.trait).value for placed in self.members])


@dataclass(frozen=True, slots=True)
class Evenness:
    """How alike the sizes of a lot are, before and after sorting."""

    lot: Lot
    n: int
    n_groups: int
    cv_before: float
    """Standard deviation over mean of the whole lot; the sums of squares are divided by n."""
    cv_after: float
    """Root of the mean square inside the groups, over the same mean."""
    explained: float
    """Share of the variance that the groups take away, 0 to 1; nan where there is none."""
    explained_exact: float
    """The same for the natural breaks before boundaries were put on whole steps."""
    is_even: bool
    """Whether ``cv_after`` meets what was asked for."""


def sorted_out(
    photos: Sequence[ReadPhoto], trait: str
) -> tuple[dict[Lot, list[Placed]], tuple[LeftOut, ...]]:
    """Return the cuttings to stick by lot, and those left out with the reason; none is in both."""
    lots: dict[Lot, list[Placed]] = {}
    out: list[LeftOut] = []
    for photo in photos:
        for cutting in photo.cuttings:
            placed = Placed(photo, cutting)
            kind = _kind_left_out(cutting, trait)
            if kind:
                out.append(LeftOut(placed, kind))
                continue
            lots.setdefault(_lot(placed, cutting.grade), []).append(placed)
    return dict(sorted(lots.items(), key=lambda item: _lot_order(item[0]))), tuple(out)


def with_places(left_out: Sequence[LeftOut], groups: Sequence[SizeGroup]) -> tuple[LeftOut, ...]:
    """Return those left out, each that only has to be stripped with the group where it belongs then.

    It keeps its size.  In the containers of that group it is not counted: not every one will turn out well.
    """
    return tuple(
        replace(item, goes_to=_group_after(item.placed, groups)) if item.kind == STRIP_FIRST else item
        for item in left_out
    )


def _group_after(placed: Placed, groups: Sequence[SizeGroup]) -> str:
    lot = _lot(placed, placed.cutting.strip_only)
    fitting = (
        group.letter
        for group in groups
        if group.lot == lot and group.low <= placed.cutting.measured(group.trait).value < group.high
    )
    return next(fitting, "")


def _lot(placed: Placed, grade: str) -> Lot:
    species, donor = (placed.photo.batch.get(key, "").strip() for key in LOT_KEYS)
    return Lot(species, donor, grade)


def _kind_left_out(cutting: ReadCutting, trait: str) -> str:
    if any(words in cutting.advice for words in RECUT_WORDS):
        return "cut again"  # Of a cull too: a cut is advised only where a piece of it becomes acceptable.
    if cutting.grade not in KEPT_GRADES:
        return STRIP_FIRST if cutting.strip_only in KEPT_GRADES else cutting.grade
    size = cutting.measured(trait).value
    # nan is neither; beyond the range of the catalogue somebody mixed up units.
    return "" if 0.0 < size <= TRAITS[trait].high else "not measured"


def _lot_order(lot: Lot) -> tuple[str, str, str]:
    return (lot.species, lot.donor, lot.grade)


def grouped(
    lots: dict[Lot, list[Placed]], trait: str, rule: Grouping
) -> tuple[tuple[SizeGroup, ...], tuple[Evenness, ...]]:
    """Return the groups of all lots, lettered through, and how even each lot becomes.

    The number of groups in a lot is the smallest, from 1 to ``rule.most``, that brings the spread inside the
    groups down to ``rule.even_cv`` of the mean. Where none does, the largest that leaves at least
    ``rule.least`` cuttings in each group.
    """
    groups: list[SizeGroup] = []
    told: list[Evenness] = []
    for lot, members in lots.items():
        values = np.array([placed.cutting.measured(trait).value for placed in members])
        order = np.argsort(values, kind="stable")
        split = chosen_split(values[order], rule)
        told.append(_evenness(lot, values[order], split, rule))
        edges = _boundaries(values[order], split, rule.step)
        for k, (start, end) in enumerate(pairwise((*split.starts, len(values)))):
            chosen = tuple(members[i] for i in sorted(order[start:end]))
            letter = letters(len(groups))
            groups.append(SizeGroup(letter, lot, trait, edges[k], edges[k + 1], chosen))
    return tuple(groups), tuple(told)


def chosen_split(values: Values, rule: Grouping) -> Split:
    """Return the split of ascending sizes by the rule of :func:`grouped`."""
    breaks = visible_breaks(values, rule.step)
    best = Split((0,), float(len(values) * values.var()))
    for n_groups in range(1, rule.most + 1):
        least = rule.least if n_groups > 1 else 1
        split = best_split(values, n_groups, breaks, least)
        if split is None:
            break
        best = split
        if _cv(split.within_ss, values) <= rule.even_cv:
            break
    return best


def _cv(within_ss: float, values: Values) -> float:
    return math.sqrt(within_ss / len(values)) / abs(float(values.mean()))


def _boundaries(values: Values, split: Split, step: float) -> list[float]:
    """Return the boundaries: the whole step nearest to the middle of each gap, the ends open."""
    inner = []
    for start in split.starts[1:]:
        below, above = values[start - 1], values[start]
        lowest, highest = math.floor(below / step) + 1, math.floor(above / step)
        inner.append(step * min(max(round((below + above) / 2 / step), lowest), highest))
    return [-math.inf, *inner, math.inf]


def _evenness(lot: Lot, values: Values, split: Split, rule: Grouping) -> Evenness:
    total_ss = float(len(values) * values.var())
    n_groups = len(split.starts)
    exact = best_split(values, n_groups, distinct_breaks(values), rule.least if n_groups > 1 else 1)
    after = _cv(split.within_ss, values)
    return Evenness(
        lot=lot,
        n=len(values),
        n_groups=n_groups,
        cv_before=_cv(total_ss, values),
        cv_after=after,
        explained=1.0 - split.within_ss / total_ss if total_ss > 0.0 else math.nan,
        explained_exact=1.0 - exact.within_ss / total_ss if total_ss > 0.0 and exact else math.nan,
        is_even=after <= rule.even_cv,
    )


def letters(index: int) -> str:
    """Return A, B, ..., Z, AA, AB, ... for 0, 1, ....

    Examples
    --------
    >>> [letters(i) for i in (0, 25, 26, 51, 52)]
    ['A', 'Z', 'AA', 'AZ', 'BA']
    """
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(ord("A") + rest) + text
    return text
