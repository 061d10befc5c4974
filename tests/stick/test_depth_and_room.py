"""Depth, room and medium against arithmetic done by hand."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.errors import GraderError
from grader.stick.depth import depth_of
from grader.stick.groups import Placed
from grader.stick.lengths import range_text
from grader.stick.room import cell_tray, medium_litres, n_containers, open_container
from grader.stick.values import SHIPPED, ValuesProblem, load_values
from grader.stick.words import celsius_text, litres_text, ppm_text
from tests.stick.invented_results import Invented, plan_of

RULE = load_values().depth


def members(folder: Path, *cuttings: Invented) -> tuple[Placed, ...]:
    plan = plan_of(folder, cuttings)
    return tuple(sorted((p for g in plan.groups for p in g.group.members), key=lambda p: p.cutting.number))


def test_depth_by_hand(tmp_path: Path) -> None:
    """90 mm long: a fifth is 18 mm; 100 mm: 20 mm. The shorter bare stem is 27 mm, less 3 mm: 24."""
    depth = depth_of(members(tmp_path, Invented(90.0, 27.0), Invented(100.0, 30.0)), RULE)
    assert (depth.low_mm, depth.high_mm, depth.misfits) == (20, 24, ())
    # A third of 90 and 100 mm is 30 and 33 mm: neither has 33 or 36 mm of bare stem.
    assert depth.n_published == 0 and depth.published_mm == pytest.approx((29.97, 33.3))


def test_who_cannot_be_stuck_so_deep_is_named_with_what_to_do(tmp_path: Path) -> None:
    """Number 2 has 12 mm: 18 mm below and 3 mm above make 21, so 9 more."""
    depth = depth_of(
        members(
            tmp_path,
            Invented(90.0, 30.0),
            Invented(90.0, 12.0),
            Invented(90.0, math.nan),
            Invented(90.0, 31.0),
        ),
        RULE,
    )
    assert (depth.low_mm, depth.high_mm) == (18, 27)
    assert [misfit.placed.cutting.number for misfit in depth.misfits] == [2, 3]
    assert "strip 9 mm (0.35 in) more, to 21 mm" in depth.misfits[0].why
    assert "not measured" in depth.misfits[1].why


def test_one_that_needs_another_depth_is_told_its_own(tmp_path: Path) -> None:
    """A 200 mm cutting with 60 mm bare leaves at most 15 of it above; three of 80 mm have 27 at most."""
    small = [Invented(80.0, 30.0)] * 3
    depth = depth_of(members(tmp_path, *small, Invented(200.0, 60.0)), RULE)
    assert (depth.low_mm, depth.high_mm) == (16, 27)
    (misfit,) = depth.misfits
    assert misfit.why == "stick it 45 to 57 mm (1.77 to 2.24 in) deep, by itself"


def test_a_shallow_container_limits_the_depth(tmp_path: Path) -> None:
    """40 mm of medium less 15 below the cut end leave 25 mm; with 30 mm, 15 are too few for 18."""
    placed = members(tmp_path, Invented(90.0, 40.0))
    assert depth_of(placed, RULE, 40.0).high_mm == 25
    none = depth_of(placed, RULE, 30.0)
    assert not none.is_known and none.misfits[0].why.startswith("the container is too shallow")


def test_so_deep_that_little_bare_stem_stays_above(tmp_path: Path) -> None:
    """40 mm bare less 15 mm is 25 mm; the other has 30 mm, less 3 mm is 27 mm."""
    depth = depth_of(members(tmp_path, Invented(90.0, 40.0), Invented(90.0, 30.0)), RULE)
    assert (depth.low_mm, depth.high_mm, depth.misfits) == (25, 27, ())


def test_no_depth_where_all_are_unstripped(tmp_path: Path) -> None:
    depth = depth_of(members(tmp_path, Invented(90.0, 5.0), Invented(90.0, 0.0)), RULE)
    assert not depth.is_known and len(depth.misfits) == 2


@given(st.lists(st.tuples(st.floats(30.0, 200.0), st.floats(0.0, 80.0)), min_size=1, max_size=12))
def test_no_other_depth_serves_more(sizes: list[tuple[float, float]]) -> None:
    """Each whole millimetre is tried on each cutting, straight from the rule's words."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        placed = members(Path(folder), *(Invented(length, stripped) for length, stripped in sizes))
    depth = depth_of(placed, RULE)

    def served(mm: int) -> set[int]:
        return {
            k
            for k, (length, stripped) in enumerate(sizes, start=1)
            if mm >= 6 and mm >= 0.2 * length and 3 <= stripped - mm <= 15
        }

    most = max(len(served(mm)) for mm in range(1, 100))
    named = {misfit.placed.cutting.number for misfit in depth.misfits}
    assert len(named) == len(sizes) - most
    for mm in range(depth.low_mm, depth.high_mm + 1):
        if depth.is_known:
            assert served(mm) == set(range(1, len(sizes) + 1)) - named


