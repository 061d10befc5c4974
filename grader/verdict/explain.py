"""A rule in words, under fixed headings, with the limits of a target file."""

from __future__ import annotations

import difflib
import math

from grader.errors import GraderError
from grader.records import Measured, Outcome
from grader.traits.catalogue import TRAITS, Trait, number_text
from grader.verdict.decide import apply_rules, grade_from
from grader.verdict.rules import HEADINGS, RULES, Level, Rule, Side
from grader.verdict.targets import Targets

_MEANING = {
    Level.ALLOWED: "beyond it: cull",
    Level.WANTED: "beyond it: grade 2",
    Level.NOTED: "pointed out only",
}
_BEYOND = 0.08
"""How far beyond its limit the value of an example lies, relative: clear, and still believable."""


def find_rule(code: str) -> Rule:
    """Return the rule with this code, in capitals or not.

    Raises
    ------
    GraderError
        If there is none.
    """
    rule = RULES.get(code.strip().upper())
    if rule is None:
        near = difflib.get_close_matches(code.strip().upper(), RULES, n=1, cutoff=0.3)
        hint = f"Did you mean {near[0]}? " if near else ""
        raise GraderError(f'There is no rule "{code}".', f"{hint}Rules: {', '.join(RULES)}.")
    return rule


def explain_rule(rule: Rule, targets: Targets) -> tuple[tuple[str, str], ...]:
    """Return (heading, text) pairs, in the fixed order of HEADINGS.

    Examples
    --------
    >>> from grader.verdict.targets_file import load_targets
    >>> [heading for heading, _ in explain_rule(RULES["L01"], load_targets())]
    ['What it checks', 'Why it matters', 'Limit and source', 'Example']
    """
    trait = TRAITS[rule.trait]
    checks = f"{rule.checks} {trait.words.capitalize()}: {trait.definition}"
    return tuple(
        zip(
            HEADINGS,
            (checks, rule.why, _limit_and_source(rule, targets), _example(rule, targets)),
            strict=True,
        )
    )


def _example(rule: Rule, targets: Targets) -> str:
    """Return what the procedure makes of a value just beyond each limit, then what may be done about it."""
    trait = TRAITS[rule.trait]
    told = []
    for level in Level:
        limit = targets.get(rule.trait, level, rule.side)
        if math.isnan(limit):
            continue
        value = _just_beyond(trait, limit, rule.side)
        outcomes = apply_rules({rule.trait: Measured(value, 0.0)}, targets)
        about = tuple(o for o in outcomes if o.rule == rule.code)
        if any(o.outcome is Outcome.FAIL for o in about):
            grade = {"1": "pointed out", "2": "grade 2", "cull": "a cull"}[grade_from(about)]
            limit_words = f"{rule.side.bound} {number_text(trait, limit)} is {level.value}"
            told.append(
                f"{trait.words.capitalize()} {number_text(trait, value)}: {grade}, for {limit_words}."
            )
    if not told:
        return f"Whatever the {trait.words}, these targets do not mind it: they set no limit here."
    return "\n".join([*told, rule.remedy])


def _just_beyond(trait: Trait, limit: float, side: Side) -> float:
    """Return a value beyond a limit, as a person would read it off."""
    step = (
        1.0 if trait.is_count else max(abs(limit) * _BEYOND, 10.0**-trait.decimals / trait.shown_per_stored)
    )
    return max(limit + (step if side is Side.MAX else -step), 0.0)


def _limit_and_source(rule: Rule, targets: Targets) -> str:
    trait = TRAITS[rule.trait]
    lines = [f"Target file {targets.name} {targets.version}, section [{rule.trait}]:"]
    for level in Level:
        limit = targets.get(rule.trait, level, rule.side)
        if not math.isnan(limit):
            lines.append(
                f"{rule.key(level)} = {limit:g}, that is {number_text(trait, limit)} ({_MEANING[level]})"
            )
    if len(lines) == 1:
        keys = ", ".join(rule.key(level) for level in Level)
        return f"{lines[0]} no limit is set, so this rule is off. Set one of {keys} to turn it on."
    lines.append(f"Source: {targets.limits[rule.trait].source}.")
    if rule.code == "L02":
        may = "may" if targets.upper_pieces else "may not"
        lines.append(f"A long shoot {may} be divided (advice.upper_pieces). Source: {targets.advice_source}.")
    return "\n".join(lines)
