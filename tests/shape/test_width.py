"""Kinds of edges and how they agree."""

from __future__ import annotations

import math

import numpy as np

from grader.shape.width import _agreed, _running_median

SLACK_MM = 0.1


def test_the_middle_of_three_kinds_counts() -> None:
    kinds = np.array([[1.0], [1.05], [1.3]])
    assert _agreed(kinds, SLACK_MM)[0] == 1.05


def test_the_edge_stays_near_that_of_colour_at_a_cast_shadow() -> None:
    kinds = np.array([[1.5], [1.0], [1.4]])
    assert math.isclose(_agreed(kinds, SLACK_MM)[0], 1.1)


def test_without_colour_the_others_count() -> None:
    kinds = np.array([[1.0], [np.nan], [1.2]])
    assert math.isclose(_agreed(kinds, SLACK_MM)[0], 1.1)


def test_a_running_median_leaves_out_one_stub_and_gaps() -> None:
    values = np.ones(21)
    values[10] = 3.0
    values[3:5] = np.nan
    one = np.zeros(21, dtype=np.int64)
    assert np.allclose(_running_median(values, one, 7), 1.0)
    assert np.isnan(_running_median(np.full(9, np.nan), one[:9], 5)).all()


def test_a_running_median_does_not_reach_the_next_stem() -> None:
    values = np.stack([np.repeat([1.0, 5.0, 2.0], [9, 4, 8])] * 2)
    assert np.array_equal(_running_median(values, np.repeat([0, 1, 2], [9, 4, 8]), 7), values)
