"""Rules explain themselves, each under the same headings."""

from __future__ import annotations

import re

import pytest

from grader.errors import GraderError
from grader.traits.catalogue import TRAITS
from grader.verdict import RULES, explain_rule, find_rule, load_targets, shipped_names
from grader.verdict.rules import HEADINGS


@pytest.mark.parametrize("code", RULES)
def test_every_rule_has_every_heading_with_something_below(code: str) -> None:
    explained = explain_rule(RULES[code], load_targets())
    assert tuple(heading for heading, _ in explained) == HEADINGS
    for heading, text in explained:
        assert len(text.split()) >= 5, f"{code}: {heading}"
    assert "Source: " in dict(explained)["Limit and source"]


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
