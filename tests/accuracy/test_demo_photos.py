"""A small part of the accuracy tables for every day: two demo photos against their truth.

The bounds stand a little above what was measured when they were set, so that a change for the worse is
seen; the goals themselves are judged by ``python -m tests.accuracy`` on all sets.
"""

from __future__ import annotations

import pytest

from grader.verdict import load_targets
from tests.accuracy.compare import Comparison
from tests.accuracy.figures import figures
from tests.accuracy.kits import Measurer
from tests.accuracy.run import ROOT, run_set

PHOTOS = ("bench_soft_light", "tilted_fifteen_degrees")
P95_BOUNDS = {
    "total_length_mm": 2.0,
    "stripped_length_mm": 2.0,
    "base_diameter_mm": 0.25,
    "foliage_area_mm2": 10.0,
    "crook_deg": 5.0,
}
"""95th percentile of the absolute error; foliage in %."""
LEAST_COVERAGE = 0.85
"""Of stated 95 % intervals, for 14 cuttings: 12 of 14 and more."""


@pytest.fixture(scope="module")
def comparisons() -> list[Comparison]:
    paths = [ROOT / "demo_images" / f"{name}.truth.json" for name in PHOTOS]
    targets = load_targets()
    return [case.comparison for case in run_set(paths, 1, Measurer(targets).measure, targets)]


def test_every_cutting_is_found_once_with_its_base_at_the_right_end(comparisons: list[Comparison]) -> None:
    for comparison in comparisons:
        assert not comparison.skipped
        assert not (comparison.missed or comparison.invented or comparison.merged)
        assert not comparison.set_aside_wrongly and not comparison.wrong_end


@pytest.mark.parametrize("trait", P95_BOUNDS)
def test_errors_stay_within_what_was_measured(comparisons: list[Comparison], trait: str) -> None:
    readings = [r for comparison in comparisons for r in comparison.readings if r.trait == trait]
    told = figures(readings)
    assert told.n >= 10
    assert told.p95 <= P95_BOUNDS[trait]
    assert told.coverage >= LEAST_COVERAGE
