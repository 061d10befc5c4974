"""Where foliage begins, and what is left below it, for changes at any place and of any clearness."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.shape.fields import CuttingFields
from grader.shape.onset import find_onset
from tests.shape.probabilities import blank, draw_line, fields_of

LENGTH_MM, X_MM, Y_MM = 60.0, 5.0, 8.0
AXIS = np.stack([X_MM + np.arange(0.0, LENGTH_MM + 0.01, 0.5), np.full(121, Y_MM)], axis=1)
ALONG_MM = np.arange(700) * 0.1 - X_MM


def stemmed(change_mm: float, clear: float = 0.95, soft_mm: float = 0.0) -> CuttingFields:
    """A stem of 60 mm whose line turns leafy; probabilities of ``clear`` and of the rest."""
    cover, line = blank(16.0, 70.0), blank(16.0, 70.0)
    cover[70:91, 50:651] = 1.0
    draw_line(line, AXIS, 1.0)
    leafy = np.clip((ALONG_MM - change_mm) / max(soft_mm, 1e-6) + 0.5, 0.0, 1.0)
    leafy = (1 - clear) + (2 * clear - 1) * leafy
    return fields_of(
        cover,
        bare_axis=(line * (1 - leafy)).astype(np.float32),
        leafy_axis=(line * leafy).astype(np.float32),
    )


@given(change_mm=st.floats(6.0, 50.0), clear=st.floats(0.75, 0.98))
@settings(max_examples=30, deadline=None)
def test_a_sharp_change_is_found_within_half_a_millimetre(change_mm: float, clear: float) -> None:
    onset = find_onset(stemmed(change_mm, clear), AXIS)
    assert abs(onset.attached_mm - change_mm) < 0.5
    assert onset.sigma_mm < (1.2 if clear > 0.9 else 2.5)


@pytest.mark.parametrize("change_mm", [1.0, 3.06, 55.0, 56.5])
def test_near_the_ends_a_doubtful_change_is_known_to_its_uncertainty(change_mm: float) -> None:
    onset = find_onset(stemmed(change_mm, 0.75), AXIS)
    assert abs(onset.attached_mm - change_mm) < onset.sigma_mm


def test_the_less_clear_the_change_the_larger_its_uncertainty() -> None:
    by_clearness = [find_onset(stemmed(30.0, clear), AXIS).sigma_mm for clear in (0.95, 0.7, 0.6, 0.55)]
    assert by_clearness == sorted(by_clearness) and by_clearness[-1] > 3 * by_clearness[0]
    by_softness = [find_onset(stemmed(30.0, 0.95, soft_mm), AXIS).sigma_mm for soft_mm in (0.0, 8.0, 20.0)]
    assert by_softness == sorted(by_softness) and by_softness[-1] > 1.5 * by_softness[0]


@pytest.mark.parametrize("clear", [0.6, 0.75, 0.95])
def test_the_uncertainty_is_that_of_a_two_sided_exponential(clear: float) -> None:
    # The posterior falls by the log odds for each 1.5 mm (errors are alike over so much) on either side;
    # 0.02 is added to both probabilities, and no place is known better than 0.3 mm.
    spread_mm = np.sqrt(2) * 1.5 / np.log((clear + 0.02) / (1 - clear + 0.02))
    found = find_onset(stemmed(30.0, clear), AXIS).sigma_mm
    assert found == pytest.approx(np.hypot(spread_mm, 0.3), rel=0.1)


@pytest.mark.parametrize("soft_mm", [4.0, 10.0])
def test_a_slow_change_is_placed_in_its_middle(soft_mm: float) -> None:
    onset = find_onset(stemmed(30.0, 0.95, soft_mm), AXIS)
    assert abs(onset.attached_mm - 30.0) < 0.5


def test_a_short_leafy_doubt_on_the_bare_stem_is_not_the_onset() -> None:
    fields = stemmed(30.0)
    needle = slice((50 + 120) // 2, (50 + 140) // 2)
    bare, leafy = fields.marks.bare_axis, fields.marks.leafy_axis
    bare[:, needle], leafy[:, needle] = leafy[:, needle].copy(), bare[:, needle].copy()
    assert abs(find_onset(fields, AXIS).attached_mm - 30.0) < 0.5


@pytest.mark.parametrize(("change_mm", "is_told"), [(57.0, True), (58.9, False), (90.0, False)])
def test_less_than_two_millimetres_of_leafy_axis_are_no_foliage(change_mm: float, is_told: bool) -> None:
    onset = find_onset(stemmed(change_mm), AXIS)
    assert np.isfinite(onset.attached_mm) == is_told == np.isfinite(onset.sigma_mm)


def with_things(*at_mm: float, height_mm: float = 1.5) -> CuttingFields:
    """Return a stem with things 0.6 mm wide standing on one side of it."""
    fields = stemmed(40.0)
    for at in at_mm:
        x = round((X_MM + at - 0.3) * 10)
        fields.coverage[70 - round(height_mm * 10) : 71, x : x + 7] = 1.0
    return fields


@pytest.mark.parametrize(
    ("at_mm", "expected_mm"),
    [
        ((), ()),
        ((12.0, 25.0), (12.0, 25.0)),
        ((20.0, 21.2), (20.6,)),  # so close together they are one
        ((0.5,), ()),  # the flare of the cut
        ((39.0,), ()),  # belongs to the foliage
        ((50.0,), ()),
    ],
)
def test_strays_stand_between_the_cut_and_the_foliage(
    at_mm: tuple[float, ...], expected_mm: tuple[float, ...]
) -> None:
    strays = find_onset(with_things(*at_mm), AXIS).strays_mm
    assert len(strays) == len(expected_mm)
    assert np.allclose(strays, expected_mm, atol=0.5)


def test_bark_bumps_are_no_strays() -> None:
    assert len(find_onset(with_things(12.0, 20.0, height_mm=0.2), AXIS).strays_mm) == 0


def test_a_thick_heel_does_not_count_as_the_stem() -> None:
    fields = stemmed(40.0)
    fields.coverage[60:101, 50:110] = 1.0  # 4.1 mm wide for 6 mm
    assert abs(find_onset(fields, AXIS, heel_mm=6.0).stem_width_mm - 2.1) < 0.15
