"""Figures -> text for people and data for programs; the goals stand beside the figures."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from grader.traits.catalogue import TRAITS
from tests.accuracy import goals
from tests.accuracy.compare import Comparison
from tests.accuracy.figures import Figures, Tally, by_place, by_trait, tally
from tests.accuracy.grades import GradePair
from tests.accuracy.places import PLACES

GROUPS: Mapping[str, Callable[[Comparison], bool]] = {
    "even": lambda item: not item.stress and not item.is_lowres,
    "stress": lambda item: bool(item.stress) and not item.is_lowres,
    "low resolution": lambda item: item.is_lowres,
}
"""Every photo belongs to exactly one."""

MISSED_GOAL = "<-"
"""Marks a figure that misses its goal."""
_DIGITS = {"deg": 2, "mm2": 2, "mm": 3, "ratio": 4, "share": 3, "count": 2}


def title_of(trait: str) -> str:
    """Return the words for a trait with the unit of its error."""
    if trait in PLACES:
        return PLACES[trait]
    unit = "%" if trait in goals.RELATIVE else TRAITS[trait].unit
    if TRAITS[trait].shown_per_stored != 1.0:
        unit = "share"
    return f"{TRAITS[trait].words}, {unit}" if unit else TRAITS[trait].words


def table(name: str, comparisons: Sequence[Comparison]) -> str:
    """Return the tables of one set: even, stress and low resolution, then every photo."""
    parts = []
    for group, belongs in GROUPS.items():
        chosen = [item for item in comparisons if belongs(item)]
        if chosen:
            parts.append(group_table(f"{name}, {group}", chosen, group != "even"))
    parts.append(condition_table(name, comparisons))
    return "\n\n".join(parts)


def group_table(title: str, comparisons: Sequence[Comparison], is_stress: bool) -> str:
    """Return the figures of some photos beside the goals."""
    head = (
        f"{'measurement':24s} {'n':>4s} {'nan':>4s} {'none':>4s} {'bias':>8s} {'goal':>6s}   {'RMSE':>8s} "
        f"{'p95':>8s} {'goal':>6s}   {'max':>8s} {'cover':>6s}   {'sigma':>8s}"
    )
    lines = [title, "=" * len(head), head, "-" * len(head)]
    lines += [_figure_line(trait, row, is_stress) for trait, row in by_trait(comparisons).items()]
    lines.append("-" * len(head))
    lines += [_figure_line(place, row, is_stress) for place, row in by_place(comparisons).items()]
    lines.append("-" * len(head))
    lines += _tally_lines(tally(comparisons), is_stress)
    lines += ["grades by every target file:", *target_lines(comparisons, is_stress)]
    return "\n".join(lines)


def _mark(is_missed: bool) -> str:
    return MISSED_GOAL if is_missed else "  "


def _figure_line(trait: str, row: Figures, is_stress: bool) -> str:
    goal = goals.GOALS.get(trait)
    digits = _DIGITS[trait.rsplit("_", 1)[1]]
    number = f"8.{digits}f"
    bias_goal = f"{goal.bias:6g}" if goal else " " * 6
    p95_goal = f"{goal.p95_for(is_stress):6g}" if goal else " " * 6
    low, high = goals.COVERAGE_RANGE
    is_counted = trait in TRAITS and TRAITS[trait].is_count
    return (
        f"{title_of(trait):24s} {row.n:4d} {row.cannot_tell:4d} {row.says_none:4d} "
        f"{row.bias:{number}} {bias_goal} {_mark(goal is not None and abs(row.bias) > goal.bias)}"
        f"{row.rmse:{number}} {row.p95:{number}} {p95_goal} "
        f"{_mark(goal is not None and row.p95 > goal.p95_for(is_stress))}{row.worst:{number}} "
        f"{row.coverage:6.1%} {_mark(not is_counted and not low <= row.coverage <= high)}"
        f"{row.mean_sigma:{number}}"
    )


def _tally_lines(counts: Tally, is_stress: bool) -> list[str]:
    position_goal = goals.POSITION_P95_STRESS_MM if is_stress else goals.POSITION_P95_MM
    share_goal = goals.GRADE_SHARE_STRESS if is_stress else goals.GRADE_SHARE
    lost_goal = goals.LOST_MAX_STRESS_SHARE * counts.cuttings if is_stress else 0.0
    confusion = ", ".join(f"{true}->{given} {n}" for true, given, n in counts.confusion)
    return [
        f"photos {counts.photos}, skipped {counts.skipped}; cuttings {counts.cuttings}: "
        f"missed {counts.missed}, invented {counts.invented}, merged {counts.merged}, set aside wrongly "
        f"{counts.set_aside_wrongly} {_mark(counts.lost > lost_goal)} (rightly set aside {counts.reported})",
        f"base at the wrong end {counts.wrong_end} {_mark(counts.wrong_end > 0)}",
        f"mat position: worst photo's 95 % {counts.position_p95_mm:.3f} mm (goal {position_goal:g}) "
        f"{_mark(counts.position_p95_mm > position_goal)}, max {counts.position_max_mm:.3f} mm",
        f"grades equal {counts.grades_equal} of {counts.grades_sure} sure = {counts.grade_share:.1%} (goal "
        f"{share_goal:.0%}) {_mark(counts.grade_share < share_goal)}; unsure {counts.unsure}, of these far "
        f"from every limit {counts.unsure_far} {_mark(counts.unsure_far > 0)}",
        f"true->given: {confusion}",
    ]


def target_lines(comparisons: Sequence[Comparison], is_stress: bool) -> list[str]:
    """Return one line per target file: the same measurements graded by it."""
    by_targets: dict[str, list[GradePair]] = {}
    for item in comparisons:
        for pair in (*item.grades, *item.other_grades):
            by_targets.setdefault(pair.targets, []).append(pair)
    goal = goals.GRADE_SHARE_STRESS if is_stress else goals.GRADE_SHARE
    lines = []
    for name, pairs in by_targets.items():
        sure = [pair for pair in pairs if pair.given != "unsure"]
        equal = sum(pair.given == pair.true_grade for pair in sure)
        share = equal / len(sure) if sure else math.nan
        far = sum(pair.is_far for pair in pairs if pair.given == "unsure")
        true = ", ".join(f"{grade} {n}" for grade, n in sorted(Counter(p.true_grade for p in pairs).items()))
        lines.append(
            f"  {name.split()[0]:20s} equal {equal:3d} of {len(sure):3d} = {share:6.1%} "
            f"{_mark(share < goal)} unsure {len(pairs) - len(sure):3d}, far {far} {_mark(far > 0)} "
            f"(truth: {true})"
        )
    return lines


def condition_table(name: str, comparisons: Sequence[Comparison]) -> str:
    """Return one line per photo: 95th percentiles (bias of the diameter) and counts."""
    columns = tuple(goals.GOALS)
    short = ("diam", "diam b", "total", "straight", "stripped", "fol %", "crook", "sweep", "brown")
    words = " ".join(f"{word:>8s}" for word in short)
    head = (
        f"{'photo':20s} {'n':>3s} {'miss':>4s} {'inv':>3s} {'mrg':>3s} {'set':>3s} {'end':>3s} "
        f"{'pos mm':>6s} {'sigma':>6s} {'curl true/found':>15s} {words} {'equal':>7s} {'uns':>3s}"
    )
    lines = [f"{name}, every photo: 95th percentile of |error| (diam b: bias)", head, "-" * len(head)]
    for item in comparisons:
        rows, counts = by_trait([item]), tally([item])
        cells = []
        for trait in columns:
            row = rows.get(trait)
            digits = _DIGITS[trait.rsplit("_", 1)[1]]
            cells.append(f"{row.p95:8.{digits}f}" if row else f"{'':8s}")
            if trait == "base_diameter_mm":
                cells.append(f"{row.bias:8.{digits}f}" if row else f"{'':8s}")
        lines.append(
            f"{item.photo:20s} {counts.cuttings:3d} {counts.missed:4d} {counts.invented:3d} "
            f"{counts.merged:3d} {counts.set_aside_wrongly:3d} {counts.wrong_end:3d} "
            f"{counts.position_p95_mm:6.3f} {item.position_sigma_mm:6.3f} "
            f"{f'{item.curl_true_mm:.1f} / {item.curl_found_mm:.1f}':>15s} "
            + " ".join(cells)
            + f" {counts.grades_equal:3d}/{counts.grades_sure:<3d} {counts.unsure:3d}"
            + (f"  SKIPPED {item.skipped}" if item.skipped else "")
        )
    return "\n".join(lines)


def as_data(sets: Mapping[str, Sequence[Comparison]]) -> dict[str, Any]:
    """Return every figure and every reading as plain data for JSON (nan becomes null)."""
    return {
        "schema": "cutting-grader/accuracy-1",
        "goals": {trait: asdict(goal) for trait, goal in goals.GOALS.items()},
        "sets": {name: _set_data(items) for name, items in sets.items()},
    }


def _set_data(comparisons: Sequence[Comparison]) -> dict[str, Any]:
    groups = {}
    for group, belongs in GROUPS.items():
        chosen = [item for item in comparisons if belongs(item)]
        if chosen:
            groups[group] = _plain(
                {
                    "traits": {t: asdict(f) for t, f in by_trait(chosen).items()},
                    "places": {t: asdict(f) for t, f in by_place(chosen).items()},
                    "tally": asdict(tally(chosen)),
                }
            )
    photos = {
        item.photo: _plain(
            {
                "stress": item.stress,
                "skipped": item.skipped,
                "missed": item.missed,
                "invented": item.invented,
                "merged": item.merged,
                "reported": item.reported,
                "set_aside_wrongly": item.set_aside_wrongly,
                "wrong_end": item.wrong_end,
                "curl_true_mm": item.curl_true_mm,
                "curl_found_mm": item.curl_found_mm,
                "tally": asdict(tally([item])),
                "traits": {t: asdict(f) for t, f in by_trait([item]).items()},
                "readings": [asdict(reading) for reading in item.readings],
                "places": [asdict(reading) for reading in item.places],
                "grades": [asdict(pair) for pair in (*item.grades, *item.other_grades)],
                "position_sigma_mm": item.position_sigma_mm,
            }
        )
        for item in comparisons
    }
    return {"groups": groups, "photos": photos}


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value
