"""Results -> what goes where: the plan from which sheet, labels, pictures and file are made."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from grader.errors import GraderError
from grader.results_file import ReadPhoto, ReadResults
from grader.stick.depth import GroupDepth, depth_of
from grader.stick.groups import Evenness, LeftOut, Lot, Placed, SizeGroup, grouped, sorted_out, with_places
from grader.stick.ids import container_id, group_id
from grader.stick.room import Container, medium_litres, n_containers
from grader.stick.values import Mix, StickValues
from grader.traits.catalogue import TRAITS

CUTTER = "cutter"


@dataclass(frozen=True, slots=True)
class Choices:
    """What the person asked for."""

    trait: str
    container: Container
    mix: Mix
    wood: str
    """Class of wood; empty if not told."""
    stuck_on: date


@dataclass(frozen=True, slots=True)
class ContainerPlan:
    """One container and what is stuck into it."""

    id: str
    index: int
    members: tuple[Placed, ...]


@dataclass(frozen=True, slots=True)
class GroupPlan:
    """One size group, ready to stick."""

    group: SizeGroup
    id: str
    containers: tuple[ContainerPlan, ...]
    depth: GroupDepth
    litres: float
    """Loose medium for all its containers."""
    cutters: tuple[str, ...]
    """Who made the cuttings, as far as given."""


@dataclass(frozen=True, slots=True)
class StickPlan:
    """Everything on the sheet."""

    choices: Choices
    values: StickValues
    sources: tuple[ReadResults, ...]
    photos: tuple[ReadPhoto, ...]
    """Each once."""
    groups: tuple[GroupPlan, ...]
    evenness: tuple[Evenness, ...]
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]
    """Sentences for the person."""

    @property
    def n_kept(self) -> int:
        """How many cuttings are stuck."""
        return sum(len(plan.group.members) for plan in self.groups)

    @property
    def n_containers(self) -> int:
        """How many containers there are."""
        return sum(len(plan.containers) for plan in self.groups)

    @property
    def litres(self) -> float:
        """Loose medium for all."""
        return math.fsum(plan.litres for plan in self.groups)


def make_plan(results: Sequence[ReadResults], choices: Choices, values: StickValues) -> StickPlan:
    """Return the plan for some files of results together.

    Raises
    ------
    GraderError
        If the values lack a rule for sorting by that measurement.
    """
    if choices.trait not in values.groups:
        words = TRAITS[choices.trait].words if choices.trait in TRAITS else choices.trait
        raise GraderError(
            f"The values do not say how to sort by {words}.", f"Add a table [groups.{choices.trait}]."
        )
    photos, notes = _each_once(results)
    lots, left_out = sorted_out(photos, choices.trait)
    groups, evenness = grouped(lots, choices.trait, values.groups[choices.trait])
    left_out = with_places(left_out, groups)
    plans = tuple(_group_plan(group, choices, values) for group in groups)
    n_skipped = sum(len(result.skipped) for result in results)
    if n_skipped:
        word = "photo was" if n_skipped == 1 else "photos were"
        notes.append(f"{n_skipped} {word} skipped when grading: their cuttings are not in this plan")
    notes += _better_first(lots)
    n_aside = sum(len(photo.set_aside) for photo in photos)
    if n_aside:
        word = "thing was" if n_aside == 1 else "things were"
        notes.append(f"{n_aside} {word} set aside on the photos and not measured: see the graded pictures")
    return StickPlan(choices, values, tuple(results), photos, plans, evenness, left_out, tuple(notes))


def _better_first(lots: Mapping[Lot, Sequence[Placed]]) -> list[str]:
    """Return a note if cuttings are sorted as they lie though their pictures ask for stripping before."""
    placed = [placed for members in lots.values() for placed in members]
    n = sum(one.cutting.advice.startswith("strip ") for one in placed)
    if not n:
        return []
    who, lie, them = ("1 cutting", "it lies", "it") if n == 1 else (f"{n} cuttings", "they lie", "them")
    return [
        f"{who} in the groups, sorted as {lie} today, can be better once stripped as the graded picture "
        f"says: to have {them} so, strip first, photograph again and sort anew"
    ]


def _each_once(results: Sequence[ReadResults]) -> tuple[tuple[ReadPhoto, ...], list[str]]:
    """Return every photo once, that of the latest grading: the same cuttings must not be counted twice."""
    latest: dict[str, ReadPhoto] = {}
    n_photos = 0
    for result in sorted(results, key=lambda result: result.made_at):
        for photo in result.photos:
            n_photos += 1
            latest[photo.sha256] = photo
    photos = {photo.sha256: None for result in results for photo in result.photos}
    n_twice = n_photos - len(photos)
    notes = []
    if n_twice:
        notes.append(f"{n_twice} of the photos were given more than once: the latest grading of each counts")
    return tuple(latest[sha256] for sha256 in photos), notes


def _group_plan(group: SizeGroup, choices: Choices, values: StickValues) -> GroupPlan:
    capacity = choices.container.capacity
    members = group.members
    name = group_id(group.letter, capacity, [placed.key for placed in members])
    n = n_containers(len(members), choices.container)
    parts = [members[i * capacity : (i + 1) * capacity] for i in range(n)]
    containers = tuple(ContainerPlan(container_id(name, i), i, part) for i, part in enumerate(parts, start=1))
    cutters = {placed.photo.batch.get(CUTTER, "").strip() for placed in members} - {""}
    return GroupPlan(
        group=group,
        id=name,
        containers=containers,
        depth=depth_of(members, values.depth, choices.container.fill_mm),
        litres=medium_litres(n, choices.container, values.medium.settling_share),
        cutters=tuple(sorted(cutters)),
    )
