"""Leader, onset and axis on probability maps whose answer is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from grader.shape.axis import AxisSettings, RoughAxes, stem_axes
from grader.shape.curves import arc_of, fitted
from grader.shape.fields import CuttingFields
from grader.shape.leader import find_leader, find_leaders
from grader.shape.lines import Lines
from grader.shape.onset import find_onset
from grader.shape.sheet import Sheet
from grader.shape.stem import LIKELY_SHORT_MM, LIKELY_SIGMA_MM, OUTLINE_SIGMA_MM, cut_ends, stems_to_cut
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


def test_leaders_on_one_sheet_are_those_of_each_cutting_alone() -> None:
    without_tip = blank()
    draw_line(without_tip, np.array((BASE, (80.0, 20.0))), 0.9)
    cuttings = [
        forked(0.15),
        fields_of(without_tip, leafy_axis=without_tip),
        fields_of(blank()),
        replace(forked(0.9), corner_mm=(50.0, 30.0)),
        forked(0.15),
    ]
    bases = np.array([BASE, BASE, BASE, (60.0, 50.0), (np.nan, np.nan)])
    together = find_leaders(Sheet.of(cuttings), bases)
    assert together[2] is None and together[4] is None
    for k in (0, 1, 3):
        one, alone = together[k], find_leader(cuttings[k], bases[k])
        assert one is not None and alone is not None
        assert np.allclose(one.way_mm, alone.way_mm)
        assert one.tip_spread_mm == pytest.approx(alone.tip_spread_mm)
        assert one.length_spread_mm == pytest.approx(alone.length_spread_mm)


def oblique(angle_deg: float, half_width_mm: float) -> CuttingFields:
    """A bare stem from (20, 30) to the right, at an angle."""
    cover = blank(60.0)
    turn = np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))])
    rows, columns = np.mgrid[: cover.shape[0], : cover.shape[1]] * 0.1
    x, y = columns - 20.0, rows - 30.0
    along, beside = x * turn[0] + y * turn[1], y * turn[0] - x * turn[1]
    cover[:] = np.clip((half_width_mm - np.abs(beside)) / 0.1 + 0.5, 0, 1) * ((along > 0) & (along < 60.0))
    return fields_of(cover)


@pytest.mark.parametrize("angle_deg", [-20.0, 0.0, 13.0])
def test_stems_are_followed_to_their_cut_ends_as_each_is_alone(angle_deg: float) -> None:
    half_mm = np.array([1.0, 2.2, 0.6])
    cuttings = [oblique(angle_deg + 5.0 * k, half) for k, half in enumerate(half_mm)]
    turns = np.radians(angle_deg + 5.0 * np.arange(3))
    directions = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    start = np.array([20.0, 30.0])
    # The rough ways begin 5 mm inside and run 0.3 mm beside the middle.
    ways = [start + np.arange(5.0, 40.0, 0.83)[:, None] * way + [0.0, 0.3] for way in directions]
    likely = start + LIKELY_SHORT_MM * directions
    sheet, owner = Sheet.of(cuttings), np.arange(3)
    trails = stems_to_cut(sheet, Lines.of(ways), np.full(3, 4.0), half_mm)
    bases, sigmas = cut_ends(sheet, owner, trails, likely, half_mm)
    for k, (trail, half) in enumerate(zip(trails, half_mm, strict=True)):
        alone_sheet, first = Sheet.of([cuttings[k]]), owner[:1]
        alone = stems_to_cut(alone_sheet, Lines.of([ways[k]]), np.array([4.0]), half_mm[k : k + 1])[0]
        assert np.allclose(trail, alone, atol=2e-3)
        beside = (trail - start) @ np.array([-directions[k, 1], directions[k, 0]])
        assert np.abs(beside).max() < 0.15
        assert np.hypot(*(trail[0] - start)) < 0.5
        assert np.hypot(*(bases[k] - start)) < 0.15
        base, sigma = cut_ends(alone_sheet, first, [alone], likely[k : k + 1], np.array([half]))
        assert np.allclose(base[0], bases[k], atol=2e-3) and sigma[0] == sigmas[k] == LIKELY_SIGMA_MM
        nowhere = np.full((1, 2), np.nan)
        outline, sigma = cut_ends(alone_sheet, first, [alone], nowhere, np.array([half]))
        assert np.hypot(*(outline[0] - start)) < 0.6 and sigma[0] == OUTLINE_SIGMA_MM


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
