"""Natural breaks: against all splits tried one by one, against a library, and the worked case by hand."""

from __future__ import annotations

from itertools import combinations, pairwise

import jenkspy
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.stick.breaks import best_split, distinct_breaks, visible_breaks

LENGTHS_MM = st.lists(st.floats(20.0, 200.0).map(lambda v: round(v, 1)), min_size=1, max_size=11)


def spread(values: np.ndarray, starts: tuple[int, ...]) -> float:
    """Return the sum of squares inside the runs, written the slow way."""
    return sum(
        float(((values[a:b] - values[a:b].mean()) ** 2).sum()) for a, b in pairwise([*starts, len(values)])
    )


def by_trying_all(values: np.ndarray, n_groups: int, breaks: tuple[int, ...], least: int = 1) -> float | None:
    """Return the least spread over every split there is."""
    found = []
    for inner in combinations(breaks, n_groups - 1):
        starts = (0, *inner)
        if all(b - a >= least for a, b in pairwise([*starts, len(values)])):
            found.append(spread(values, starts))
    return min(found) if found else None


@given(LENGTHS_MM, st.integers(1, 5), st.integers(1, 3), st.booleans())
def test_the_split_is_the_best_of_all_there_are(
    lengths: list[float], n_groups: int, least: int, is_visible: bool
) -> None:
    values = np.sort(lengths)
    breaks = visible_breaks(values, 5.0) if is_visible else distinct_breaks(values)
    wanted = by_trying_all(values, n_groups, breaks, least)
    got = best_split(values, n_groups, breaks, least)
    assert (got is None) == (wanted is None)
    if got is not None and wanted is not None:
        assert got.within_ss == pytest.approx(wanted, abs=1e-6)
        assert spread(values, got.starts) == pytest.approx(wanted, abs=1e-6)
        assert len(got.starts) == n_groups and set(got.starts[1:]) <= set(breaks)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("n_groups", [2, 3, 4])
def test_the_split_is_as_good_as_that_of_a_library(seed: int, n_groups: int) -> None:
    """jenkspy 0.4 computes Jenks natural breaks in C. Its breaks are the largest number of each group."""
    random = np.random.default_rng(seed)
    values = np.sort(random.normal(88.0, 12.0, 60).round(2))  # invented lengths, mm
    edges = jenkspy.jenks_breaks(values.tolist(), n_groups)
    starts = (0, *(int(np.searchsorted(values, edge, side="right")) for edge in edges[1:-1]))
    got = best_split(values, n_groups, distinct_breaks(values))
    assert got is not None
    assert got.within_ss == pytest.approx(spread(values, starts), rel=1e-9)


def test_far_from_zero_nothing_is_lost_to_rounding() -> None:
    near = np.array([0.0, 0.1, 0.2, 5.0, 5.1])
    for offset in (0.0, 1e6):
        got = best_split(near + offset, 2, (1, 2, 3, 4))
        assert got is not None and got.starts == (0, 3)
        assert got.within_ss == pytest.approx(0.02 + 0.005, abs=1e-6)


def test_equal_numbers_stay_together() -> None:
    values = np.array([80.0, 80.0, 80.0, 95.0])
    assert distinct_breaks(values) == (3,)
    assert best_split(values, 3, distinct_breaks(values)) is None


def test_a_number_on_the_boundary_goes_up() -> None:
    assert visible_breaks(np.array([84.9, 85.0]), 5.0) == (1,)
    assert visible_breaks(np.array([85.0, 89.9]), 5.0) == ()


def test_nonsense_is_refused() -> None:
    for values, n_groups in (([], 1), ([2.0, 1.0], 1), ([1.0], 0)):
        with pytest.raises(ValueError, match="ascending"):
            best_split(np.array(values), n_groups, ())
