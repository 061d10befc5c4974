"""The print scale from an ID-1 card (the size of bank cards) that lies on the mat.

A card is recognised by its size, both sides agreeing on one scale, right angles and round corners;
what misses one of these is not used.  Its sides are corrected for its height: seen from outside, the far
rim is that of the top face, the near rim lies somewhere on the card's wall.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from calib.frames import Points
from grader.locate.card_candidates import rectangles
from grader.locate.card_edge import NEAR, WIDE, fit_edges
from grader.locate.card_sides import LitCrop, Search, Side, find_side, lit_crop
from grader.records import MatPose, Photo, Values

CARD_MM = (85.60, 53.98)
"""Width and height of an ID-1 card (ISO/IEC 7810:2019)."""
CARD_LIMITS_MM = ((85.47, 85.72), (53.92, 54.03))
"""Limits of both for unused cards (ISO/IEC 7810:2019, 5.1; from memory)."""
THICKNESS_MM, THICKNESS_LIMITS_MM = 0.76, (0.68, 0.84)
CORNER_RADIUS_MM = 3.18
"""Both as in ISO/IEC 7810:2019; the radius within 0.30 mm."""


@dataclass(frozen=True, slots=True)
class CardSettings:
    """What is believed."""

    least_scale: float = 0.9
    most_scale: float = 1.1
    """True mm per drawn mm: a print further off is not a mat printed at 100 %."""
    rough_reach_mm: float = 2.0
    wide_reach_mm: float = 0.5
    near_reach_mm: float = 0.2
    """How far from where it is expected a side is looked for, at first and then."""
    lit: float = 0.55
    """Light of the paper beside a side, lit paper = 1, below which it lies in the card's own shadow."""
    least_seen_share: float = 0.8
    """Of each straight side; what covers more may also have moved the rest."""
    most_skew_deg: float = 0.35
    """Of opposite sides and of the right angles."""
    corner_radius_mm: tuple[float, float] = (2.4, 3.85)
    """Believed as measured: the standard's 2.88 to 3.48 mm and the error of a small arc; on the same rays
    a square corner reads 4.2 mm and more."""
    least_contrast: float = 0.04
    """Log light or colour by which the card's face differs from paper: else it may be a drawn outline."""
    agreement_sigmas: float = 3.0
    agreement_most: float = 0.005
    """By how much the two sides' scales may differ, in their own uncertainty and at most."""
    lit_bias_px: float = 0.1
    shaded_bias_mm: float = 0.035
    """By how much a side is found too far out, lit or in the card's own shadow: means of 9 and 5 sides of
    four cards on rendered photos with known truth ..."""
    lit_sigma_px: float = 0.1
    lit_sigma_mm: float = 0.008
    shaded_sigma_mm: float = 0.025
    """... and what is left, twice the scatter seen there: real rims and lights differ more."""
    height_sigma_mm: float = 0.1
    """Beside the limits of the thickness: the card is warped or does not lie flat."""
    eye_sigma: float = 0.03
    eye_sigma_unknown: float = 0.15
    """Relative, of the camera's height: with the focal length in the file, and without."""


@dataclass(frozen=True, slots=True, eq=False)
class Card:
    """A card on the mat and what it says of the print."""

    print_scale: float
    """True mm per drawn mm."""
    sigma: float
    """Relative standard uncertainty, all parts together."""
    scales: tuple[float, float]
    """The same by the long and by the short side alone."""
    corners_mm: Points
    """(4, 2) where its sides meet, as seen, in the pose's mm."""


@dataclass(frozen=True, slots=True)
class UnusableCard:
    """Something with a card's round corners that does not tell the scale."""

    problem: str
    """Why, and what to do; part of a sentence."""


def find_card(
    photo: Photo, pose: MatPose, settings: CardSettings | None = None
) -> Card | UnusableCard | None:
    """Return the card on the mat, one that cannot be used, or None.

    Parameters
    ----------
    photo : Photo
    pose : MatPose
        At whatever print scale; the card's is found relative to it.
    """
    settings = settings or CardSettings()
    middle = math.sqrt(settings.least_scale * settings.most_scale)
    expected = tuple(side * pose.print_scale / middle for side in CARD_MM)
    slack = math.sqrt(settings.most_scale / settings.least_scale) - 1.0
    unusable: UnusableCard | None = None
    for corners in rectangles(photo, pose, (expected[0], expected[1]), slack):
        card = _measured(photo, pose, corners, settings)
        if isinstance(card, Card):
            return card
        unusable = unusable or card
    return unusable


