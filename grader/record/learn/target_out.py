"""Write a suggested target as a target file that names its evidence."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from datetime import date

from grader.errors import TargetsProblem
from grader.record.learn.suggest import Suggestion
from grader.verdict.targets import Targets

SCHEMA = "cutting-grader/targets-1"


def target_file(base: Targets, suggestions: Sequence[Suggestion], day: date, from_record: str) -> str:
    """Return a target file: the limits of ``base``, with the suggested wanted limits in their place.

    What the record does not speak of stays as it was, source and all. Limits that a suggestion would cross
    (allowed ones) are kept; the suggestion then ends there.

    Parameters
    ----------
    base : Targets
        Whose limits are in use.
    suggestions : sequence of Suggestion
        At least one.
    day : date
        Of the evaluation.
    from_record : str
        Name of the record's file.
    """
    by_trait = {suggestion.trait: suggestion for suggestion in suggestions}
    notes = f"Wanted limits of {', '.join(by_trait)} come from own beds; all others are those of {base.id}."
    lines = [
        "# Suggested by grader learn. Read the evidence, then use it: grader grade PHOTO --targets FILE",
        f"schema  = {_text(SCHEMA)}",
        f"name    = {_text(f'{base.name}-own-beds')}",
        f"version = {_text(day.isoformat())}",
        f"species = {_text(base.species)}",
        f"notes   = {_text(notes)}",
        "",
        "[doubt]",
        f"policy = {_text(base.policy)}",
        f"guard_factor = {base.guard_factor!r}",
        "",
        "[advice]",
        f"upper_pieces = {str(base.upper_pieces).lower()}",
    ]
    for trait in dict.fromkeys((*base.limits, *by_trait)):
        limits = dict(base.limits[trait].by_key) if trait in base.limits else {}
        source = base.limits[trait].source if trait in base.limits else ""
        if trait in by_trait:
            limits = _changed(limits, by_trait[trait])
            evidence = evidence_of(by_trait[trait], day, from_record)
            source = f"{evidence}; other limits: {source}" if source else evidence
        lines += ["", f"[{trait}]", *(f"{key} = {value!r}" for key, value in sorted(limits.items()))]
        lines.append(f"source = {_text(source)}")
    return "\n".join(lines) + "\n"


def evidence_of(suggestion: Suggestion, day: date, from_record: str) -> str:
    """Return in words what a suggestion rests on."""
    gain, low, high = (
        _points(share) for share in (suggestion.gain, suggestion.gain_low, suggestion.gain_high)
    )
    return (
        f"wanted limits: own beds, record {from_record}, {day}: {suggestion.n_units} containers, "
        f"{suggestion.n_stuck} cuttings; expected gain of take {gain} ({low} to {high}) points against "
        "sticking all sizes"
    )


def _changed(limits: dict[str, float], suggestion: Suggestion) -> dict[str, float]:
    """Return limits with the wanted ones replaced; a side without a suggestion keeps its own."""
    new = dict(limits)
    for side, value, inward in (("min", suggestion.low, 1.0), ("max", suggestion.high, -1.0)):
        key, outer = f"wanted_{side}", f"allowed_{side}"
        if math.isnan(value):
            continue
        if outer in new and inward * (value - new[outer]) < 0.0:
            value = new[outer]
        new[key] = value
    if new.get("wanted_min", -math.inf) >= new.get("wanted_max", math.inf):
        # The old limit of the side that the data leave open contradicts them: it goes.
        new.pop("wanted_max" if math.isnan(suggestion.high) else "wanted_min")
    return new


def check_loads(text: str) -> None:
    """Read the file as the grader would.

    Raises
    ------
    TargetsProblem
        If a suggested limit contradicts one that is kept.
    """
    from pathlib import Path

    from grader.verdict.targets_file import parse_targets

    try:
        parse_targets(text.encode("utf-8"), Path("suggested.toml"))
    except TargetsProblem as problem:
        raise TargetsProblem(
            f"The suggested limits contradict limits in use: {problem.message}",
            "Widen the limits in use, then run grader learn again.",
        ) from None


def _points(share: float) -> str:
    return f"{100.0 * share:+.0f}"


def _text(value: str) -> str:
    """Return a TOML basic string; JSON's escapes are TOML's."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
