"""Simulated crews with known habits: how often an audit finds what is there, and what is not.

``python -m tests.audit.crews`` prints the table; ``--audits 400`` makes it finer.  All people and numbers are
invented.  Cuttings of one tray share a plant (tray effect); each reading has the tool's stated uncertainty,
that of the demo photos; one reading in ``wild_share`` is off much more than stated.
"""

from __future__ import annotations

import argparse
import hashlib
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from grader.audit.findings import Found, conclude
from grader.audit.samples import Sample, gather, samples_of
from grader.records import Measured
from grader.results_file import ReadCutting, ReadPhoto, ReadResults
from grader.verdict.targets import Targets
from grader.verdict.targets_file import load_targets

Random = np.random.Generator


@dataclass(frozen=True, slots=True)
class Habit:
    """How one person works: mean and spread from cutting to cutting, mm and as named."""

    length_mm: float = 88.0
    length_sd: float = 6.5
    stripped_mm: float = 31.5
    stripped_sd: float = 3.0
    diameter_mm: float = 2.4
    diameter_sd: float = 0.25


@dataclass(frozen=True, slots=True)
class World:
    """What is the same for everybody."""

    n_trays: int = 5
    per_tray: int = 8
    likeness: float = 0.08
    """Share of the variance between trays of one person."""
    wild_share: float = 0.05
    """Readings of the stripped stem that are off by several mm, as on ragged stems."""
    scales: Mapping[str, float] = field(default_factory=dict)
    """Print of the mat -> what it reads over the truth."""
    mats: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Cutter -> prints of its trays in turn; "print A" unless told."""


SIGMAS = {
    "total_length_mm": 0.84,
    "stripped_length_mm": 0.87,
    "base_diameter_mm": 0.07,
    "foliage_area_mm2": 25.0,
    "crook_deg": 2.3,
    "sweep_ratio": 0.0096,
    "browned_share": 0.01,
}
"""Medians of the stated standard uncertainties on the demo photos."""
SCALE_SIGMA = 0.003
WILD_SD_MM = 4.0


def simulate(habits: Mapping[str, Habit], world: World, random: Random) -> ReadResults:
    """Return what grading the crew's trays would write."""
    photos = [
        _tray(cutter, tray, habit, world, random)
        for cutter, habit in habits.items()
        for tray in range(world.n_trays)
    ]
    return ReadResults(
        Path("simulated"), "0" * 64, "", "", {}, tuple(photo.file for photo in photos), tuple(photos)
    )


def _tray(cutter: str, tray: int, habit: Habit, world: World, random: Random) -> ReadPhoto:
    mats = world.mats.get(cutter, ("print A",))
    mat = mats[tray % len(mats)]
    scale = world.scales.get(mat, 1.0) * random.normal(1.0, SCALE_SIGMA / 3.0)
    plant = random.normal(size=6)
    name = f"{cutter}-{tray}.jpg"
    return ReadPhoto(
        file=name,
        sha256=hashlib.sha256(name.encode()).hexdigest(),
        taken_at=f"2026-03-{2 + tray:02d}T09:00:00",
        batch={"cutter": cutter, "mat": mat, "donor": f"bed {tray}"},
        mat_id="A4-1",
        page_mm=(297.0, 210.0),
        image_size_px=(4000, 3000),
        plane=None,
        cuttings=tuple(_cutting(i + 1, habit, world, scale, plant, random) for i in range(world.per_tray)),
        set_aside=(),
        scale_sigma=SCALE_SIGMA,
    )


