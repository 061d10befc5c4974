"""Silhouette -> the shape of one cutting: axis, widths, parts, with their uncertainties."""

from __future__ import annotations

from collections.abc import Sequence
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
from grader.shape.axis import AxisSettings, RoughAxes, StemAxis, stem_axes
from grader.shape.branches import Skeletons, skeletons_of, ways_from
from grader.shape.curves import arc_of, normals_of, quantile
from grader.shape.edges import BareStem, WidthSettings
from grader.shape.fields import CuttingFields, cutting_fields
from grader.shape.foliage import browned, foliage_area_mm2, side_shoots
from grader.shape.heel import find_heel
from grader.shape.leader import Leader, find_leaders
from grader.shape.lines import Counts, Lines
from grader.shape.onset import BareAxis, Onset, bare_axes, onset_of
from grader.shape.sheet import Sheet, groups_on_sheets
from grader.shape.stem import cut_ends, stems_to_cut
from grader.shape.width import Widths, common_sigma_mm, measured_widths

LEAST_TRAIL = 3
"""Points of a stem that can be followed."""


@dataclass(frozen=True, slots=True)
class ShapeSettings:
    """What the shape stage assumes of cuttings; shares are dimensionless."""

    axis: AxisSettings = field(default_factory=AxisSettings)
    width: WidthSettings = field(default_factory=WidthSettings)
    tip_rise_share: float = 0.025
    """The tip lies higher than the base by this share of the length on average (same source) ..."""
    tip_rise_sigma: float = 0.7
    """... give or take this share of the rise."""
    foliage_height_mm: float = 2.3
    """Mean height of foliage above the paper (fitted to the true silhouettes of the learning sets) ..."""
    foliage_height_sigma: float = 0.5
    """... give or take this share."""
    foliage_slant_share: float = 0.25
    """At a slant of angle a it looks larger by this share of 1/cos(a) - 1 (same fit) ..."""
    foliage_bias: float = 0.0
    """... and reads so much too small otherwise."""
    foliage_share_sigma: float = 0.045
    """Standard uncertainty of a foliage area as a share of it: how leaves hide and turn."""
    least_base_sigma_mm: float = 0.15
    """The cut end is never known better."""
    crushed_mm: float = 3.0
    """The first mm above the cut are crushed or flared by the blade (definition)."""
    base_until_mm: float = 10.0
    """Base diameter is taken up to here (definition)."""


def trace_cuttings(
    silhouettes: Sequence[Silhouette],
    view: FlatView,
    photo: Photo,
    pose: MatPose,
    settings: ShapeSettings | None = None,
) -> list[CuttingShape | SetAside]:
    """Return the shape of each cutting, positions straight below it, or why it cannot be told."""
    settings = settings or ShapeSettings()
    groups = groups_on_sheets([silhouette.coverage.shape[0] for silhouette in silhouettes])
    return [shape for group in groups for shape in _on_sheet(silhouettes[group], view, photo, pose, settings)]


def _on_sheet(
    silhouettes: Sequence[Silhouette],
    view: FlatView,
    photo: Photo,
    pose: MatPose,
    settings: ShapeSettings,
) -> list[CuttingShape | SetAside]:
    """Return the shapes of cuttings that are laid on one sheet."""
    fields = [cutting_fields(silhouette, view) for silhouette in silhouettes]
    sheet = Sheet.of(fields)
    skeletons = skeletons_of(sheet)
    followed = _followed(silhouettes, sheet, skeletons, fields)
    shapes: list[CuttingShape | SetAside] = [_set_aside(silhouette) for silhouette in silhouettes]
    if not followed:
        return shapes
    traced = _traced(sheet, skeletons, followed, settings.axis)
    widths = measured_widths(photo, pose.plane, [one.stem for one in traced], settings.width)
    browns = browned(view, [one.silhouette for one in followed])
    owner = np.array([one.cutting for one in followed], dtype=np.int64)
    branches = ways_from(skeletons, owner, np.array([one.trail_mm[0] for one in followed]))
    shoots = side_shoots(sheet, owner, branches, [one.axis.line_mm for one in traced])
    for one, width, brown, some in zip(traced, widths, browns, shoots, strict=True):
        shapes[one.followed.cutting] = _shape(one, _Seen(width, brown, some), pose, settings)
    return shapes


