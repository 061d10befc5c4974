"""The search is exact: compared with every set of pieces, and with every place to strip to."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.records import Heel
from grader.verdict import Targets, load_targets
from grader.verdict.foliage import foliage_below
from grader.verdict.plan import (
    Options,
    best_pieces,
    best_set,
    options_of,
    strips_of,
    surely_meets,
)
from grader.verdict.predict import LEAST_GREEN_MM, Outlook, predicted
from grader.verdict.rules import Level, Side
from tests.synthetic_records import measured_from, straight_shape

JUNIPER = load_targets("landscape-juniper")
MINIATURE = load_targets("miniature-conifer")
N_PLACES = 9
Worth = tuple[float, ...]
NOTHING: Worth = (0.0,) * 7


def outlook_from(shape) -> Outlook:  # type: ignore[no-untyped-def]
    return Outlook(shape, measured_from(shape), partial(foliage_below, shape))


def leafy(length_mm: float, stripped_mm: float = 30.0) -> Outlook:
    """Return a shoot with foliage enough all along."""
    return outlook_from(replace(straight_shape(length_mm, stripped_mm), foliage_area_mm2=15.0 * length_mm))


def total(options: Options, chosen: tuple[int, ...]) -> Worth:
    return tuple(float(number) for number in options.worth[list(chosen)].sum(axis=0))


def no_overlap(options: Options, chosen: tuple[int, ...]) -> bool:
    return all(options.end[low] <= options.start[high] for low, high in itertools.pairwise(chosen))


def best_by_trying_all(options: Options) -> Worth:
    """Return the worth of the best of all sets whose pieces do not overlap."""
    best = NOTHING
    by_start = [int(k) for k in np.argsort(options.start)]
    for n in range(1, len(by_start) + 1):
        for some in itertools.combinations(by_start, n):
            if no_overlap(options, some):
                best = max(best, total(options, some))
    return best


@st.composite
def random_options(draw: st.DrawFn) -> Options:
    rows = []
    for _ in range(draw(st.integers(0, 8))):
        start = draw(st.integers(0, N_PLACES - 2))
        end = draw(st.integers(start + 1, N_PLACES - 1))
        grade = draw(st.sampled_from(["1", "2"]))
        is_wanted = draw(st.booleans())
        worth = [
            int(grade == "1"), int(grade == "2" and is_wanted), int(grade == "2" and not is_wanted),
            int(end == N_PLACES - 1), end - start, -draw(st.integers(0, 1)), -float(draw(st.integers(0, 9))),
        ]  # fmt: skip
        rows.append([start, end, *worth])
    table = np.array(rows, dtype=float).reshape(-1, 9)
    places = table[:, :2].astype(np.intp)
    return Options(places[:, 0], places[:, 1], np.zeros(len(table)), table[:, 2] == 1.0, table[:, 2:])


@settings(max_examples=300, deadline=None)
@given(random_options())
def test_no_set_of_pieces_is_worth_more(options: Options) -> None:
    chosen = best_set(N_PLACES, options)
    assert no_overlap(options, chosen)
    assert total(options, chosen) == best_by_trying_all(options)


@pytest.mark.parametrize(
    ("length", "stripped", "width"), [(70.0, 8.0, 1.8), (64.4, 25.0, 2.6), (78.0, 3.0, 3.0)]
)
def test_on_a_real_shoot_no_pair_of_pieces_is_worth_more(
    length: float, stripped: float, width: float
) -> None:
    targets = replace(MINIATURE, upper_pieces=True)
    outlook = outlook_from(straight_shape(length, stripped, width, 0.01))
    options = options_of(outlook, targets)
    n = len(options.start)
    assert n > 50
    best = max([NOTHING, *(total(options, (k,)) for k in range(n))])
    for low in range(n):
        above = np.flatnonzero(options.start >= options.end[low])
        best = max([best, *(total(options, (low, int(high))) for high in above)])
    assert total(options, best_set(len(outlook.at_mm), options)) == best


@settings(max_examples=25, deadline=None)
@given(
    length=st.floats(40.0, 130.0),
    stripped=st.floats(1.0, 40.0),
    width=st.floats(1.0, 7.0),
    share=st.floats(0.0, 0.6),
    area=st.floats(60.0, 900.0),
    start=st.integers(0, 40),
)
def test_no_other_place_to_strip_to_gives_a_better_grade(
    length: float, stripped: float, width: float, share: float, area: float, start: int
) -> None:
    shape = straight_shape(length, min(stripped, length - 12.0), width, share * width / length)
    outlook = outlook_from(replace(shape, foliage_area_mm2=area))
    if start >= len(outlook.at_mm) - 10:
        return
    from_mm, to_mm = float(outlook.at_mm[start]), np.array([outlook.total_mm])

    def grade(strip_to_mm: float) -> int:
        bare_to_mm = max(shape.foliage_from_mm, from_mm, strip_to_mm)
        if to_mm[0] - bare_to_mm < LEAST_GREEN_MM:
            return 3
        columns = predicted(outlook, from_mm, to_mm, strip_to_mm)
        met = [surely_meets(columns, JUNIPER, (level,), now=outlook.now)[0] for level in Level]
        allowed, wanted = met[0], met[1]
        return 1 if allowed and wanted else 2 if allowed else 3

    every = [0.0, *np.arange(from_mm + 1.0, outlook.total_mm)]
    assert min(map(grade, strips_of(outlook, JUNIPER, from_mm))) <= min(map(grade, every))


def lengths(length_mm: float, targets: Targets = JUNIPER) -> list[float]:
    pieces = best_pieces(leafy(length_mm), targets)
    return [piece.to_mm - piece.from_mm for piece in pieces]


def test_a_long_shoot_becomes_as_many_cuttings_as_it_holds() -> None:
    # 75 to 100 mm wanted, 50 allowed: 115 mm are one, 130 mm one and a short one, 290 mm three.
    assert [len(lengths(length)) for length in (115.0, 130.0, 290.0)] == [1, 2, 3]
    assert lengths(190.0) == pytest.approx([95.0, 95.0], abs=4.0)
    assert all(75.0 < length < 100.0 for length in lengths(290.0))


def test_one_cutting_with_its_tip_where_upper_pieces_are_not_wanted() -> None:
    outlook = outlook_from(straight_shape(190.0, 30.0))
    (piece,) = best_pieces(outlook, replace(JUNIPER, upper_pieces=False))
    assert piece.to_mm == 190.0


def test_nothing_is_divided_without_a_least_length() -> None:
    # Any stub would do: without a minimum a shoot would be chopped up.
    limits = dict(JUNIPER.limits)
    limits["total_length_mm"] = replace(limits["total_length_mm"], by_key={"wanted_max": 100.0})
    assert len(best_pieces(outlook_from(straight_shape(290.0, 30.0)), replace(JUNIPER, limits=limits))) == 1


def test_no_cut_goes_through_a_heel() -> None:
    outlook = outlook_from(straight_shape(heel=Heel(6.0, 4.0), stripped_mm=35.0))
    cuts = {float(outlook.at_mm[start]) for start in options_of(outlook, JUNIPER).start}
    assert not [at for at in cuts if 0.0 < at < 7.0] and 7.0 in cuts


@settings(max_examples=25, deadline=None)
@given(length=st.floats(160.0, 195.0), change=st.floats(-0.3, 0.3))
def test_near_equal_shoots_are_divided_at_near_equal_places(length: float, change: float) -> None:
    here, there = (best_pieces(leafy(at), JUNIPER) for at in (length, length + change))
    assert len(here) == len(there) == 2
    for first, second in zip(here, there, strict=True):
        assert abs(first.from_mm - second.from_mm) <= 1.0
        assert first.strip_to_mm == pytest.approx(second.strip_to_mm, abs=1.0)


@pytest.mark.parametrize("policy", ["guarded", "simple", "guarded-acceptance", "guarded-rejection"])
def test_every_piece_has_the_guard_band_to_spare_whatever_the_policy(policy: str) -> None:
    # A cut cannot be taken back, so predictions never share the risk.
    targets = replace(JUNIPER, policy=policy)
    (piece,) = best_pieces(outlook_from(straight_shape(115.0, 38.0)), targets)
    limit = targets.get("total_length_mm", Level.WANTED, Side.MAX)
    length = piece.traits["total_length_mm"]
    assert length.value + 1.645 * length.sigma <= limit