def _cutting(
    number: int, habit: Habit, world: World, scale: float, plant: np.ndarray, random: Random
) -> ReadCutting:
    own = random.normal(size=6)
    z = np.sqrt(world.likeness) * plant + np.sqrt(1.0 - world.likeness) * own
    length = habit.length_mm + habit.length_sd * z[0]
    stripped = habit.stripped_mm + habit.stripped_sd * z[1]
    green = max(0.2, 1.0 + 0.12 * (0.6 * z[0] + 0.8 * z[3]))
    true = {
        "total_length_mm": length * scale,
        "stripped_length_mm": stripped * scale,
        "base_diameter_mm": max(0.8, habit.diameter_mm + habit.diameter_sd * z[2]) * scale,
        "foliage_area_mm2": 700.0 * green * scale**2,
        "crook_deg": 6.0 + 3.0 * abs(z[4]),
        "sweep_ratio": 0.02 + 0.015 * abs(z[5]),
        "browned_share": 0.01,
    }
    noise = {name: random.normal(0.0, sigma) for name, sigma in SIGMAS.items()}
    if random.random() < world.wild_share:
        noise["stripped_length_mm"] += random.normal(0.0, WILD_SD_MM)
    traits = {name: Measured(max(0.0, true[name] + noise[name]), sigma) for name, sigma in SIGMAS.items()}
    outline, axis = _drawn(number, length, stripped)
    return ReadCutting(number, "", "1", "", "", (), "", traits, outline, axis)


def _drawn(number: int, length: float, stripped: float) -> tuple[np.ndarray, np.ndarray]:
    """Return outline and axis of a plain cutting: a bar with a spindle of foliage."""
    x = np.array([0.0, stripped, 0.6 * (length + stripped), length])
    half = np.array([1.2, 1.2, 11.0, 0.5])
    corner = np.array([40.0 + 24.0 * number, 180.0])
    upper, lower = np.column_stack([half, -x]), np.column_stack([-half, -x])[::-1]
    return np.vstack([upper, lower]) + corner, np.column_stack([0.0 * x, -x]) + corner


def audited(
    habits: Mapping[str, Habit], world: World, targets: Targets, random: Random, reference: str = ""
) -> Found:
    """Return the conclusions on one simulated crew."""
    gathered = gather([simulate(habits, world, random)])
    samples: list[Sample] = samples_of(gathered.shots)
    return conclude(samples, targets, reference)


