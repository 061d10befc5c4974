"""Target files: what is read, and that every mistake names file, line, key and remedy."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.errors import TargetsProblem
from grader.traits.catalogue import TRAITS
from grader.verdict.rules import RULED_TRAITS, Level, Side, rules_about
from grader.verdict.targets_file import (
    SCHEMA,
    key_lines,
    load_targets,
    parse_targets,
    shipped_names,
    targets_text,
)

HEAD = f'schema = "{SCHEMA}"\nname = "mine"\nversion = "1"\nspecies = "my plants"\n'
GOOD = HEAD + (
    "[total_length_mm]\n"  # line 5
    "wanted_min = 75\n"
    "wanted_max = 100\n"
    "allowed_min = 50\n"
    'source = "own beds"\n'
    "[stripped_length_mm]\n"  # line 10
    "wanted_min = 25\n"
    'source = "own beds"\n'
)


def problem_of(text: str) -> TargetsProblem:
    with pytest.raises(TargetsProblem) as caught:
        parse_targets(text.encode(), Path("mine.toml"))
    return caught.value


def test_a_good_file_is_read() -> None:
    targets = parse_targets(GOOD.encode(), Path("mine.toml"))
    assert (targets.name, targets.version, targets.species) == ("mine", "1", "my plants")
    assert targets.get("total_length_mm", Level.WANTED, Side.MIN) == 75.0
    assert math.isnan(targets.get("total_length_mm", Level.ALLOWED, Side.MAX))
    assert math.isnan(targets.get("base_diameter_mm", Level.WANTED, Side.MIN))
    assert (targets.policy, targets.guard_factor, targets.upper_pieces) == ("guarded", 1.645, True)
    assert hashlib.sha256(GOOD.encode()).hexdigest()[:12] in targets.id


def test_byte_order_mark_and_windows_lines_do_no_harm() -> None:
    text = "\ufeff" + GOOD.replace("\n", "\r\n")
    assert parse_targets(text.encode(), Path("mine.toml")).name == "mine"


@pytest.mark.parametrize(
    ("old", "new", "line", "message", "advice"),
    [
        ("wanted_min = 75", "wnated_min = 75", 6, "wnated_min", "Did you mean wanted_min"),
        ("[total_length_mm]", "[total_lenght_mm]", 5, "total_lenght_mm", "Did you mean total_length_mm"),
        ("[total_length_mm]", "[total_length_in]", 5, "total_length_in", "1 in = 25.4 mm"),
        ("wanted_max = 100", "wanted_max = 60", 6, "wanted_min (75) is not below wanted_max (60)", "Swap"),
        ("allowed_min = 50", "allowed_min = 80", 6, "(75) lies outside allowed_min (80)", "swap the two"),
        ("wanted_min = 75", "wanted_min = -75", 6, "negative", "start at 5"),
        ("wanted_min = 75", 'wanted_min = "75"', 6, "is a text", "wanted_min = 75"),
        ("wanted_min = 75", 'wanted_min = "3 in"', 6, "is a text", "wanted_min = 76.2"),
        ("wanted_min = 75", 'wanted_min = "7,5 cm"', 6, "is a text", "wanted_min = 75"),
        ("wanted_min = 75", "wanted_min = 3", 6, "cannot be right for total length", "write 76.2"),
        ("wanted_min = 75", "wanted_min = true", 6, "must be a number", "For example"),
        ("wanted_min = 75", "wanted_min = nan", 6, "must be a number", "For example"),
        ("wanted_min = 75", "wanted_min = [75]", 6, "must be a number", "For example"),
        ("wanted_min = 25", "wanted_min = 100", 11, "cannot be reached", "total_length_mm.wanted_max"),
        ('wanted_min = 25\nsource = "own beds"', "wanted_min = 25", 10, "source", "own beds 2024"),
        ('version = "1"', "version = 1", 3, "must be a text", 'version = "..."'),
        ('name = "mine"\n', "", 1, "name is missing", 'name = "..."'),
        (SCHEMA, "cutting-grader/targets-9", 1, "schema", "another program version"),
        (
            "[stripped_length_mm]",
            "[doubt]\nguard_factor = 9\n[stripped_length_mm]",
            11,
            "guard_factor",
            "5 %",
        ),
        ("[stripped_length_mm]", '[doubt]\npolicy = "lax"\n[stripped_length_mm]', 11, "policy", "guarded"),
        (
            "[stripped_length_mm]",
            "[advice]\nupper_pieces = 1\n[stripped_length_mm]",
            11,
            "upper_pieces",
            "true",
        ),
        (
            "[stripped_length_mm]",
            "[strays_count]\nwanted_max = 1\n[stripped_length_mm]",
            10,
            "source",
            "beds",
        ),
        # Units mixed.
        ("wanted_min = 75", 'wanted_min = "75 mm"', 6, "is a text", "wanted_min = 75"),
        (
            "wanted_min = 75",
            "wanted_min = 75 mm",
            6,
            "not valid TOML",
            "without quotes and unit: wanted_min = 75",
        ),
        ("wanted_min = 75", "wanted_min = 3in", 6, "not valid TOML", "wanted_min = 76.2"),
        ("wanted_min = 75", "wanted_min = 2 1/2 in", 6, "not valid TOML", "wanted_min = 63.5"),
        ("wanted_min = 25", 'wanted_min = "1/2 in"', 11, "is a text", "wanted_min = 12.7"),
        ("wanted_min = 25", 'wanted_min = "1 1/4\\""', 11, "is a text", "wanted_min = 31.75"),
        ("wanted_min = 25", "wanted_min = 1", 11, "too small for stripped stem", "write 25.4"),
        ("wanted_max = 100", "wanted_max = 12", 7, "too small for total length", "write 304.8"),
        ("wanted_min = 75", "wanted_min = inf", 6, "must be a number", "For example"),
        ("wanted_min = 75", "wanted_min = 7500", 6, "cannot be right", "between 5 and 600"),
        # One key twice, a heading twice.
        ("wanted_min = 75", "wanted_min = 75\nwanted_min = 80", 7, "not valid TOML", "no key stands twice"),
        ("[stripped_length_mm]", "[total_length_mm]", 10, "not valid TOML", "no key stands twice"),
        # Unreachable: 100 mm long at most.
        (
            "wanted_min = 25",
            "allowed_min = 120",
            11,
            "(120) cannot be reached",
            "raise total_length_mm.wanted_max",
        ),
        (
            'wanted_min = 25\nsource = "own beds"',
            'wanted_min = 25\nsource = "own beds"\n[advice]\nsource = 3',
            14,
            "advice.source must be a text",
            "own beds 2024",
        ),
        (
            "[stripped_length_mm]",
            "[advice]\nupper = true\n[stripped_length_mm]",
            11,
            "advice.upper",
            "upper_pieces",
        ),
        (
            "[stripped_length_mm]",
            '[doubt]\npolicy = "gaurded"\n[stripped_length_mm]',
            11,
            "guarded-acceptance",
            "=",
        ),
        ("[stripped_length_mm]", "[straight_length_mm]", 10, "straight_length_mm is not known", "Known"),
        ("version", "total_length_mm = 3\nversion", 3, "total_length_mm", "own line"),
    ],
)
def test_a_mistake_names_line_and_remedy(old: str, new: str, line: int, message: str, advice: str) -> None:
    text = GOOD.replace(old, new, 1)
    if new.startswith("total_length_mm = 3"):
        text = text[: text.index("[total_length_mm]")]
    problem = problem_of(text)
    assert f"mine.toml, line {line}: " in problem.message
    assert message in problem.message
    assert advice in problem.advice


@pytest.mark.parametrize(
    ("section", "key", "value", "message"),
    [
        ("browned_share", "wanted_max", "10", "10 % is 0.1"),
        ("strays_count", "wanted_max", "1.5", "whole number"),
        ("crook_deg", "wanted_min", "5", "Did you mean wanted_max"),
        ("base_diameter_mm", "wanted_max", "0.125", "write 3.175"),
    ],
)
def test_each_measurement_knows_its_own_units(section: str, key: str, value: str, message: str) -> None:
    problem = problem_of(HEAD + f'[{section}]\n{key} = {value}\nsource = "x"\n')
    assert "line 6" in problem.message
    assert message in f"{problem.message} {problem.advice}"


def test_a_section_without_a_limit_is_pointed_out() -> None:
    assert "has no limit" in problem_of(HEAD + '[crook_deg]\nsource = "x"\n').message


def test_minimum_above_another_maximum_is_contradictory() -> None:
    text = HEAD + '[total_length_mm]\nallowed_min = 90\nwanted_max = 80\nsource = "x"\n'
    assert "allowed_min (90) is not below every maximum" in problem_of(text).message


def test_broken_toml_names_the_line() -> None:
    problem = problem_of(GOOD.replace("wanted_min = 75", "wanted_min 75"))
    assert "mine.toml" in problem.message and "line 6" in problem.message


def test_not_text_at_all() -> None:
    with pytest.raises(TargetsProblem, match="not a text file"):
        parse_targets(b"\xff\xfe\x00PNG", Path("mine.toml"))


def test_unknown_name_proposes_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(TargetsProblem) as caught:
        load_targets("landscape-junper")
    assert 'Did you mean "landscape-juniper"' in caught.value.advice
    with pytest.raises(TargetsProblem, match="no such file"):
        load_targets(str(tmp_path / "missing.toml"))


def test_a_file_of_one_s_own_is_found_by_path(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text(GOOD, encoding="utf-8")
    assert load_targets(str(mine)).path == mine


@pytest.mark.parametrize("name", shipped_names())
def test_shipped_files_are_sound_and_copies_of_them_load(name: str, tmp_path: Path) -> None:
    targets = load_targets(name)
    assert targets.name == name
    copy = tmp_path / "copy.toml"
    copy.write_text(targets_text(name), encoding="utf-8")
    assert load_targets(str(copy)).limits == targets.limits
    assert all("no source" in limits.source or any(c.isdigit() for c in limits.source) for limits in
               targets.limits.values())  # fmt: skip


def test_the_default_has_a_limit_for_every_rule() -> None:
    targets = load_targets()
    for name in RULED_TRAITS:
        for rule in rules_about(name):
            levels = [targets.get(name, level, rule.side) for level in Level]
            assert any(not math.isnan(limit) for limit in levels), rule.code


def test_landscape_juniper_has_the_sizes_of_common_practice() -> None:
    # Common practice, no source: 75-100 mm wanted, 50 and 125 mm the ends; 25 mm stripped wanted, 19 mm the
    # least; base 1.6-3.2 mm wanted, 6.35 mm and over refused.
    targets = load_targets("landscape-juniper")
    expected = {
        "total_length_mm": {"wanted_min": 75, "wanted_max": 100, "allowed_min": 50, "allowed_max": 125},
        "stripped_length_mm": {"wanted_min": 25, "allowed_min": 19},
        "base_diameter_mm": {"wanted_min": 1.6, "wanted_max": 3.2, "allowed_max": 6.35},
    }
    for name, limits in expected.items():
        assert limits.items() <= targets.limits[name].by_key.items()
        assert "common practice, no source" in targets.limits[name].source


def test_key_lines_skips_texts_of_several_lines() -> None:
    text = 'notes = """\nwanted_min = 1\n[x]\n"""\n[crook_deg]\nwanted_max = 2\na.b = 3\n'
    assert key_lines(text) == {
        ("", "notes"): 1,
        ("crook_deg", ""): 5,
        ("crook_deg", "wanted_max"): 6,
        ("a", "b"): 7,
    }


@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: (HEAD + text).encode()))
def test_whatever_is_in_the_file_ends_in_targets_or_a_sentence(data: bytes) -> None:
    try:
        targets = parse_targets(data, Path("any.toml"))
    except TargetsProblem as problem:
        assert problem.message.startswith("any.toml") and problem.advice
    else:
        assert set(targets.limits) <= set(TRAITS)
