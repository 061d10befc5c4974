"""Stem widths from sub-pixel edges across the axis in the full-resolution photo, in linear light.

Half height between stem and paper reads too wide, since the contact shadow darkens the paper beside
the stem.  The place of the steepest change does not depend on how far the shadow ramp has come; it
is found on profiles averaged along a short piece of stem, once in linear light and once in the
ratios of the channels.  A third edge comes from the probability of being plant.  Each has its
weakness: light follows the dark flank of a stem into its cast shadow, colour is faint on grey bark, the
probability is coarse.  The middle one of the three counts, but not much beyond that of colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import PlaneMap, Points
from grader.records import Mask, MatPose, Photo, Values
from grader.shape.curves import arc_of, normals_of
from grader.shape.fields import CuttingFields

Profiles = NDArray[np.float32]
"""(K, U, C): profiles along the stem, samples across it, channels or coordinates."""

SRGB_KNEE = 0.04045
DARKEST = 4e-3
NODES = np.linspace(-1.0, 1.0, 5)
"""Where profiles are mapped into the photo, as shares of their reach; a quartic between them."""
LEAST_LIGHT, LEAST_HUE = 0.03, 0.15
"""Smallest difference between stem and paper in linear light, and in log ratios of channels, with
which an edge is believed."""


@dataclass(frozen=True, slots=True)
class WidthSettings:
    """How profiles are taken."""

    step_mm: float = 0.25
    """Between profiles along the axis."""
    window_mm: float = 0.6
    """Profiles are averaged along so much stem (Gaussian): shorter than bark bumps."""
    hue_window_mm: float = 2.0
    """The same for colours, which are noisier: noise and compression make inner edges of them (0.15 mm
    too narrow under noise of 8 codes)."""
    sample_px: float = 0.25
    """Between samples across, in photo pixels."""
    beyond_mm: float = 1.2
    """Look so far beyond the rough edge on either side."""
    soften_px: float = 0.7
    """Gaussian that the derivative is taken with, photo pixels."""
    peak_share: float = 0.3
    """A change counts as an edge from this share of the steepest one."""
    edge_bias_px: float = 0.3
    """By how much the steepest change of light lies too far out, photo pixels (this and the following
    fitted on 840 stems of the learning sets: 95th percentile of the diameter error 0.17 mm; by light and
    colour alone it was 0.27 mm)."""
    hue_bias_px: float = -0.65
    """The same for the steepest change of log ratios: it lies inside, where the pixel is mostly bark."""
    plant_bias_px: float = 0.1
    plant_bias_mm: float = 0.05
    """The same for the probability of being plant: 0.1 photo pixels and 0.05 mm."""
    hue_slack_mm: float = 0.1
    """The edge is not further out than the change of colour by more than this: colour does not change
    where a shadow ends."""
    lone_doubt_mm: float = 0.15
    """Scatter that is taken where only one kind of edge is found."""
    even_mm: float = 3.0
    """Each kind of edge is the running median over so much of the stem."""
    soften_hue_px: float = 1.0
    edge_sigma_mm: float = 0.045
    """Standard uncertainty of a width where the three kinds of edge agree (same fit) ..."""
    edge_sigma_px: float = 0.3
    """... and with coarse pixels."""
    doubt_share: float = 0.85
    """Their scatter counts so much for the uncertainty."""


def common_sigma_mm(pose: MatPose, width_mm: float, settings: WidthSettings) -> float:
    """Return the standard uncertainty that all widths of one stem share: its edges and the print scale."""
    edge = float(np.hypot(settings.edge_sigma_px / pose.px_per_mm, settings.edge_sigma_mm))
    return float(np.hypot(edge, pose.scale_sigma * width_mm))


@dataclass(frozen=True, slots=True, eq=False)
class Widths:
    """Widths as seen in the mat plane, not yet corrected for height."""

    arc_mm: Values
    width_mm: Values
    """(K,) nan where no two clear edges were found."""
    doubt_mm: Values
    """(K,) scatter of the kinds of edge, both sides together."""


def measured_widths(
    photo: Photo,
    plane: PlaneMap,
    fields: CuttingFields,
    axis_mm: Points,
    until_mm: float,
    rough_width_mm: float,
    settings: WidthSettings,
) -> Widths:
    """Return widths at right angles to the axis from its start up to ``until_mm``.

    Parameters
    ----------
    axis_mm : (N, 2)
        As seen on the mat plane.
    rough_width_mm : float
        Where about the edges are: half of it on either side.
    """
    arc_all = arc_of(axis_mm)
    arc = np.arange(0.0, max(min(until_mm, float(arc_all[-1])), 0.5), settings.step_mm)
    centre = np.stack([np.interp(arc, arc_all, axis_mm[:, k]) for k in (0, 1)], axis=1)
    if len(arc) < 3:
        empty = np.full(len(arc), np.nan)
        return Widths(arc, empty, empty)
    normals = normals_of(centre)
    px_per_mm = float(np.median(plane.px_per_mm_at(centre)))
    step_mm = settings.sample_px / px_per_mm
    reach = rough_width_mm / 2 + settings.beyond_mm
    across = np.arange(-reach, reach + step_mm, step_mm)
    points = centre[:, None, :] + across[None, :, None] * normals[:, None, :]
    light = _along(
        _linear_at(photo, _profiles_px(plane, centre, normals, across)), settings.window_mm, settings
    )
    slope = _slope(light, settings.soften_px / settings.sample_px)
    half = rough_width_mm / 2
    hue = _log_ratios(_along(light, settings.hue_window_mm, settings))
    turn = _slope(hue, settings.soften_hue_px / settings.sample_px)
    half_step = 2 * round(settings.even_mm / settings.step_mm / 2) + 1
    plant = fields.at(fields.marks.plant, points)
    edges, doubts = [], []
    for side in (-1, 1):
        by_light = side * _steepest(light, slope, across, side * half, settings, step_mm, side, LEAST_LIGHT)
        by_hue = side * _steepest(hue, turn, across, side * half, settings, step_mm, side, LEAST_HUE)
        by_plant = plant[:, np.sign(across) == side].sum(axis=1) * step_mm
        kinds = np.stack(
            [
                by_light - settings.edge_bias_px / px_per_mm,
                by_hue - settings.hue_bias_px / px_per_mm,
                by_plant - settings.plant_bias_mm - settings.plant_bias_px / px_per_mm,
            ]
        )
        kinds = _running_median(kinds, half_step)
        edges.append(_agreed(kinds, settings.hue_slack_mm))
        lone = np.isfinite(kinds).sum(axis=0) < 2
        doubts.append(np.where(lone, settings.lone_doubt_mm, _scatter(kinds)))
    return Widths(arc, edges[0] + edges[1], np.hypot(*doubts))


def _agreed(kinds: Values, hue_slack_mm: float) -> Values:
    """Return the middle of the edges by light, colour and plant (3, K), kept near that of colour."""
    middle, hue = _median(kinds.T), kinds[1]
    return np.where(np.isfinite(hue), np.minimum(middle, hue + hue_slack_mm), middle)


def _running_median(values: Values, window: int) -> Values:
    """Return the median of the finite values in a window around each (..., K); nan where most are missing."""
    padded = np.full((*values.shape[:-1], values.shape[-1] + 2 * (window // 2)), np.nan)
    padded[..., window // 2 : window // 2 + values.shape[-1]] = values
    windows = np.lib.stride_tricks.sliding_window_view(padded, window, axis=-1)
    enough = np.isfinite(windows).sum(axis=-1) >= max(2, window // 3)
    return np.where(enough, _median(windows), np.nan)


def _median(values: Values) -> Values:
    """Return the median (...) of the finite values (..., N); nan where there are none."""
    found = np.isfinite(values).sum(axis=-1, keepdims=True)
    ordered = np.sort(values, axis=-1)  # nan last
    low, high = (
        np.take_along_axis(ordered, place, axis=-1)[..., 0]
        for place in (np.maximum(found - 1, 0) // 2, np.minimum(found // 2, values.shape[-1] - 1))
    )
    return np.asarray((low + high) / 2)


def _scatter(kinds: Values) -> Values:
    """Return the standard deviation (K,) of what was found of each kind (3, K); nan where nothing was."""
    is_found = np.isfinite(kinds)
    count = np.where(is_found.any(axis=0), is_found.sum(axis=0), np.nan)
    away = np.where(is_found, kinds - np.where(is_found, kinds, 0.0).sum(axis=0) / count, 0.0)
    return np.asarray(np.sqrt((away**2).sum(axis=0) / count))


def _log_ratios(light: Profiles) -> Profiles:
    """Return ln(R/G) and ln(B/G) (..., 2): what shadow does not change much, and bark does."""
    log = np.log(np.maximum(light, np.float32(DARKEST)))
    return np.stack([log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]], axis=-1)


def _along(light: Profiles, window_mm: float, settings: WidthSettings) -> Profiles:
    """Return profiles (K, U, C) averaged along the stem, half a window being one standard deviation."""
    kernel = _gaussian(window_mm / settings.step_mm / 2)
    smooth = cv2.sepFilter2D(light, -1, np.ones(1), kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(smooth, dtype=np.float32)


def _slope(light: Profiles, sigma_samples: float) -> Profiles:
    """Return the change from sample to sample across the stem, softened (derivative of a Gaussian)."""
    kernel = _gaussian(sigma_samples)
    kernel *= (np.arange(len(kernel)) - len(kernel) // 2) / sigma_samples**2
    slope = cv2.sepFilter2D(light, -1, kernel, np.ones(1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(slope, dtype=np.float32)


def _gaussian(sigma_samples: float) -> Values:
    reach = int(4 * sigma_samples + 0.5)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_samples) ** 2)
    return np.asarray(kernel / kernel.sum())


def _profiles_px(plane: PlaneMap, centre_mm: Points, normals: Points, across_mm: Values) -> Profiles:
    """Return photo positions (K, U, 2) px of profiles: a few of each are mapped, the rest lie between."""
    reach_mm = float(np.abs(across_mm).max())
    nodes_mm = centre_mm[:, None, :] + (reach_mm * NODES)[None, :, None] * normals[:, None, :]
    nodes_px = plane.px_from_mm(nodes_mm.reshape(-1, 2)).reshape(nodes_mm.shape)
    powers = [np.vander(places, len(NODES)) for places in (across_mm / reach_mm, NODES)]
    weights = powers[0] @ np.linalg.inv(powers[1])
    return np.asarray(weights @ nodes_px, dtype=np.float32)


def _linear_at(photo: Photo, px: Profiles) -> Profiles:
    codes = cv2.remap(photo.rgb, px, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    share = np.arange(256) / 255
    linear = np.where(share <= SRGB_KNEE, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear.astype(np.float32)[codes])


def _steepest(
    light: Profiles,
    slope: Profiles,
    across_mm: Values,
    rough_mm: float,
    settings: WidthSettings,
    step_mm: float,
    side: int,
    least: float,
) -> Values:
    """Return for each profile where the light changes most, near a rough edge, towards the paper."""
    window = np.abs(across_mm - rough_mm) < min(0.5 + 0.12 * abs(rough_mm), settings.beyond_mm)
    index = np.nonzero(window)[0]
    outside = np.abs(across_mm) > abs(rough_mm) + 0.5
    outside &= np.sign(across_mm) == side
    inside = np.abs(across_mm) < 0.6 * abs(rough_mm)
    direction = light[:, _stretch(outside)].mean(axis=1) - light[:, _stretch(inside)].mean(axis=1)
    norm = np.linalg.norm(direction, axis=1, keepdims=True)
    direction = direction / np.maximum(norm, 1e-9)
    change = side * np.einsum("kuc,kc->ku", slope[:, _stretch(window)], direction)
    best = _innermost_peak(change[:, ::side], settings.peak_share)
    best = best if side > 0 else change.shape[1] - 1 - best
    inner = np.clip(best, 1, len(index) - 2)
    rows = np.arange(len(change))
    before, at, after = change[rows, inner - 1], change[rows, inner], change[rows, inner + 1]
    bend = before - 2 * at + after
    # In a picture without colour nothing changes at all.
    part = np.where(np.abs(bend) > 1e-12, 0.5 * (before - after) / np.where(bend == 0.0, 1.0, bend), 0.0)
    edge = across_mm[index[inner]] + np.clip(part, -1, 1) * step_mm
    clear = (best > 0) & (best < len(index) - 1) & (change[rows, best] > 0) & (norm[:, 0] > least)
    return np.where(clear, edge, np.nan)


def _stretch(chosen: Mask) -> slice:
    """Return where samples that lie side by side are."""
    places = np.flatnonzero(chosen)
    return slice(int(places[0]), int(places[-1]) + 1) if len(places) else slice(0)


def _innermost_peak(change: Values, share: float) -> NDArray[np.int64]:
    """Return the first local maximum from the stem outward that reaches a share of the largest.

    Further out lie the edges of cast shadows, which can be sharper than that of the stem.
    """
    peak = np.zeros(change.shape, dtype=bool)
    peak[:, 1:-1] = (change[:, 1:-1] >= change[:, :-2]) & (change[:, 1:-1] > change[:, 2:])
    peak &= change > share * change.max(axis=1, keepdims=True)
    first = peak.argmax(axis=1)
    return np.where(peak.any(axis=1), first, 0)
