"""The tool's own share: trays that were laid out and photographed again.

Cuttings are known again by their numbers: lay them out in the same reading order each time.  A photo whose
cuttings fit the first one clearly better in another order is left out, and the report says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from grader.audit.aims import PRACTICAL
from grader.audit.gauge import Gauge, by_anova, by_range
from grader.audit.samples import Shot

ORDER_TRAITS = ("total_length_mm", "base_diameter_mm", "foliage_area_mm2")
"""What cuttings are known again by, to check their order."""
REORDERED_GAIN = 0.5
"""Another order that halves the disagreement means that the cuttings lie in another order."""
LEAST_PARTS = LEAST_TRIALS = 2


@dataclass(frozen=True, slots=True)
class ToolShare:
    """The gauge study of one trait, by both methods."""

    trait: str
    by_range: Gauge
    by_anova: Gauge


@dataclass(frozen=True, slots=True)
class Repeated:
    """What repeats tell."""

    shares: Mapping[str, ToolShare]
    persons: tuple[str, ...]
    n_trays: int
    notes: tuple[str, ...]


def study(shots: Sequence[Shot]) -> Repeated:
    """Return the gauge study of all repeated trays.

    Parameters
    ----------
    shots : sequence of Shot
        Photos with a repeat; ``tray`` says which belong together, ``person`` who laid and photographed.
    """
    notes: list[str] = []
    trays: dict[str, dict[str, list[Shot]]] = {}
    for shot in sorted(shots, key=lambda s: (s.tray, s.person, s.repeat)):
        trays.setdefault(shot.tray, {}).setdefault(shot.person, []).append(shot)
    kept = {name: _same_order(name, people, notes) for name, people in trays.items()}
    persons = _persons(kept)
    whole = {
        name: people
        for name, people in kept.items()
        if persons and all(len(people.get(person, ())) >= LEAST_TRIALS for person in persons)
    }
    notes += [
        f"tray {name}: not photographed at least twice by everybody, left out"
        for name in kept
        if name not in whole
    ]
    n_trials = min((len(people[p]) for people in whole.values() for p in persons), default=0)
    shares = {}
    if n_trials >= LEAST_TRIALS:
        for trait in PRACTICAL:
            readings = _readings(whole, sorted(persons), n_trials, trait)
            if len(readings) >= LEAST_PARTS and float(np.ptp(readings)) > 0.0:
                shares[trait] = ToolShare(trait, by_range(readings), by_anova(readings))
    if not shares:
        notes.append("no tray was photographed twice with the same cuttings: nothing to compare")
    return Repeated(shares, tuple(sorted(persons)), len(whole), tuple(notes))


def _persons(trays: Mapping[str, Mapping[str, Sequence[Shot]]]) -> set[str]:
    """Return the persons of the trays: those of the tray that most people did."""
    sets = [{p for p, shots in people.items() if len(shots) >= LEAST_TRIALS} for people in trays.values()]
    return max(sets, key=len, default=set())


def _same_order(name: str, people: Mapping[str, Sequence[Shot]], notes: list[str]) -> dict[str, list[Shot]]:
    """Return the photos whose cuttings are those of the first, in the same order."""
    first = next(iter(people.values()))[0]
    kept: dict[str, list[Shot]] = {}
    for person, shots in people.items():
        for shot in shots:
            told = f"tray {name}, {shot.photo.file}"
            if len(shot.photo.cuttings) != len(first.photo.cuttings):
                notes.append(f"{told}: another number of cuttings, left out")
            elif shot is not first and is_reordered(_table(first), _table(shot)):
                notes.append(f"{told}: the cuttings seem to lie in another order, left out")
            else:
                kept.setdefault(person, []).append(shot)
    return kept


def is_reordered(first: NDArray[np.float64], again: NDArray[np.float64]) -> bool:
    """Return whether another order of the rows fits clearly better.

    Parameters
    ----------
    first, again : (N, traits) float64
        nan counts as agreeing.
    """
    with np.errstate(invalid="ignore"):
        scale = np.array([np.nanstd(column) if np.isfinite(column).any() else 1.0 for column in first.T])
    apart = (first[:, None, :] - again[None, :, :]) / np.where(scale > 0.0, scale, 1.0)
    cost = np.nan_to_num(apart**2).sum(axis=2)
    rows, columns = linear_sum_assignment(cost)
    as_it_is = float(np.trace(cost))
    return bool((rows != columns).any()) and float(cost[rows, columns].sum()) < REORDERED_GAIN * as_it_is


def _table(shot: Shot) -> NDArray[np.float64]:
    return np.array(
        [[c.measured(trait).value for trait in ORDER_TRAITS] for c in shot.photo.cuttings]
    ).reshape(-1, len(ORDER_TRAITS))


def _readings(
    trays: Mapping[str, Mapping[str, Sequence[Shot]]], persons: Sequence[str], n_trials: int, trait: str
) -> NDArray[np.float64]:
    """Return (parts, persons, trials) of the cuttings that were measured every time."""
    parts = [
        [[shot.photo.cuttings[i].measured(trait).value for shot in people[p][:n_trials]] for p in persons]
        for people in trays.values()
        for i in range(len(people[persons[0]][0].photo.cuttings))
    ]
    readings = np.array(parts, dtype=np.float64).reshape(-1, len(persons), n_trials)
    return readings[np.isfinite(readings).all(axis=(1, 2))]
