"""What is drawn on a picture of groups: each cutting's outline and, beside it, number and group letter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from PIL import ImageDraw

from calib.frames import Points
from grader.results_file import ReadCutting
from grader.stick.groups import SizeGroup
from grader.write.letters import drawable, font_of, width_of
from grader.write.marks import (
    BLACK,
    BLUE,
    BLUISH_GREEN,
    ORANGE,
    REDDISH_PURPLE,
    SKY_BLUE,
    VERMILLION,
    WHITE,
    Line,
    Rgb,
)
from grader.write.place import FARTHEST_PX, GAP_PX, Free

TAG_SIZES_PX = (84.0, 64.0, 50.0)
"""Tried in turn on a crowded tray; the largest is read at arm's length, the last by zooming in."""
NEAR_PX = 110.0
"""Further off, a tag is taken for a neighbour's."""
LETTER_SHARE = 0.72
"""Letter size over tag height."""
NUMBER_WIDTH_RATIO = 1.15
PATTERNS: tuple[tuple[Rgb, tuple[float, ...]], ...] = (
    (BLUISH_GREEN, ()),
    (ORANGE, (46.0, 14.0)),
    (BLUE, (12.0, 12.0)),
    (REDDISH_PURPLE, (40.0, 10.0, 8.0, 10.0)),
    (SKY_BLUE, (24.0, 20.0)),
    (VERMILLION, (60.0, 10.0, 8.0, 10.0, 8.0, 10.0)),
)
"""Colour and dashes of a group's outlines; the letter alone says which group it is."""
_LEFT_OUT_LINE = Line(np.zeros((0, 2)), BLACK, 3, (9.0, 12.0), is_closed=True)


@dataclass(frozen=True, slots=True)
class Tag:
    """A number and what becomes of it: white on black goes into a group, black on white does not."""

    left_px: float
    top_px: float
    size_px: float
    number: str
    sign: str
    is_group: bool

    @property
    def width_px(self) -> float:
        """Width of number and sign together."""
        return tag_width_px(self.number, self.sign, self.size_px)


def tag_width_px(number: str, sign: str, size_px: float) -> float:
    """Return the width of a tag; an empty number takes no room."""
    return (size_px * NUMBER_WIDTH_RATIO if number else 0.0) + _sign_width_px(sign, size_px)


def _sign_width_px(sign: str, size_px: float) -> float:
    return max(size_px, width_of(sign, LETTER_SHARE * size_px) + 0.3 * size_px)


def outline_of(outline_px: Points, group: SizeGroup | None, order: Mapping[str, int]) -> Line:
    """Return the outline of a cutting in the pattern of its group."""
    if group is None:
        return Line(outline_px, _LEFT_OUT_LINE.colour, 3, _LEFT_OUT_LINE.dashes_px, is_closed=True)
    colour, dashes_px = PATTERNS[order[group.letter] % len(PATTERNS)]
    return Line(outline_px, colour, 5, dashes_px, is_closed=True, rim=BLACK)


def place_tag(
    cutting: ReadCutting, outline_px: Points, sign: str, is_group: bool, free: Free
) -> tuple[Tag, Line | None]:
    """Return the tag of a cutting, and a line to it where the two are apart."""
    near = outline_px[:: max(1, len(outline_px) // 40)]
    number = str(cutting.number)
    # Beside it, else smaller, else further off on a line that crosses nothing, and only then on its foliage.
    tries: list[tuple[float, float, Points | None]] = [(size, NEAR_PX, None) for size in TAG_SIZES_PX]
    tries.extend((size, FARTHEST_PX, None) for size in TAG_SIZES_PX[1:])
    tries.append((TAG_SIZES_PX[-1], 0.0, outline_px))
    leader = (near, free.covered(outline_px))
    for size, farthest_px, over_px in tries:
        width = tag_width_px(number, sign, size)
        way = None if over_px is not None else leader
        corner = free.place(near, width + GAP_PX, size + GAP_PX, farthest_px, over_px, way)
        if corner is not None:
            left, top = corner[0] + GAP_PX / 2, corner[1] + GAP_PX / 2
            break
    else:
        size = TAG_SIZES_PX[-1]
        width = tag_width_px(number, sign, size)
        left, top = float(near[0, 0] - width / 2), float(near[0, 1] - size / 2)
    left = min(max(0.0, left), max(0.0, free.width_px - width))
    top = min(max(0.0, top), max(0.0, free.height_px - size))
    free.take_box(left, top, width, size)
    tag = Tag(left, top, size, number, sign, is_group)
    pointer = _pointer(tag, outline_px)
    if pointer is not None:
        free.take_line(pointer.points_px)
    return tag, pointer


def _pointer(tag: Tag, outline_px: Points) -> Line | None:
    low = np.array([tag.left_px, tag.top_px])
    nearest = np.clip(outline_px, low, low + np.array([tag.width_px, tag.size_px]))
    k = int(np.argmin(np.hypot(*(outline_px - nearest).T)))
    if float(np.hypot(*(outline_px[k] - nearest[k]))) <= 2 * GAP_PX:
        return None
    return Line(np.stack([nearest[k], outline_px[k]]), BLACK, 4)


def paint_tag(pen: ImageDraw.ImageDraw, tag: Tag) -> None:
    """Paint number on white, then the sign."""
    size, left, top = tag.size_px, tag.left_px, tag.top_px
    middle = left + (size * NUMBER_WIDTH_RATIO if tag.number else 0.0)
    right, bottom = left + tag.width_px, top + size
    rim = max(2, round(size / 22))
    font = font_of(round(size * LETTER_SHARE))
    if tag.number:
        pen.rectangle((left, top, middle, bottom), fill=WHITE, outline=BLACK, width=rim)
        at = ((left + middle) / 2, top + size / 2)
        pen.text(at, tag.number, fill=BLACK, font=font, anchor="mm")
    fill, ink = (BLACK, WHITE) if tag.is_group else (WHITE, BLACK)
    pen.rectangle((middle, top, right, bottom), fill=fill, outline=BLACK, width=rim)
    stroke = max(1, round(size / 40))
    at = ((middle + right) / 2, top + size / 2)
    pen.text(at, drawable(tag.sign), fill=ink, font=font, anchor="mm", stroke_width=stroke, stroke_fill=ink)
