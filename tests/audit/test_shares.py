"""Shares against published intervals, and scipy as a second hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binomtest

from grader.audit.corrected import holm, holm_beyond
from grader.audit.shares import design_effect, p_above, share, wilson

# Newcombe 1998, Stat. Med. 17:857-872, table I, method 3 (from memory, and recomputed).
NEWCOMBE = {
    (81, 263): (0.2553, 0.3662),
    (15, 148): (0.0624, 0.1605),
    (0, 20): (0.0, 0.1611),
    (1, 29): (0.0061, 0.1718),
}


@pytest.mark.parametrize("k, n", NEWCOMBE)
def test_wilson_as_published(k: int, n: int) -> None:
    assert wilson(k, n) == pytest.approx(NEWCOMBE[(k, n)], abs=5e-5)


@pytest.mark.parametrize("k, n", [(0, 7), (3, 7), (7, 7), (17, 40), (999, 1000)])
def test_wilson_is_that_of_scipy(k: int, n: int) -> None:
    theirs = binomtest(k, n).proportion_ci(method="wilson")
    assert wilson(k, n) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def test_chance_of_so_many_faults_is_exact() -> None:
    assert p_above(share([(7, 40)]), 0.1) == pytest.approx(
        binomtest(7, 40, 0.1, alternative="greater").pvalue
    )
    assert math.isnan(p_above(share([]), 0.1))


def test_trays_that_differ_widen_the_interval() -> None:
    alike, unlike = [(2, 8), (2, 8), (3, 8), (2, 8)], [(0, 8), (8, 8), (0, 8), (1, 8)]
    assert design_effect([alike]) == 1.0
    effect = design_effect([unlike])
    assert effect > 4.0
    narrow, wide = share(unlike), share(unlike, effect)
    assert wide.low < narrow.low < narrow.value < narrow.high < wide.high
    assert p_above(wide, 0.1) > p_above(narrow, 0.1)


def test_wilson_holds_the_truth_with_its_effect() -> None:
    random = np.random.default_rng(9)
    held = 0
    for _ in range(400):
        shares = random.beta(2.0, 6.0, size=(4, 6))
        crew = [[(int(k), 10) for k in random.binomial(10, row)] for row in shares]
        found = share(crew[0], design_effect(crew))
        held += found.low <= 0.25 <= found.high
    assert held / 400 >= 0.92


def test_holm() -> None:
    # Holm 1979 by hand: 4 x .005, 3 x .01, 2 x .03, then never lower than before.
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert math.isnan(holm([math.nan, 0.5])[0])
    assert holm([math.nan, 0.02])[1] == 0.02


def test_only_values_beyond_the_edge_count() -> None:
    assert holm_beyond([0.001, 0.7, 0.99, 0.6]) == pytest.approx([0.002, 1.0, 1.0, 1.0])


def test_values_at_the_edge_keep_the_level() -> None:
    """All exactly at their edges, the hardest honest case: 5 % of audits may name anything."""
    random = np.random.default_rng(4)
    named = sum(min(holm_beyond(list(random.uniform(size=12)))) < 0.05 for _ in range(4000))
    assert named / 4000 == pytest.approx(0.05, abs=0.012)
