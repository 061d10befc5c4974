"""Pictures of a cutter's own cuttings: a typical one and a good one, cut end left, at one scale."""

from __future__ import annotations

import base64
import io
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

import numpy as np
from PIL import Image

from calib.frames import PlaneMap, Points
from grader.audit.aims import Zone
from grader.audit.samples import Sample
from grader.records import RgbImage
from grader.traits.catalogue import TRAITS, number_text
from grader.verdict.rules import Side

MARGIN_MM = 5.0
PX_PER_MM = 7.0
"""Sharp on paper at the width of half a page."""
MOST_MM = 700.0
"""Longer than any cutting: a damaged outline must not ask for a huge picture."""
QUALITY = 80
TICK_MM = 4.0
LINE_MM = 0.5
LETTER_MM = 4.2
LENGTH = "total_length_mm"
LIKE_LENGTH = math.log(1.5)
"""Cuttings of one kind differ from its middle by a factor of one and a half at most: a starting value of our
own, no source."""
_GRADE_ORDER = {"1": 0, "2": 1, "unsure": 2, "cull": 3}


@dataclass(frozen=True, slots=True)
class Pair:
    """A typical cutting and a good one; None where there is none."""

    typical: Sample | None
    good: Sample | None


def choose(
    samples: Sequence[Sample], trait: str, side: Side | None, zone: Zone, limit: float, typical: float
) -> Pair:
    """Return which cuttings show a sentence best.

    Parameters
    ----------
    samples : sequence of Sample
        All of one cutter.
    trait, side : str, Side or None
        What the sentence is about; without a side it is praise.
    zone : Zone
        Where averages belong; the good one is nearest to its middle.
    limit, typical : float
        The limit that is missed and how far, typically; nan for the cutter's average instead.
    """
    seen = [s for s in samples if math.isfinite(s.value(trait)) and len(s.cutting.outline_mm) > 2]
    told = _of_one_kind(seen)
    if not told:
        return Pair(None, None)
    values = np.array([s.value(trait) for s in told])
    if math.isfinite(limit) and math.isfinite(typical) and side is not None:
        centre = limit - typical if side is Side.MIN else limit + typical
    else:
        centre = float(np.median(values))
    usual = min(told, key=lambda s: abs(s.value(trait) - centre))
    low, high = (x if math.isfinite(x) else None for x in (zone.low, zone.high))
    aim = (low + high) / 2.0 if low is not None and high is not None else None
    fits = [s for s in told if s is not usual and zone.distance(s.value(trait)) == 0.0]
    if not fits:
        return Pair(usual, None)

    def badness(sample: Sample) -> tuple[int, float]:
        off = abs(sample.value(trait) - aim) if aim is not None else 0.0
        return (_GRADE_ORDER.get(sample.cutting.grade, 3), off)

    return Pair(usual, min(fits, key=badness))


def _of_one_kind(samples: Sequence[Sample]) -> list[Sample]:
    """Return the cuttings that may stand side by side: graded by the same targets, and of like length.

    Of miniatures among long cuttings neither is typical of the other.  The larger kind is shown.
    """
    counts = Counter(s.cutting.targets for s in samples)
    alike = [s for s in samples if s.cutting.targets == max(counts, key=lambda name: counts[name])]
    lengths = [(s, s.value(LENGTH)) for s in alike]
    known = np.array([length for _, length in lengths if math.isfinite(length)])
    if not len(known):
        return alike
    is_like = np.abs(np.log(known[:, None] / known[None, :])) <= LIKE_LENGTH
    middle = float(np.median(known[is_like[int(np.argmax(is_like.sum(axis=1)))]]))
    return [
        s for s, length in lengths if math.isfinite(length) and abs(math.log(length / middle)) <= LIKE_LENGTH
    ]


class Photos:
    """Finds and reads the photos of cuttings, one at a time; ``n_found`` counts pictures from photos."""

    def __init__(self) -> None:
        self._last: tuple[str, RgbImage | None] = ("", None)
        self.n_found = 0

    def of(self, sample: Sample) -> RgbImage | None:
        """Return the photo of a cutting, None if it is gone or has changed."""
        from grader.stick.picture import original

        shot = sample.shot
        if self._last[0] != shot.photo.sha256:
            self._last = (shot.photo.sha256, original(shot.photo, Path(shot.results)))
        return self._last[1]


