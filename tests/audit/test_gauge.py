"""The gauge study against the published sample study.

AIAG, "Measurement Systems Analysis", 4th edition 2010, chapter III section B: 10 parts, 3 persons, 3 trials.
The data and the printed results are from memory; the first five parts and their analysis of variance stand
in the README of the package GageRnR 0.8.0 (readings there are shifted by 3).  Rounding in the hand
calculation moves the fourth digit, so +-0.0001 is asked.
"""

from __future__ import annotations

import numpy as np
import pytest

from grader.audit.constants import d2_star
from grader.audit.gauge import by_anova, by_range

STUDY = """
.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
.41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
.64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
.25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
.07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
-.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""
PRINTED_ROUNDING = 1e-4


def study() -> np.ndarray:
    rows = np.array([[float(x) for x in line.split()] for line in STUDY.split("\n") if line.strip()])
    return np.ascontiguousarray(rows.reshape(3, 3, 10).transpose(2, 0, 1))


def test_average_and_range_as_published() -> None:
    gauge = by_range(study())
    # Printed: EV .20188, AV .22963, GRR .30575, PV 1.10456, TV 1.14610 (from memory).
    found = [gauge.repeatability, gauge.reproducibility, gauge.grr, gauge.part, gauge.total]
    assert found == pytest.approx([0.20188, 0.22963, 0.30575, 1.10456, 1.14610], abs=PRINTED_ROUNDING)
    shares = [100 * x / gauge.total for x in (gauge.repeatability, gauge.reproducibility, gauge.grr)]
    # Printed: %EV 17.62, %AV 20.04, %GRR 26.68, %PV 96.38.
    assert shares == pytest.approx([17.62, 20.04, 26.68], abs=0.02)
    assert 100 * gauge.part / gauge.total == pytest.approx(96.38, abs=0.01)
    # 1.41 PV / GRR = 5.094 -> 5. A widely read page prints 1.41 times the root of PV / GRR: a misprint.
    assert gauge.categories_raw == pytest.approx(5.094, abs=1e-3)
    assert gauge.categories == 5


def test_analysis_of_variance_as_published() -> None:
    gauge = by_anova(study())
    found = [gauge.repeatability, gauge.reproducibility, gauge.grr, gauge.part, gauge.total]
    # Printed (from memory): .199933 .226838 .302373 1.042327 1.085, %GRR 27.9, ndc 4, interaction F 0.434.
    assert found == pytest.approx([0.199933, 0.226838, 0.302373, 1.042327, 1.0853], abs=2e-6)
    assert gauge.is_pooled
    assert gauge.interaction_f == pytest.approx(0.434, abs=5e-4)
    assert 100 * gauge.grr_share == pytest.approx(27.9, abs=0.05)
    assert gauge.categories == 4


def test_sums_of_squares_of_the_first_five_parts() -> None:
    """README of the package GageRnR 0.8.0: operator 1.630, part 28.909, interaction 0.065, error 1.712."""
    readings = study()[:5]
    grand, cells = readings.mean(), readings.mean(2)
    ss_operator = 15 * ((readings.mean((0, 2)) - grand) ** 2).sum()
    ss_part = 9 * ((readings.mean((1, 2)) - grand) ** 2).sum()
    assert [ss_operator, ss_part] == pytest.approx([1.630, 28.909], abs=5e-4)
    gauge = by_anova(readings)
    # F of the interaction 0.142 there; pooled, the repeatability is the root of (1.712 + 0.065) / (30 + 8).
    assert gauge.interaction_f == pytest.approx(0.142, abs=5e-4)
    assert gauge.repeatability == pytest.approx(((1.712 + 0.065) / 38) ** 0.5, abs=5e-5)
    assert ((readings - cells[:, :, None]) ** 2).sum() == pytest.approx(1.712, abs=5e-4)


def test_k_factors_as_printed() -> None:
    # gagerandr.com, "Variable R&R Xbar": K1 .5908 (3 trials), K2 .5231 (3 persons), K3 .3146 (10 parts).
    assert [1 / d2_star(3, 30), 1 / d2_star(3, 1), 1 / d2_star(10, 1)] == pytest.approx(
        [0.5908, 0.5231, 0.3146], abs=5e-5
    )
    # AIAG tables, from memory: K1 (2) .8862, K2 (2) .7071, K3 for 4, 6, 8 parts .4467 .3742 .3375.
    found = [1 / d2_star(2, 30), *(1 / d2_star(n, 1) for n in (2, 4, 6, 8))]
    assert found == pytest.approx([0.8862, 0.7071, 0.4467, 0.3742, 0.3375], abs=5e-5)


@pytest.mark.parametrize("method", [by_range, by_anova])
def test_known_spreads_are_found_again(method) -> None:  # type: ignore[no-untyped-def]
    random = np.random.default_rng(5)
    found = []
    for _ in range(60):
        parts, persons = random.normal(0, 5, (12, 1, 1)), random.normal(0, 1, (1, 3, 1))
        gauge = method(parts + persons + random.normal(0, 1, (12, 3, 3)))
        found.append((gauge.repeatability**2, gauge.reproducibility**2, gauge.part**2))
    assert np.mean(found, axis=0) == pytest.approx([1.0, 1.0, 25.0], rel=0.25)


def test_one_person_has_repeatability_only_and_scaling_scales() -> None:
    one = by_anova(study()[:, :1])
    assert one.reproducibility == 0.0
    assert one.grr == one.repeatability > 0
    assert by_anova(study() * 3).grr == pytest.approx(3 * by_anova(study()).grr)
    assert by_anova(study() * 3).grr_share == pytest.approx(by_anova(study()).grr_share)


@pytest.mark.parametrize("shape", [(1, 2, 2), (4, 2, 1), (4, 4)])
def test_too_little_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="readings must be"):
        by_anova(np.zeros(shape))