def _measured(
    photo: Photo, pose: MatPose, corners: Points, settings: CardSettings
) -> Card | UnusableCard | None:
    crop = lit_crop(photo, pose, corners)
    rough = Search(settings.rough_reach_mm)
    wide = Search(settings.wide_reach_mm, WIDE)
    found = _followed(crop, pose, corners, (rough, rough, wide))
    lit = [side.blur_px for side in found[0] if side.beside > settings.lit] if found else []
    if not found or not lit:
        return None
    # A side in the card's own shadow is a ramp and tells little of the blur: the lit ones lend theirs.
    blur_px = (float(np.median(lit)),)
    near = Search(settings.near_reach_mm, NEAR, blur_px)
    found = _followed(crop, pose, found[1], (replace(wide, blurs_px=blur_px), near))
    if not found:
        return None
    sides, corners = found
    if not (
        _is_square(sides, settings)
        and _has_round_corners(crop, pose, corners, blur_px, settings)
        and _differs(crop, pose, corners, settings)
    ):
        return None
    if min(side.seen_share for side in sides) < settings.least_seen_share:
        return UnusableCard(
            "part of its edge is covered or hard to see; lay it alone and flat on plain paper"
        )
    return _scaled(sides, corners, pose, not math.isnan(photo.focal_35mm), settings)


def _followed(
    crop: LitCrop, pose: MatPose, corners: Points, searches: tuple[Search, ...]
) -> tuple[tuple[Side, ...], Points] | None:
    """Return sides and corners after some searches, each from where the one before ended."""
    sides: tuple[Side, ...] | None = None
    for search in searches:
        sides = _sides(crop, pose, corners, search)
        if sides is None:
            return None
        corners = _corners(sides)
    return (sides, corners) if sides else None


def _sides(crop: LitCrop, pose: MatPose, corners: Points, search: Search) -> tuple[Side, ...] | None:
    middle = corners.mean(axis=0)
    sides = []
    for k in range(4):
        start, end = corners[k], corners[(k + 1) % 4]
        along = (end - start) / np.hypot(*(end - start))
        normal = np.array([-along[1], along[0]])
        outward = normal * np.sign(normal @ (start - middle))
        inset = along * (CORNER_RADIUS_MM + 1.0)  # beyond the round corner, its error and the blur
        side = find_side(crop, pose, (start + inset, end - inset), outward, search)
        if side is None:
            return None
        sides.append(side)
    return tuple(sides)


def _corners(sides: tuple[Side, ...]) -> Points:
    """Return where neighbouring sides meet, in the order of the corners they came from."""
    meeting = []
    for k in range(4):
        one, other = sides[k - 1], sides[k]
        matrix = np.stack([one.outward, other.outward])
        meeting.append(
            np.linalg.solve(matrix, [one.outward @ one.middle_mm, other.outward @ other.middle_mm])
        )
    return np.asarray(meeting)


def _is_square(sides: tuple[Side, ...], settings: CardSettings) -> bool:
    least = math.sin(math.radians(settings.most_skew_deg))
    for k in range(4):
        along, across = sides[k].direction, sides[(k + 1) % 4].direction
        back = sides[(k + 2) % 4].direction
        if abs(float(along @ across)) > least or abs(float(along[0] * back[1] - along[1] * back[0])) > least:
            return False
    return True


def _has_round_corners(
    crop: LitCrop, pose: MatPose, corners: Points, blurs_px: tuple[float, ...], settings: CardSettings
) -> bool:
    """Return whether all four corners are arcs of the card's radius, seen along rays from their centres."""
    low, high = settings.corner_radius_mm
    middle = corners.mean(axis=0)
    px_per_mm = float(pose.plane.px_per_mm_at(middle[None])[0])
    sample_mm = 0.25 / px_per_mm
    for k in range(4):
        before, after = corners[k - 1] - corners[k], corners[(k + 1) % 4] - corners[k]
        before, after = before / np.hypot(*before), after / np.hypot(*after)
        centre = corners[k] + CORNER_RADIUS_MM * (before + after)
        turns = np.radians(np.linspace(38.0, 52.0, 9))
        rays = -np.cos(turns)[:, None] * before - np.sin(turns)[:, None] * after
        distance = np.arange(1.2, 6.5, sample_mm)
        grid = centre + rays[:, None, :] * distance[None, :, None]
        light = crop.at(pose.plane.px_from_mm(grid.reshape(-1, 2)).reshape(grid.shape))
        profiles = light.reshape(3, 3, len(distance), 3).mean(axis=1)
        expected = (low + high) / 2
        fit = fit_edges(profiles, distance - expected, high - low, px_per_mm, WIDE, blurs_px)
        radius = float(np.nanmedian(fit.off_mm)) + expected if np.isfinite(fit.off_mm).any() else math.nan
        if not low <= radius <= high:
            return False
    return True


