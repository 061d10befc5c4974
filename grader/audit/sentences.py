"""What a person could say to a helper at the bench: about the step, never about the person.

At most three sentences a cutter, each with the trait and side its pictures show.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from grader.audit.aims import Fault
from grader.audit.findings import Average, CutterFound, Missed
from grader.traits.catalogue import TRAITS, Trait, inch_text
from grader.verdict.rules import Side

MOST_SENTENCES = 3
_MIN, _MAX = Side.MIN, Side.MAX

STEPS: Mapping[tuple[str, Side], str] = MappingProxyType(
    {
        ("total_length_mm", _MIN): "Cut about {by} longer",
        ("total_length_mm", _MAX): "Cut about {by} shorter",
        ("stripped_length_mm", _MIN): "Strip about {by} more",
        ("stripped_length_mm", _MAX): "Strip about {by} less",
        ("base_diameter_mm", _MIN): "Take wood about {by} thicker",
        ("base_diameter_mm", _MAX): "Take wood about {by} thinner",
        ("foliage_area_mm2", _MIN): "Leave about {by} more foliage",
        ("crook_deg", _MAX): "Pass over shoots with a sharp bend",
        ("sweep_ratio", _MAX): "Choose straighter shoots",
        ("browned_share", _MAX): "Pass over shoots with brown foliage",
        ("strays_count", _MAX): "Wipe the last needles off the stripped stem",
        ("tips_count", _MIN): "Choose shoots with more tips",
        ("heel_length_mm", _MAX): "Cut the heel of older wood off",
    }
)
"""What to do about it, by trait and the limit that is missed."""
SINGLE_STEPS: Mapping[tuple[str, Side], str] = MappingProxyType(
    {
        ("total_length_mm", _MIN): "Let none be cut short",
        ("total_length_mm", _MAX): "Let none be cut long",
        ("stripped_length_mm", _MIN): "Check the bare part of each and strip the short ones further",
        ("stripped_length_mm", _MAX): "Check the bare part of each and stop stripping sooner",
        ("base_diameter_mm", _MIN): "Pass over thin wood",
        ("base_diameter_mm", _MAX): "Pass over thick wood",
        ("foliage_area_mm2", _MIN): "Pass over shoots with little foliage",
    }
)
"""What to do where the average is right, or not known to be off, but too many single ones miss a limit."""
LEAST_PRAISED = 0.9
"""Share of cuttings that fit before something is called right."""
ONE_SIDE = 0.8
"""From this share on one side on, work is off to that side, not uneven."""
BY_HAND = ("total_length_mm", "stripped_length_mm", "base_diameter_mm")
"""What a hand decides: praised first."""
SHORT_OF: Mapping[Side, str] = MappingProxyType({_MIN: "were short of", _MAX: "were beyond"})


@dataclass(frozen=True, slots=True)
class Sentence:
    """One thing to say."""

    text: str
    trait: str
    side: Side | None
    """Which limit is missed; None for praise."""
    is_praise: bool = False


def sentences(found: CutterFound) -> list[Sentence]:
    """Return up to three things to say: findings first, then what goes well.

    A finding is one that holds after the correction; nothing else is asked of anybody.
    """
    told: list[tuple[float, Sentence]] = []
    for trait, average in found.averages.items():
        if average.verdict == "off":
            side = _MIN if average.distance < 0.0 else _MAX
            weight = abs(average.distance) / average.practical
            told.append((weight, Sentence(_average_text(average, side, found), trait, side)))
    named = {sentence.trait for _, sentence in told}
    for trait, missed in frequent(found).items():
        if trait not in named:
            # Its picture shows the side on which more lie.
            side = _worse(found, trait).fault.rule.side
            told.append((missed.share.value, Sentence(_missed_text(missed), trait, side)))
            named.add(trait)
    asked = [sentence for _, sentence in sorted(told, key=lambda pair: -pair[0])][:MOST_SENTENCES]
    return asked + _praise(found, named)[: MOST_SENTENCES - len(asked)]


def frequent(found: CutterFound) -> dict[str, Missed]:
    """Return one frequent fault a trait: of one side where nearly all lie there, else of both together."""
    faults: dict[str, Missed] = {}
    for missed in found.missed:
        trait = missed.fault.rule.trait
        if not missed.is_finding or trait in faults:
            continue
        sides = [m for m in found.missed if m.fault.rule.trait == trait]
        both = next((m for m in sides if m.fault.is_either_side), missed)
        worse = _worse(found, trait)
        faults[trait] = worse if worse.share.k >= ONE_SIDE * both.share.k else both
    return faults


def _worse(found: CutterFound, trait: str) -> Missed:
    """Return the single limit of a trait that is missed most."""
    singles = [m for m in found.missed if m.fault.rule.trait == trait and not m.fault.is_either_side]
    return max(singles, key=lambda m: m.share.k)


def amount(trait: Trait, value: float) -> str:
    """Return a difference as people say it: a round number with unit, inches in brackets.

    Examples
    --------
    >>> amount(TRAITS["stripped_length_mm"], 6.2)
    '6 mm (0.24 in)'
    >>> amount(TRAITS["base_diameter_mm"], 0.42)
    '0.4 mm (0.017 in)'
    >>> amount(TRAITS["foliage_area_mm2"], 118.0)
    '120 mm² (0.18 in²)'
    """
    shown = abs(value) * trait.shown_per_stored
    decimals = max(0, trait.decimals - 1)
    text = f"{round(shown, -1):.0f}" if trait.unit == "mm²" else f"{shown:.{decimals}f}"
    gap = "" if trait.unit in ("", "°") else " "
    inches = inch_text(trait, abs(value))
    return f"{text}{gap}{trait.unit}" + (f" ({inches})" if inches else "")


def short(trait: Trait, value: float) -> str:
    """Return a limit in its metric unit without needless decimals.

    Examples
    --------
    >>> short(TRAITS["stripped_length_mm"], 19.0)
    '19 mm'
    >>> short(TRAITS["browned_share"], 0.1)
    '10 %'
    """
    gap = "" if trait.unit in ("", "°") else " "
    return f"{value * trait.shown_per_stored:g}{gap}{trait.unit}"


def limit_words(fault: Fault) -> str:
    """Return what missing a limit is called."""
    trait = TRAITS[fault.rule.trait]
    if fault.is_either_side:
        return f"were outside {fault.limit * trait.shown_per_stored:g} to {short(trait, fault.upper)}"
    return f"{SHORT_OF[fault.rule.side]} {short(trait, fault.limit)}"


def _average_text(average: Average, side: Side, found: CutterFound) -> str:
    trait = TRAITS[average.trait]
    step = STEPS[(average.trait, side)].format(by=amount(trait, average.distance))
    missed = next(
        (
            m
            for m in found.missed
            if m.fault.rule.trait == average.trait
            and m.fault.rule.side is side
            and not m.fault.is_either_side
        ),
        None,
    )
    if missed is not None and missed.share.k:
        return f"{step}: {_counted(missed)}."
    edge = average.zone.wanted[0 if side is _MIN else 1]
    word = "least" if side is _MIN else "most"
    return (
        f"{step}: the average is {short(trait, round(average.spread.mean, trait.decimals))}, close to the "
        f"{word} wanted, {short(trait, edge)}, so there is no room for chance."
    )


def _missed_text(missed: Missed) -> str:
    rule = missed.fault.rule
    trait, key = TRAITS[rule.trait], (rule.trait, rule.side)
    step = SINGLE_STEPS.get(key) or STEPS.get(key, f"Watch for {rule.flag}")
    if missed.fault.is_either_side:
        step = f"Make the {trait.words} more even"
    return f"{step}: {_counted(missed)}."


def _counted(missed: Missed) -> str:
    trait, share = TRAITS[missed.fault.rule.trait], missed.share
    told = f"{share.k} of {share.n} {limit_words(missed.fault)}"
    if trait.is_count or math.isnan(missed.typical):
        return told
    return f"{told}, typically by {amount(trait, missed.typical)}"


def _praise(found: CutterFound, named: set[str]) -> list[Sentence]:
    """Return what surely goes well, most certain first."""
    good: list[tuple[tuple[bool, float], Sentence]] = []
    for trait, average in found.averages.items():
        if trait in named or average.verdict != "fits":
            continue
        over = [m.share for m in found.missed if m.fault.rule.trait == trait and not m.fault.is_either_side]
        n = max((share.n for share in over), default=0)
        inside = n - sum(share.k for share in over)
        if n and inside >= LEAST_PRAISED * n:
            words = TRAITS[trait].words.capitalize()
            text = f"{words} is right, keep it so: {inside} of {n} fit."
            good.append(((trait in BY_HAND, inside / n), Sentence(text, trait, None, True)))
    return [sentence for _, sentence in sorted(good, key=lambda pair: pair[0], reverse=True)]