CREW = ("A", "B", "C", "D")
"""Invented cutters; D is the one with a habit."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """One line of the table."""

    words: str
    habits: Mapping[str, Habit]
    world: World
    wanted: str
    """"" for nothing, "stripped", "reference", "faults" or "mat"."""
    reference: str = ""


@dataclass(slots=True)
class Tally:
    """What came out of a scenario."""

    n: int = 0
    n_found: int = 0
    n_blamed: int = 0
    """Audits that name something untrue about a person."""
    n_mat: int = 0
    """Audits that doubt a print."""


def crew(last: Habit | None = None) -> dict[str, Habit]:
    """Return four alike people, or three and one with a habit."""
    return {name: Habit() for name in CREW[:3]} | {"D": last or Habit()}


def scenarios() -> Iterator[Scenario]:
    """Yield the lines of the table; 25 to 40 mm bare are wanted, an average belongs in 28.75 to 36.25."""
    plain = World()
    short = Habit(stripped_mm=25.75)
    edge = Habit(length_mm=83.0, length_sd=5.5, stripped_mm=28.75, stripped_sd=2.5, diameter_mm=2.05)
    yield Scenario("honest crew of 4, 40 cuttings each (5 trays of 8)", crew(), plain, "")
    yield Scenario("honest, all at the edge of what is asked", dict.fromkeys(CREW, edge), plain, "")
    yield Scenario("honest, one helper alone, 40 cuttings", {"D": Habit()}, plain, "")
    yield Scenario("honest, 2 trays of 8 each", crew(), World(n_trays=2), "")
    yield Scenario("honest, trays very unlike (40 % of the variance)", crew(), World(likeness=0.4), "")
    yield Scenario("honest, 20 % wild readings", crew(), World(wild_share=0.2), "")
    yield Scenario("honest, compared with reference A", crew(), plain, "", "A")
    sound = World(mats={"A": ("print A",), "B": ("print B",), "C": ("print A", "print B"), "D": ("print B",)})
    yield Scenario("honest, two sound prints", crew(), sound, "")
    yield Scenario("D strips 3 mm too short, 40 cuttings", crew(short), plain, "stripped")
    yield Scenario("the same, trays very unlike", crew(short), World(likeness=0.4), "stripped")
    yield Scenario("the same, D audited alone, 5 trays of 8", {"D": short}, plain, "stripped")
    alone = World(n_trays=10, per_tray=8)
    yield Scenario("the same, D alone, 10 trays of 8", {"D": short}, alone, "stripped")
    below = Habit(stripped_mm=28.5)
    yield Scenario("D 3 mm shorter than reference A, 40 each", crew(below), plain, "reference", "A")
    yield Scenario("the same, 80 each (10 trays)", crew(below), alone, "reference", "A")
    wild = Habit(stripped_sd=9.0, length_sd=18.0)
    yield Scenario("D right on average, 3 times as uneven", crew(wild), plain, "faults")
    small = {"print B": 0.94}
    own = World(scales=small, mats={"D": ("print B",)})
    both = World(
        scales=small, mats=dict.fromkeys(CREW, ("print A", "print A", "print B", "print A", "print A"))
    )
    yield Scenario("print B reads 6 % small, only D uses it", crew(), own, "mat")
    yield Scenario("print B reads 6 % small, all use it once", crew(), both, "mat")
    near = Habit(length_mm=83.0, stripped_mm=29.5, diameter_mm=2.1)
    yield Scenario("the same, D alone on B, all near the edge", dict.fromkeys(CREW, near), own, "mat")


def true_findings(scenario: Scenario) -> Callable[[str, str], bool]:
    """Return whether naming a trait of a cutter is right in a scenario."""
    right = {
        "stripped": {("D", "stripped_length_mm")},
        "reference": {("D", "stripped_length_mm")},
        "faults": {("D", "stripped_length_mm"), ("D", "total_length_mm")},
    }.get(scenario.wanted, set())
    return lambda cutter, trait: (cutter, trait) in right


def tally(scenario: Scenario, targets: Targets, n: int, seed: int) -> Tally:
    """Return what so many audits of a scenario find."""
    random = np.random.default_rng(seed)
    is_true, counted = true_findings(scenario), Tally()
    for _ in range(n):
        found = audited(scenario.habits, scenario.world, targets, random, scenario.reference)
        named = {(c, kind, trait) for c, own in found.cutters.items() for kind, trait in _named(own)}
        kind = {"stripped": "average", "reference": "reference", "faults": "fault"}.get(scenario.wanted)
        counted.n += 1
        counted.n_found += any(k == kind and is_true(c, t) for c, k, t in named)
        counted.n_blamed += any(not is_true(c, t) for c, _, t in named)
        counted.n_mat += bool(found.mats)
    return counted


def _named(own) -> Iterator[tuple[str, str]]:  # type: ignore[no-untyped-def]
    for trait, average in own.averages.items():
        if average.verdict == "off":
            yield "average", trait
    for missed in own.missed:
        if missed.is_finding:
            yield "fault", missed.fault.rule.trait
    for trait, difference in own.differences.items():
        if difference.verdict == "differs":
            yield "reference", trait


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Simulated crews: what an audit finds. All data invented.")
    parser.add_argument("--audits", type=int, default=200, help="Audits a scenario.")
    n = parser.parse_args().audits
    targets = load_targets("landscape-juniper")
    print(f"{n} simulated audits a line, targets {targets.id}; all people and numbers are invented")
    print(f"{'crew':55} {'found':>6} {'wrongly named':>14} {'print doubted':>14}")
    start = time.perf_counter()
    for seed, scenario in enumerate(scenarios()):
        got = tally(scenario, targets, n, seed)
        found = f"{100 * got.n_found / n:.1f}%" if scenario.wanted not in ("", "mat") else "-"
        blamed, mat = (f"{100 * count / n:.1f}%" for count in (got.n_blamed, got.n_mat))
        print(f"{scenario.words:55} {found:>6} {blamed:>14} {mat:>14}", flush=True)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