def _differs(crop: LitCrop, pose: MatPose, corners: Points, settings: CardSettings) -> bool:
    """Return whether the face inside the rim is not paper like that outside, as in a drawn outline."""
    middle = corners.mean(axis=0)
    shares = np.linspace(0.15, 0.85, 15)
    after = np.roll(corners, -1, axis=0)
    rim = (corners[:, None] + shares[None, :, None] * (after - corners)[:, None]).reshape(-1, 2)
    away = (rim - middle) / np.hypot(*(rim - middle).T)[:, None]
    within, beyond = (crop.at(pose.plane.px_from_mm(rim + off_mm * away)) for off_mm in (-2.5, 2.5))
    apart = np.abs(np.log(np.maximum(within, 1e-3) / np.maximum(beyond, 1e-3))).max(axis=1)
    return float(np.median(apart)) > settings.least_contrast


def _scaled(
    sides: tuple[Side, ...], corners: Points, pose: MatPose, knows_focal: bool, settings: CardSettings
) -> Card | UnusableCard:
    scale = pose.print_scale
    for _ in range(2):  # the card's height in the pose's mm depends on the scale that is looked for
        spans, sigmas = _spans(sides, corners, pose, pose.print_scale / scale, knows_focal, settings)
        found = np.asarray(CARD_MM) / spans * pose.print_scale
        weights = 1.0 / sigmas**2
        scale = float(np.exp(np.log(found) @ weights / weights.sum()))
    apart = abs(math.log(found[0] / found[1]))
    tolerance = min(settings.agreement_sigmas * math.hypot(*sigmas), settings.agreement_most)
    if apart > tolerance or not settings.least_scale <= scale <= settings.most_scale:
        return UnusableCard(
            "it is not of the size of a bank card, or does not lie flat; take it off or press it flat"
        )
    common = _common_sigma(pose, knows_focal, settings)
    sigma = math.hypot(1.0 / math.sqrt(float(weights.sum())), common)
    return Card(scale, sigma, (float(found[0]), float(found[1])), corners)


def _spans(
    sides: tuple[Side, ...],
    corners: Points,
    pose: MatPose,
    pose_mm_per_true_mm: float,
    knows_focal: bool,
    settings: CardSettings,
) -> tuple[Values, Values]:
    """Return the distances (2,) between opposite sides, pose mm, and their relative uncertainties (2,)."""
    middle = corners.mean(axis=0)
    foot, eye = np.asarray(pose.plane.eye_mm[:2]), pose.plane.eye_mm[2]
    lit_sigma = math.hypot(settings.lit_sigma_px / pose.px_per_mm, settings.lit_sigma_mm)
    top = THICKNESS_MM * pose_mm_per_true_mm
    spans, sigmas = [], []
    for (one, other), limits in zip(
        ((sides[1], sides[3]), (sides[0], sides[2])), CARD_LIMITS_MM, strict=True
    ):
        across = one.outward - other.outward
        across = across / np.hypot(*across)
        ends, variance = [], 0.0
        for side, sign in ((one, 1.0), (other, -1.0)):
            # Where the side crosses the line through the card's middle.
            reach = ((side.middle_mm - middle) @ side.outward) / float(across @ side.outward)
            seen = middle + reach * across
            away = sign * float((seen - foot) @ across)
            wall = abs(away) * top / eye if away < 0 else 0.0
            height = top / 2 if away < 0 else top
            is_lit = side.beside > settings.lit
            bias = settings.lit_bias_px / pose.px_per_mm if is_lit else settings.shaded_bias_mm
            edge = seen - sign * bias * across
            ends.append(pose.plane.ground_from_seen(edge[None], height)[0])
            edge_sigma = lit_sigma if is_lit else settings.shaded_sigma_mm
            variance += edge_sigma**2 + side.sigma_mm**2 + wall**2 / 12
        span = float((ends[0] - ends[1]) @ across)
        made = (limits[1] - limits[0]) / math.sqrt(12) * pose_mm_per_true_mm
        spans.append(span)
        sigmas.append(math.sqrt(variance + made**2) / span)
    return np.array(spans), np.array(sigmas)


def _common_sigma(pose: MatPose, knows_focal: bool, settings: CardSettings) -> float:
    """Return the relative uncertainty that both sides share: height of card and camera, the mat's pose."""
    eye = pose.plane.eye_mm[2]
    thick = (THICKNESS_LIMITS_MM[1] - THICKNESS_LIMITS_MM[0]) / math.sqrt(12)
    eye_sigma = settings.eye_sigma if knows_focal else settings.eye_sigma_unknown
    height = math.hypot(thick, settings.height_sigma_mm, THICKNESS_MM * eye_sigma) / eye
    place = pose.position_sigma_mm * math.sqrt(2) / CARD_MM[0]
    return math.hypot(height, place)
