"""Constants of control charts against printed tables.

Table "A.22" (scribd 575462347, p. 766), insightfabapp.com/tools/control-chart-constants and Pyzdek's handbook
p. 401 agree but for the last digit at n = 3 (D4 2.574 or 2.575) and n = 5 (2.114 or 2.115): asked to 0.001.
"""

from __future__ import annotations

import numpy as np
import pytest

from grader.audit.constants import constants

#        n: d2     d3    c4     A2     A3     B3    B4     D3    D4
PRINTED = {
    2: (1.128, 0.853, 0.7979, 1.880, 2.659, 0, 3.267, 0, 3.267),
    3: (1.693, 0.888, 0.8862, 1.023, 1.954, 0, 2.568, 0, 2.575),
    4: (2.059, 0.880, 0.9213, 0.729, 1.628, 0, 2.266, 0, 2.282),
    5: (2.326, 0.864, 0.9400, 0.577, 1.427, 0, 2.089, 0, 2.114),
    6: (2.534, 0.848, 0.9515, 0.483, 1.287, 0.030, 1.970, 0, 2.004),
    7: (2.704, 0.833, 0.9594, 0.419, 1.182, 0.118, 1.882, 0.076, 1.924),
    8: (2.847, 0.820, 0.9650, 0.373, 1.099, 0.185, 1.815, 0.136, 1.864),
    9: (2.970, 0.808, 0.9693, 0.337, 1.032, 0.239, 1.761, 0.184, 1.816),
    10: (3.078, 0.797, 0.9727, 0.308, 0.975, 0.284, 1.716, 0.223, 1.777),
}


@pytest.mark.parametrize("n", PRINTED)
def test_as_printed(n: int) -> None:
    k = constants(n)
    found = (k.d2, k.d3, k.c4, k.a2, k.a3, *k.b3_b4, *k.d3_d4)
    assert found == pytest.approx(PRINTED[n], abs=0.001)


def test_large_groups_by_simulation() -> None:
    draws = np.random.default_rng(3).normal(size=(40_000, 40))
    k = constants(40)
    assert np.ptp(draws, axis=1).mean() == pytest.approx(k.d2, abs=0.02)
    assert np.ptp(draws, axis=1).std() == pytest.approx(k.d3, abs=0.02)
    assert draws.std(axis=1, ddof=1).mean() == pytest.approx(k.c4, abs=0.002)


@pytest.mark.parametrize("n", [0, 1, 201])
def test_other_sizes_are_refused(n: int) -> None:
    with pytest.raises(ValueError, match="groups of"):
        constants(n)