def _set_aside(silhouette: Silhouette) -> SetAside:
    return SetAside(
        SilhouetteKind.OBJECT,
        "its stem cannot be followed: lay it flat and apart from others, and take the photo again",
        silhouette.outline_mm,
        silhouette.area_mm2,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Followed:
    """The way through a cutting, as seen on the mat plane."""

    cutting: int
    """Which one of the sheet."""
    silhouette: Silhouette
    fields: CuttingFields
    leader: Leader
    trail_mm: Points
    base_sigma: float


def _followed(
    silhouettes: Sequence[Silhouette], sheet: Sheet, skeletons: Skeletons, fields: Sequence[CuttingFields]
) -> list[_Followed]:
    """Return the ways through the cuttings whose stems can be followed."""
    leaders = find_leaders(sheet, np.array([silhouette.base_mm for silhouette in silhouettes]))
    found = {k: one for k, one in enumerate(leaders) if one is not None and skeletons.is_enough(k)}
    stems = bare_stems(
        sheet,
        np.array(list(found), dtype=np.int64),
        [leader.way_mm for leader in found.values()],
        [silhouettes[k] for k in found],
    )
    return [
        _Followed(k, silhouettes[k], fields[k], leader, trail, sigma)
        for (k, leader), (trail, sigma) in zip(found.items(), stems, strict=True)
        if len(trail) >= LEAST_TRAIL
    ]


def bare_stems(
    sheet: Sheet, owner: Counts, ways: Sequence[Points], silhouettes: Sequence[Silhouette]
) -> list[tuple[Points, float]]:
    """Return the centre line (K, 2) of each bare stem from the base, and the uncertainty of the base."""
    if not ways:
        return []
    run = np.array([silhouette.base_run_mm for silhouette in silhouettes])
    anchor = np.maximum(np.minimum(0.5 * run, run - 2), np.minimum(4.0, run))
    half = np.maximum([silhouette.base_half_width_mm for silhouette in silhouettes], 0.3)
    trails = stems_to_cut(sheet, Lines.of(ways, owner), anchor, half)
    likely = np.array([silhouette.base_mm for silhouette in silhouettes])
    bases, sigmas = cut_ends(sheet, owner, trails, likely, half)
    return [
        (np.concatenate([base[None], trail[2:]]), sigma)
        for base, trail, sigma in zip(bases, trails, sigmas.tolist(), strict=True)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _Traced:
    """All positions as seen on the mat plane, not yet corrected for height."""

    followed: _Followed
    axis: StemAxis
    onset: Onset
    heel: Heel | None
    until_mm: float
    """The bare stem ends here, along the axis."""

    @property
    def stem(self) -> BareStem:
        """What widths are taken of."""
        until_mm = max(self.until_mm - 0.5, 2.0)
        return BareStem(self.followed.fields, self.axis.line_mm, until_mm, self.onset.stem_width_mm)


def _traced(
    sheet: Sheet, skeletons: Skeletons, followed: Sequence[_Followed], settings: AxisSettings
) -> list[_Traced]:
    """Return the parts of cuttings along their axes."""
    owner = np.array([one.cutting for one in followed], dtype=np.int64)
    rough = RoughAxes([one.trail_mm for one in followed], [one.leader.way_mm for one in followed], owner)
    axes = stem_axes(sheet, rough, settings)
    seen = _bare_axes(sheet, axes, owner)
    traced = []
    for one, plain, along in zip(followed, axes, seen, strict=True):
        found = find_heel(one.fields, skeletons, one.cutting, plain.line_mm, along.sections)
        if found is None:
            onset, heel, axis, whole = onset_of(along, 0.0), None, plain, along
        else:
            axis, heel = _with_heel(plain, found.axis_mm), found.heel
            whole = _bare_axes(sheet, [axis], np.array([one.cutting]))[0]
            onset = onset_of(whole, heel.length_mm)
        traced.append(_Traced(one, axis, onset, heel, min(whole.below_mm, float(whole.arc_mm[-1]))))
    return traced


def _bare_axes(sheet: Sheet, axes: Sequence[StemAxis], owner: Counts) -> list[BareAxis]:
    return bare_axes(sheet, Lines.of([axis.line_mm for axis in axes], owner))


def _with_heel(axis: StemAxis, line_mm: Points) -> StemAxis:
    """Return the axis that begins at the far end of the heel; uncertainties are counted from the tip."""
    arc, old = arc_of(line_mm), arc_of(axis.line_mm)
    from_tip = float(old[-1]) - (float(arc[-1]) - arc)
    return StemAxis(line_mm, np.interp(from_tip, old, axis.sigma_mm))


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What is seen of a cutting beside its axis."""

    widths: Widths
    browned: tuple[float, float]
    """Share, and its standard uncertainty."""
    side_shoots: tuple[Points, ...]


def _shape(traced: _Traced, seen: _Seen, pose: MatPose, settings: ShapeSettings) -> CuttingShape:
    onset, followed = traced.onset, traced.followed
    fields, leader = followed.fields, followed.leader
    seen_arc = arc_of(traced.axis.line_mm)
    total = float(seen_arc[-1])
    rough_mm = onset.stem_width_mm
    radius = rough_mm / 2
    rise = settings.tip_rise_share * total
    height = radius + rise * (seen_arc / max(total, 1e-9)) ** 2
    axis = pose.plane.ground_from_seen(traced.axis.line_mm, height)
    arc = arc_of(axis)
    shrink = float(arc[-1]) / max(total, 1e-9)
    width, width_sigma, base_sigma = _widths_on(seen.widths, traced.axis.line_mm, pose, settings)
    browned_share, browned_sigma = seen.browned
    eye_mm = pose.plane.eye_mm[2]
    seen_mm2 = foliage_area_mm2(fields.marks.foliage, fields.marks.plant, fields.coverage, fields.cell_mm)
    area, area_share = _area_from_above(seen_mm2, traced.axis.line_mm, pose, settings)
    end = traced.axis.line_mm[-1]
    away = float(np.hypot(*(end - np.asarray(pose.plane.eye_mm[:2])))) / eye_mm
    spread = float(np.hypot(leader.tip_spread_mm, leader.length_spread_mm))
    tip_sigma = tip_sigma_mm(spread, total, away, settings)
    strays = onset.strays_mm
    return CuttingShape(
        axis_mm=axis,
        arc_mm=arc,
        axis_sigma_mm=traced.axis.sigma_mm,
        width_mm=width,
        width_sigma_mm=width_sigma,
        foliage_from_mm=onset.attached_mm * shrink,
        foliage_from_sigma_mm=onset.sigma_mm,
        tip_sigma_mm=tip_sigma,
        base_sigma_mm=max(followed.base_sigma, settings.least_base_sigma_mm),
        base_doubt=_doubt(followed.silhouette),
        foliage_area_mm2=area,
        foliage_area_sigma_mm2=float(area_share * area),
        browned_share=browned_share,
        browned_share_sigma=browned_sigma,
        side_tips_mm=seen.side_shoots,
        strays_mm=np.stack([np.interp(strays * shrink, arc, axis[:, k]) for k in (0, 1)], axis=1),
        heel=traced.heel,
        base_width_sigma_mm=base_sigma,
    )


def tip_sigma_mm(spread_mm: float, length_mm: float, slant: float, settings: ShapeSettings) -> float:
    """Return the standard uncertainty of the tip's place along the axis: as seen, and by its height.

    Parameters
    ----------
    spread_mm : float
        As seen on the plane of the mat.
    slant : float
        Distance of the tip from the foot of the camera over the camera's height; nan if unknown.
    """
    rise_mm = settings.tip_rise_share * length_mm
    lift_mm = settings.tip_rise_sigma * rise_mm * slant if np.isfinite(slant) else 0.0
    return float(np.hypot(spread_mm, lift_mm))


def _area_from_above(
    seen_mm2: float, line_mm: Points, pose: MatPose, settings: ShapeSettings
) -> tuple[float, float]:
    """Return the area of foliage as seen from straight above, and its relative uncertainty.

    Foliage stands above the paper, so it looks larger; and seen at a slant it shows its flanks as well.
    """
    foot_x, foot_y, eye_mm = pose.plane.eye_mm
    if not np.isfinite(eye_mm):
        return seen_mm2 * (1 + settings.foliage_bias), settings.foliage_share_sigma
    near = settings.foliage_height_mm / eye_mm
    middle = line_mm[2 * len(line_mm) // 3]
    slant = float(np.hypot(np.hypot(middle[0] - foot_x, middle[1] - foot_y), eye_mm)) / eye_mm - 1
    area = seen_mm2 * (1 - near) ** 2 * (1 + settings.foliage_bias)
    area /= 1 + settings.foliage_slant_share * slant
    doubts = (
        settings.foliage_share_sigma,
        2 * near * settings.foliage_height_sigma,
        settings.foliage_slant_share * slant / 2,
    )
    return area, float(np.linalg.norm(doubts))


def _widths_on(
    seen: Widths, line_mm: Points, pose: MatPose, settings: ShapeSettings
) -> tuple[Values, Values, float]:
    """Return widths on the axis' points, their uncertainty, and that of their mean near the base."""
    arc_mm = arc_of(line_mm)
    eye_mm = np.asarray(pose.plane.eye_mm)
    width, doubt = np.full(len(arc_mm), np.nan), np.zeros(len(arc_mm))
    good = np.isfinite(seen.width_mm) & (seen.width_mm > 0.1)
    common = common_sigma_mm(pose, float(seen.width_mm[good].mean()) if good.any() else 0.0, settings.width)
    if good.sum() >= 2:
        inside = (arc_mm >= seen.arc_mm[good][0]) & (arc_mm <= seen.arc_mm[good][-1])
        width[inside] = np.interp(arc_mm[inside], seen.arc_mm[good], seen.width_mm[good])
        doubt[inside] = np.interp(arc_mm[inside], seen.arc_mm[good], seen.doubt_mm[good])
        if np.isfinite(eye_mm[2]):
            beside = np.sum((line_mm - eye_mm[:2]) * normals_of(line_mm), axis=1)
            width = round_width(width, beside, float(eye_mm[2]))
    doubt *= settings.width.doubt_share
    sigma = np.where(np.isfinite(width), np.hypot(common, doubt), np.nan)
    low, high = settings.crushed_mm, settings.base_until_mm
    near = np.isfinite(width) & (arc_mm >= low) & (arc_mm <= high)
    base_doubt = quantile(doubt[near], 0.5) if near.any() else 0.0
    return width, sigma, float(np.hypot(common, base_doubt))


def round_width(seen_mm: Values, beside_mm: Values, eye_height_mm: float) -> Values:
    """Return the diameters of round stems lying on the paper that are seen so wide on its plane.

    Exact for a cylinder: both edges are tangents from the eye; with their directions a +- b against
    the vertical, in the plane across the stem, the circle that touches them and the paper has the
    radius H sin(b) / (cos(a) + sin(b)).

    Parameters
    ----------
    seen_mm : (K,)
        Width on the plane of the mat.
    beside_mm : (K,)
        Distance of the point straight below the eye from the stem's line, signed.
    eye_height_mm : float
    """
    one = np.arctan((beside_mm - seen_mm / 2) / eye_height_mm)
    two = np.arctan((beside_mm + seen_mm / 2) / eye_height_mm)
    middle, half = (one + two) / 2, np.sin((two - one) / 2)
    return np.asarray(2 * eye_height_mm * half / (np.cos(middle) + half))


def _doubt(silhouette: Silhouette) -> float:
    """Return the probability that the rival end is the base: its squared odds against both.

    Squared, since the better end was the base in 479 of 480 silhouettes: plain odds doubt too much.
    """
    rival, best = ((p / max(1 - p, 1e-6)) ** 2 for p in (silhouette.rival_score, silhouette.base_score))
    return float(rival / max(rival + best, 1e-9))
