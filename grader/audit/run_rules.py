"""Run rules: which points of a control chart say that something changed.

The four rules of the Western Electric "Statistical Quality Control Handbook" (1956).  Used together on a
steady process they raise a false alarm once in 91.75 points (Champ and Woodall 1987, Technometrics
29:393-399); the first alone once in 370.4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FALSE_ALARM_EVERY = 91.75
"""Points, on average, from start to first alarm of a steady process with all four rules."""


@dataclass(frozen=True, slots=True)
class RunRule:
    """``of`` points in a row, ``needed`` of them, the last included, beyond ``sigmas`` on the same side."""

    words: str
    needed: int
    of: int
    sigmas: float


WESTERN_ELECTRIC = (
    RunRule("one beyond 3 sigma", 1, 1, 3.0),
    RunRule("2 of 3 beyond 2 sigma, same side", 2, 3, 2.0),
    RunRule("4 of 5 beyond 1 sigma, same side", 4, 5, 1.0),
    RunRule("8 in a row on one side", 8, 8, 0.0),
)
FIRST_RULE = WESTERN_ELECTRIC[:1]


def alarms(z: NDArray[np.float64], rules: tuple[RunRule, ...] = WESTERN_ELECTRIC) -> list[tuple[str, ...]]:
    """Return for each point the rules that it breaks.

    Parameters
    ----------
    z : (N,) float64
        Distance from the centre line in standard deviations of the plotted points.

    Examples
    --------
    >>> alarms(np.array([0.0, 3.2, -0.5, -2.1, 0.0, -2.4]))[1:]
    [('one beyond 3 sigma',), (), (), (), ('2 of 3 beyond 2 sigma, same side',)]
    """
    broken: list[list[str]] = [[] for _ in z]
    for rule in rules:
        for sign in (1.0, -1.0):
            beyond = sign * z > rule.sigmas
            sums = np.concatenate([[0], np.cumsum(beyond)])
            for i in (int(at) for at in np.flatnonzero(beyond)):
                if sums[i + 1] - sums[max(0, i + 1 - rule.of)] >= rule.needed:
                    broken[i].append(rule.words)
    return [tuple(words) for words in broken]


def first_alarm(z: NDArray[np.float64], rules: tuple[RunRule, ...] = WESTERN_ELECTRIC) -> NDArray[np.int64]:
    """Return in many runs at once the number, from 1, of the first point that breaks a rule; 0 for none.

    Parameters
    ----------
    z : (runs, N) float64
    """
    hit = np.zeros(z.shape, dtype=bool)
    for rule in rules:
        for sign in (1.0, -1.0):
            beyond = (sign * z > rule.sigmas).astype(np.int64)
            sums = np.cumsum(beyond, axis=1)
            recent = sums.copy()
            recent[:, rule.of :] -= sums[:, : -rule.of]
            hit |= (beyond == 1) & (recent >= rule.needed)
    return np.where(hit.any(axis=1), hit.argmax(axis=1) + 1, 0).astype(np.int64)
