"""The one font of the picture, and how much room a text takes."""

from __future__ import annotations

import functools
import re
import unicodedata
from functools import cache

from PIL import Image, ImageDraw, ImageFont

LINE_SPACING = 1.25
"""Distance of lines over letter size."""
PADDING_SHARE = 0.25
"""Ground round a text over letter size."""

NO_BREAK = "\u00a0"
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:mm|in|%)(?:\W|$|²))")
"""The gap between a number and its unit: a line never ends there."""
_STAND_INS = {"–": "-", "—": "-", "’": "'", "≤": "<=", "≥": ">="}

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont


@cache
def font_of(size_px: int) -> Font:
    """Return the font that comes with the picture library, in a size."""
    return ImageFont.load_default(size_px)


@cache
def _has_glyph(character: str) -> bool:
    """Return whether the font can draw a character; a font draws the same box for all that it lacks."""
    font = font_of(24)
    return character == " " or bytes(font.getmask(character)) != bytes(font.getmask("\uffff"))


def drawable(text: str) -> str:
    """Return a text with what the font lacks replaced: ² by 2, é by e, the rest by a question mark.

    Examples
    --------
    >>> drawable("43 mm²"), drawable("87 ± 1 mm, 12°")
    ('43 mm2', '87 ± 1 mm, 12°')
    """
    return "".join(ch if _has_glyph(ch) else _stand_in(ch) for ch in text)


def _stand_in(character: str) -> str:
    if character in _STAND_INS:
        return _STAND_INS[character]
    parts = unicodedata.normalize("NFKD", character)
    return "".join(part for part in parts if not unicodedata.combining(part) and _has_glyph(part)) or "?"


@functools.lru_cache(maxsize=4096)
def width_of(text: str, size_px: float) -> float:
    """Return the width of one line, px."""
    return float(font_of(round(size_px)).getlength(drawable(text)))


def paint_text(
    pen: ImageDraw.ImageDraw, at_px: tuple[float, float], text: str, size_px: float, ink: tuple[int, int, int]
) -> None:
    """Paint one line of text, its corner at whole pixels.

    Word by word: the font's steps are whole pixels and do not depend on the neighbour across a gap, and
    the same few hundred words make up every list, so each is rendered once.
    """
    size = round(size_px)
    x, y = round(at_px[0]), round(at_px[1])
    for word in drawable(text).split(" "):
        if word:
            left, top, mask = _word_mask(word, size)
            pen.bitmap((x + left, y + top), mask, fill=ink)
        x += round(width_of(word, size) + width_of(" ", size))


@functools.lru_cache(maxsize=1024)
def _word_mask(word: str, size_px: int) -> tuple[int, int, Image.Image]:
    """Return where a word's picture begins from its corner, and the picture: how much ink is where."""
    font = font_of(size_px)
    left, top, right, bottom = (round(edge) for edge in font.getbbox(word))
    mask = Image.new("L", (max(1, right - left), max(1, bottom - top)))
    ImageDraw.Draw(mask).text((-left, -top), word, fill=255, font=font)
    return left, top, mask


def block_size(lines: tuple[str, ...], size_px: float) -> tuple[float, float]:
    """Return width and height of some lines with their ground, px."""
    padding = 2 * PADDING_SHARE * size_px
    widest = max((width_of(line, size_px) for line in lines), default=0.0)
    return widest + padding, len(lines) * size_px * LINE_SPACING + padding


def wrapped(text: str, size_px: float, width_px: float) -> tuple[str, ...]:
    """Return a text broken between words into lines no wider than ``width_px`` where that is possible.

    Examples
    --------
    >>> wrapped("too long 131.0 mm", 20, 1000)
    ('too long 131.0 mm',)
    >>> wrapped("too long 131.0 mm", 20, 90)
    ('too long', '131.0 mm')
    """
    lines: list[str] = []
    for word in _NUMBER_AND_UNIT.sub(NO_BREAK, text).split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, size_px) <= width_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return tuple(line.replace(NO_BREAK, " ") for line in lines)
