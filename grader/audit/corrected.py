"""Many comparisons at once: Holm's step-down correction.

Holm 1979, "A simple sequentially rejective multiple test procedure", Scand. J. Stat. 6:65-70 (from memory).
It keeps the chance of even one false finding below the level, however the comparisons depend on each other.
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
