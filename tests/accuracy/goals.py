"""The goals: what the figures are held against, for even and for stress conditions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Goal:
    """Limits of bias and of the 95th percentile of the absolute error, in the unit of the error."""

    bias: float
    p95: float
    p95_stress: float

    def p95_for(self, is_stress: bool) -> float:
        """Return the limit of the 95th percentile."""
        return self.p95_stress if is_stress else self.p95


GOALS: Mapping[str, Goal] = MappingProxyType(
    {
        "base_diameter_mm": Goal(0.03, 0.10, 0.15),
        "total_length_mm": Goal(0.2, 1.0, 1.5),
        "straight_length_mm": Goal(0.2, 1.0, 1.5),
        "stripped_length_mm": Goal(0.3, 1.5, 2.0),
        "foliage_area_mm2": Goal(1.0, 3.0, 5.0),
        "crook_deg": Goal(1.0, 4.0, 6.0),
        "sweep_ratio": Goal(0.003, 0.01, 0.015),
        "browned_share": Goal(0.02, 0.06, 0.10),
    }
)
"""Foliage area in % of the true area, all others in the unit of the trait."""

RELATIVE = frozenset({"foliage_area_mm2"})
"""Traits whose error is given in % of the true value."""
POSITION_P95_MM = 0.05
POSITION_P95_STRESS_MM = 0.15
COVERAGE_RANGE = (0.92, 0.99)
"""Share of stated 95 % intervals that must hold the truth."""
GRADE_SHARE = 0.99
GRADE_SHARE_STRESS = 0.97
LOST_MAX_STRESS_SHARE = 2 / 500
"""Missed, invented or merged, of all cuttings; none in even conditions."""
