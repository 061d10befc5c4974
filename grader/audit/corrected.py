"""Many comparisons at once: Holm's step-down correction.

Holm 1979, "A simple sequentially rejective multiple test procedure", Scand. J. Stat. 6:65-70 (from memory).
It keeps the chance of even one false finding below the level, however the comparisons depend on each other.

Where the question is "outside a zone?", most people are well inside it; their comparisons would only blunt
the others.  So only values beyond the edge count as comparisons, and their p values are doubled for it (Zhao,
Small and Su 2019, "Multiple testing when many p-values are uniformly conservative", J. Am. Stat. Assoc.
114:1291-1304, from memory).  The simulated crews check that false findings stay below the level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence


def holm(p_values: Sequence[float]) -> list[float]:
    """Return the p values corrected for their number, in the order given; nan counts as no comparison.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    told = sorted((p, i) for i, p in enumerate(p_values) if not math.isnan(p))
    corrected = [math.nan] * len(p_values)
    highest = 0.0
    for rank, (p, i) in enumerate(told):
        highest = max(highest, min(1.0, (len(told) - rank) * p))
        corrected[i] = highest
    return corrected


COUNTED_BELOW = 0.5
"""A p value of one half is that of a value exactly at the edge."""


def holm_beyond(p_values: Sequence[float]) -> list[float]:
    """Return the corrected p values of one-sided comparisons; those not beyond their edge get 1.

    Examples
    --------
    >>> holm_beyond([0.01, 0.9, 0.97, 0.04])
    [0.04, 1.0, 1.0, 0.08]
    """
    counted = [p / COUNTED_BELOW if p <= COUNTED_BELOW else math.nan for p in p_values]
    corrected = holm(counted)
    return [
        1.0 if math.isnan(c) and not math.isnan(p) else c for p, c in zip(p_values, corrected, strict=True)
    ]
