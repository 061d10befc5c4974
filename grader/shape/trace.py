"""Silhouette -> the shape of one cutting: axis, widths, parts, with their uncertainties."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from calib.frames import Points
from grader.records import (
    CuttingShape,
    FlatView,
    Heel,
    MatPose,
    Photo,
    SetAside,
    Silhouette,
    SilhouetteKind,
    Values,
)
from grader.shape.axis import AxisSettings, stem_axis
from grader.shape.curves import arc_of, tangents_of
from grader.shape.fields import CuttingFields, cutting_fields
from grader.shape.foliage import foliage_of, side_shoots
from grader.shape.heel import find_heel
from grader.shape.leader import Branches, branches_from, rough_ways
from grader.shape.onset import Onset, find_onset
from grader.shape.stem import cut_end, stem_to_cut
from grader.shape.tip import prolonged
from grader.shape.width import Widths, WidthSettings, common_sigma_mm, measured_widths


@dataclass(frozen=True, slots=True)
class ShapeSettings:
    """What the shape stage assumes of cuttings; shares are dimensionless."""

    axis: AxisSettings = field(default_factory=AxisSettings)
    width: WidthSettings = field(default_factory=WidthSettings)
    short_cost: float = 4.0
    """Cost of a leader shorter than the longest way, per share of it."""
    turn_cost: float = 0.004
    """Cost per degree of turning; both fitted on the independent trays, folders a and b."""
    tip_rise_share: float = 0.025
    """The tip lies higher than the base by this share of the length on average (same source) ..."""
    tip_rise_sigma: float = 0.7
    """... give or take this share of the rise."""
    foliage_height_share: float = 0.025
    """Mean height of foliage above the paper, per mm of length, beyond half the stem."""
    foliage_edge_mm: float = 0.126
    """Foliage reads too large by so much along its edge: contact shadow between leaves counts as
    covered (fitted on the same source) ..."""
    foliage_edge_sigma_mm: float = 0.04
    """... give or take so much, ..."""
    foliage_share_sigma: float = 0.10
    """... and leaves hidden or spread by the oblique view add this share."""
    least_base_sigma_mm: float = 0.15
    """The cut end is never known better."""
    base_bias_mm: float = 0.0
    crushed_mm: float = 3.0
    """The first mm above the cut are crushed or flared by the blade (definition)."""
    base_until_mm: float = 10.0
    """Base diameter is taken up to here (definition)."""


def trace_cutting(
    silhouette: Silhouette,
    view: FlatView,
    photo: Photo,
    pose: MatPose,
    settings: ShapeSettings | None = None,
) -> CuttingShape | SetAside:
    """Return the shape of one cutting, positions straight below it, or why it cannot be told."""
    settings = settings or ShapeSettings()
    fields = cutting_fields(silhouette, view)
    trail, base_sigma = _bare_stem(fields, silhouette)
    branches = branches_from(fields, trail[:1]) if len(trail) >= 3 else None
    ways = rough_ways(branches, trail) if branches is not None else []
    if branches is None or not ways:
        return SetAside(
            SilhouetteKind.OBJECT,
            "its stem cannot be followed: lay it flat and apart from others, and take the photo again",
            silhouette.outline_mm,
            silhouette.area_mm2,
        )
    axis = _best_axis(fields, ways, trail, settings)
    axis, tip_sigma = prolonged(fields, axis, settings.axis.step_mm)
    heel = find_heel(fields, axis)
    if heel is not None:
        axis = heel.axis_mm
    onset = find_onset(fields, axis, heel.heel.length_mm if heel is not None else 0.0)
    return _shape(
        _Traced(fields, axis, branches, base_sigma, tip_sigma, onset, heel.heel if heel else None),
        silhouette,
        photo,
        pose,
        settings,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Traced:
    """All positions as seen on the mat plane, not yet corrected for height."""

    fields: CuttingFields
    axis: Points
    branches: Branches
    base_sigma: float
    tip_sigma: float
    onset: Onset
    heel: Heel | None


def _bare_stem(fields: CuttingFields, silhouette: Silhouette) -> tuple[Points, float]:
    rough = branches_from(fields, np.array([silhouette.base_mm]))
    if rough is None:
        return np.zeros((0, 2)), float("nan")
    reach = np.where(np.isfinite(rough.length_mm), rough.length_mm, -1.0)
    way = rough.way_mm(int(reach.argmax()))
    run = silhouette.base_run_mm
    anchor = max(min(0.5 * run, run - 2), min(4.0, run))
    half = max(silhouette.base_half_width_mm, 0.3)
    if len(way) < 8:
        return np.zeros((0, 2)), float("nan")
    trail = stem_to_cut(fields, way, anchor, half)
    base, sigma = cut_end(fields, trail, half)
    return np.vstack([base, trail[2:]]), sigma


def _best_axis(fields: CuttingFields, ways: list[Points], trail: Points, settings: ShapeSettings) -> Points:
    bare_mm = float(arc_of(trail)[-1])
    longest = max(float(arc_of(way)[-1]) for way in ways)
    best, best_cost = ways[0], np.inf
    for way in ways:
        axis, cost = stem_axis(fields, way, bare_mm, settings.axis)
        length = float(arc_of(axis)[-1])
        cost += settings.short_cost * max(0.0, 1 - length / longest)
        cost += settings.turn_cost * _turning_deg(axis, bare_mm, settings.axis.step_mm)
        if cost < best_cost:
            best, best_cost = axis, cost
    return best


def _turning_deg(axis_mm: Points, from_mm: float, step_mm: float) -> float:
    """Return the sum of turns between pieces of 5 mm above the bare stem."""
    pieces = tangents_of(axis_mm)[int(from_mm / step_mm) :: max(1, int(5 / step_mm))]
    if len(pieces) < 2:
        return 0.0
    cross = pieces[:-1, 0] * pieces[1:, 1] - pieces[:-1, 1] * pieces[1:, 0]
    dot = np.sum(pieces[:-1] * pieces[1:], axis=1)
    return float(np.degrees(np.abs(np.arctan2(cross, dot))).sum())


def _shape(
    traced: _Traced, silhouette: Silhouette, photo: Photo, pose: MatPose, settings: ShapeSettings
) -> CuttingShape:
    onset = traced.onset
    seen_arc = arc_of(traced.axis)
    total = float(seen_arc[-1])
    attached = onset.attached_mm if np.isfinite(onset.attached_mm) else total
    until = min(attached, total)
    width_seen = measured_widths(
        photo,
        pose.plane,
        traced.axis,
        max(until - 0.5, 2.0),
        onset.stem_width_mm,
        settings.width,
    )
    rough_mm = onset.stem_width_mm
    radius = rough_mm / 2
    rise = settings.tip_rise_share * total
    height = radius + rise * (seen_arc / max(total, 1e-9)) ** 2
    axis = pose.plane.ground_from_seen(traced.axis, height)
    arc = arc_of(axis)
    shrink = float(arc[-1]) / max(total, 1e-9)
    width, width_sigma, base_sigma = _widths_on(width_seen, seen_arc, pose, settings)
    foliage = foliage_of(traced.fields, traced.axis, until, rough_mm)
    eye_mm = pose.plane.eye_mm[2]
    mean_height = radius + settings.foliage_height_share * total
    level = (1 - mean_height / eye_mm) ** 2 if np.isfinite(eye_mm) else 1.0
    area = max(0.0, foliage.area_mm2 * level - settings.foliage_edge_mm * foliage.edge_mm)
    away_mm = float(np.hypot(*(traced.axis[-1] - np.asarray(pose.plane.eye_mm[:2]))))
    tip_sigma = tip_sigma_mm(traced.tip_sigma, total, away_mm / eye_mm, settings)
    shoots = side_shoots(traced.branches, traced.axis, until, traced.fields)
    strays = onset.strays_mm
    under = seen_arc > until
    return CuttingShape(
        axis_mm=axis,
        arc_mm=arc,
        axis_sigma_mm=np.where(under, settings.axis.foliage_sigma_mm, settings.axis.bare_sigma_mm),
        width_mm=width,
        width_sigma_mm=width_sigma,
        foliage_from_mm=onset.attached_mm * shrink,
        foliage_from_sigma_mm=onset.sigma_mm,
        tip_sigma_mm=tip_sigma,
        base_sigma_mm=max(traced.base_sigma, settings.least_base_sigma_mm),
        base_doubt=_doubt(silhouette),
        foliage_area_mm2=area,
        foliage_area_sigma_mm2=float(
            np.hypot(settings.foliage_share_sigma * area, settings.foliage_edge_sigma_mm * foliage.edge_mm)
        ),
        browned_share=foliage.browned_share,
        browned_share_sigma=foliage.browned_sigma,
        side_tips_mm=shoots,
        strays_mm=np.stack([np.interp(strays * shrink, arc, axis[:, k]) for k in (0, 1)], axis=1),
        heel=traced.heel,
        base_width_sigma_mm=base_sigma,
    )


def tip_sigma_mm(seen_sigma_mm: float, length_mm: float, slant: float, settings: ShapeSettings) -> float:
    """Return the standard uncertainty of the tip's place along the axis: as seen, and by its unknown height.

    Parameters
    ----------
    slant : float
        Distance of the tip from the foot of the camera over the camera's height; nan if unknown.
    """
    if not np.isfinite(slant):
        return seen_sigma_mm
    rise_mm = settings.tip_rise_share * length_mm
    return float(np.hypot(seen_sigma_mm, settings.tip_rise_sigma * rise_mm * slant))


def _widths_on(
    seen: Widths, arc_mm: Values, pose: MatPose, settings: ShapeSettings
) -> tuple[Values, Values, float]:
    """Return widths on the axis' points, their uncertainty, and that of their mean near the base.

    A round stem of diameter d on the paper under a camera at height H is seen d / sqrt(1 - d/H)
    wide (exact for a cylinder below the camera); what is seen is taken back by that.
    """
    eye_mm = pose.plane.eye_mm[2]
    width = np.full(len(arc_mm), np.nan)
    good = np.isfinite(seen.width_mm) & (seen.width_mm > 0.1)
    common = common_sigma_mm(pose, float(np.nanmean(seen.width_mm)) if good.any() else 0.0, settings.width)
    if good.sum() >= 2:
        inside = (arc_mm >= seen.arc_mm[good][0]) & (arc_mm <= seen.arc_mm[good][-1])
        width[inside] = np.interp(arc_mm[inside], seen.arc_mm[good], seen.width_mm[good])
        if np.isfinite(eye_mm):
            width = width * np.sqrt(np.clip(1 - width / eye_mm, 0.1, 1.0))
    sigma = np.where(np.isfinite(width), np.hypot(common, 0.03), np.nan)
    return width, sigma, common


def _doubt(silhouette: Silhouette) -> float:
    """Return the probability that the rival end is the base: its squared odds against both.

    Squared, since the better end was the base in 479 of 480 silhouettes: plain odds doubt too much.
    """
    rival, best = ((p / max(1 - p, 1e-6)) ** 2 for p in (silhouette.rival_score, silhouette.base_score))
    return float(rival / max(rival + best, 1e-9))
