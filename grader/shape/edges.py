"""Stem edges of three kinds, to sub-pixel, on profiles across the axis in the full-resolution photo.

Half height between stem and paper reads too wide, since the contact shadow darkens the paper beside
the stem.  The place of the steepest change does not depend on how far the shadow ramp has come; it
is found on profiles averaged along a short piece of stem, once in linear light and once in the
ratios of the channels.  A third edge comes from the probability of being plant.

The profiles of many stems are rows of one array, each with its own step in mm: what takes long is not
the arithmetic but asking for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import PlaneMap, Points
from grader.records import Mask, Photo, Values, linear_of
from grader.shape.fields import CuttingFields
from grader.shape.lines import Lines, places_in

Profiles = NDArray[np.float32]
"""(K, U, C): profiles along the stems, samples across them, channels or coordinates."""

DARKEST = np.float32(4e-3)
NODES = np.linspace(-1.0, 1.0, 5)
"""Where profiles are mapped into the photo, as shares of their reach; a quartic between them."""
LEAST_LIGHT, LEAST_HUE = 0.03, 0.15
"""Smallest difference between stem and paper in linear light, and in log ratios of channels, with
which an edge is believed."""
MOST_ROWS = 2000
"""So many profiles are looked at together, or those of one stem: arrays stay small, and OpenCV maps
no more than 32,767 rows."""
LEAST_ROWS = 3
"""With fewer profiles a stem has no widths."""


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
    sample_px: float = 0.5
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


@dataclass(frozen=True, slots=True, eq=False)
class BareStem:
    """What widths are taken of."""

    fields: CuttingFields
    axis_mm: Points
    """(N, 2) as seen on the mat plane, from the base."""
    until_mm: float
    """The bare stem ends here, along the axis."""
    rough_width_mm: float
    """Where about the edges are: half of it on either side."""


@dataclass(frozen=True, slots=True, eq=False)
class CutStem:
    """A stem and where profiles are taken across it."""

    stem: BareStem
    arc_mm: Values
    """(K,) distances from the base."""
    centre_mm: Points
    """(K, 2)"""
    normals: Points
    """(K, 2)"""


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Edges of several stems, one after the other."""

    edge_mm: Values
    """(3, 2, K) distances from the axis: by light, colour, plant; on the side of the negative and of the
    positive normal; nan where none is clear.  Their biases are not taken off yet."""
    row_stem: NDArray[np.int64]
    """(K,) which stem."""
    px_per_mm: Values
    """(stems,) of the photo there."""


def groups_of(stems: Sequence[BareStem], settings: WidthSettings) -> Iterator[list[CutStem]]:
    """Yield stems, with where they are cut across, in groups of not too many profiles."""
    group: list[CutStem] = []
    n_rows = 0
    for cut in _cut(stems, settings):
        if group and n_rows + len(cut.arc_mm) > MOST_ROWS:
            yield group
            group, n_rows = [], 0
        group.append(cut)
        n_rows += len(cut.arc_mm)
    if group:
        yield group


def _cut(stems: Sequence[BareStem], settings: WidthSettings) -> list[CutStem]:
    """Return where stems are cut across."""
    if not stems:
        return []
    axes = Lines.of([stem.axis_mm for stem in stems])
    until_mm = np.maximum(np.minimum([stem.until_mm for stem in stems], axes.length_mm), 0.5)
    n = np.ceil(until_mm / settings.step_mm).astype(np.int64)
    stem, nth = places_in(n)
    arc = np.asarray(nth * settings.step_mm, dtype=np.float64)
    centres = Lines.in_row(axes.at(arc, stem), n, axes.owner)
    parts = (centres.split(values) for values in (arc, centres.points_mm, centres.normals()))
    return [CutStem(*each) for each in zip(stems, *parts, strict=True)]


