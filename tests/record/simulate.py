"""Invented seasons with a known truth, to see whether what is said of them is true."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grader.record.learn.units import FACTORS, Unit
from grader.records import Values

TRAIT = "base_diameter_mm"
OTHERS = {
    "total_length_mm": (88.0, 9.0),
    "stripped_length_mm": (31.0, 4.0),
    "foliage_area_mm2": (520.0, 110.0),
}
"""Mean and standard deviation of measurements that have no effect."""
MEAN_MM, SD_MM = 2.3, 0.55
THINNEST_MM = 1.0
DONORS = ("bed 1", "bed 2")


@dataclass(frozen=True)
class Truth:
    """How take depends on the base diameter: logit = at_mean + slope (x - 2.3) - bend (x - best)^2."""

    name: str
    at_mean: float = 0.6
    slope: float = 0.0
    bend: float = 0.0
    best_mm: float = 2.3
    containers_differ: float = 0.0
    """Standard deviation of the containers' own levels, in logits."""
    misplaced: float = 0.0
    """Share of cuttings that stand in another container than the record says."""
    reading_sd_mm: float = 0.0
    """Standard deviation of an error of measurement."""
    plants_differ_mm: float = 0.0
    """How much thicker the cuttings of the second plant are; it takes better, whatever the size."""
    n_units: int = 24
    """Containers in a season."""

    def take(self, x_mm: Values) -> Values:
        """Return the mean take at diameters, over containers."""
        logit = self.at_mean + self.slope * (x_mm - MEAN_MM) - self.bend * (x_mm - self.best_mm) ** 2
        if self.containers_differ == 0.0:
            return 1.0 / (1.0 + np.exp(-logit))
        nodes, weights = np.polynomial.hermite_e.hermegauss(15)
        shifted = logit[..., None] + self.containers_differ * nodes
        return np.asarray((1.0 / (1.0 + np.exp(-shifted))) @ (weights / weights.sum()))


def season(truth: Truth, rng: np.random.Generator, n_units: int = 0, n_in: int = 20) -> list[Unit]:
    """Return the containers of one season: cuttings sorted by diameter as on a sticking sheet, two plants."""
    units = []
    per_donor = (n_units or truth.n_units) // len(DONORS)
    for k, donor in enumerate(DONORS):
        x = np.maximum(rng.normal(MEAN_MM, SD_MM, per_donor * n_in), THINNEST_MM)
        x = np.sort(x + k * truth.plants_differ_mm)
        read = x + rng.normal(0.0, truth.reading_sd_mm, len(x))
        home = np.repeat(np.arange(per_donor), n_in)
        wrong = np.flatnonzero(rng.random(len(x)) < truth.misplaced)
        home[wrong] = home[rng.permutation(wrong)]
        own = rng.normal(0.0, truth.containers_differ, per_donor)
        level = _plant_level(truth, k)
        shares = _with_level(truth, x, own[home] + level)
        rooted = rng.random(len(x)) < shares
        for j in range(per_donor):
            recorded = slice(j * n_in, (j + 1) * n_in)
            sizes = {TRAIT: read[recorded]}
            sizes |= {name: rng.normal(mean, sd, n_in) for name, (mean, sd) in OTHERS.items()}
            units.append(_unit(f"S-{donor[-1]}-{j:02d}", donor, int(rooted[home == j].sum()), n_in, sizes))
    return units


def _with_level(truth: Truth, x_mm: Values, level: Values) -> Values:
    logit = truth.at_mean + truth.slope * (x_mm - MEAN_MM) - truth.bend * (x_mm - truth.best_mm) ** 2
    return np.asarray(1.0 / (1.0 + np.exp(-(logit + level))))


def _plant_level(truth: Truth, k: int) -> float:
    return (1.2 if truth.plants_differ_mm else 0.4) * (k - 0.5)


def _unit(label: str, donor: str, n_rooted: int, n_in: int, sizes: dict[str, Values]) -> Unit:
    factors = dict.fromkeys(FACTORS, "") | {"donor": donor}
    return Unit((label,), "invented", n_in, n_rooted, 0, n_in - n_rooted, 12.0, factors, sizes, (), ())


def true_take(truth: Truth, x_mm: Values) -> Values:
    """Return the take at diameters, the mean over plants and containers."""
    takes = [
        Truth(**{**truth.__dict__, "at_mean": truth.at_mean + _plant_level(truth, k)}).take(x_mm)
        for k in (0, 1)
    ]
    return np.asarray(np.mean(takes, axis=0))
