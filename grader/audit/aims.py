"""What the targets ask of an average and of a share, and which difference matters at the bench."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from grader.traits.catalogue import TRAITS
from grader.verdict.rules import RULES, Level, Rule, Side
from grader.verdict.targets import Targets

EDGE_SHARE = 0.25
"""An average belongs in the middle half of what is wanted: a quarter on each side is room for spread."""
TOLERATED_SHARE = 0.10
"""Of cuttings beyond a limit: a starting value of our own, no source."""


@dataclass(frozen=True, slots=True)
class Practical:
    """The smallest difference worth talking about; starting values of our own, no source."""

    size: float
    """In the stored unit, or a fraction of the value where ``is_relative``."""
    is_relative: bool = False

    def at(self, value: float) -> float:
        """Return the difference near a value, in the stored unit."""
        return self.size * abs(value) if self.is_relative else self.size


PRACTICAL: Mapping[str, Practical] = MappingProxyType(
    {
        "total_length_mm": Practical(3.0),
        "stripped_length_mm": Practical(1.5),
        "base_diameter_mm": Practical(0.15),
        "foliage_area_mm2": Practical(0.10, is_relative=True),
        "crook_deg": Practical(5.0),
        "sweep_ratio": Practical(0.02),
        "browned_share": Practical(0.05),
    }
)
"""The traits that an audit averages."""
SIZES: Mapping[str, int] = MappingProxyType(
    {"total_length_mm": 1, "stripped_length_mm": 1, "base_diameter_mm": 1, "foliage_area_mm2": 2}
)
"""Traits that a wrong print scale changes, with the power of the scale."""


@dataclass(frozen=True, slots=True)
class Zone:
    """Where an average belongs."""

    low: float
    """-inf where the targets have no least value."""
    high: float
    wanted: tuple[float, float]
    """The limits themselves, nan where there is none."""

    @property
    def is_two_sided(self) -> bool:
        """Whether both ends exist: only then can an average be off."""
        return math.isfinite(self.low) and math.isfinite(self.high)

    def distance(self, mean: float) -> float:
        """Return how far an average lies outside: below is negative, inside is 0."""
        return min(0.0, mean - self.low) + max(0.0, mean - self.high)


def zone_of(targets: Targets, trait: str) -> Zone:
    """Return where the average of a trait belongs.

    Examples
    --------
    >>> from grader.verdict.targets_file import load_targets
    >>> zone = zone_of(load_targets("landscape-juniper"), "stripped_length_mm")
    >>> zone.low, zone.high, zone.distance(25.75)
    (28.75, 36.25, -3.0)
    """
    low, high = (targets.get(trait, Level.WANTED, side) for side in (Side.MIN, Side.MAX))
    room = EDGE_SHARE * (high - low) if math.isfinite(high - low) else 0.0
    return Zone(
        low + room if math.isfinite(low) else -math.inf,
        high - room if math.isfinite(high) else math.inf,
        (low, high),
    )


@dataclass(frozen=True, slots=True)
class Fault:
    """One limit that a cutting can miss."""

    rule: Rule
    level: Level
    limit: float
    upper: float = math.nan
    """With it the fault is to lie outside ``limit`` to ``upper``, on whichever side: uneven work."""

    @property
    def is_either_side(self) -> bool:
        """Whether both limits count."""
        return math.isfinite(self.upper)

    @property
    def flag(self) -> str:
        """Name of the fault."""
        return f"uneven {TRAITS[self.rule.trait].words}" if self.is_either_side else self.rule.flag

    def beyond(self, value: float) -> float:
        """Return how far a value is on the wrong side; negative when it is on the right one."""
        if self.is_either_side:
            return max(self.limit - value, value - self.upper)
        return self.limit - value if self.rule.side is Side.MIN else value - self.limit

    def is_missed(self, value: float, sigma: float, guard: float) -> bool:
        """Return whether the limit is surely missed: by more than the doubt of the measurement.

        So the tool's own uncertainty never counts against a person.
        """
        doubt = guard * sigma if math.isfinite(sigma) else math.inf
        return math.isfinite(value) and self.beyond(value) > doubt


def faults_of(targets: Targets) -> list[Fault]:
    """Return the limits an audit counts: for each rule the wanted one, else the allowed one."""
    faults = []
    for rule in RULES.values():
        for level in (Level.WANTED, Level.ALLOWED):
            limit = targets.get(rule.trait, level, rule.side)
            if math.isfinite(limit):
                faults.append(Fault(rule, level, limit))
                break
    return faults


def evenness_of(targets: Targets) -> list[Fault]:
    """Return for each trait with two wanted limits the fault to lie outside them, on either side."""
    singles = [fault for fault in faults_of(targets) if fault.level is Level.WANTED]
    return [
        Fault(low.rule, Level.WANTED, low.limit, high.limit)
        for low in singles
        for high in singles
        if low.rule.trait == high.rule.trait and (low.rule.side, high.rule.side) == (Side.MIN, Side.MAX)
    ]


def guard_of(targets: Targets) -> float:
    """Return how many standard uncertainties beyond a limit count as sure."""
    return targets.guard_factor if targets.policy == "guarded" else 0.0
