"""How many more cuttings must be photographed before something can be told."""

from __future__ import annotations

import math

from grader.audit.clusters import Spread

LEAST_MORE_TRAYS = 3
"""When nothing can be compared yet: so many trays make a first comparison."""
STEP = 10
"""Numbers told to people are whole tens."""
MOST = 500
"""More than a few days' work: then it is not worth it."""


def n_more(spread: Spread, practical: float) -> int:
    """Return how many more cuttings would bring the 95 % interval of the average to +- the practical limit.

    More trays of the same size are meant: more cuttings on one tray say little more.  0: enough already.
    """
    if spread.n == 0:
        return STEP
    size = spread.n / spread.n_trays
    if math.isnan(spread.se):
        return _tens(LEAST_MORE_TRAYS * size)
    trays = spread.n_trays * (spread.half_width() / practical) ** 2
    return _tens(min((trays - spread.n_trays) * size, MOST)) if trays > spread.n_trays else 0


def more_words(n: int) -> str:
    """Return it in words.

    Examples
    --------
    >>> more_words(40)
    'too few to tell: photograph 40 more'
    """
    if n >= MOST:
        return f"too few to tell: photograph {MOST} more or accept the doubt"
    return f"too few to tell: photograph {n} more"


def _tens(n: float) -> int:
    return int(math.ceil(n / STEP - 1e-9) * STEP)
