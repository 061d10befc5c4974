"""The picture of a tray with what to put where: on the photo, or on a plain sheet where the photo is gone."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from calib.frames import PlaneMap
from grader.records import RgbImage
from grader.results_file import ReadPhoto
from grader.stick.marks import Tag, outline_of, paint_tag, place_tag, tag_width_px
from grader.stick.plan import StickPlan
from grader.stick.words import file_name, left_out_by_reason, limits_text, lot_text, sign_of
from grader.write.annotate import JPEG_QUALITY, paint
from grader.write.canvas import Canvas, canvas_of_page
from grader.write.letters import LINE_SPACING, wrapped
from grader.write.marks import WHITE, Line, Words
from grader.write.place import Free

PLAIN_PX_PER_MM = 8.0
"""Of a plain sheet: an A4 page is as wide as a graded picture."""
PLAIN_MARGIN_MM = 10.0
LIST_PX = 40.0
LIST_TAG_PX = 56.0
LIST_GAP_PX = 24.0
LIST_SIGN_PX = 280.0
"""Kept for the sign at the left of the list: "strip: AA"."""
SHADE = 245
"""Of a plain sheet: not taken for a photo of white paper."""


def picture(plan: StickPlan, photo: ReadPhoto, rgb: RgbImage | None) -> bytes:
    """Return the picture of one photo as JPEG.

    Parameters
    ----------
    plan : StickPlan
        What goes where.
    photo : ReadPhoto
        The photo as the results tell it.
    rgb : (H, W, 3) uint8 or None
        The photo itself, upright; None where it is gone: then the outlines are drawn on a plain sheet.
    """
    plane, size_px, page_mm = _frame(photo, rgb is not None)
    canvas = canvas_of_page(page_mm, plane, size_px)
    page = _ground(rgb, canvas)
    marks, tags = _marks(plan, photo, plane, canvas)
    lines = _list(plan, photo, rgb is not None, canvas.size_px[0])
    whole = Image.new("RGB", (page.width, page.height + _list_height(lines)), WHITE)
    whole.paste(page, (0, 0))
    pen = ImageDraw.Draw(whole)
    for mark in marks:
        paint(pen, mark)
    for tag in tags:
        paint_tag(pen, tag)
    _paint_list(pen, lines, page.height)
    out = io.BytesIO()
    whole.save(out, "JPEG", quality=JPEG_QUALITY, optimize=True)
    return out.getvalue()


def original(photo: ReadPhoto, results: Path) -> RgbImage | None:
    """Return the photo if it is still where it was, or beside the results, and is still the same."""
    from grader.capture import read_photo
    from grader.errors import PhotoProblem

    if photo.plane is None:
        return None
    name = file_name(photo.file)
    folder = results.parent
    for path in (Path(photo.file), folder / photo.file, folder / name, folder.parent / name):
        if not path.is_file():
            continue
        try:
            read = read_photo(path)
        except PhotoProblem:
            continue
        if read.sha256 == photo.sha256:
            return read.rgb
    return None


def _frame(photo: ReadPhoto, is_photo: bool) -> tuple[PlaneMap, tuple[int, int], tuple[float, float]]:
    """Return map, picture size and page: those of the photo, or of a plain sheet."""
    if is_photo and photo.plane is not None:
        return photo.plane, photo.image_size_px, photo.page_mm
    outlines = [cutting.outline_mm for cutting in photo.cuttings if len(cutting.outline_mm)]
    reach_mm = np.max([outline.max(axis=0) for outline in outlines], axis=0) if outlines else np.zeros(2)
    width_mm, height_mm = (
        side if math.isfinite(side) else float(reach) + PLAIN_MARGIN_MM
        for side, reach in zip(photo.page_mm, reach_mm, strict=True)
    )
    scale = np.diag([PLAIN_PX_PER_MM, PLAIN_PX_PER_MM, 1.0])
    size_px = (math.ceil(width_mm * PLAIN_PX_PER_MM), math.ceil(height_mm * PLAIN_PX_PER_MM))
    centre = (size_px[0] / 2, size_px[1] / 2)
    plane = PlaneMap(scale, centre, math.hypot(*centre), 0.0, 0.0, 0.0, 0.0, (math.nan,) * 3)
    return plane, size_px, (width_mm, height_mm)


def _ground(rgb: RgbImage | None, canvas: Canvas) -> Image.Image:
    if rgb is None:
        return Image.new("RGB", canvas.size_px, (SHADE, SHADE, SHADE))
    box = (canvas.left_px, canvas.top_px, canvas.right_px, canvas.bottom_px)
    return Image.fromarray(rgb).crop(box).resize(canvas.size_px, Image.Resampling.LANCZOS)


def _marks(
    plan: StickPlan, photo: ReadPhoto, plane: PlaneMap, canvas: Canvas
) -> tuple[list[Line], list[Tag]]:
    order = {item.group.letter: k for k, item in enumerate(plan.groups)}
    group_of = {placed.key: item.group for item in plan.groups for placed in item.group.members}
    signs = {item.placed.key: sign_of(item.kind, item.goes_to) for item in plan.left_out}
    drawn = [
        (cutting, canvas.from_photo(plane.px_from_mm(cutting.outline_mm)))
        for cutting in photo.cuttings
        if len(cutting.outline_mm) >= 2
    ]
    free = Free(*canvas.size_px)
    for _, outline_px in drawn:
        free.take_polygon(outline_px)
    lines: list[Line] = []
    tags: list[Tag] = []
    pointers: list[Line] = []
    for cutting, outline_px in drawn:
        group = group_of.get((photo.sha256, cutting.number))
        lines.append(outline_of(outline_px, group, order))
        sign = group.letter if group else signs[photo.sha256, cutting.number]
        tag, pointer = place_tag(cutting, outline_px, sign, group is not None, free)
        tags.append(tag)
        pointers.extend([pointer] if pointer else [])
    return [*lines, *pointers], tags


_Entry = tuple[str, bool, tuple[str, ...]]
"""Sign, whether it is a group's, lines of text."""


