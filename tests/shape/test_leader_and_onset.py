"""Leader, onset and axis on probability maps whose answer is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from grader.shape.axis import AxisSettings, RoughAxes, stem_axes
from grader.shape.curves import arc_of, fitted
from grader.shape.leader import find_leader
from grader.shape.onset import find_onset
from grader.shape.sheet import Sheet
from tests.shape.probabilities import blank, draw_disc, draw_line, fields_of

BASE, TIP = (10.0, 20.0), (110.0, 20.0)
FORK, SIDE_TIP = (60.0, 20.0), (100.0, 36.0)


def forked(side_share: float):
    """A straight leader of 100 mm and a side shoot whose line has a probability of its own."""
    cover, line, tip = blank(), blank(), blank()
    for points in ((BASE, TIP), (FORK, SIDE_TIP)):
        draw_line(cover, np.array(points), 1.0)
    draw_line(line, np.array((FORK, SIDE_TIP)), side_share)
    draw_line(line, np.array((BASE, TIP)), 0.9)
    draw_disc(tip, TIP, 0.9)
    draw_disc(tip, SIDE_TIP, 0.9)
    return fields_of(cover, leafy_axis=line, tip=tip)


def test_a_side_shoot_with_a_tip_of_its_own_is_not_the_leader() -> None:
    leader = find_leader(forked(0.15), np.array(BASE))
    assert leader is not None
    assert np.hypot(*(leader.way_mm[-1] - TIP)) < 1.0
    assert leader.length_spread_mm < 0.5


def test_two_equal_ways_are_told_by_the_spread_of_the_length() -> None:
    leader = find_leader(forked(0.9), np.array(BASE))
    assert leader is not None
    # 50 mm straight on against 43 mm aside.
    assert leader.length_spread_mm > 1.0


def test_without_a_tip_the_line_is_followed_to_its_end() -> None:
    cover, line = blank(), blank()
    draw_line(cover, np.array((BASE, TIP)), 1.0)
    draw_line(line, np.array((BASE, TIP)), 0.9)
    leader = find_leader(fields_of(cover, leafy_axis=line), np.array(BASE))
    assert leader is not None
    assert abs(leader.way_mm[-1][0] - TIP[0]) < 1.0


def test_where_nothing_is_likely_there_is_no_leader() -> None:
    assert find_leader(fields_of(blank()), np.array(BASE)) is None


def stemmed(change_mm: float, blur_mm: float = 0.0):
    """A bare stem 2 mm wide that turns leafy; the change may be blurred."""
    cover, bare, leafy = blank(), blank(), blank()
    cover[190:211, 100:1100] = 1.0
    along = np.arange(cover.shape[1]) * 0.1 - BASE[0]
    share = 1 / (1 + np.exp(np.clip((change_mm - along) / max(blur_mm, 0.02), -50, 50)))
    line = blank()
    draw_line(line, np.array((BASE, TIP)), 0.95)
    bare[:], leafy[:] = line * (1 - share), line * share
    return fields_of(cover, bare_axis=bare, leafy_axis=leafy)


AXIS = np.stack([np.arange(10.0, 110.01, 0.5), np.full(201, 20.0)], axis=1)


@pytest.mark.parametrize("change_mm", [6.0, 25.3, 61.0])
def test_the_change_from_bare_to_leafy_is_found(change_mm: float) -> None:
    onset = find_onset(stemmed(change_mm), AXIS)
    assert abs(onset.attached_mm - change_mm) < 0.6
    assert onset.sigma_mm < 1.0
    assert abs(onset.stem_width_mm - 2.1) < 0.15


def test_a_blurred_change_is_less_certain() -> None:
    assert find_onset(stemmed(30.0, 4.0), AXIS).sigma_mm > 1.5 * find_onset(stemmed(30.0), AXIS).sigma_mm


def test_a_bare_stick_has_no_onset() -> None:
    assert math.isnan(find_onset(stemmed(500.0), AXIS).attached_mm)


def test_leaves_from_the_base_on_mean_no_stripped_stem() -> None:
    assert find_onset(stemmed(-50.0), AXIS).attached_mm < 1.0


def test_what_stands_out_below_the_foliage_is_a_stray() -> None:
    fields = stemmed(30.0)
    fields.coverage[180:191, 250:258] = 1.0  # a needle 15 mm above the base
    strays = find_onset(fields, AXIS).strays_mm
    assert len(strays) == 1 and abs(strays[0] - 15.4) < 0.5


def test_the_axis_follows_the_line_and_is_less_sure_where_it_is_faint() -> None:
    cover, line = blank(), blank()
    wave = np.stack([AXIS[:, 0], 20.0 + 3.0 * np.sin(AXIS[:, 0] / 18.0)], axis=1)
    draw_line(cover, wave, 1.0)
    draw_line(line, wave[:121], 0.95)
    draw_line(line, wave[120:], 0.25)
    trail = wave[:21]
    sheet = Sheet.of([fields_of(cover, leafy_axis=line)])
    axis = stem_axes(sheet, RoughAxes([trail], [wave[::4]], np.array([0])), AxisSettings())[0]
    gap = np.abs(axis.line_mm[:, 1] - np.interp(axis.line_mm[:, 0], wave[:, 0], wave[:, 1]))
    assert np.percentile(gap, 95) < 0.3
    arc = arc_of(axis.line_mm)
    sure, faint = axis.sigma_mm[(arc > 20) & (arc < 50)], axis.sigma_mm[(arc > 70) & (arc < 95)]
    assert faint.mean() > 1.5 * sure.mean()


@pytest.mark.parametrize("bend_deg", [10.0, 30.0, 45.0, 70.0])
def test_smoothing_keeps_a_crook(bend_deg: float) -> None:
    turn = math.radians(bend_deg)
    arc = np.arange(0.0, 80.1, 0.5)
    beyond = np.maximum(arc - 40.0, 0.0)
    true = np.stack([np.minimum(arc, 40.0) + beyond * math.cos(turn), beyond * math.sin(turn)], axis=1)
    noisy = true + np.random.default_rng(5).normal(0.0, 0.1, true.shape)
    curve = fitted([(noisy, np.full(len(arc), 0.15))], 0.5, AxisSettings().stiffness_mm3)[0]
    at = arc_of(curve)
    middle, before, after = (
        np.array([np.interp(s, at, curve[:, k]) for k in (0, 1)]) for s in (40.0, 28.0, 52.0)
    )
    one, two = middle - before, after - middle
    angle = math.degrees(abs(math.atan2(one[0] * two[1] - one[1] * two[0], float(one @ two))))
    assert abs(angle - bend_deg) < 2.0 + 0.05 * bend_deg  # a corner is rounded a little
