"""One definition per measurement: name, unit, range, words.

The table in the README, the CSV header, the terminal table, the picture and the target files all
take names, units and words from here, so that "length" means one thing everywhere.

Definitions follow one rule sheet: lengths and areas lie in the plane of the mat, seen from straight
above, corrected for print scale, lens, tilt and height of the stem above the paper.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from grader.records import Measured

MM_PER_INCH = 25.4
"""Exact: international yard and pound agreement, 1959."""
MM2_PER_INCH2 = MM_PER_INCH * MM_PER_INCH


@dataclass(frozen=True, slots=True)
class Trait:
    """One measurement of a cutting."""

    name: str
    """Stable name; its suffix is the unit."""
    words: str
    """What a person calls it."""
    unit: str
    """Unit as printed: mm, mm², °, %, or empty for counts and ratios."""
    low: float
    """Smallest value that makes sense, in the stored unit."""
    high: float
    """Largest value that makes sense: beyond it somebody mixed up units."""
    decimals: int
    """Decimals as printed."""
    definition: str
    """Full definition, one or two sentences."""
    shown_per_stored: float = 1.0
    """Factor from the stored to the printed value: 100 for shares shown in %."""
    mm_per_other: float = 0.0
    """Size of the inch unit in the stored unit; 0 where inches make no sense."""
    other_unit: str = ""
    """Name of the inch unit: in, in²."""
    is_count: bool = False
    """Whole numbers only."""


_ALL = (
    Trait(
        "total_length_mm",
        "total length",
        "mm",
        5.0,
        600.0,
        1,
        "Length along the axis from the base to the tip of the leader; a bent cutting is measured along its "
        "bend, a heel counts.",
        mm_per_other=MM_PER_INCH,
        other_unit="in",
    ),
    Trait(
        "straight_length_mm",
        "straight length",
        "mm",
        5.0,
        600.0,
        1,
        "The straight line from the base to the tip.",
        mm_per_other=MM_PER_INCH,
        other_unit="in",
    ),
    Trait(
        "stripped_length_mm",
        "stripped stem",
        "mm",
        0.0,
        300.0,
        1,
        "Along the axis from the base to where the lowest foliage of the foliage mass is attached; a single "
        "leftover needle, leaf or stub below it is counted as a stray and does not end it.",
        mm_per_other=MM_PER_INCH,
        other_unit="in",
    ),
    Trait(
        "base_diameter_mm",
        "base diameter",
        "mm",
        0.3,
        30.0,
        2,
        "Mean width of the stem at right angles to its axis between 3 and 10 mm above the cut face, or above "
        "the heel where there is one; on a stripped stem shorter than 10 mm from 3 mm to its end.",
        mm_per_other=MM_PER_INCH,
        other_unit="in",
    ),
    Trait(
        "foliage_area_mm2",
        "foliage area",
        "mm²",
        0.0,
        100_000.0,
        0,
        "Area of the foliage as seen from straight above: leaves and the green shoots they cover, without "
        "the bare stem.",
        mm_per_other=MM2_PER_INCH2,
        other_unit="in²",
    ),
    Trait(
        "crook_deg",
        "crook",
        "°",
        0.0,
        180.0,
        0,
        "The largest angle between the chords of two neighbouring 12 mm lengths of the axis, both above a "
        "heel and below the last 20 mm. Does not exist on a cutting too short for them.",
    ),
    Trait(
        "crook_at_mm",
        "crook height",
        "mm",
        0.0,
        600.0,
        0,
        "Distance of that bend from the base, along the axis.",
        mm_per_other=MM_PER_INCH,
        other_unit="in",
    ),
    Trait(
        "sweep_ratio",
        "sweep",
        "",
        0.0,
        2.0,
        3,
        "The largest distance of the axis from the straight line between base and tip, divided by the length "
        "of that line.",
    ),
    Trait(
        "tips_count",
        "tips",
        "",
        1.0,
        200.0,
        0,
        "Growing tips: the leader and the side shoots that spring from the main stem and are at least 12 mm "
        "and a fifth of the total length long.",
        is_count=True,
    ),
    Trait(
        "browned_share",
        "browned share",
        "%",
        0.0,
        1.0,
        0,
        "Share of the foliage area that is brown or bleached.",
        shown_per_stored=100.0,
    ),
    Trait(
        "heel_length_mm",
        "heel length",
        "mm",
        0.0,
        100.0,
        1,
        "Length of the short piece of older, thicker wood left at the lower end, at an angle to the stem; 0 "
        "without one.",
        mm_per_other=MM_PER_INCH,
        other_unit="in",
    ),
    Trait(
        "heel_width_mm",
        "heel width",
        "mm",
        0.0,
        50.0,
        1,
        "Width of that piece. Does not exist without a heel.",
        mm_per_other=MM_PER_INCH,
        other_unit="in",
    ),
    Trait(
        "strays_count",
        "strays",
        "",
        0.0,
        200.0,
        0,
        "Single needles, leaves or stubs left on the stripped stem.",
        is_count=True,
    ),
)

TRAITS: Mapping[str, Trait] = MappingProxyType({trait.name: trait for trait in _ALL})
"""Every measurement by name, in the order of tables."""


def does_not_exist(note: str) -> Measured:
    """Return the value of something this cutting does not have, e.g. a crook on a 30 mm start.

    The definition gives no number, and that is certain (nan with uncertainty 0): rules about it are met.
    """
    return Measured(math.nan, 0.0, note)


def not_measurable(note: str) -> Measured:
    """Return the value of something that is there but could not be measured (nan, uncertainty nan).

    Rules about it are unsure, and ``note`` tells the person why.
    """
    return Measured(math.nan, math.nan, note)


def is_absent(measured: Measured) -> bool:
    """Return whether this is something the cutting does not have.

    Examples
    --------
    >>> is_absent(does_not_exist("too short to have a crook"))
    True
    >>> is_absent(not_measurable("foliage hides it"))
    False
    """
    return math.isnan(measured.value) and measured.sigma == 0.0


def number_text(trait: Trait, value: float) -> str:
    """Return a number with its unit as people read it, inches in brackets.

    Examples
    --------
    >>> number_text(TRAITS["total_length_mm"], 92.43)
    '92.4 mm (3.64 in)'
    >>> number_text(TRAITS["browned_share"], 0.123)
    '12 %'
    >>> number_text(TRAITS["crook_deg"], 17.2)
    '17°'
    """
    main = metric_text(trait, value)
    other = inch_text(trait, value)
    return f"{main} ({other})" if other else main


def metric_text(trait: Trait, value: float, sigma: float = math.nan) -> str:
    """Return a number with its unit, and its standard uncertainty when there is one.

    Examples
    --------
    >>> metric_text(TRAITS["base_diameter_mm"], 2.314, 0.042)
    '2.31 ± 0.04 mm'
    >>> metric_text(TRAITS["tips_count"], 3.0)
    '3'
    """
    if math.isnan(value):
        return "–"
    text = f"{value * trait.shown_per_stored:.{trait.decimals}f}"
    if math.isfinite(sigma) and sigma > 0.0:
        shown_sigma = sigma * trait.shown_per_stored
        smallest = 10.0**-trait.decimals
        text += f" ± {max(shown_sigma, smallest):.{trait.decimals}f}"
    gap = "" if trait.unit in ("", "°") else " "
    return text + gap + trait.unit


def inch_text(trait: Trait, value: float) -> str:
    """Return the same number in inches, or an empty text where inches make no sense.

    Examples
    --------
    >>> inch_text(TRAITS["total_length_mm"], 25.4)
    '1.00 in'
    >>> inch_text(TRAITS["base_diameter_mm"], 6.35)
    '0.250 in'
    """
    if not trait.mm_per_other or math.isnan(value):
        return ""
    decimals = trait.decimals + 1 if trait.other_unit == "in" else 2
    return f"{value / trait.mm_per_other:.{max(decimals, 2)}f} {trait.other_unit}"


def measured_text(trait: Trait, measured: Measured) -> str:
    """Return value, uncertainty and inches, or why there is no value.

    Examples
    --------
    >>> measured_text(TRAITS["stripped_length_mm"], Measured(18.2, 0.6))
    '18.2 ± 0.6 mm (0.72 in)'
    >>> measured_text(TRAITS["crook_deg"], does_not_exist("too short for a crook"))
    'none'
    >>> measured_text(TRAITS["base_diameter_mm"], not_measurable("foliage hides the lower stem"))
    'not measurable: foliage hides the lower stem'
    """
    if is_absent(measured):
        return "none"
    if math.isnan(measured.value):
        return f"not measurable: {measured.note}" if measured.note else "not measurable"
    main = metric_text(trait, measured.value, measured.sigma)
    other = inch_text(trait, measured.value)
    return f"{main} ({other})" if other else main


def markdown_table() -> str:
    """Return the definitions as a Markdown table: the one in the README.

    Examples
    --------
    >>> print(markdown_table().splitlines()[0])
    | measurement | unit | definition |
    """
    rows = ["| measurement | unit | definition |", "|---|---|---|"]
    for trait in TRAITS.values():
        unit = f"{trait.unit} ({trait.other_unit})" if trait.other_unit else trait.unit or "–"
        rows.append(f"| {trait.words} | {unit} | {trait.definition} |")
    return "\n".join(rows)
