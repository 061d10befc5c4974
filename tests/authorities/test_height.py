"""How height above the paper shifts and widens what is seen: closed formulas against the code.

Source of the formulas: similar triangles for a pinhole straight above the mat at height H.  A point at
height h and distance x from the foot of the camera is seen at x H / (H - h), a shift of x h / (H - h);
a thing at height h reads too large by h / (H - h); a cylinder of diameter d lying on the mat below the
camera reads d / sqrt(1 - d / H) between its two tangents.  The figures (1.01 % for 4 mm at 400 mm,
0.081 mm for an 8 mm stem, 0.011 mm for a 3 mm stem) follow from these formulas.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.frames import PlaneMap

EYE_HEIGHT_MM = 400.0
FOOT_MM = (148.5, 105.0)
THOUSANDTH_MM = 0.001


def mat_seen_from_above(px_per_mm: float = 10.0) -> PlaneMap:
    """Return the map of a camera straight above ``FOOT_MM``; only its eye matters here."""
    homography = np.diag([px_per_mm, px_per_mm, 1.0])
    return PlaneMap(
        homography=homography,
        centre_px=(1485.0, 1050.0),
        radius_px=1818.0,
        k1=0.0,
        k2=0.0,
        p1=0.0,
        p2=0.0,
        eye_mm=(*FOOT_MM, EYE_HEIGHT_MM),
    )


@pytest.mark.parametrize("height_mm", [0.0, 0.8, 4.0, 11.0])
@pytest.mark.parametrize("away_mm", [(0.0, 0.0), (100.0, 0.0), (-60.0, 80.0)])
def test_point_is_found_straight_below(height_mm: float, away_mm: tuple[float, float]) -> None:
    true = np.array([FOOT_MM]) + away_mm
    distance_mm = math.hypot(*away_mm)
    shift_mm = distance_mm * height_mm / (EYE_HEIGHT_MM - height_mm)
    outwards = np.array(away_mm) / max(distance_mm, 1e-12)
    seen = true + shift_mm * outwards
    assert mat_seen_from_above().ground_from_seen(seen, height_mm) == pytest.approx(true, abs=1e-9)


def test_length_at_4_mm_reads_1_percent_too_long() -> None:
    seen = np.array([[50.0, 60.0], [151.01, 60.0]])
    true = mat_seen_from_above().ground_from_seen(seen, 4.0)
    assert (seen[1, 0] - seen[0, 0]) / (true[1, 0] - true[0, 0]) == pytest.approx(1.0101, abs=0.00005)


@pytest.mark.parametrize(("diameter_mm", "too_wide_mm"), [(8.0, 0.081), (3.0, 0.011)])
def test_width_of_a_lying_stem(diameter_mm: float, too_wide_mm: float) -> None:
    """The edges that are seen are the tangent points, a little above the axis: height matters there too."""
    apparent_mm = diameter_mm / math.sqrt(1.0 - diameter_mm / EYE_HEIGHT_MM)
    assert apparent_mm - diameter_mm == pytest.approx(too_wide_mm, abs=THOUSANDTH_MM / 2)
    half = apparent_mm / 2
    seen = np.array(FOOT_MM) + np.array([[0.0, -half], [0.0, half]])
    # The line of sight touches the cylinder r sin(angle) above its axis, where tan(angle) is half / H.
    radius = diameter_mm / 2
    tangent_height = radius + radius * math.sin(math.atan2(half, EYE_HEIGHT_MM))
    edges = mat_seen_from_above().ground_from_seen(seen, tangent_height)
    tangent_width_mm = diameter_mm * math.cos(math.atan2(half, EYE_HEIGHT_MM))
    assert edges[1, 1] - edges[0, 1] == pytest.approx(tangent_width_mm, abs=1e-9)
    # Taking the height of the axis instead is good to a thousandth of a millimetre.
    edges = mat_seen_from_above().ground_from_seen(seen, radius)
    assert edges[1, 1] - edges[0, 1] == pytest.approx(diameter_mm, abs=THOUSANDTH_MM)


def test_unknown_camera_changes_nothing() -> None:
    plane = replace(mat_seen_from_above(), eye_mm=(math.nan,) * 3)
    seen = np.array([[3.0, 4.0]])
    assert np.array_equal(plane.ground_from_seen(seen, 5.0), seen)
