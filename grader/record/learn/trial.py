"""What to stick next to find out: a small randomised comparison, large enough."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

from grader.record.learn.shares import Spread

DIFFERENCE = 0.15
"""Points of take that should be found."""
POWER = 0.80
ERROR = 0.05
"""Two-sided chance of seeing a difference where there is none."""
LIKENESS = 0.05
"""Correlation of the fates of two cuttings of a container, where the record does not tell yet; own starting
value, no source."""
LEAST_LIKENESS, MOST_LIKENESS = 0.0, 0.3
MOST_CONTAINERS = 1000


@dataclass(frozen=True, slots=True)
class Trial:
    """A comparison of two groups, side by side in one bed."""

    groups: tuple[str, str]
    per_container: int
    containers: int
    """In each group."""
    expected_take: float
    likeness: float
    order: str
    """A and B in the order in which they are put down; each pair of places holds one of both."""


def cuttings_needed(p_1: float, p_2: float, error: float = ERROR, power: float = POWER) -> float:
    """Return cuttings in each group to tell two shares apart, if each cutting had its own fate.

    Fleiss, Levin and Paik 2003, Statistical Methods for Rates and Proportions, 3rd ed., equation 4.14, from
    memory.

    Examples
    --------
    >>> math.ceil(cuttings_needed(0.60, 0.75))
    152
    """
    from scipy import stats

    z_error, z_power = stats.norm.ppf(1.0 - error / 2.0), stats.norm.ppf(power)
    mean = (p_1 + p_2) / 2.0
    spread = z_error * math.sqrt(2.0 * mean * (1.0 - mean))
    spread += z_power * math.sqrt(p_1 * (1.0 - p_1) + p_2 * (1.0 - p_2))
    return float((spread / (p_1 - p_2)) ** 2)


def containers_needed(
    p_1: float, p_2: float, per_container: int, likeness: float, power: float = POWER
) -> int:
    """Return containers in each group.

    The cuttings needed are multiplied by 1 + (m - 1) likeness for containers of m (Donner and Klar 2000,
    Design and Analysis of Cluster Randomization Trials, from memory); then containers are added until
    Student's t, which knows the spread from these containers only, has the power.

    Examples
    --------
    >>> containers_needed(0.60, 0.75, 20, 0.05)
    16
    """
    factor = 1.0 + (per_container - 1) * likeness
    n = max(2, math.ceil(cuttings_needed(p_1, p_2, power=power) * factor / per_container))
    while n < MOST_CONTAINERS and power_of(n, p_1, p_2, per_container, likeness) < power:
        n += 1
    return n


def power_of(n: int, p_1: float, p_2: float, per_container: int, likeness: float) -> float:
    """Return the chance that t of ``n`` containers a group finds the difference (noncentral t)."""
    from scipy import stats

    factor = 1.0 + (per_container - 1) * likeness
    error = math.sqrt(factor * (p_1 * (1.0 - p_1) + p_2 * (1.0 - p_2)) / (n * per_container))
    df = 2 * (n - 1)
    return float(stats.nct.sf(stats.t.ppf(1.0 - ERROR / 2.0, df), df, abs(p_1 - p_2) / error))


def likeness_of(spread: Spread, per_container: float) -> float:
    """Return the correlation inside containers that a spread stands for; the starting value if not known."""
    if spread.df < 1 or per_container <= 1.0:
        return LIKENESS
    return min(max((spread.factor - 1.0) / (per_container - 1.0), LEAST_LIKENESS), MOST_LIKENESS)


def plan_trial(groups: tuple[str, str], take: float, per_container: int, spread: Spread, seed: int) -> Trial:
    """Return a comparison that finds :data:`DIFFERENCE` around a take with :data:`POWER`.

    Parameters
    ----------
    groups : (str, str)
        What is compared, in words.
    take : float
        Take so far; the difference is laid around it, inside 5 to 95 %.
    per_container : int
        Cuttings in a container.
    spread : Spread
        Of the containers so far.
    seed : int
        Of the order; the same seed gives the same order.
    """
    low = min(max(take - DIFFERENCE / 2.0, 0.05), 0.95 - DIFFERENCE)
    likeness = likeness_of(spread, per_container)
    n = containers_needed(low, low + DIFFERENCE, per_container, likeness)
    return Trial(groups, per_container, n, take, likeness, randomised(n, seed))


def randomised(n_pairs: int, seed: int) -> str:
    """Return the order of the containers: in each pair of places one A and one B, by lot.

    Examples
    --------
    >>> sorted(set(randomised(20, 1).split()))
    ['AB', 'BA']
    """
    lot = random.Random(seed)
    pairs: Sequence[str] = ("AB", "BA")
    return " ".join(lot.choice(pairs) for _ in range(n_pairs))