def test_medium_by_hand() -> None:
    """13 x 7 = 91 fit; 100 need 2; 2 x 5.4 x 2.8 x 0.6 = 18.144 L; and 15 %: 20.866 L; 80 %: 16.69."""
    box = open_container((540.0, 280.0), 60.0, 40.0)
    n = n_containers(100, box)
    litres = medium_litres(n, box, 0.15)
    assert (box.capacity, n) == (91, 2) and litres == pytest.approx(20.8656)
    assert litres * load_values().mix("").shares["perlite"] == pytest.approx(16.69248)
    tray = cell_tray(72, 50.0)
    assert n_containers(73, tray) == 2 and medium_litres(2, tray, 0.0) == pytest.approx(7.2)


@given(st.floats(50.0, 1000.0), st.floats(50.0, 1000.0), st.floats(5.0, 50.0), st.integers(0, 5000))
def test_containers_are_enough_and_none_is_idle(width: float, length: float, spacing: float, n: int) -> None:
    box = open_container((width, length), 60.0, spacing)
    needed = n_containers(n, box)
    assert (needed - 1) * box.capacity < n <= needed * box.capacity or n == needed == 0
    assert box.capacity * spacing**2 <= width * length * (1 + 1e-8)


@pytest.mark.parametrize(
    ("size", "fill", "spacing", "said"),
    [
        ((540.0, 280.0), 60.0, -40.0, "spacing of -40 mm"),
        ((540.0, 280.0), 60.0, 0.0, "spacing of 0 mm"),
        ((540.0, 280.0), 60.0, 600.0, "No cutting fits"),
        ((540.0, 280.0), 60.0, math.nan, "spacing of nan"),
        ((540.0, 280.0), -1.0, 40.0, "filling height of -1"),
        ((-540.0, 280.0), 60.0, 40.0, "side of -540"),
        ((math.inf, 280.0), 60.0, 40.0, "side of inf"),
        ((540.0, 280.0), 1e9, 40.0, "filling height of 1e"),
    ],
)
def test_absurd_containers_are_refused(
    size: tuple[float, float], fill: float, spacing: float, said: str
) -> None:
    with pytest.raises(GraderError, match=said) as caught:
        open_container(size, fill, spacing)
    assert "--" in caught.value.advice


@pytest.mark.parametrize(("n", "ml"), [(0, 50.0), (-3, 50.0), (10**9, 50.0), (72, 0.0), (72, math.inf)])
def test_absurd_trays_are_refused(n: int, ml: float) -> None:
    with pytest.raises(GraderError, match="makes no sense"):
        cell_tray(n, ml)


def test_units_by_hand() -> None:
    """1 US gal is 3.785 L (NIST Handbook 44): 10 L are 2.64; 25 °C are 77 °F; 8000 ppm are 0.8 %."""
    assert litres_text(10.0) == "10.0 L (2.6 US gal)"
    assert celsius_text(25, 25) == "25 °C (77 °F)"
    assert ppm_text(8000, 8000) == "8000 ppm (0.8 %)"
    assert range_text(25.4, 50.8) == "25 to 51 mm (1.00 to 2.00 in)"


def test_every_shipped_value_has_a_source() -> None:
    values = load_values()
    sourced = [*values.groups.values(), values.depth, values.container, values.medium]
    sourced += [*values.mixes, *values.hormone, *values.heat, *values.cautions]
    assert all(len(item.source) > 10 for item in sourced)
    words = " ".join(caution.text for caution in values.cautions).lower()
    for word in ("gloves", "goggles", "ventilate", "label", "residual-current", "licensed", "local code"):
        assert word in words
    juniper = [e for e in values.hormone if e.plant == "junipers" and "common practice" in e.source]
    assert (juniper[0].low_ppm, juniper[0].high_ppm) == (3000, 8000)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("step        = 5 ", "step        = -5 ", "step"),
        ("most        = 4 ", "mots        = 4 ", "mots"),
        ("low_ppm = 500\n", "low_ppm = 5000\n", "low_ppm is above"),
        ("{ perlite = 80, coir = 20 }", "{ perlite = 80, coir = -20 }", "parts must be above 0"),
        ("settling_share = 0.15", "settling_share = 15", "settling_share"),
        ('schema  = "cutting-grader/sticking-values-1"', 'schema = "other"', "schema"),
        ("[depth]", "[depth", "TOML"),
        ("low_c = 21\n", "low_c = 99\n", "low_c is above"),
        ("[medium]", "[mediums]", "medium is missing"),
    ],
)
def test_mistakes_in_values_are_named(tmp_path: Path, old: str, new: str, said: str) -> None:
    text = SHIPPED.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ValuesProblem, match=said) as caught:
        load_values(path)
    assert "mine.toml" in caught.value.message and caught.value.advice


def test_an_unknown_mix_is_refused_with_those_known() -> None:
    with pytest.raises(ValuesProblem, match="gravel") as caught:
        load_values().mix("gravel")
    assert "perlite-coir" in caught.value.advice
