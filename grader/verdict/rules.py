"""The rules: which measurement may not be too small or too large, what that is called, why it matters.

A rule never holds a number: limits live in the target file.  Each rule has a stable code and fixed
headings, printed by ``grader explain CODE``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType


class Side(Enum):
    """Which side of a limit is wrong."""

    MIN = "min"
    MAX = "max"

    @property
    def bound(self) -> str:
        """How a limit on that side is told."""
        return "at least" if self is Side.MIN else "at most"


class Level(Enum):
    """How much a limit matters: the first word of its key in the target file."""

    ALLOWED = "allowed"
    """Beyond it the cutting is a cull."""
    WANTED = "wanted"
    """Beyond it the cutting is grade 2."""
    NOTED = "noted"
    """Beyond it the picture says so; the grade stays."""


GRADE_IF_FAILED: Mapping[Level, str] = MappingProxyType(
    {Level.ALLOWED: "cull", Level.WANTED: "2", Level.NOTED: ""}
)
"""What going beyond a limit leads to."""

HEADINGS = ("What it checks", "Why it matters", "Limit and source", "Example")
"""Every rule is explained under these headings, in this order."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule about one side of one measurement."""

    code: str
    """Stable code; never used again for another rule."""
    flag: str
    """Short name in the trade's words, as painted on the picture."""
    trait: str
    """Name of the measurement in the catalogue."""
    side: Side
    checks: str
    """What it checks: one sentence."""
    why: str
    """Why it matters: for rooting or for the bed."""
    remedy: str
    """What may be done about it: ends the example, whose numbers come from the target file."""

    def key(self, level: Level) -> str:
        """Return the key of a limit in the target file.

        Examples
        --------
        >>> RULES["L01"].key(Level.WANTED)
        'wanted_min'
        """
        return f"{level.value}_{self.side.value}"


_ALL = (
    Rule(
        "L01",
        "too short",
        "total_length_mm",
        Side.MIN,
        "The total length, measured along the bend, reaches the least length.",
        "A short cutting holds little reserve, sits loosely in the medium once its stripped part is buried, "
        "and needs longer to make a saleable plant.",
        "No cut makes it longer: it is stuck with grade 2, or thrown out.",
    ),
    Rule(
        "L02",
        "too long",
        "total_length_mm",
        Side.MAX,
        "The total length, measured along the bend, stays below the greatest length.",
        "A long cutting loses more water than its cut end can take up, topples, shades its neighbours, and "
        "often makes two good ones.",
        "Cut again above its base, or divided, it may be one or two good ones.",
    ),
    Rule(
        "S01",
        "short stripped stem",
        "stripped_length_mm",
        Side.MIN,
        "The stem is bare from the cut face up to the lowest foliage for at least the least length.",
        "Only bare stem belongs under the surface: foliage buried with it rots and takes the stem along, and "
        "a shallow cutting falls over or dries out.",
        "Strip it further, up to the length wanted.",
    ),
    Rule(
        "S02",
        "long stripped stem",
        "stripped_length_mm",
        Side.MAX,
        "The bare part of the stem is not longer than wanted.",
        "Bare stem above the surface dries out and feeds nothing; it makes a leggy plant, and the foliage "
        "taken off is missed.",
        "Cut it again above its base, so that less of the stem is bare.",
    ),
    Rule(
        "D01",
        "thin wood",
        "base_diameter_mm",
        Side.MIN,
        "The stem just above the cut face is at least as thick as the least diameter.",
        "Thin wood bends when it is stuck and dries out early. Thicker is not better for every species: some "
        "pines and rosemary root better thin, so set this limit from your own beds.",
        "No cut makes it thicker: take stronger shoots.",
    ),
    Rule(
        "D02",
        "oversized wood",
        "base_diameter_mm",
        Side.MAX,
        "The stem just above the cut face is not thicker than the greatest diameter.",
        "Old, thick wood of many conifers roots slowly or not at all.",
        "Cut it again where the wood is thinner, if enough remains.",
    ),
    Rule(
        "C01",
        "crooked",
        "crook_deg",
        Side.MAX,
        "The sharpest bend between two neighbouring 12 mm lengths of the stem is not too sharp.",
        "A bend near the base hinders sticking and lowers the take, and the plant starts out leaning.",
        "Cut it again above the bend, if enough remains.",
    ),
    Rule(
        "C02",
        "swept",
        "sweep_ratio",
        Side.MAX,
        "The stem does not bow too far from the straight line between base and tip.",
        "A strongly bowed cutting cannot stand upright and takes the room of two.",
        "Cut off the part that bows, if enough remains.",
    ),
    Rule(
        "N01",
        "needles left on the stem",
        "strays_count",
        Side.MAX,
        "No more than a few single needles, leaves or stubs are left on the part to be buried.",
        "What is left under the surface rots, and the rot goes on to the stem.",
        "Pull them off before sticking.",
    ),
    Rule(
        "F01",
        "sparse foliage",
        "foliage_area_mm2",
        Side.MIN,
        "The foliage seen from above covers at least the least area.",
        "Foliage feeds the roots to be; with too little of it a cutting runs out of reserves first.",
        "Nothing brings foliage back: strip less next time.",
    ),
    Rule(
        "F02",
        "browned foliage",
        "browned_share",
        Side.MAX,
        "Not too much of the foliage is brown or bleached.",
        "Brown foliage is dead or dying: the shoot was dry, sick or shaded, and mould starts there.",
        "Look at the donor plant: was it dry, sick or shaded?",
    ),
    Rule(
        "T01",
        "few tips",
        "tips_count",
        Side.MIN,
        "The cutting has enough growing tips.",
        "A small start with few tips costs one or two years of growth.",
        "It is told only so that bushier shoots are taken next time.",
    ),
    Rule(
        "H01",
        "heel",
        "heel_length_mm",
        Side.MAX,
        "No longer piece of older wood is left at the lower end.",
        "A heel of older wood lowers the take of many conifers and makes a blunt foot that is hard to stick.",
        "Cut it off just above the heel.",
    ),
)

RULES: Mapping[str, Rule] = MappingProxyType({rule.code: rule for rule in _ALL})
"""Every rule by code, in the order of tables."""


def rules_about(trait: str) -> tuple[Rule, ...]:
    """Return the rules about one measurement.

    Examples
    --------
    >>> [rule.code for rule in rules_about("base_diameter_mm")]
    ['D01', 'D02']
    """
    return tuple(rule for rule in _ALL if rule.trait == trait)


RULED_TRAITS: tuple[str, ...] = tuple(dict.fromkeys(rule.trait for rule in _ALL))
"""Measurements that a target file may set limits for, in the order of tables."""
