"""How figures of an audit are written: unit, interval and number of cuttings, never a bare p value."""

from __future__ import annotations

import math

from grader.audit.aims import PRACTICAL, TOLERATED_SHARE, Zone
from grader.audit.clusters import Spread
from grader.audit.course import Course
from grader.audit.enough import more_words
from grader.audit.findings import Average, Difference, Missed
from grader.audit.mats import MatDoubt
from grader.audit.sentences import amount, short
from grader.audit.shares import Share
from grader.traits.catalogue import TRAITS, metric_text, number_text


def range_words(trait_name: str, low: float, high: float) -> str:
    """Return an interval with its unit.

    Examples
    --------
    >>> range_words("stripped_length_mm", 24.93, 27.2)
    '24.9 to 27.2 mm'
    """
    trait = TRAITS[trait_name]
    if math.isnan(low) or math.isnan(high):
        return "–"
    factor, gap = trait.shown_per_stored, "" if trait.unit in ("", "°") else " "
    return f"{low * factor:.{trait.decimals}f} to {high * factor:.{trait.decimals}f}{gap}{trait.unit}"


def zone_words(trait_name: str, zone: Zone) -> str:
    """Return where averages belong.

    Examples
    --------
    >>> zone_words("crook_deg", Zone(-math.inf, 25.0, (math.nan, 25.0)))
    'at most 25°'
    """
    trait = TRAITS[trait_name]
    if zone.is_two_sided:
        return range_words(trait_name, zone.low, zone.high)
    if math.isfinite(zone.low):
        return f"at least {short(trait, zone.low)}"
    return f"at most {short(trait, zone.high)}" if math.isfinite(zone.high) else "–"


def mean_words(trait_name: str, spread: Spread) -> str:
    """Return an average, inches in brackets."""
    return number_text(TRAITS[trait_name], spread.mean)


def average_verdict(average: Average) -> str:
    """Return in words what an average says."""
    trait = TRAITS[average.trait]
    if average.verdict == "off":
        side = "below" if average.distance < 0.0 else "above"
        return f"{side} by {amount(trait, average.distance)}"
    if average.verdict == "too few":
        return more_words(average.n_more)
    return {
        "fits": "fits",
        "near": "at the edge: not told from chance",
        "mat first": "not judged: measure the check bar first",
    }[average.verdict]


def difference_verdict(difference: Difference) -> str:
    """Return in words what a difference from the reference says."""
    trait = TRAITS[difference.trait]
    if difference.verdict == "differs":
        return f"differs by {amount(trait, difference.value)}"
    if difference.verdict == "too few":
        return more_words(difference.n_more)
    return {
        "alike": f"alike within {short(trait, difference.practical)}",
        "near": "not told from chance",
        "mat first": "not judged: measure the check bar first",
    }[difference.verdict]


def signed(trait_name: str, value: float) -> str:
    """Return a difference with its sign.

    Examples
    --------
    >>> signed("stripped_length_mm", -3.04)
    '-3.0 mm'
    """
    text = metric_text(TRAITS[trait_name], value)
    return f"+{text}" if value > 0.0 else text


def share_words(share: Share) -> str:
    """Return a share with its Wilson interval.

    Examples
    --------
    >>> from grader.audit.shares import share
    >>> share_words(share([(17, 40)]))
    '42 % (29 to 58 %)'
    """
    if not share.n:
        return "–"
    return f"{100 * share.value:.0f} % ({100 * share.low:.0f} to {100 * share.high:.0f} %)"


def missed_verdict(missed: Missed) -> str:
    """Return in words whether a fault is frequent."""
    if not missed.share.n:
        return "not measured"
    if missed.is_finding:
        return "frequent"
    if missed.share.high <= TOLERATED_SHARE:
        return "rare"
    if missed.share.value <= TOLERATED_SHARE:
        return "no more than tolerated here"
    return "not told from what is tolerated"


def typical_words(missed: Missed) -> str:
    """Return how far beyond the limit, typically."""
    if math.isnan(missed.typical):
        return "–"
    return amount(TRAITS[missed.fault.rule.trait], missed.typical)


def mat_words(doubt: MatDoubt) -> str:
    """Return what is wrong with a print and what to do."""
    off, low, high = (100 * abs(x - 1.0) for x in (doubt.factor, doubt.low, doubt.high))
    low, high = min(low, high), max(low, high)
    side = "small" if doubt.factor < 1.0 else "large"
    if len(doubt.mats) > 1:
        which = f'One of the prints "{doubt.mats[0]}" and "{doubt.mats[1]}" is wrong: the first reads'
    else:
        which = f'The print "{doubt.mats[0]}" reads'
    people = (
        "The same people measure otherwise on other prints."
        if doubt.is_same_people
        else "Only the sizes tell it from a habit."
    )
    return (
        f"{which} all lengths, widths and areas alike {off:.1f} % too {side} ({low:.1f} to {high:.1f} %, "
        f"{doubt.n} cuttings). That is a print at the wrong scale, not a person. {people} Sizes on it are "
        "not judged: measure its check bar, grade its photos again with --measured, then audit again."
    )


def course_words(course: Course) -> str:
    """Return how a trait moved over time."""
    trait = course.trait
    told = []
    if course.trend is None:
        told.append("Too few trays to tell a change: photograph at least 4.")
    else:
        line = course.trend
        told.append(
            f"From first to last of {line.n_trays} trays: {signed(trait, line.change)} along a straight line "
            f"(95 % interval {range_words(trait, line.low, line.high)})"
            + ("." if line.is_clear else ": not told from no change.")
        )
        practical = PRACTICAL[trait]
        if line.is_clear and not practical.is_relative and abs(line.change) < practical.size:
            told.append("Too small to matter.")
    if course.own:
        alarms = sorted({rule for broken in course.own[0].broken for rule in broken})
        n = course.own[0].n_alarms + course.own[1].n_alarms
        told.append(
            f"Control chart ({course.own[0].source}): {n} of {len(course.own[0].points)} trays ringed"
            + (f" ({'; '.join(alarms)})." if alarms else ".")
        )
    if course.against_targets:
        told.append(
            f"Against the targets {course.against_targets.n_alarms} tray averages lie outside "
            "where averages belong by more than chance."
        )
    if course.n_left_out:
        told.append(f"{course.n_left_out} trays with a single cutting are left out.")
    return " ".join(told)
