"""How a doubt is settled at the bench with a ruler and a caliper: what to lay where, and what it must show.

Nobody there has a protractor, so a limit on an angle or on a ratio is told as a gap in millimetres beside a
ruler.  The stretches are those of the definitions in :mod:`grader.traits.catalogue`.
"""

from __future__ import annotations

import math

from grader.records import Measured, RuleOutcome, Traits
from grader.traits.catalogue import MM_PER_INCH, TRAITS, metric_text, number_text
from grader.verdict.rules import RULES, Side

REACHES_MM = (30.0, 20.0, 12.0)
"""How far past a bend the gap beside a ruler is read; the first that the cutting is long enough for.
At 30 mm a degree is half a millimetre, the finest a ruler shows; 12 mm is the chord of the definition."""
CALIPER_FROM_MM, CALIPER_TO_MM = 3.0, 10.0
"""Where the base diameter is taken, above the cut face or the heel: see its definition."""
HAND_WORDS = {"crook_deg": "bend", "sweep_ratio": "bow", "browned_share": "brown part of the foliage"}
"""What the person at the bench calls it, where the name of the trait is not plain."""
_BY_EYE = ("foliage_area_mm2", "browned_share", "strays_count", "tips_count")
"""No rule measures these."""
_NOT_KNOWN = Measured(math.nan, math.nan)


def is_by_eye(name: str) -> bool:
    """Return whether a trait can only be judged by eye."""
    return name in _BY_EYE


def hand_words(name: str) -> str:
    """Return what a person calls a trait."""
    return HAND_WORDS.get(name, TRAITS[name].words)


def where(name: str, traits: Traits, is_new_cut: bool) -> str:
    """Return what to lay where: "caliper 3 to 10 mm above the new cut"; empty where that is plain.

    Parameters
    ----------
    name : str
        Trait.
    traits : Traits
        Of the cutting as it is when it is measured.
    is_new_cut : bool
        Whether its lower end is cut anew before.

    Examples
    --------
    >>> where("total_length_mm", {}, False)
    'ruler along the stem, cut end to tip'
    >>> where("base_diameter_mm", {"stripped_length_mm": Measured(8.0, 0.5)}, False)
    'caliper 3 to 8 mm above the cut end'
    """
    end = "new cut" if is_new_cut else "cut end"
    if name == "base_diameter_mm":
        if _value(traits, "heel_length_mm") > 0.0:
            end = "heel"
        bare_mm = _value(traits, "stripped_length_mm")
        is_short = CALIPER_FROM_MM + 1.0 <= bare_mm < CALIPER_TO_MM and end != "heel"
        high_mm = math.floor(bare_mm) if is_short else CALIPER_TO_MM
        return f"caliper {CALIPER_FROM_MM:.0f} to {high_mm:.0f} mm above the {end}"
    return {
        "total_length_mm": f"ruler along the stem, {end} to tip",
        "straight_length_mm": f"ruler straight from {end} to tip",
        "stripped_length_mm": f"ruler along the stem, {end} to first foliage",
        "crook_deg": f"ruler's edge along the middle of the stem below the bend{_bend_place(traits, end)}",
        "crook_at_mm": f"ruler along the stem, {end} to bend",
        "sweep_ratio": f"ruler straight from {end} to tip",
        "heel_length_mm": "ruler along the heel",
        "heel_width_mm": "caliper across the heel",
    }.get(name, "")


def must_show(doubt: RuleOutcome, traits: Traits) -> str:
    """Return the limit as it is read off.

    An angle is the gap beside a ruler past the bend, ``reach * sin(angle)``; a sweep is the gap beside a
    ruler from end to end, ratio times straight length.

    Examples
    --------
    >>> from grader.records import Outcome
    >>> def doubt(rule, trait, limit):
    ...     return RuleOutcome(rule, "", trait, Outcome.UNSURE, "2", _NOT_KNOWN, limit, "", 0.5, "")
    >>> must_show(doubt("C01", "crook_deg", 25.0), {})
    '30 mm up the stem from the bend its middle may lie at most 13 mm (0.51 in) beside the ruler'
    >>> must_show(doubt("C02", "sweep_ratio", 0.12), {"straight_length_mm": Measured(100.0, 0.4)})
    'where it bows most its middle may lie at most 12 mm (0.47 in) beside the ruler'
    >>> must_show(doubt("D01", "base_diameter_mm", 1.6), {})
    'at least 1.60 mm (0.063 in)'
    """
    if doubt.trait == "crook_deg":
        reach_mm = _reach_mm(traits)
        gap = _gap(doubt, reach_mm * math.sin(math.radians(min(doubt.limit, 90.0))))
        return f"{reach_mm:.0f} mm up the stem from the bend its middle may lie {gap} beside the ruler"
    straight_mm = _value(traits, "straight_length_mm")
    if doubt.trait == "sweep_ratio" and math.isfinite(straight_mm):
        gap = _gap(doubt, doubt.limit * straight_mm)
        return f"where it bows most its middle may lie {gap} beside the ruler"
    return f"{bound(doubt)} {number_text(TRAITS[doubt.trait], doubt.limit)}"


def best_guess(name: str, traits: Traits) -> str:
    """Return the program's guess of a trait that only an eye can judge: "best guess 25 %"; else nothing."""
    value = _value(traits, name)
    return (
        f"best guess {metric_text(TRAITS[name], value)}" if is_by_eye(name) and not math.isnan(value) else ""
    )


def is_read_off(name: str) -> bool:
    """Return whether ruler or caliper show the trait itself, not a gap that stands for it."""
    return name.endswith("_mm") and not is_by_eye(name)


def is_met(doubt: RuleOutcome, traits: Traits) -> bool:
    """Return whether the best guess lies within a limit."""
    value = _value(traits, doubt.trait)
    return value >= doubt.limit if RULES[doubt.rule].side is Side.MIN else value <= doubt.limit


def bound(doubt: RuleOutcome) -> str:
    """Return on which side of its limit a value has to lie."""
    return RULES[doubt.rule].side.bound


def _gap(doubt: RuleOutcome, gap_mm: float) -> str:
    whole_mm = round(gap_mm)  # Both units tell the same place on a ruler.
    return f"{bound(doubt)} {whole_mm} mm ({whole_mm / MM_PER_INCH:.2f} in)"


def _reach_mm(traits: Traits) -> float:
    """Return how far past the bend the gap is read; the longest where the place of the bend is not known."""
    room_mm = _value(traits, "total_length_mm") - _value(traits, "crook_at_mm")
    if math.isnan(room_mm):
        return REACHES_MM[0]
    return next((reach_mm for reach_mm in REACHES_MM if reach_mm <= room_mm), REACHES_MM[-1])


def _bend_place(traits: Traits, end: str) -> str:
    at_mm = _value(traits, "crook_at_mm")
    return f", {at_mm:.0f} mm above the {end}" if at_mm >= 0.5 else ""


def _value(traits: Traits, name: str) -> float:
    return traits.get(name, _NOT_KNOWN).value
