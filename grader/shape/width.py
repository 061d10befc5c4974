"""Stem widths from sub-pixel edges across the axis in the full-resolution photo, in linear light.

Half height between stem and paper reads too wide, since the contact shadow darkens the paper beside
the stem.  The place of the steepest change does not depend on how far the shadow ramp has come; it
is found on profiles averaged along a short piece of stem, once in linear light and once in the
ratios of the channels.  A third edge comes from the probability of being plant.  Each has its
weakness: light follows the dark flank of a stem into its cast shadow, colour is faint on grey bark, the
probability is coarse.  The middle one of the three counts, but not much beyond that of colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import PlaneMap
from grader.records import MatPose, Photo, Values
from grader.shape.edges import BareStem, WidthSettings, groups_of, raw_edges


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
    photo: Photo, plane: PlaneMap, stems: Sequence[BareStem], settings: WidthSettings
) -> list[Widths]:
    """Return widths at right angles to the axis of each stem, from its start up to ``until_mm``.

    All stems of a photo are measured together: what takes long is not the arithmetic but asking for it.
    """
    window = 2 * round(settings.even_mm / settings.step_mm / 2) + 1
    found: list[Widths] = []
    for group in groups_of(stems, settings):
        edges = raw_edges(photo, plane, group, settings)
        px_mm = 1 / edges.px_per_mm[edges.row_stem]
        bias_mm = np.stack(
            [
                settings.edge_bias_px * px_mm,
                settings.hue_bias_px * px_mm,
                settings.plant_bias_mm + settings.plant_bias_px * px_mm,
            ]
        )
        kinds = _running_median(edges.edge_mm - bias_mm[:, None], edges.row_stem, window)
        edge = _agreed(kinds, settings.hue_slack_mm)
        lone = np.isfinite(kinds).sum(axis=0) < 2
        doubt = np.hypot(*np.where(lone, settings.lone_doubt_mm, _scatter(kinds)))
        width = edge.sum(axis=0)
        ends = np.cumsum([len(stem.arc_mm) for stem in group])[:-1]
        found += [
            Widths(stem.arc_mm, *parts)
            for stem, *parts in zip(group, np.split(width, ends), np.split(doubt, ends), strict=True)
        ]
    return found


def _agreed(kinds: Values, hue_slack_mm: float) -> Values:
    """Return the middle of the edges by light, colour and plant (3, ...), kept near that of colour."""
    middle, hue = _median(np.moveaxis(kinds, 0, -1)), kinds[1]
    return np.where(np.isfinite(hue), np.minimum(middle, hue + hue_slack_mm), middle)


def _running_median(values: Values, row_stem: NDArray[np.int64], window: int) -> Values:
    """Return the median of the finite values in an odd window around each (..., K), of its stem only.

    nan where most are missing.  ``row_stem`` (K,) counts the stems, which follow each other.
    """
    half = window // 2
    # Stems stand in one row with room between, so that no window reaches two of them.
    slots = np.arange(len(row_stem)) + half * (row_stem + 1)
    padded = np.full((*values.shape[:-1], int(slots[-1]) + half + 1), np.nan)
    padded[..., slots] = values
    windows = np.lib.stride_tricks.sliding_window_view(padded, window, axis=-1)[..., slots - half, :]
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
    """Return the standard deviation (...) of what was found of each kind (3, ...); nan where nothing was."""
    is_found = np.isfinite(kinds)
    count = np.where(is_found.any(axis=0), is_found.sum(axis=0), np.nan)
    away = np.where(is_found, kinds - np.where(is_found, kinds, 0.0).sum(axis=0) / count, 0.0)
    return np.asarray(np.sqrt((away**2).sum(axis=0) / count))
