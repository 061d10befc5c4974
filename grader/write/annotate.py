"""Draw a graded photo: the tray with outlines, grades and reasons, and a list below it."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calib.frames import Points
from grader.records import GradedPhoto, Photo
from grader.write.canvas import Canvas, canvas_of, show_part
from grader.write.compose import marks_of
from grader.write.files import write_atomic
from grader.write.label import SIGN_INSET_PX, number_width_px, reason_size, sign_px, size_of, today_px
from grader.write.letters import BOLD_SHARE, LINE_SPACING, PADDING_SHARE, block_size, draw_line, font_of
from grader.write.listing import list_height, list_marks
from grader.write.marks import BLACK, STYLES, WHITE, Badge, Label, Line, Mark, Rgb, Ring, Shape, Words
from grader.write.picture_note import PictureNote, note_of

JPEG_QUALITY = 88
RIM_PX = 3
"""Rim on each side of a line, in the opposite brightness."""
LINE_TOLERANCE_PX = 0.45
"""How far a drawn line may be off: less than half a pixel is not seen."""
LEAST_GAP_PX = 1.0
"""A narrower gap at a corner of a line is not seen."""
LABEL_RIM_PX = 3
OCTAGON_CUT = 0.29
"""Corner taken off a square to make a regular octagon: 1 - 1 / sqrt(2)."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A marked picture that was written."""

    sha256: str
    """Of the file."""
    tray: Image.Image
    """Its upper part."""
    note: PictureNote


def annotate(graded: GradedPhoto, photo: Photo) -> NDArray[np.uint8]:
    """Return the picture for a person, (H, W, 3) sRGB."""
    return np.asarray(_drawn(graded, photo, canvas_of(graded)), dtype=np.uint8)


def _drawn(graded: GradedPhoto, photo: Photo, canvas: Canvas) -> Image.Image:
    size = canvas.size_px
    tray = np.empty((size[1], size[0], 3), dtype=np.uint8)
    show_part(photo.rgb, canvas, tray)
    page = Image.new("RGB", (size[0], size[1] + list_height(graded, size[0])), WHITE)
    page.paste(Image.fromarray(tray))
    pen = ImageDraw.Draw(page)
    for mark in (*marks_of(graded, canvas), *list_marks(graded, size[0], size[1])):
        paint(pen, mark)
    return page


