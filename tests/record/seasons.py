"""How often what is said of invented seasons is true: ``python -m tests.record.seasons [N]``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from grader.record.learn.curve import fit_curve
from grader.record.learn.shares import share_of, spread_inside
from grader.record.learn.suggest import in_range, lessons, look_at
from tests.record.simulate import TRAIT, Truth, season, true_take

TRUTHS = (
    Truth("no effect"),
    Truth("no effect, containers differ", containers_differ=0.6),
    Truth("no effect, only 10 containers", containers_differ=0.6, n_units=10),
    Truth("no effect, thick plant takes better", plants_differ_mm=0.6, containers_differ=0.3),
    Truth("thinner is better", slope=-1.2),
    Truth("thinner is better, containers differ", slope=-1.2, containers_differ=0.6),
    Truth("an optimum at 2.2 mm", at_mean=1.2, bend=1.6, best_mm=2.2),
    Truth("an optimum, containers differ", at_mean=1.2, bend=1.6, best_mm=2.2, containers_differ=0.6),
    Truth(
        "thinner is better, 10 % misplaced",
        slope=-1.2,
        containers_differ=0.4,
        misplaced=0.1,
        reading_sd_mm=0.1,
    ),
)
SEED = 20260301


@dataclass
class Score:
    """What was said of the seasons of one truth, and how often it was right."""

    truth: Truth
    n: int = 0
    suggested: int = 0
    any_suggested: int = 0
    gain_held: int = 0
    gains: list[float] = field(default_factory=list)
    best: list[float] = field(default_factory=list)
    curves: list[bool] = field(default_factory=list)
    groups: list[bool] = field(default_factory=list)

    def line(self) -> str:
        """Return the line of the table."""
        held = f"{self.gain_held / self.suggested:7.0%}" if self.suggested else "      -"
        gain = f"{np.mean(self.gains):+8.3f}" if self.gains else "       -"
        least = f"{np.min(self.gains):+8.3f}" if self.gains else "       -"
        held_groups = f"{np.mean(self.groups):7.1%}" if self.groups else "      -"
        return (
            f"{self.truth.name:38} {self.n:5} {self.any_suggested / self.n:9.1%} "
            f"{self.suggested / self.n:9.1%} "
            f"{gain} {least} {held} {np.mean(self.curves):7.1%} {held_groups} "
            f"{np.mean(self.best):6.2f}"
        )


HEADER = (
    f"{'truth':38} {'n':>5} {'any sugg.':>9} {'diameter':>9} {'true gain':>8} {'least':>8} {'held':>7} "
    f"{'curve':>7} {'groups':>7} {'best':>6}"
)


def score(truth: Truth, n_seasons: int, seed: int = SEED) -> Score:
    """Return how often suggestion, gain, curve and groups are right."""
    rng = np.random.default_rng([seed, TRUTHS.index(truth) if truth in TRUTHS else len(TRUTHS)])
    found = Score(truth)
    for _ in range(n_seasons):
        units = season(truth, rng)
        found.n += 1
        taught = lessons(units)
        found.any_suggested += any(lesson.suggestion is not None for lesson in taught)
        lesson = next(lesson for lesson in taught if lesson.trait == TRAIT)
        if lesson.suggestion and lesson.curve:
            sizes = lesson.curve.sizes
            inside = in_range(sizes, lesson.suggestion.low, lesson.suggestion.high)
            take = true_take(truth, sizes)
            gain = float(take[inside].mean() - take.mean())
            found.suggested += 1
            found.gains.append(gain)
            found.gain_held += lesson.suggestion.gain_low <= gain <= lesson.suggestion.gain_high
        curve = lesson.curve or fit_curve(units, TRAIT)
        if not isinstance(curve, str):
            x = look_at(curve)
            found.best.append(float(x[curve.take(x)[0].argmax()]))
            x = np.array([1.6, 2.3, 3.0])
            _share, low, high = curve.band(x)
            found.curves += list((low <= true_take(truth, x)) & (true_take(truth, x) <= high))
        if not truth.plants_differ_mm:
            # Quarters by size are then quarters by plant, whose takes differ.
            found.groups += _groups_held(truth, units)
    return found


def _groups_held(truth: Truth, units: list) -> list[bool]:  # type: ignore[type-arg]
    """Return, for each quarter of the containers by size, whether the interval holds the truth."""
    ordered = sorted(units, key=lambda unit: float(unit.sizes[TRAIT].mean()))
    size = len(ordered) // 4
    groups = [ordered[k * size : (k + 1) * size] for k in range(4)]
    spread = spread_inside(groups)
    held = []
    for group in groups:
        x = np.concatenate([unit.sizes[TRAIT] for unit in group])
        true = float(true_take(truth, x).mean())
        share = share_of(group, spread)
        held.append(share.low <= true <= share.high)
    return held


def main(arguments: Sequence[str]) -> None:
    """Print the table."""
    n = int(arguments[0]) if arguments else 500
    print("Invented seasons: 24 containers of 20 cuttings unless said, two plants, sorted by diameter.")
    print(HEADER)
    for truth in TRUTHS:
        print(score(truth, n).line(), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
