"""How many cuttings of a crate to photograph, and what to decide: sampling by attributes.

Single sampling plans, normal inspection, general level II, after ISO 2859-1:1999 (tables 1 and 2-A), the same
as MIL-STD-105E.  The master table is built from its own rule: sizes and quality levels are steps of equal
ratio, so the acceptance number depends only on the sum of both steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from grader.errors import GraderError

LOTS = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10000)
"""Largest lot of each code letter, level II (ISO 2859-1:1999, table 1)."""
LETTERS = "ABCDEFGHJKLMNPQ"
SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250)
QUALITY_LEVELS = (
    0.010,
    0.015,
    0.025,
    0.040,
    0.065,
    0.10,
    0.15,
    0.25,
    0.40,
    0.65,
    1.0,
    1.5,
    2.5,
    4.0,
    6.5,
    10.0,
)
"""Per cent nonconforming; above 10 the standard counts faults, not cuttings."""
ACCEPT_BY_STEP = (0, None, None, 1, 2, 3, 5, 7, 10, 14, 21)
"""Acceptance numbers by the sum of steps from the one that accepts none; None: an arrow."""
_FIRST_STEP = 14
_UP_STEP = 15
"""Of the two arrows in the table the first points up, to the smaller sample."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to photograph, and when to accept."""

    lot: int
    aql: float
    """Per cent."""
    letter: str
    """Code letter of the lot, before any arrow."""
    n: int
    accept: int
    """Accept with so many bad ones or fewer; reject with one more."""
    is_whole_lot: bool = False
    """The sample would be the lot: photograph everything."""

    @property
    def reject(self) -> int:
        """Reject with so many bad ones or more."""
        return self.accept + 1


def plan(lot: int, aql: float) -> Plan:
    """Return the plan for a lot of so many cuttings.

    Raises
    ------
    GraderError
        If the lot is too small or large for the table, or it has no such quality level.

    Examples
    --------
    >>> found = plan(1000, 1.0)
    >>> found.letter, found.n, found.accept, found.reject
    ('J', 80, 2, 3)
    """
    if not 2 <= lot <= LOTS[-1]:
        raise GraderError(
            f"There is no sampling plan for {lot} cuttings.",
            f"A lot has 2 to {LOTS[-1]}; split a larger one.",
        )
    if aql not in QUALITY_LEVELS:
        steps = ", ".join(f"{level:g}" for level in QUALITY_LEVELS)
        raise GraderError(f"{aql:g} % is no quality level of the table.", f"Take one of: {steps}.")
    letter = next(i for i, largest in enumerate(LOTS) if lot <= largest)
    n, accept = _master(letter, QUALITY_LEVELS.index(aql))
    if n >= lot:
        # The standard: inspect all of it. The acceptance number stays, it belongs to at most n cuttings.
        return Plan(lot, aql, LETTERS[letter], lot, accept, is_whole_lot=True)
    return Plan(lot, aql, LETTERS[letter], n, accept)


def _master(letter: int, level: int) -> tuple[int, int]:
    """Return sample size and acceptance number of the master table, arrows followed."""
    while True:
        step = letter + level
        if step < _FIRST_STEP:
            letter += 1
        elif step == _UP_STEP:
            letter -= 1 if letter else -2
        elif step - _FIRST_STEP >= len(ACCEPT_BY_STEP):
            letter -= 1
        else:
            found = ACCEPT_BY_STEP[step - _FIRST_STEP]
            if found is not None:
                return SIZES[letter], found
            letter += 1


def chance_of_accepting(plan: Plan, bad_share: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the operating characteristic: chance that a lot with so many bad ones is accepted.

    Binomial, as in the standard; a sample taken at random from a large lot.
    """
    return np.asarray(stats.binom.cdf(plan.accept, plan.n, bad_share), dtype=np.float64)


def share_accepted_with(plan: Plan, chance: float) -> float:
    """Return the share of bad ones at which the lot is accepted with this chance."""
    return float(stats.beta.ppf(1.0 - chance, plan.accept + 1, plan.n - plan.accept))


def decide(plan: Plan, n_bad: int, n_unsure: int, n_seen: int) -> str:
    """Return "accept", "reject", "measure the unsure ones" or "photograph more".

    ``n_unsure`` are neither good nor bad; they are only asked for where they could change the decision.
    """
    if n_bad >= plan.reject:
        return "reject"
    if n_seen < plan.n:
        return "photograph more"
    return "accept" if n_bad + n_unsure <= plan.accept else "measure the unsure ones"