def write_picture(path: Path, graded: GradedPhoto, photo: Photo) -> Drawn:
    """Write the picture as JPEG, with a note in it that says of which photo it is and where the cuttings lie.

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    canvas, note, out = canvas_of(graded), note_of(graded), io.BytesIO()
    page = _drawn(graded, photo, canvas)
    page.save(out, "JPEG", quality=JPEG_QUALITY, comment=note.encoded())
    write_atomic(path, out.getvalue())
    return Drawn(hashlib.sha256(out.getbuffer()).hexdigest(), page.crop((0, 0, *canvas.size_px)), note)


def paint(pen: ImageDraw.ImageDraw, mark: Mark) -> None:
    """Paint one mark."""
    if isinstance(mark, Line):
        _paint_line(pen, mark)
    elif isinstance(mark, Ring):
        for radius, width, colour in _ring_passes(mark):
            x, y = mark.centre_px
            pen.ellipse((x - radius, y - radius, x + radius, y + radius), outline=colour, width=width)
    elif isinstance(mark, Badge):
        _paint_badge(pen, mark)
    elif isinstance(mark, Label):
        _paint_label(pen, mark)
    else:
        _paint_words(pen, mark)


def _ring_passes(ring: Ring) -> list[tuple[float, int, Rgb]]:
    wide = ring.width_px + 2 * RIM_PX
    return [
        (ring.radius_px + wide / 2, wide, WHITE),
        (ring.radius_px + ring.width_px / 2, ring.width_px, ring.colour),
    ]


def _paint_line(pen: ImageDraw.ImageDraw, line: Line) -> None:
    """Paint a polyline with flat ends and round corners, each dash with its rim below it."""
    points = np.vstack([line.points_px, line.points_px[:1]]) if line.is_closed else line.points_px
    pieces = dashed(_thinned(points), line.dashes_px)
    joined = np.concatenate(pieces)
    wedges, turns = _corner_wedges(joined)
    passes = [] if line.rim is None else [(line.rim, line.width_px + 2 * RIM_PX)]
    passes.append((line.colour, line.width_px))
    corners = [
        (joined[1:-1, None] + (width - 1) / 2 * wedges).reshape(len(wedges), 8).tolist()
        for _, width in passes
    ]
    is_seen = [(turns * width / 2 > LEAST_GAP_PX).tolist() for _, width in passes]
    start = 0
    for piece in pieces:
        xy = piece.ravel().tolist()
        for (colour, width), wedge, seen in zip(passes, corners, is_seen, strict=True):
            pen.line(xy, fill=colour, width=width)
            for k in range(start, start + len(piece) - 2):
                if seen[k]:
                    pen.polygon(wedge[k], fill=colour)
        start += len(piece)


def _corner_wedges(points_px: Points) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what fills the gap on the outer side of each inner corner: (N - 2, 4, 2) about the corner,
    in half line widths; and how wide the gap is, (N - 2,) in half line widths.

    The picture library's own joints take five times as long.
    """
    (dx, dy) = np.diff(points_px, axis=0).T
    length = np.maximum(np.hypot(dx, dy), 1e-9)
    dx, dy = dx / length, dy / length
    side = np.where(dx[:-1] * dy[1:] - dy[:-1] * dx[1:] > 0, 1.0, -1.0)
    across = np.stack([dy, -dx], axis=1)
    before, after = side[:, None] * across[:-1], side[:, None] * across[1:]
    ahead = np.stack([dx[:-1] - dx[1:], dy[:-1] - dy[1:]], axis=1)  # where a line turns back
    middle = before + after + 1e-3 * ahead
    middle /= np.maximum(np.hypot(middle[:, 0], middle[:, 1]), 1e-9)[:, None]
    gap = np.hypot(*(after - before).T)
    return np.stack([np.zeros_like(before), before, middle, after], axis=1), gap


def dashed(points_px: Points, dashes_px: tuple[float, ...]) -> list[Points]:
    """Return the drawn pieces of a polyline; the whole line if there are no dashes.

    Examples
    --------
    >>> line = np.array([[0.0, 0.0], [10.0, 0.0]])
    >>> [piece[:, 0].tolist() for piece in dashed(line, (4.0, 2.0))]
    [[0.0, 4.0], [6.0, 10.0]]
    """
    if not dashes_px:
        return [points_px]
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_px, axis=0).T))])
    total = float(arc[-1])
    turns = np.resize(np.asarray(dashes_px), int(2 * len(dashes_px) * (1 + total / sum(dashes_px))))
    stops = np.concatenate([[0.0], np.cumsum(turns)])
    starts, ends = stops[:-1:2], np.minimum(stops[1::2], total)
    starts, ends = starts[starts < total], ends[: int((starts < total).sum())]
    first, last = (
        np.stack([np.interp(at, arc, points_px[:, k]) for k in (0, 1)], axis=1) for at in (starts, ends)
    )
    low, high = np.searchsorted(arc, starts, side="right"), np.searchsorted(arc, ends, side="left")
    return [
        np.concatenate([first[k : k + 1], points_px[low[k] : high[k]], last[k : k + 1]])
        for k in range(len(starts))
    ]


def _thinned(points_px: Points) -> Points:
    """Return a line without the points that straight pieces stand for: joints take most of the time."""
    curve = points_px.astype(np.float32)[:, None]
    thin = cv2.approxPolyDP(curve, epsilon=LINE_TOLERANCE_PX, closed=False)
    kept = np.asarray(thin, dtype=np.float64).reshape(-1, 2)
    # Of a line that ends where it begins, the end is dropped.
    is_whole = np.abs(kept[-1] - points_px[-1]).max() <= LINE_TOLERANCE_PX
    return kept if is_whole else np.vstack([kept, points_px[-1]])


