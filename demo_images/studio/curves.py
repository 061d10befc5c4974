"""Smooth lines on the paper: the axis of a stem, and what the definitions say of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP_MM = 0.25
"""Spacing of axis points."""
CROOK_CHORD_MM = 12.0
"""Length of axis each chord of the crook spans, by its definition."""
CROOK_TIP_MM = 20.0
"""The last part of the axis, left out of the crook by its definition."""


def bent_line(
    length_mm: float,
    *,
    turn_deg: float,
    wobble_deg: float,
    bends: tuple[tuple[float, float, float], ...],
    rng: np.random.Generator,
) -> Floats:
    """Return (N, 2) points about ``STEP_MM`` apart, from (0, 0) towards +x.

    ``turn_deg`` is spread over the whole length, ``wobble_deg`` is the size of slow waves, and each of
    ``bends`` (where mm, angle deg, over mm) is a bend of its own.
    """
    count = max(round(length_mm / STEP_MM), 4) + 1
    s = np.linspace(0.0, length_mm, count)
    heading = turn_deg * (s / length_mm)
    for wave in (1.3, 2.7, 4.3):
        heading = heading + wobble_deg / wave * np.sin(
            2 * np.pi * wave * s / length_mm + rng.uniform(0, 2 * np.pi)
        )
    for where, angle, over in bends:
        heading = heading + angle / (1 + np.exp(-np.clip((s - where) / (over / 4), -50, 50)))
    heading = np.radians(heading - heading[0])
    middle = (heading[1:] + heading[:-1]) / 2
    step = np.diff(s)[:, None]
    return np.concatenate(
        [[[0.0, 0.0]], np.cumsum(step * np.column_stack([np.cos(middle), np.sin(middle)]), axis=0)]
    )


def arc_length(line_mm: Floats) -> Floats:
    """Return (N,) distance along a line (N, D) from its first point."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_mm, axis=0), axis=1))])


def at_arc(line_mm: Floats, arc_mm: Floats | float) -> Floats:
    """Return (M, D) points of a line at distances along it."""
    arc = arc_length(line_mm)
    wanted = np.atleast_1d(np.asarray(arc_mm, dtype=float))
    return np.column_stack([np.interp(wanted, arc, line_mm[:, k]) for k in range(line_mm.shape[1])])


def directions(line_mm: Floats) -> Floats:
    """Return (N, D) unit tangents."""
    tangent = np.gradient(line_mm, axis=0)
    return np.asarray(tangent / np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-12))


def crook(axis_mm: Floats, *, from_mm: float = 0.0) -> tuple[float, float]:
    """Return the largest angle between neighbouring 12 mm chords (deg) and where (mm); nan if none fits.

    ``from_mm`` is the end of a heel.
    """
    total = arc_length(axis_mm)[-1]
    first, last = from_mm + CROOK_CHORD_MM, total - CROOK_TIP_MM - CROOK_CHORD_MM
    if last < first:
        return float("nan"), float("nan")
    where = np.append(np.arange(first, last, STEP_MM), last)
    before, here, after = (at_arc(axis_mm, where + d) for d in (-CROOK_CHORD_MM, 0.0, CROOK_CHORD_MM))
    one, two = here - before, after - here
    cross = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    angle = np.abs(np.degrees(np.arctan2(cross, np.sum(one * two, axis=1))))
    worst = int(np.argmax(angle))
    return float(angle[worst]), float(where[worst])


def sweep(axis_mm: Floats) -> float:
    """Return the largest distance of the axis from the line base-tip, divided by that line's length."""
    chord = axis_mm[-1] - axis_mm[0]
    length = float(np.linalg.norm(chord))
    away = axis_mm - axis_mm[0]
    return float(np.max(np.abs(away[:, 0] * chord[1] - away[:, 1] * chord[0])) / length**2)
