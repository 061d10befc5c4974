"""Sampling plans against the printed master table.

ISO 2859-1:1999 tables 1 and 2-A = MIL-STD-105E, read in nibs.org/FMOC/DPW_AC/AC-TABLE.ASC and
pdfcoffee.com/aql-sampling-chart-pdf-free.html.
"""

from __future__ import annotations

import numpy as np
import pytest

from grader.audit.sampling import chance_of_accepting, decide, plan, share_accepted_with
from grader.errors import GraderError

LEVELS = (0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0)
# Rejection numbers; an arrow is followed to the plan named: "H1" is the plan of letter H with rejection at 1.
REJECT = {
    100: (20, {0.65: 1, 2.5: 2, 4.0: 3, 6.5: 4, 10.0: 6}),
    200: (32, {1.5: 2, 2.5: 3, 4.0: 4, 6.5: 6, 10.0: 8}),
    400: (50, {1.0: 2, 1.5: 3, 2.5: 4, 4.0: 6, 6.5: 8, 10.0: 11}),
    1000: (80, {0.65: 2, 1.0: 3, 1.5: 4, 2.5: 6, 4.0: 8, 6.5: 11, 10.0: 15}),
    2000: (125, {0.65: 3, 1.0: 4, 1.5: 6, 2.5: 8, 4.0: 11, 6.5: 15, 10.0: 22}),
}
ARROWS = {
    (100, 1.0): (13, 1),
    (100, 1.5): (32, 2),
    (200, 0.65): (20, 1),
    (200, 1.0): (50, 2),
    (400, 0.65): (80, 2),
}
LETTERS = {
    8: "A", 9: "B", 25: "C", 26: "D", 90: "E", 91: "F", 280: "G", 281: "H", 501: "J", 1200: "J", 3200: "K",
    10000: "L",
}  # fmt: skip


@pytest.mark.parametrize("lot", REJECT)
def test_master_table(lot: int) -> None:
    n, numbers = REJECT[lot]
    for aql, reject in numbers.items():
        found = plan(lot, aql)
        assert (found.n, found.reject, found.accept) == (n, reject, reject - 1), aql


@pytest.mark.parametrize("lot, aql", ARROWS)
def test_arrows(lot: int, aql: float) -> None:
    found = plan(lot, aql)
    assert (found.n, found.reject) == ARROWS[(lot, aql)]


@pytest.mark.parametrize("lot", LETTERS)
def test_code_letters(lot: int) -> None:
    assert plan(lot, 4.0).letter == LETTERS[lot]


def test_operating_characteristic() -> None:
    """n = 80, Ac = 2: binomial, computed independently (not from the standard's printed curves)."""
    found = chance_of_accepting(plan(1000, 1.0), np.array([0.005, 0.01, 0.02, 0.05]))
    assert found == pytest.approx([0.9923, 0.9534, 0.7844, 0.2306], abs=5e-5)
    shares = [100 * share_accepted_with(plan(1000, 1.0), chance) for chance in (0.95, 0.5, 0.1)]
    assert shares == pytest.approx([1.030, 3.329, 6.516], abs=5e-4)


def test_a_small_lot_is_photographed_whole() -> None:
    found = plan(10, 0.65)
    assert found.is_whole_lot
    assert found.n == 10


@pytest.mark.parametrize("lot, aql", [(1, 4.0), (10_001, 4.0), (500, 3.0), (500, 15.0)])
def test_what_the_table_lacks_is_refused_with_advice(lot: int, aql: float) -> None:
    with pytest.raises(GraderError) as caught:
        plan(lot, aql)
    assert caught.value.advice


def test_decisions() -> None:
    found = plan(1000, 1.0)
    assert decide(found, 2, 0, 80) == "accept"
    assert decide(found, 3, 0, 80) == "reject"
    assert decide(found, 1, 1, 80) == "accept"
    assert decide(found, 1, 2, 80) == "measure the unsure ones"
    assert decide(found, 0, 0, 79) == "photograph more"
    assert decide(found, 3, 0, 10) == "reject"
