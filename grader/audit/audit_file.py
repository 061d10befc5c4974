"""audit.json: every figure of an audit, for programs to read; the pages are made of the same numbers."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

from grader.audit.findings import Average, CutterFound, Difference, Missed
from grader.audit.pages import Whole
from grader.audit.repeats import Repeated
from grader.audit.sentences import sentences
from grader.write.results import program_version, to_json

SCHEMA = "cutting-grader/audit-1"
"""Changes when a field changes its meaning or goes; new fields may come without."""


def audit_json(whole: Whole, made_at: datetime) -> str:
    """Return all conclusions as JSON; what is not a number is null. Units are those of results.json."""
    found = whole.found
    return to_json(
        {
            "schema": SCHEMA,
            "program": {"name": "cutting-grader", "version": program_version()},
            "made_at": made_at.isoformat(timespec="seconds"),
            "targets": whole.targets.id,
            "reference": whole.names.get(found.reference) or None,
            "correction": {
                "method": "Holm, within families",
                "family_level": found.family_level,
                "compared": dict(found.n_compared),
            },
            "prints_in_doubt": [
                {"mats": list(d.mats), "factor": d.factor, "low": d.low, "high": d.high, "n": d.n}
                for d in found.mats
            ],
            "cutters": [_cutter(whole, person) for person in found.cutters.values()],
            "gauge": _gauge(whole.repeated),
        }
    )


def _cutter(whole: Whole, person: CutterFound) -> dict[str, Any]:
    return {
        "cutter": whole.names[person.cutter],
        "n": len(person.samples),
        "n_trays": person.n_trays,
        "within_all_wanted": {"k": person.all_wanted.k, "n": person.all_wanted.n,
                              "low": person.all_wanted.low, "high": person.all_wanted.high},
        "sentences": [sentence.text for sentence in sentences(person)],
        "averages": [_average(average) for average in person.averages.values()],
        "missed": [_missed(missed) for missed in person.missed],
        "differences": [_difference(difference) for difference in person.differences.values()],
    }  # fmt: skip


def _average(average: Average) -> dict[str, Any]:
    spread = average.spread
    return {
        "trait": average.trait, "mean": spread.mean, "low": average.interval[0], "high": average.interval[1],
        "sd": spread.sd, "sd_low": spread.sd_interval()[0],
        "sd_high": spread.sd_interval()[1], "n": spread.n, "n_trays": spread.n_trays,
        "belongs_from": _finite(average.zone.low), "belongs_to": _finite(average.zone.high),
        "outside_by": average.distance, "practical": average.practical, "p_corrected": average.p,
        "verdict": average.verdict, "n_more": average.n_more,
    }  # fmt: skip


def _missed(missed: Missed) -> dict[str, Any]:
    share, fault = missed.share, missed.fault
    return {
        "rule": fault.rule.code, "flag": fault.flag, "limit": fault.limit,
        "upper_limit": _finite(fault.upper), "k": share.k, "n": share.n,
        "low": share.low, "high": share.high, "design_effect": share.design_effect,
        "typical_beyond": missed.typical, "p_corrected": missed.p, "is_finding": missed.is_finding,
    }  # fmt: skip


def _difference(difference: Difference) -> dict[str, Any]:
    return {
        "trait": difference.trait, "difference": difference.value, "low": difference.interval[0],
        "high": difference.interval[1], "practical": difference.practical, "p_corrected": difference.p,
        "verdict": difference.verdict, "n_more": difference.n_more,
    }  # fmt: skip


def _gauge(repeated: Repeated | None) -> dict[str, Any] | None:
    if repeated is None:
        return None
    return {
        "notes": list(repeated.notes),
        "traits": [
            {
                "trait": share.trait, "method": gauge.method, "repeatability": gauge.repeatability,
                "reproducibility": gauge.reproducibility, "part": gauge.part, "grr_share": gauge.grr_share,
                "variance_share": gauge.variance_share, "categories": gauge.categories,
                "n_parts": gauge.n_parts, "n_persons": gauge.n_persons, "n_trials": gauge.n_trials,
            }
            for share in repeated.shares.values()
            for gauge in (share.by_anova, share.by_range)
        ],
    }  # fmt: skip


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