def picture_svg(sample: Sample, trait: str, photos: Photos) -> tuple[str, float]:
    """Return a cutting as a data address, and its width in mm.

    Cut out of the photo, or its outline where the photo is gone.
    """
    turn = _Turn(sample.cutting.axis_mm)
    outline = turn(sample.cutting.outline_mm)
    corner, far = outline.min(axis=0) - MARGIN_MM, outline.max(axis=0) + MARGIN_MM
    far[1] += LETTER_MM + TICK_MM
    width, height = (float(x) for x in far - corner)
    photo, plane = photos.of(sample), sample.shot.photo.plane
    if photo is not None and plane is not None and max(width, height) < MOST_MM:
        photos.n_found += 1
        body = _cut_out(plane, photo, turn, corner, (width, height))
    else:
        body = _outline(outline - corner)
    marks = _marks(sample, trait, turn(sample.cutting.axis_mm) - corner, height)
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.1f} {height:.1f}" '
        f'width="{width:.1f}mm" height="{height:.1f}mm" font-family="sans-serif" font-size="{LETTER_MM}">'
        f'<rect width="100%" height="100%" fill="#fff"/>{body}{marks}</svg>'
    )
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode("ascii"), width


class _Turn:
    """Turns the mat so that a cutting lies with its cut end to the left."""

    def __init__(self, axis_mm: Points) -> None:
        along = axis_mm[-1] - axis_mm[0] if len(axis_mm) > 1 else np.array([1.0, 0.0])
        along = along / max(float(np.hypot(*along)), 1e-9)
        self.rows = np.array([along, [-along[1], along[0]]])

    def __call__(self, points_mm: Points) -> Points:
        return np.asarray(points_mm @ self.rows.T, dtype=np.float64)

    def back(self, points_mm: Points) -> Points:
        return np.asarray(points_mm @ self.rows, dtype=np.float64)


def _outline(points_mm: Points) -> str:
    path = " ".join(f"{x:.2f},{y:.2f}" for x, y in points_mm)
    return f'<polygon points="{path}" fill="#cfd8cc" stroke="#1b1b1b" stroke-width="0.25"/>'


def _cut_out(
    plane: PlaneMap, photo: RgbImage, turn: _Turn, corner_mm: Points, size_mm: tuple[float, float]
) -> str:
    """Return the part of the photo, seen from straight above and turned."""
    import cv2

    columns, rows = (max(2, round(side * PX_PER_MM)) for side in size_mm)
    x, y = np.meshgrid(np.arange(columns) / PX_PER_MM, np.arange(rows) / PX_PER_MM)
    places = turn.back(np.column_stack([x.ravel(), y.ravel()]) + corner_mm)
    px = plane.px_from_mm(places).astype(np.float32).reshape(rows, columns, 2)
    cut = cv2.remap(photo, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderValue=(255, 255, 255))
    out = io.BytesIO()
    Image.fromarray(np.asarray(cut, dtype=np.uint8)).save(out, "JPEG", quality=QUALITY)
    data = base64.b64encode(out.getvalue()).decode("ascii")
    return f'<image width="{size_mm[0]:.1f}" height="{size_mm[1]:.1f}" href="data:image/jpeg;base64,{data}"/>'


def _marks(sample: Sample, trait: str, axis_mm: Points, height: float) -> str:
    """Return the measured part of the cutting as a line with ends, and the value below it."""
    told = escape(number_text(TRAITS[trait], sample.value(trait)))
    y_text = height - MARGIN_MM / 2.0
    words = f'<text x="{MARGIN_MM}" y="{y_text:.1f}" fill="#1b1b1b">{told}</text>'
    reach = sample.value(trait)
    if trait not in ("total_length_mm", "stripped_length_mm") or len(axis_mm) < 2 or reach <= 0.0:
        return _on_white(words, told, y_text)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(axis_mm, axis=0).T))])
    end_x = float(np.interp(reach, arc, axis_mm[:, 0]))
    y, x0 = height - MARGIN_MM / 2.0 - LETTER_MM - 1.0, float(axis_mm[0, 0])
    path = (
        f"M{x0:.2f},{y - TICK_MM / 2:.2f}v{TICK_MM} M{x0:.2f},{y:.2f}H{end_x:.2f} "
        f"M{end_x:.2f},{y - TICK_MM / 2:.2f}v{TICK_MM}"
    )
    lines = "".join(
        f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width}"/>'
        for colour, width in (("#fff", 3 * LINE_MM), ("#1b1b1b", LINE_MM))
    )
    return lines + _on_white(words, told, y_text)


def _on_white(words: str, told: str, y: float) -> str:
    """Return a text on a white ground: it must be read on a photo too."""
    width = 0.56 * LETTER_MM * len(told)
    ground = f'<rect x="{MARGIN_MM - 0.6}" y="{y - LETTER_MM + 0.4:.1f}" width="{width:.1f}"'
    return f'{ground} height="{LETTER_MM + 0.8}" fill="#fff"/>{words}'
