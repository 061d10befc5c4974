"""Outcomes near limits, and the grade procedure over every case."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.records import Measured, Outcome, RuleOutcome
from grader.traits.catalogue import does_not_exist, not_measurable
from grader.verdict.decide import (
    DECIDING,
    PROCEDURE,
    apply_rules,
    best_possible,
    deciding,
    grade_from,
    hope_of,
    judge,
    probability_beyond,
    procedure_table,
)
from grader.verdict.grade import REASON_ENDS, grade_cutting
from grader.verdict.rules import RULES, Side
from grader.verdict.targets import DOUBTFUL, POLICIES
from grader.verdict.targets_file import load_targets, shipped_names
from tests.synthetic_records import plain_traits, straight_shape

ROOT = Path(__file__).parents[2]
JUNIPER = load_targets("landscape-juniper")
SIMPLE = replace(JUNIPER, policy="simple")


UPPER = 10.0


@pytest.mark.parametrize(
    ("guard_band_in_u", "chance"),
    [
        # P(conform) = Phi((TL - y) / u): JCGM 106:2012, clauses 7.2-7.3 (clause numbers from memory).
        # A value at TL - U with U = 2 u conforms with 97.7 %: r = 1, the rule of ISO 14253-1:2017.
        (2.0, 0.977),
        # One-sided 95 % needs w = 1.645 u: the same clauses; any table of the normal distribution.
        (1.645, 0.950),
        # Simple acceptance, r = 0, shares up to 50 % of risk at the limit: ILAC-G8:09/2019, section 4.1.
        (0.0, 0.500),
    ],
)
def test_probability_matches_the_published_guard_band_figures(guard_band_in_u: float, chance: float) -> None:
    measured = Measured(UPPER - guard_band_in_u, 1.0)
    assert 1.0 - probability_beyond(measured, UPPER, Side.MAX) == pytest.approx(chance, abs=5e-4)


@given(value=st.floats(9.0, 11.0), u=st.floats(0.01, 1.0), r=st.sampled_from([0.0, 0.5, 1.0]))
def test_policies_accept_and_reject_where_the_documents_say(value: float, u: float, r: float) -> None:
    """Acceptance limit AL = TL - w with w = r U, U = 2 u (ILAC-G8:09/2019, section 4.1; JCGM 106 clause 8.3).

    Guarded acceptance accepts up to TL - w, guarded rejection rejects from TL + w, simple acceptance decides
    at TL, ISO 14253-1:2017 proves either only outside the band.
    """
    w = r * 2.0 * u
    if min(abs(value - UPPER), abs(value - UPPER + w), abs(value - UPPER - w)) < 1e-9:
        return  # exactly on an edge
    expected = {
        "simple": Outcome.PASS if value < UPPER else Outcome.FAIL,
        "guarded-acceptance": Outcome.PASS if value < UPPER - w else Outcome.FAIL,
        "guarded-rejection": Outcome.FAIL if value > UPPER + w else Outcome.PASS,
        "guarded": Outcome.PASS
        if value < UPPER - w
        else Outcome.FAIL
        if value > UPPER + w
        else Outcome.UNSURE,
    }
    assert set(expected) == set(POLICIES)
    for policy, outcome in expected.items():
        targets = replace(JUNIPER, policy=policy, guard_factor=2.0 * r)
        found, p_fail = judge(Measured(value, u), UPPER, Side.MAX, targets)
        assert found is outcome, policy
        assert p_fail == pytest.approx(1.0 - NormalDist(value, u).cdf(UPPER), abs=1e-9)


@given(
    value=st.floats(-50, 50),
    sigma=st.floats(0.01, 20),
    limit=st.floats(-50, 50),
    side=st.sampled_from(list(Side)),
)
def test_probability_is_the_normal_distribution(value: float, sigma: float, limit: float, side: Side) -> None:
    # Second formula: the standard library's normal distribution.
    below = NormalDist(value, sigma).cdf(limit)
    expected = below if side is Side.MIN else 1.0 - below
    assert probability_beyond(Measured(value, sigma), limit, side) == pytest.approx(expected, abs=1e-9)


def test_probability_matches_drawn_values() -> None:
    # Third way: draw true values about the measured one and count.
    rng = np.random.default_rng(7)
    true = rng.normal(76.0, 1.5, 200_000)
    share = float((true < 75.0).mean())
    assert probability_beyond(Measured(76.0, 1.5), 75.0, Side.MIN) == pytest.approx(share, abs=0.004)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (73.0, Outcome.FAIL),
        (74.3, Outcome.FAIL),
        (74.4, Outcome.UNSURE),
        (75.6, Outcome.UNSURE),
        (75.7, Outcome.PASS),
    ],
)
def test_guard_band_is_guard_factor_times_sigma_either_side(value: float, expected: Outcome) -> None:
    assert judge(Measured(value, 0.4), 75.0, Side.MIN, JUNIPER)[0] is expected  # 1.645 * 0.4 = 0.658


@given(st.floats(3.0, 40.0), st.floats(0.01, 5.0), st.sampled_from(list(Side)), st.booleans())
def test_beyond_three_sigma_is_never_unsure(sigmas: float, sigma: float, side: Side, is_above: bool) -> None:
    value = 75.0 + (sigmas if is_above else -sigmas) * sigma
    assert judge(Measured(value, sigma), 75.0, side, JUNIPER)[0] is not Outcome.UNSURE


def test_a_value_exactly_at_the_limit_meets_it() -> None:
    for side in Side:
        assert judge(Measured(75.0, 0.0), 75.0, side, JUNIPER) == (Outcome.PASS, 0.0)


def test_simple_policy_decides_by_the_value_and_still_gives_the_probability() -> None:
    outcome, p_fail = judge(Measured(74.9, 0.4), 75.0, Side.MIN, SIMPLE)
    assert outcome is Outcome.FAIL
    assert 0.5 < p_fail < 0.7


def test_no_value_is_unsure_and_nothing_to_measure_passes() -> None:
    for targets in (JUNIPER, SIMPLE):
        outcome, p_fail = judge(not_measurable("hidden"), 75.0, Side.MIN, targets)
        assert outcome is Outcome.UNSURE and math.isnan(p_fail)
        assert judge(does_not_exist("too short"), 75.0, Side.MAX, targets) == (Outcome.PASS, 0.0)
        assert judge(Measured(90.0, math.nan), 75.0, Side.MIN, targets)[0] is Outcome.UNSURE


def test_counts_end_half_way_to_the_next_number() -> None:
    def outcome(count: float, sigma: float) -> Outcome:
        found = apply_rules(plain_traits(strays_count=Measured(count, sigma)), JUNIPER)
        return next(o.outcome for o in found if o.rule == "N01" and o.grade_if_failed == "2")  # at most 4

    assert outcome(4.0, 0.0) is Outcome.PASS
    assert outcome(5.0, 0.0) is Outcome.FAIL
    assert outcome(4.0, 0.5) is Outcome.UNSURE
    assert outcome(3.0, 0.5) is Outcome.PASS


OUTCOMES = (None, Outcome.PASS, Outcome.UNSURE, Outcome.FAIL)


def _outcome(grade_if_failed: str, outcome: Outcome) -> RuleOutcome:
    return RuleOutcome(
        "L01", "x", "total_length_mm", outcome, grade_if_failed, Measured(1.0, 0.1), 1.0, "mm", 0.5, "x"
    )


@pytest.mark.parametrize("combination", list(itertools.product(OUTCOMES, repeat=4)))
def test_grade_is_what_the_true_values_could_make_of_it(combination: tuple[Outcome | None, ...]) -> None:
    """Second formula: let every doubt turn out either way; if all ways give one grade, that is it."""
    levels = ("cull", "cull", "2", "2")
    outcomes = [_outcome(g, o) for g, o in zip(levels, combination, strict=True) if o is not None]
    ways = itertools.product(
        *[(Outcome.PASS, Outcome.FAIL) if o.outcome is Outcome.UNSURE else (o.outcome,) for o in outcomes]
    )
    possible = set()
    for way in ways:
        failed = {
            o.grade_if_failed for o, result in zip(outcomes, way, strict=True) if result is Outcome.FAIL
        }
        possible.add("cull" if "cull" in failed else "2" if "2" in failed else "1")
    expected = possible.pop() if len(possible) == 1 else "unsure"
    assert grade_from(tuple(outcomes)) == expected


def test_the_procedure_names_every_combination_once() -> None:
    assert set(PROCEDURE) == set(itertools.product(Outcome, Outcome))
    assert set(PROCEDURE.values()) == set(DECIDING) == {"1", "2", "cull", "unsure"}


def test_the_procedure_in_the_guide_is_the_one_in_the_code() -> None:
    assert procedure_table() in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


@given(st.lists(st.tuples(st.sampled_from(["cull", "2", ""]), st.sampled_from(list(Outcome))), max_size=12))
def test_any_outcomes_give_one_grade_and_the_rules_that_made_it(drawn: list[tuple[str, Outcome]]) -> None:
    outcomes = tuple(_outcome(level, outcome) for level, outcome in drawn)
    grade = grade_from(outcomes)
    assert grade in ("1", "2", "cull", "unsure")
    assert bool(deciding(outcomes)) == (grade != "1")
    # Taking away everything but the deciding outcomes leaves the grade.
    assert grade_from(deciding(outcomes)) == grade
    assert best_possible(outcomes) == grade or grade == "unsure"


@given(
    length=st.floats(40.0, 130.0),
    diameter=st.floats(0.5, 6.0),
    sigma=st.floats(0.0, 3.0),
    policy=st.sampled_from(POLICIES),
    name=st.sampled_from(shipped_names()),
)
def test_hope_is_the_best_that_the_outcomes_leave_possible(
    length: float, diameter: float, sigma: float, policy: str, name: str
) -> None:
    targets = replace(load_targets(name), policy=policy)
    traits = plain_traits(
        total_length_mm=Measured(length, sigma),
        base_diameter_mm=Measured(diameter, sigma / 20.0),
        browned_share=not_measurable("a test"),
    )
    assert hope_of(traits, targets) == best_possible(apply_rules(traits, targets))


@pytest.mark.parametrize(
    ("length", "keep", "set_aside"),
    [(74.8, "2", "2"), (75.2, "1", "2"), (49.9, "cull", "cull"), (50.1, "2", "cull")],
)
def test_doubtful_cuttings_are_kept_or_set_aside_on_request(length: float, keep: str, set_aside: str) -> None:
    traits = plain_traits(total_length_mm=Measured(length, 0.4))
    grades = {way: grade_cutting(traits, replace(JUNIPER, doubtful=way)) for way in DOUBTFUL}
    assert grades["unsure"].grade == "unsure" and grades["unsure"].doubt == ""
    assert (grades["keep"].grade, grades["set-aside"].grade) == (keep, set_aside)
    assert grades["keep"].doubt.startswith("in doubt, kept at the measured value: may be too short")
    assert "% likely" in grades["keep"].reason
    assert grades["set-aside"].doubt.startswith("in doubt, set aside as if it failed: may be too short")


def test_a_doubtful_cull_that_is_set_aside_is_not_called_too_short() -> None:
    traits = plain_traits(total_length_mm=Measured(50.1, 0.4))
    grade = grade_cutting(traits, replace(JUNIPER, doubtful="set-aside"))
    assert (grade.grade, grade.advice) == ("cull", "set aside: may be too short")


def test_what_could_not_be_measured_stays_unsure_whatever_is_asked() -> None:
    traits = plain_traits(base_diameter_mm=not_measurable("foliage hides the lower stem"))
    assert {grade_cutting(traits, replace(JUNIPER, doubtful=way)).grade for way in DOUBTFUL} == {"unsure"}


@given(length=st.floats(40.0, 130.0), sigma=st.floats(0.0, 3.0))
def test_keeping_is_never_stricter_than_setting_aside(length: float, sigma: float) -> None:
    order = ["1", "2", "cull"]
    traits = plain_traits(total_length_mm=Measured(length, sigma))
    keep, aside = (
        grade_cutting(traits, replace(JUNIPER, doubtful=way)).grade for way in ("keep", "set-aside")
    )
    simple = grade_cutting(traits, SIMPLE).grade
    assert order.index(keep) <= order.index(aside)
    assert keep == simple


def test_the_deciding_rule_is_named() -> None:
    assert grade_cutting(plain_traits(), JUNIPER).decided_by == ""
    both = plain_traits(total_length_mm=Measured(45.0, 0.4), base_diameter_mm=Measured(1.4, 0.02))
    assert grade_cutting(both, JUNIPER).decided_by == "L01"  # a cull by its length; thin wood is grade 2
    doubtful = replace(straight_shape(), base_doubt=0.2)
    assert grade_cutting(plain_traits(), JUNIPER, doubtful).decided_by == "ends"


def test_noted_limits_never_change_the_grade() -> None:
    for outcome in Outcome:
        assert grade_from((_outcome("", outcome),)) == "1"


@pytest.mark.parametrize(
    ("name", "value", "sigma", "grade", "rule"),
    [
        ("total_length_mm", 60.0, 0.4, "2", "L01"),
        ("total_length_mm", 45.0, 0.4, "cull", "L01"),
        ("total_length_mm", 110.0, 0.4, "2", "L02"),
        ("total_length_mm", 150.0, 0.4, "cull", "L02"),
        ("stripped_length_mm", 22.0, 0.6, "2", "S01"),
        ("stripped_length_mm", 12.0, 0.6, "cull", "S01"),
        ("stripped_length_mm", 50.0, 0.6, "2", "S02"),
        ("base_diameter_mm", 1.3, 0.04, "2", "D01"),
        ("base_diameter_mm", 0.7, 0.04, "cull", "D01"),
        ("base_diameter_mm", 5.0, 0.04, "2", "D02"),
        ("base_diameter_mm", 7.0, 0.04, "cull", "D02"),
        ("crook_deg", 35.0, 1.5, "2", "C01"),
        ("crook_deg", 60.0, 1.5, "cull", "C01"),
        ("sweep_ratio", 0.2, 0.003, "2", "C02"),
        ("strays_count", 7.0, 0.5, "2", "N01"),
        ("foliage_area_mm2", 180.0, 9.0, "2", "F01"),
        ("foliage_area_mm2", 50.0, 9.0, "cull", "F01"),
        ("browned_share", 0.2, 0.01, "2", "F02"),
        ("browned_share", 0.5, 0.01, "cull", "F02"),
        ("heel_length_mm", 6.0, 0.5, "2", "H01"),
    ],
)
def test_each_rule_gives_its_grade(name: str, value: float, sigma: float, grade: str, rule: str) -> None:
    # Limits: grader/verdict/targets/landscape-juniper.toml.
    verdict = grade_cutting(plain_traits(**{name: Measured(value, sigma)}), JUNIPER)
    assert verdict.grade == grade
    assert [outcome.rule for outcome in deciding(verdict.outcomes)] == [rule]
    assert verdict.outcomes[0].outcome is Outcome.FAIL
    assert RULES[rule].flag in verdict.reason


def test_a_plain_cutting_is_grade_1_and_few_tips_are_only_noted() -> None:
    assert grade_cutting(plain_traits(), JUNIPER).grade == "1"
    single = grade_cutting(plain_traits(tips_count=Measured(1.0, 0.0)), JUNIPER)
    assert single.grade == "1"
    assert any(o.rule == "T01" and o.outcome is Outcome.FAIL for o in single.outcomes)


def test_doubt_counts_only_where_it_matters() -> None:
    hidden = not_measurable("foliage hides the lower stem")
    assert grade_cutting(plain_traits(base_diameter_mm=hidden), JUNIPER).grade == "unsure"
    short_and_hidden = plain_traits(base_diameter_mm=hidden, total_length_mm=Measured(40.0, 0.4))
    assert grade_cutting(short_and_hidden, JUNIPER).grade == "cull"


def test_the_sentence_has_value_uncertainty_limit_and_both_units() -> None:
    verdict = grade_cutting(plain_traits(total_length_mm=Measured(68.3, 0.4)), JUNIPER)
    assert verdict.reason == (
        "too short: total length 68.3 ± 0.4 mm (2.69 in), wanted at least 75.0 mm (2.95 in)"
    )


def test_doubt_about_the_ends_makes_it_unsure() -> None:
    doubtful = replace(straight_shape(), base_doubt=0.2)
    verdict = grade_cutting(plain_traits(), JUNIPER, doubtful)
    assert (verdict.grade, verdict.reason) == ("unsure", REASON_ENDS)
    assert grade_cutting(plain_traits(), JUNIPER, replace(doubtful, base_doubt=0.01)).grade == "1"


def test_every_limit_of_the_targets_has_an_outcome() -> None:
    outcomes = apply_rules(plain_traits(), JUNIPER)
    n_limits = sum(len(limits.by_key) for limits in JUNIPER.limits.values())
    assert len(outcomes) == n_limits
