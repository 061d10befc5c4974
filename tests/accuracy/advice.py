"""Advice beside the best possible: ``python -m tests.accuracy.advice [FOLDER...]``.

The same search is run on the true shape of each cutting, without any doubt of measuring.  Then the
program's cuts are made on the true shape, and what comes of them is graded by the true values.

What the truth files do not hold is the width along the stem: from the true base diameter it falls
by the taper that the program expects.  Where side shoots spring is not told either; the foliage is shared out
by the nearest place on the axis.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from grader.records import Cutting, CuttingShape, Grade, GradedPhoto, Heel, Piece
from grader.verdict import DEFAULT_NAME, Targets, grade_cutting, load_targets
from grader.verdict.advice import advise
from grader.verdict.decide import apply_rules, grade_from
from grader.verdict.foliage import shared_out
from grader.verdict.predict import Outlook, measured_at, predicted
from grader.verdict.wood import TAPER_SHARE
from tests.accuracy.grades import TRUTH_SIGMA, true_traits
from tests.accuracy.kits import Measurer
from tests.accuracy.run import default_folders, run_set, set_name, truth_files, usable
from tests.accuracy.truth import CuttingTruth
from tests.accuracy.worst import Case

ACTIONS = ("stick", "strip", "cut again", "top off", "divide", "discard", "measure")
TIP_SLACK_MM = 0.5
"""A piece that ends nearer than this to the tip keeps the tip."""


@dataclass(frozen=True, slots=True)
class Pair:
    """What is best for one cutting, and what the program said."""

    photo: str
    cutting_id: int
    best: str
    given: str
    cut_errors_mm: tuple[float, ...]
    """Found minus best, where as many cuts are made."""
    strip_errors_mm: tuple[float, ...]
    best_counts: tuple[int, int]
    """Cuttings of grade 1 and grade 2 that the best advice makes of it."""
    given_counts: tuple[int, int]
    """The same for the advice given, carried out on the true shape."""


def true_shape(true: CuttingTruth) -> CuttingShape:
    """Return the shape record of a cutting as it is, without uncertainty."""
    steps = np.hypot(*np.diff(true.axis_mm, axis=0).T)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    values = true.values
    length_mm = values["total_length_mm"]
    arc = arc * (length_mm / arc[-1])
    width = values["base_diameter_mm"] * (1.0 - TAPER_SHARE * (arc - 6.5) / length_mm)
    heel_mm = values["heel_length_mm"]
    n_strays = round(np.nan_to_num(values["strays_count"]))
    strays_at = values["stripped_length_mm"] * (np.arange(n_strays) + 0.5) / max(n_strays, 1)
    strays = np.column_stack([np.interp(strays_at, arc, true.axis_mm[:, k]) for k in (0, 1)])
    return CuttingShape(
        axis_mm=true.axis_mm,
        arc_mm=arc,
        axis_sigma_mm=np.full(len(arc), TRUTH_SIGMA),
        width_mm=width,
        width_sigma_mm=np.full(len(arc), TRUTH_SIGMA),
        foliage_from_mm=values["stripped_length_mm"],
        foliage_from_sigma_mm=TRUTH_SIGMA,
        tip_sigma_mm=TRUTH_SIGMA,
        base_sigma_mm=TRUTH_SIGMA,
        base_doubt=0.0,
        foliage_area_mm2=values["foliage_area_mm2"],
        foliage_area_sigma_mm2=TRUTH_SIGMA,
        browned_share=values["browned_share"],
        browned_share_sigma=TRUTH_SIGMA,
        side_tips_mm=(),
        strays_mm=strays.reshape(-1, 2),
        heel=Heel(heel_mm, values["heel_width_mm"]) if heel_mm > 0.0 else None,
        base_width_sigma_mm=TRUTH_SIGMA,
    )


def true_outlook(true: CuttingTruth) -> Outlook:
    """Return the true cutting made ready for predicting pieces of it."""
    shape = true_shape(true)
    at_mm = np.arange(math.ceil(float(shape.arc_mm[-1])) + 1.0)
    return Outlook(shape, true_traits(true), partial(shared_out, shape, true.cells_mm, at_mm))


def action_of(words: str, pieces: tuple[Piece, ...], total_mm: float) -> str:
    """Return the kind of an advice, one of ACTIONS."""
    if len(pieces) > 1:
        return "divide"
    if pieces and pieces[0].to_mm < total_mm:
        return "top off"
    if pieces:
        return "cut again" if pieces[0].from_mm > 0.0 else "strip"
    first = words.split(" ")[0].rstrip(":")
    return {"discard": "discard", "set": "discard", "stick": "stick", "pull": "stick"}.get(first, "measure")


def outcome_of(
    action: str, pieces: tuple[Piece, ...], outlook: Outlook, total_mm: float, targets: Targets
) -> tuple[int, int]:
    """Return how many cuttings of grade 1 and grade 2 an advice makes of the true cutting.

    A cutting to be measured by hand gets its true grade; one that is discarded is lost.
    """
    face = replace(targets, policy="simple")
    if action == "discard":
        return 0, 0
    grades = [grade_from(apply_rules(outlook.now, face))] if not pieces else []
    for piece in pieces:
        keeps_tip = piece.to_mm >= total_mm - TIP_SLACK_MM
        to_mm = outlook.total_mm if keeps_tip else min(piece.to_mm, outlook.total_mm)
        if to_mm - piece.from_mm > 1.0:
            columns = predicted(outlook, piece.from_mm, np.array([to_mm]), piece.strip_to_mm)
            grades.append(grade_from(apply_rules(measured_at(columns, 0), face)))
    return grades.count("1"), grades.count("2")


def pair_of(photo: str, true: CuttingTruth, found: Cutting, given: Grade, targets: Targets) -> Pair:
    """Return the best possible advice for a cutting beside the one given."""
    outlook = true_outlook(true)
    best = advise(apply_rules(outlook.now, targets), outlook.now, targets, outlook)
    total_mm = float(found.shape.arc_mm[-1])
    best_action = action_of(best.words, best.pieces, outlook.total_mm)
    given_action = action_of(given.advice, given.pieces, total_mm)
    return Pair(
        photo=photo,
        cutting_id=true.id,
        best=best_action,
        given=given_action,
        cut_errors_mm=_errors(_cuts(given.pieces, total_mm), _cuts(best.pieces, outlook.total_mm)),
        strip_errors_mm=_errors(_strips(given.pieces), _strips(best.pieces)),
        best_counts=outcome_of(best_action, best.pieces, outlook, outlook.total_mm, targets),
        given_counts=outcome_of(given_action, given.pieces, outlook, total_mm, targets),
    )


def _cuts(pieces: tuple[Piece, ...], total_mm: float) -> list[float]:
    places = {p.from_mm for p in pieces} | {p.to_mm for p in pieces if p.to_mm < total_mm}
    return sorted(places - {0.0})


def _strips(pieces: tuple[Piece, ...]) -> list[float]:
    return [piece.strip_to_mm - piece.from_mm for piece in pieces if piece.strip_to_mm > 0.0]


def _errors(found: list[float], best: list[float]) -> tuple[float, ...]:
    return tuple(f - b for f, b in zip(found, best, strict=True)) if len(found) == len(best) else ()


def pairs_of(cases: Iterable[Case], targets: Targets) -> list[Pair]:
    """Return a pair for every cutting whose base was found at the right end."""
    pairs = []
    for case in cases:
        if not isinstance(case.graded, GradedPhoto):
            continue
        truth = {true.id: true for true in case.truth.cuttings}
        found = {cutting.number: cutting for cutting in case.graded.cuttings}
        for true_id, number in case.comparison.pairs:
            true, cutting = truth[true_id], found[number]
            if true_id in case.comparison.wrong_end or not math.isfinite(true.values["stripped_length_mm"]):
                continue
            if not math.isfinite(true.values["base_diameter_mm"]):
                continue
            given = grade_cutting(cutting.traits, targets, cutting.shape, cutting.outline_mm)
            pairs.append(pair_of(case.truth.name, true, cutting, given, targets))
    return pairs


def report(name: str, pairs: Sequence[Pair]) -> str:
    """Return the figures of one set as text."""
    n = len(pairs)
    decided = [pair for pair in pairs if pair.given != "measure"]
    same = sum(pair.best == pair.given for pair in decided)
    lines = [
        f"{name}: {n} cuttings",
        f"  same action: {same} of {len(decided)} ({n - len(decided)} to be measured)",
    ]
    table = Counter((pair.best, pair.given) for pair in pairs)
    for best in ACTIONS:
        row = [f"{table[best, given]} {given}" for given in ACTIONS if table[best, given]]
        if row:
            lines.append(f"  best is {best}: said {', '.join(row)}")
    for words, errors in (
        ("cut places", [e for pair in pairs if pair.best == pair.given for e in pair.cut_errors_mm]),
        (
            "bare stem after stripping",
            [e for pair in pairs if pair.best == pair.given for e in pair.strip_errors_mm],
        ),
    ):
        lines.append(f"  {words}: {_figures(np.array(errors))}")
    for k, grade in enumerate(("grade 1", "grade 2")):
        best_n, given_n = sum(p.best_counts[k] for p in pairs), sum(p.given_counts[k] for p in pairs)
        lines.append(f"  cuttings of {grade}: {given_n} by the advice given, {best_n} by the best")
    change = [sum(pair.given_counts) - sum(pair.best_counts) for pair in pairs]
    lost, won = -sum(c for c in change if c < 0), sum(c for c in change if c > 0)
    lines.append(f"  acceptable cuttings lost: {lost}, won by taking more risk: {won}")
    return "\n".join(lines)


def _figures(errors: NDArray[np.float64]) -> str:
    if len(errors) == 0:
        return "none to compare"
    rmse, p95 = math.sqrt(float((errors**2).mean())), float(np.percentile(np.abs(errors), 95))
    return f"{len(errors)}, bias {errors.mean():+.1f} mm, RMSE {rmse:.1f} mm, 95 % within {p95:.1f} mm"


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.accuracy.advice",
        description="Compare the advice with the best possible on photos whose truth is known.",
        epilog="Example: python -m tests.accuracy.advice demo_images --targets landscape-juniper",
    )
    parser.add_argument("folders", nargs="*", type=Path, help="folders with NAME.jpg and NAME.truth.json")
    parser.add_argument("--targets", default=DEFAULT_NAME, help="size targets (default %(default)s)")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="only every Nth photo")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes (default 1)")
    options = parser.parse_args()
    targets = load_targets(options.targets)
    for folder in options.folders or default_folders():
        paths = truth_files(folder)[:: options.every]
        cases = usable(run_set(paths, options.jobs, Measurer(targets).measure, targets))
        print(report(f"{set_name(folder)}, {targets.name}", pairs_of(cases, targets)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