def _list(plan: StickPlan, photo: ReadPhoto, is_photo: bool, width_px: int) -> list[_Entry]:
    """Return what stands below the tray: each group met on it, then what is left out."""
    room_px = width_px - 4 * LIST_GAP_PX - LIST_SIGN_PX
    entries: list[_Entry] = []
    for item in plan.groups:
        numbers = [str(p.cutting.number) for p in item.group.members if p.photo is photo]
        if numbers:
            text = (
                f"{limits_text(item.group)}; {lot_text(item.group.lot)}. "
                f"{len(numbers)} on this tray: {', '.join(numbers)}. Batch {item.id}"
            )
            entries.append((item.group.letter, True, wrapped(text, LIST_PX, room_px)))
    here = [item for item in plan.left_out if item.placed.photo is photo]
    for sign, words, members in left_out_by_reason(here):
        text = f"{words}: {', '.join(str(placed.cutting.number) for placed in members)}"
        entries.append((sign, False, wrapped(text, LIST_PX, room_px)))
    if not photo.cuttings:
        entries.append(("-", False, ("no cutting on the mat",)))
    if not is_photo:
        text = "Drawn from the outlines: the photo is gone or has changed, or the results lack its mat."
        entries.append(("!", False, wrapped(text, LIST_PX, room_px)))
    return entries


def _entry_height(lines: Sequence[str]) -> float:
    return max(LIST_TAG_PX, len(lines) * LIST_PX * LINE_SPACING) + LIST_GAP_PX


def _widest_sign_px(entries: Sequence[_Entry]) -> float:
    return max((tag_width_px("", sign, LIST_TAG_PX) for sign, _, _ in entries), default=0.0)


def _list_height(entries: Sequence[_Entry]) -> int:
    return round(sum(_entry_height(lines) for _, _, lines in entries) + 2 * LIST_GAP_PX)


def _paint_list(pen: ImageDraw.ImageDraw, entries: Sequence[_Entry], top_px: float) -> None:
    top = top_px + LIST_GAP_PX
    left = 2 * LIST_GAP_PX + _widest_sign_px(entries)
    for sign, is_group, lines in entries:
        tag = Tag(LIST_GAP_PX, top, LIST_TAG_PX, "", sign, is_group)
        paint_tag(pen, tag)
        paint(pen, Words(left, top, LIST_PX, lines, ground=None))
        top += _entry_height(lines)