def _paint_badge(pen: ImageDraw.ImageDraw, badge: Badge) -> None:
    """Number on white, then the grade in its shape."""
    size, left, top = badge.size_px, badge.left_px, badge.top_px
    number_width = size * 1.15
    rim = max(2, round(size / 22))
    pen.rectangle((left, top, left + number_width, top + size), fill=WHITE, outline=BLACK, width=rim)
    font = font_of(round(size * 0.78))
    pen.text((left + number_width / 2, top + size / 2), badge.number, fill=BLACK, font=font, anchor="mm")
    _paint_sign(pen, badge.grade, left + number_width, top, size)


def _paint_sign(pen: ImageDraw.ImageDraw, grade: str, left: float, top: float, size: float) -> None:
    """Paint the shape of a grade with its letter."""
    style = STYLES[grade]
    rim = max(2, round(size / 22))
    if style.shape is Shape.CIRCLE:
        pen.ellipse((left, top, left + size, top + size), fill=style.fill, outline=BLACK, width=rim)
    else:
        corners = _shape_points(style.shape, left, top, size)
        pen.polygon(corners, fill=style.fill, outline=BLACK, width=rim)
    big = font_of(round(size * (0.86 if style.shape is not Shape.DIAMOND else 0.68)))
    pen.text(
        (left + size / 2, top + size / 2),
        style.letter,
        fill=style.ink,
        font=big,
        anchor="mm",
        stroke_width=max(1, round(size / 40)),
        stroke_fill=style.ink,
    )


def _paint_label(pen: ImageDraw.ImageDraw, label: Label) -> None:
    """Number on black, what to do in large letters, below it why, and what comes of it, with their signs."""
    left, top, size = label.left_px, label.top_px, label.size_px
    width, height = size_of(label)
    across, sign = number_width_px(label.number, size), sign_px(label)
    _, upper = block_size(label.steps, size)
    pen.rectangle((left, top, left + width, top + height), fill=WHITE, outline=BLACK, width=LABEL_RIM_PX)
    pen.rectangle((left, top, left + across, top + upper), fill=BLACK)
    middle = (left + across / 2, top + upper / 2)
    pen.text(middle, label.number, fill=WHITE, font=font_of(round(size)), anchor="mm")
    paint(pen, Words(left + across, top, size, label.steps, BLACK, None, is_bold=True))
    if not label.grade:
        return
    if not label.today:
        right = left + width - SIGN_INSET_PX / 2
        _paint_sign(pen, label.grade, right - sign, top + (upper - sign) / 2, sign)
        return
    y = top + upper
    for lines, grades in ((label.today, (label.grade,)), (label.after, label.after_grades)):
        if not lines:
            continue
        for k, grade in enumerate(grades):
            _paint_sign(pen, grade, left + SIGN_INSET_PX + k * sign, y, sign)
        x = left + SIGN_INSET_PX + len(grades) * sign
        paint(pen, Words(x, y, today_px(size), lines, BLACK, None))
        y += reason_size(lines, len(grades), label)[1]


def _shape_points(shape: Shape, left: float, top: float, size: float) -> list[tuple[float, float]]:
    a, b = OCTAGON_CUT, 1 - OCTAGON_CUT
    unit = {
        Shape.OCTAGON: [(a, 0), (b, 0), (1, a), (1, b), (b, 1), (a, 1), (0, b), (0, a)],
        Shape.DIAMOND: [(0.5, -0.08), (1.08, 0.5), (0.5, 1.08), (-0.08, 0.5)],
    }.get(shape, [(0, 0), (1, 0), (1, 1), (0, 1)])
    return [(left + x * size, top + y * size) for x, y in unit]


def _paint_words(pen: ImageDraw.ImageDraw, words: Words) -> None:
    width, height = block_size(words.lines, words.size_px)
    left, top = words.left_px, words.top_px
    if words.ground is not None:
        pen.rectangle((left, top, left + width, top + height), fill=words.ground, outline=BLACK, width=2)
    stroke_px = max(1, round(BOLD_SHARE * words.size_px)) if words.is_bold else 0
    pad = PADDING_SHARE * words.size_px
    for k, line in enumerate(words.lines):
        y = top + pad + k * words.size_px * LINE_SPACING
        draw_line(pen, (left + pad, y), line, words.size_px, words.ink, stroke_px)
