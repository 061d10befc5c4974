"""The rules in words, with the limits that the cuttings were judged by."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from grader.errors import GraderError
from grader.verdict import Targets, load_targets, shipped_names
from grader.verdict.explain import explain_rule
from grader.verdict.rules import HEADINGS, RULES

LIMIT_HEADING = HEADINGS[2]


@dataclass(frozen=True, slots=True)
class RuleTold:
    """One rule as the page explains it."""

    code: str
    flag: str
    parts: tuple[tuple[str, str], ...]
    """(heading, text) pairs; a text may have several lines."""


def rules_told(cuttings: Iterable[Mapping[str, Any]], settings: Mapping[str, Any]) -> list[RuleTold]:
    """Return every rule that was applied, in the order of tables.

    Limits and sources come from the target files as far as they are still there unchanged; for a file
    that is gone or changed they come from the results.

    Parameters
    ----------
    cuttings : iterable of mappings
        Cuttings of results.json.
    settings : mapping
        Its settings.
    """
    flags: dict[str, str] = {}
    limits: dict[str, dict[str, list[str]]] = {}
    for cutting in cuttings:
        if cutting["targets"] not in limits:
            told = limits.setdefault(cutting["targets"], {})
            for rule in cutting["rules"]:
                flags.setdefault(rule["rule"], rule["flag"])
                told.setdefault(rule["rule"], []).append(_limit(rule))
    targets = _targets_still_there(settings)
    known = [code for code in RULES if code in flags]
    unknown = sorted(set(flags) - set(RULES))
    return [RuleTold(code, flags[code], _parts(code, limits, targets)) for code in (*known, *unknown)]


def _limit(rule: Mapping[str, Any]) -> str:
    leads_to = {"cull": "beyond it: cull", "2": "beyond it: grade 2"}.get(
        rule["grade_if_failed"], "pointed out only"
    )
    limit = "no number" if rule["limit"] is None else f"{rule['limit']:g} {rule.get('unit', '')}".rstrip()
    return f"{limit} ({leads_to})"


def _targets_still_there(settings: Mapping[str, Any]) -> dict[str, Targets]:
    """Return by id the targets that can be read: the file of the run, and the shipped sets."""
    found: dict[str, Targets] = {}
    for name in (settings.get("targets_file"), *shipped_names()):
        if isinstance(name, str):
            try:
                targets = load_targets(name)
            except GraderError:
                continue  # gone or changed since: the results still hold the limits
            found.setdefault(targets.id, targets)
    return found


def _parts(
    code: str, limits: Mapping[str, Mapping[str, list[str]]], targets: Mapping[str, Targets]
) -> tuple[tuple[str, str], ...]:
    """Return what is told of one rule; with several target sets the limits of each."""
    parts: list[tuple[str, str]] = []
    for targets_id, by_rule in limits.items():
        if code in RULES and targets_id in targets:
            told = explain_rule(RULES[code], targets[targets_id])
        else:
            told = _without_file(code, targets_id, by_rule.get(code, []))
        if not parts:
            parts = list(told)
        else:
            parts += [part for part in told if part[0] == LIMIT_HEADING and part not in parts]
    return tuple(parts)


def _without_file(code: str, targets_id: str, limits: list[str]) -> tuple[tuple[str, str], ...]:
    text = f"Targets {targets_id}: {'; '.join(limits) or 'no limit'}."
    text += " The target file is not there any more or was changed since, so its sources cannot be told."
    if code not in RULES:
        return ((LIMIT_HEADING, text),)
    rule = RULES[code]
    return ((HEADINGS[0], rule.checks), (HEADINGS[1], rule.why), (LIMIT_HEADING, text))
