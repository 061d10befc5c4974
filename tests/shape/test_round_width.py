"""Diameters of round stems from the width that is seen, against tangents found numerically."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from grader.shape.trace import round_width


def seen_edges(diameter_mm: float, beside_mm: float, eye_mm: float) -> tuple[float, float]:
    """Return where the two tangents from the eye meet the plane, for a circle that rests on it.

    The eye is above 0; the circle touches the plane at ``beside_mm``.
    """
    radius = diameter_mm / 2

    def gap(ground_mm: float) -> float:
        """Distance of the circle's centre from the ray, less the radius."""
        ray = np.array([ground_mm, -eye_mm]) / np.hypot(ground_mm, eye_mm)
        centre = np.array([beside_mm, radius - eye_mm])
        return abs(float(ray[0] * centre[1] - ray[1] * centre[0])) - radius

    straight = beside_mm * eye_mm / (eye_mm - radius)  # the ray through the centre
    far = 40.0 * max(1.0, diameter_mm)
    return brentq(gap, straight - far, straight), brentq(gap, straight, straight + far)


@given(diameter_mm=st.floats(0.5, 12.0), beside_mm=st.floats(-250.0, 250.0), eye_mm=st.floats(200.0, 800.0))
def test_the_diameter_comes_back_from_its_tangents(
    diameter_mm: float, beside_mm: float, eye_mm: float
) -> None:
    left, right = seen_edges(diameter_mm, beside_mm, eye_mm)
    found = round_width(np.array([right - left]), np.array([(left + right) / 2]), eye_mm)
    assert abs(found[0] - diameter_mm) < 1e-6


def test_a_stem_at_the_side_looks_wider_by_the_slant() -> None:
    # A thin stem seen at 45 degrees across looks wider by 1/cos(45).
    found = round_width(np.array([1.0]), np.array([400.0]), 400.0)
    assert abs(found[0] - np.cos(np.radians(45.0))) < 0.01