def raw_edges(photo: Photo, plane: PlaneMap, stems: Sequence[CutStem], settings: WidthSettings) -> Edges:
    """Return the edges of all kinds across each place of each stem."""
    centre = np.concatenate([stem.centre_mm for stem in stems])
    normals = np.concatenate([stem.normals for stem in stems])
    n_rows = np.array([len(stem.arc_mm) for stem in stems])
    row_stem = np.repeat(np.arange(len(stems)), n_rows)
    px_per_mm = plane.px_per_mm_at(np.stack([stem.centre_mm[len(stem.centre_mm) // 2] for stem in stems]))
    step_mm = settings.sample_px / px_per_mm
    half_mm = np.array([stem.stem.rough_width_mm / 2 for stem in stems])
    n_beside = int(np.ceil(((half_mm + settings.beyond_mm) / step_mm).max()))
    across = _across(n_beside, step_mm[row_stem], half_mm[row_stem], settings)
    light = _linear_at(photo, _profiles_px(plane, centre, normals, n_beside, across.step_mm))
    light = _along(light, n_rows, settings.window_mm / settings.step_mm)
    hue = _log_ratios(_along(light, n_rows, settings.hue_window_mm / settings.step_mm))
    slope = _slope(light, settings.soften_px / settings.sample_px)
    turn = _slope(hue, settings.soften_hue_px / settings.sample_px)
    samples = np.arange(-n_beside, n_beside + 1)
    plant = np.concatenate([_plant(stem, samples * step) for stem, step in zip(stems, step_mm, strict=True)])
    edge = np.stack(
        [
            across.steepest(light, slope, LEAST_LIGHT),
            across.steepest(hue, turn, LEAST_HUE),
            across.covered(plant),
        ]
    )
    edge[..., np.repeat(n_rows < LEAST_ROWS, n_rows)] = np.nan
    return Edges(edge, row_stem, px_per_mm)


@dataclass(frozen=True, slots=True, eq=False)
class _Across:
    """Samples across, counted from the axis outward: where they lie."""

    n_beside: int
    """So many on either side of the axis."""
    step_mm: Values
    """(K,)"""
    is_inside: Mask
    """(K, n_beside + 1) surely stem, on either side."""
    is_outside: Mask
    """Surely not; in reach."""
    in_reach: Mask
    seen: slice
    """The edges are among these samples ..."""
    is_window: Mask
    """... and for each profile among these of them."""
    peak_share: float

    def sides(self, profiles: Profiles) -> tuple[Profiles, Profiles]:
        """Return profiles (K, U, ...) from the axis outward, to the side of the negative normal first."""
        return profiles[:, self.n_beside :: -1], profiles[:, self.n_beside :]

    def covered(self, plant: NDArray[np.float32]) -> Values:
        """Return the sum (2, K) of the probabilities on either side, mm; half of the middle one for each."""
        sums = [(side * self.in_reach).sum(axis=1) - side[:, 0] / 2 for side in self.sides(plant)]
        return np.asarray(np.stack(sums) * self.step_mm, dtype=np.float64)

    def steepest(self, light: Profiles, slope: Profiles, least: float) -> Values:
        """Return where (2, K) the light changes most, near the rough edges, towards the paper, mm."""
        sides = self.sides(light)
        inside = (_mean(sides[0], self.is_inside) + _mean(sides[1], self.is_inside)) / 2
        found = []
        for side, profile, change in zip((-1, 1), sides, self.sides(slope), strict=True):
            direction = _mean(profile, self.is_outside) - inside
            norm = np.sqrt((direction**2).sum(axis=1))
            direction *= (side / np.maximum(norm, 1e-9))[:, None]
            parts = zip(np.moveaxis(change[:, self.seen], 2, 0), direction.T.astype(np.float32), strict=True)
            towards = sum(part * share[:, None] for part, share in parts)
            found.append(np.where(norm > least, self._first_peak(towards), np.nan))
        return np.stack(found)

    def _first_peak(self, change: Profiles) -> Values:
        """Return the first local maximum (K,) from the stem outward that reaches a share of the largest, mm.

        Further out lie the edges of cast shadows, which can be sharper than that of the stem.
        """
        largest = np.where(self.is_window, change, 0).max(axis=1)
        middle = change[:, 1:-1]
        is_peak = (middle >= change[:, :-2]) & (middle > change[:, 2:])
        is_peak &= self.is_window[:, :-2] & self.is_window[:, 2:]
        is_peak &= middle > (self.peak_share * largest)[:, None]
        first, rows = is_peak.argmax(axis=1), np.arange(len(change))
        before, at, after = change[rows, first], middle[rows, first], change[rows, first + 2]
        bend = before - 2 * at + after
        # In a picture without colour nothing changes at all.
        part = np.where(np.abs(bend) > 1e-12, 0.5 * (before - after) / np.where(bend == 0, 1, bend), 0)
        place = self.seen.start + 1 + first + np.clip(part, -1, 1)
        return np.where(is_peak[rows, first], place * self.step_mm, np.nan)


def _across(n_beside: int, step_mm: Values, half_mm: Values, settings: WidthSettings) -> _Across:
    """Return where samples lie on profiles with steps (K,), whose edges are about ``half_mm`` (K,) away."""
    away_mm = np.arange(n_beside + 1) * step_mm[:, None]
    half = half_mm[:, None]
    in_reach = away_mm <= half + settings.beyond_mm
    is_window = np.abs(away_mm - half) < np.minimum(0.5 + 0.12 * half, settings.beyond_mm)
    some = np.flatnonzero(is_window.any(axis=0))
    seen = slice(int(some[0]), int(some[-1]) + 1)
    return _Across(
        n_beside=n_beside,
        step_mm=step_mm,
        is_inside=away_mm < 0.6 * half,
        is_outside=in_reach & (away_mm > half + 0.5),
        in_reach=in_reach,
        seen=seen,
        is_window=is_window[:, seen],
        peak_share=settings.peak_share,
    )


def _mean(profiles: Profiles, chosen: Mask) -> Values:
    """Return the mean (K, C) of the chosen samples (K, U) of each profile."""
    places = np.flatnonzero(chosen.any(axis=0))
    some = slice(int(places[0]), int(places[-1]) + 1) if len(places) else slice(0)
    weight = chosen[:, some].astype(np.float32)
    sums = np.einsum("kuc,ku->kc", profiles[:, some], weight)
    return np.asarray(sums / np.maximum(weight.sum(axis=1), 1)[:, None], dtype=np.float64)


def _log_ratios(light: Profiles) -> Profiles:
    """Return ln(R/G) and ln(B/G) (..., 2): what shadow does not change much, and bark does."""
    log = np.log(np.maximum(light, DARKEST))
    return np.asarray(log[..., ::2] - log[..., 1:2])


def _along(light: Profiles, n_rows: NDArray[np.int64], window_steps: float) -> Profiles:
    """Return profiles (K, U, C) averaged along each stem, half a window being one standard deviation."""
    kernel = _gaussian(window_steps / 2)
    # Stems follow each other with room between, in which their first and last profiles are repeated.
    rim = len(kernel) // 2
    stem, nth = places_in(n_rows + 2 * rim)
    firsts = np.cumsum(n_rows) - n_rows
    rows = firsts[stem] + np.clip(nth - rim, 0, n_rows[stem] - 1)
    soft = cv2.sepFilter2D(light[rows], -1, np.ones(1), kernel, borderType=cv2.BORDER_REPLICATE)
    return np.asarray(soft[(nth >= rim) & (nth < n_rows[stem] + rim)], dtype=np.float32)


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


def _profiles_px(
    plane: PlaneMap, centre_mm: Points, normals: Points, n_beside: int, step_mm: Values
) -> NDArray[np.float32]:
    """Return photo positions (2, K, U) px of profiles: a few of each are mapped, the rest lie between."""
    places_mm = n_beside * step_mm[:, None] * NODES
    nodes_mm = centre_mm[:, None, :] + places_mm[..., None] * normals[:, None, :]
    nodes_px = plane.px_from_mm(nodes_mm.reshape(-1, 2)).reshape(nodes_mm.shape)
    shares = np.linspace(-1.0, 1.0, 2 * n_beside + 1)
    weights = np.vander(shares, len(NODES)) @ np.linalg.inv(np.vander(NODES, len(NODES)))
    return np.asarray(nodes_px.transpose(2, 0, 1) @ weights.T, dtype=np.float32)


def _plant(cut: CutStem, across_mm: Values) -> NDArray[np.float32]:
    """Return the probability (K, U) of plant on the profiles of one stem."""
    fields = cut.stem.fields
    return fields.across(fields.marks.plant, cut.centre_mm, cut.normals, across_mm)


def _linear_at(photo: Photo, px: NDArray[np.float32]) -> Profiles:
    """Return linear light at photo positions (2, K, U)."""
    codes = cv2.remap(photo.rgb, px[0], px[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return linear_of(np.asarray(codes, dtype=np.uint8))
