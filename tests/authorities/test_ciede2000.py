"""CIEDE2000 of the library in use against the published pairs.

Source: G. Sharma, W. Wu, E. N. Dalal, "The CIEDE2000 Color-Difference Formula: Implementation Notes,
Supplementary Test Data, and Mathematical Observations", Color Research and Application 30(1), 2005,
pp. 21-30, Table I; values as carried by the package colour-science 0.4.7
(colour/difference/tests/test_delta_e.py, BSD-3-Clause).  Pair 14 of the table is left out: it sits on the
discontinuity of the hue mean and gives 4.746 or 4.805 by platform.
"""

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

PAIRS = (
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
    ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0000),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((50.0, 2.4900, -0.0010), (50.0, -2.4900, 0.0011), 7.2195),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((50.0, 2.5, 0.0), (56.0, -27.0, -3.0), 31.9030),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((35.0831, -44.1164, 3.7933), (35.0232, -40.0716, 1.5901), 1.8645),
    ((90.8027, -2.0831, 1.4410), (91.1528, -1.6435, 0.0447), 1.4441),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
)
LAST_DIGIT = 0.00005
"""The table is rounded to four decimals."""


@pytest.mark.parametrize(("first", "second", "published"), PAIRS)
def test_published_pair(first: tuple[float, ...], second: tuple[float, ...], published: float) -> None:
    found = deltaE_ciede2000(np.array(first), np.array(second))  # type: ignore[no-untyped-call]
    assert found == pytest.approx(published, abs=LAST_DIGIT)


@pytest.mark.parametrize(("first", "second", "published"), PAIRS)
def test_order_of_the_pair_does_not_matter(
    first: tuple[float, ...], second: tuple[float, ...], published: float
) -> None:
    found = deltaE_ciede2000(np.array(second), np.array(first))  # type: ignore[no-untyped-call]
    assert found == pytest.approx(published, abs=LAST_DIGIT)
