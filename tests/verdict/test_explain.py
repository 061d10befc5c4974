"""Rules explain themselves, each under the same headings."""

from __future__ import annotations

import ast
import math
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.errors import GraderError
from grader.records import Measured, Outcome
from grader.traits.catalogue import TRAITS, number_text
from grader.verdict import RULES, explain_rule, find_rule, load_targets, rules, shipped_names
from grader.verdict.decide import apply_rules
from grader.verdict.rules import HEADINGS, Level, Side
from grader.verdict.targets import Limits


@pytest.mark.parametrize("name", shipped_names())
@pytest.mark.parametrize("code", RULES)
def test_every_rule_has_every_heading_with_something_below(code: str, name: str) -> None:
    targets = load_targets(name)
    explained = explain_rule(RULES[code], targets)
    assert tuple(heading for heading, _ in explained) == HEADINGS
    for heading, text in explained:
        assert len(text.split()) >= 5, f"{code}: {heading}"
    is_on = RULES[code].trait in targets.limits
    assert ("Source: " in dict(explained)["Limit and source"]) == is_on


@pytest.mark.parametrize("name", shipped_names())
@pytest.mark.parametrize("code", RULES)
def test_the_example_breaks_the_limit_of_this_file(code: str, name: str) -> None:
    rule, targets = RULES[code], load_targets(name)
    example = dict(explain_rule(rule, targets))["Example"]
    for level, words in ((Level.ALLOWED, "a cull"), (Level.WANTED, "grade 2"), (Level.NOTED, "pointed out")):
        limit = targets.get(rule.trait, level, rule.side)
        if not math.isnan(limit):
            assert f": {words}, for at " in example
            assert f"{number_text(TRAITS[rule.trait], limit)} is {level.value}." in example


def test_no_limit_stands_in_the_code() -> None:
    """rules.py holds no number at all; decide.py only counts' half steps, even odds, and the normal law."""
    folder = Path(rules.__file__).parent

    def numbers(name: str) -> set[float]:
        tree = ast.parse((folder / name).read_text(encoding="utf-8"))
        return {
            float(node.value)
            for node in ast.walk(tree)
            if isinstance(node, ast.Constant) and type(node.value) in (int, float)
        }

    assert numbers("rules.py") == set()
    assert numbers("decide.py") == {0.0, 0.5, 1.0, 2.0}
    assert numbers("explain.py") <= {0.0, 1.0, 10.0, 0.08, 0.3}


@given(data=st.data())
def test_whatever_limit_the_file_sets_decides(data: st.DataObject) -> None:
    rule = data.draw(st.sampled_from(list(RULES.values())))
    level = data.draw(st.sampled_from(list(Level)))
    trait = TRAITS[rule.trait]
    limit = data.draw(st.integers(2, 200)) if trait.is_count else data.draw(st.floats(trait.low, trait.high))
    targets = replace(
        load_targets(), limits={rule.trait: Limits(rule.trait, {rule.key(level): float(limit)}, "a test")}
    )
    beyond = float(limit) + (1.0 if rule.side is Side.MAX else -1.0)
    for value, outcome in ((float(limit), Outcome.PASS), (beyond, Outcome.FAIL)):
        (found,) = apply_rules({rule.trait: Measured(value, 0.0)}, targets)
        assert (found.limit, found.outcome) == (float(limit), outcome)


@pytest.mark.parametrize("name", shipped_names())
def test_limits_shown_are_those_of_the_target_file(name: str) -> None:
    targets = load_targets(name)
    for rule in RULES.values():
        text = dict(explain_rule(rule, targets))["Limit and source"]
        shown = {key: float(value) for key, value in re.findall(r"^(\w+_m(?:in|ax)) = ([\d.]+)", text, re.M)}
        limits = targets.limits.get(rule.trait)
        expected = {k: v for k, v in limits.by_key.items() if k.endswith(rule.side.value)} if limits else {}
        assert shown == expected
        assert expected or "this rule is off" in text


def test_codes_are_stable_in_form_and_traits_exist() -> None:
    for code, rule in RULES.items():
        assert re.fullmatch(r"[A-Z]\d\d", code)
        assert rule.trait in TRAITS
    flags = [rule.flag for rule in RULES.values()]
    assert len(flags) == len(set(flags))


def test_all_the_flags_a_grower_asks_for_are_there() -> None:
    wanted = {
        "crooked", "oversized wood", "thin wood", "too short", "too long", "short stripped stem",
        "long stripped stem", "needles left on the stem", "sparse foliage", "browned foliage", "heel",
        "few tips",
    }  # fmt: skip
    assert wanted <= {rule.flag for rule in RULES.values()}


def test_a_code_is_found_in_small_letters_and_a_wrong_one_proposes_the_nearest() -> None:
    assert find_rule(" l01 ") is RULES["L01"]
    with pytest.raises(GraderError) as caught:
        find_rule("L09")
    assert "Did you mean L0" in caught.value.advice
