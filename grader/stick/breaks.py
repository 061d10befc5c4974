"""Natural breaks of sorted numbers: the exact split into groups with the least spread inside them.

W. D. Fisher 1958, On Grouping for Maximum Homogeneity, J. Am. Stat. Assoc. 53:789-798 (from memory); in
map-making it is known as Fisher-Jenks. Dynamic programming, so that the optimum is exact, not searched for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grader.records import Values


@dataclass(frozen=True, slots=True)
class Split:
    """Sorted numbers cut into runs."""

    starts: tuple[int, ...]
    """Where each run begins in the sorted numbers; the first is 0."""
    within_ss: float
    """Sum over the runs of squared distances from the run's mean."""


def visible_breaks(values: Values, step: float) -> tuple[int, ...]:
    """Return where sorted numbers may be cut so that a boundary on a whole step lies between.

    A number on the boundary belongs to the upper side.

    Examples
    --------
    >>> visible_breaks(np.array([78.0, 79.0, 81.0, 84.0, 85.0]), 5.0)
    (2, 4)
    """
    cells = np.floor(values / step)
    return tuple(int(i) + 1 for i in np.flatnonzero(np.diff(cells) > 0))


def distinct_breaks(values: Values) -> tuple[int, ...]:
    """Return where sorted numbers may be cut so that equal ones stay together."""
    return tuple(int(i) + 1 for i in np.flatnonzero(np.diff(values) > 0))


def best_split(values: Values, n_groups: int, breaks: tuple[int, ...], least: int = 1) -> Split | None:
    """Return the split into exactly ``n_groups`` runs with the least spread inside them.

    Parameters
    ----------
    values : (N,)
        Ascending.
    n_groups : int
        At least 1.
    breaks : tuple of int
        Where a run may begin, ascending, each between 1 and N - 1.
    least : int
        Fewest numbers in a run.

    Returns
    -------
    Split or None
        None where no such split exists. Of equally good ones the one with the lowest last boundary.

    Raises
    ------
    ValueError
        If the numbers are not ascending, or there are none.

    Examples
    --------
    >>> best_split(np.array([1.0, 2.0, 10.0, 11.0]), 2, (1, 2, 3))
    Split(starts=(0, 2), within_ss=1.0)
    """
    n = len(values)
    if n == 0 or n_groups < 1 or (np.diff(values) < 0).any():
        raise ValueError("numbers must be ascending, at least one, in at least one group")
    edges = np.array([0, *breaks, n])
    # Sums about the middle: with raw squares, lengths far from 0 would cancel to noise.
    centred = np.asarray(values, dtype=np.float64) - float(np.mean(values))
    sums = np.concatenate([[0.0], np.cumsum(centred)])[edges]
    squares = np.concatenate([[0.0], np.cumsum(centred**2)])[edges]
    best = np.full((n_groups + 1, len(edges)), np.inf)
    best[0, 0] = 0.0
    origin = np.zeros((n_groups + 1, len(edges)), dtype=np.int64)
    for end in range(1, len(edges)):
        counts = edges[end] - edges[:end]
        spread = squares[end] - squares[:end] - (sums[end] - sums[:end]) ** 2 / counts
        spread = np.where(counts >= least, np.maximum(spread, 0.0), np.inf)
        for k in range(1, n_groups + 1):
            total = best[k - 1, :end] + spread
            origin[k, end] = int(np.argmin(total))
            best[k, end] = total[origin[k, end]]
    if not np.isfinite(best[n_groups, -1]):
        return None
    return _traced(edges, origin, n_groups, float(best[n_groups, -1]))


def _traced(edges: NDArray[np.int64], origin: NDArray[np.int64], n_groups: int, within_ss: float) -> Split:
    starts: list[int] = []
    at = len(edges) - 1
    for k in range(n_groups, 0, -1):
        at = int(origin[k, at])
        starts.append(int(edges[at]))
    return Split(tuple(reversed(starts)), within_ss)
