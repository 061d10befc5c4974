"""A rule in words, under fixed headings, with the limits of a target file."""

from __future__ import annotations

import difflib
import math

from grader.errors import GraderError
from grader.traits.catalogue import TRAITS, number_text
from grader.verdict.rules import HEADINGS, RULES, Level, Rule
from grader.verdict.targets import Targets

_MEANING = {
    Level.ALLOWED: "beyond it: cull",
    Level.WANTED: "beyond it: grade 2",
    Level.NOTED: "pointed out only",
}


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
        zip(HEADINGS, (checks, rule.why, _limit_and_source(rule, targets), rule.example), strict=True)
    )


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
    return "\n".join(lines)
