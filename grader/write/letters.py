"""The one font of the picture, and how much room a text takes."""

from __future__ import annotations

import functools
import re
import unicodedata
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from PIL import Image, ImageDraw, ImageFont

from grader.write.marks import Rgb

LINE_SPACING = 1.25
"""Distance of lines over letter size."""
PADDING_SHARE = 0.25
"""Ground round a text over letter size."""

NO_BREAK = "\u00a0"
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:mm|in|%)(?:\W|$|²))|(?<=grade) (?=[12])")
"""The gap between a number and its unit: a line never ends there. Nor between "grade" and its number."""
_STAND_INS = {"–": "-", "—": "-", "’": "'", "≤": "<=", "≥": ">="}
RAISED: Mapping[str, str] = MappingProxyType({"²": "2", "³": "3"})
"""The font lacks them: drawn as a smaller digit, its top as high as that of the letters."""
RAISED_SHARE = 0.6
"""Size of a raised digit over letter size."""
BOLD_SHARE = 1 / 32
"""Width added round each letter of a bold text, over letter size."""
_RAISED_PARTS = re.compile("([²³])|(?<=-)(?=-)")
HYPHEN_GAP_SHARE = 0.2
"""Gap between two hyphens over letter size: without it they run into one dash."""

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
    """Return a text with what cannot be drawn replaced: é by e, the rest by a question mark.

    Examples
    --------
    >>> drawable("43 mm²"), drawable("87 ± 1 mm, 12°"), drawable("é")
    ('43 mm²', '87 ± 1 mm, 12°', 'e')
    """
    return "".join(ch if ch in RAISED or _has_glyph(ch) else _stand_in(ch) for ch in text)


def runs_of(text: str, size_px: float) -> list[tuple[str, float, float]]:
    """Return the pieces in which a line is drawn: letters, px from its left end, letter size in px.

    Raised digits are pieces of their own; two hyphens are drawn apart.

    Examples
    --------
    >>> [(letters, size) for letters, _, size in runs_of("43 mm² of it", 20)]
    [('43 mm', 20.0), ('2', 12.0), (' of it', 20.0)]
    """
    runs: list[tuple[str, float, float]] = []
    left = 0.0
    for part in filter(None, _RAISED_PARTS.split(drawable(text))):
        letters = RAISED.get(part, part)
        size = size_px * (RAISED_SHARE if part in RAISED else 1.0)
        runs.append((letters, left, float(size)))
        left += _length(letters, round(size))
        left += HYPHEN_GAP_SHARE * size_px if letters.endswith("-") else 0.0
    return runs


def draw_line(
    pen: ImageDraw.ImageDraw,
    corner_px: tuple[float, float],
    text: str,
    size_px: float,
    ink: Rgb,
    stroke_px: int = 0,
) -> None:
    """Draw one line of text; ``corner_px`` its upper left corner, ``stroke_px`` makes it bold.

    Word by word: the font's steps are whole pixels and do not depend on the neighbour across a gap, and
    the same few hundred words make up every list, so each is rendered once.
    """
    x, y = corner_px
    for letters, _, run_px in runs_of(text, size_px):
        size = round(run_px)
        for k, word in enumerate(letters.split(" ")):
            x += _length(" ", size) if k else 0.0
            if word:
                left, top, mask = _word_mask(word, size, stroke_px)
                pen.bitmap((round(x) + left, round(y) + top), mask, fill=ink)
                x += _length(word, size)
        x += HYPHEN_GAP_SHARE * size_px if letters.endswith("-") else 0.0


@functools.lru_cache(maxsize=4096)
def _length(letters: str, size_px: int) -> float:
    """Return how far a pen moves on for some letters, px."""
    return float(font_of(size_px).getlength(letters))


@functools.lru_cache(maxsize=1024)
def _word_mask(word: str, size_px: int, stroke_px: int) -> tuple[int, int, Image.Image]:
    """Return where a word's picture begins from its corner, and the picture: how much ink is where."""
    font = font_of(size_px)
    box = font.getbbox(word, stroke_width=stroke_px)
    left, top, right, bottom = (round(edge) for edge in box)
    mask = Image.new("L", (max(1, right - left), max(1, bottom - top)))
    pen = ImageDraw.Draw(mask)
    pen.text((-left, -top), word, fill=255, font=font, stroke_width=stroke_px, stroke_fill=255)
    return left, top, mask


def _stand_in(character: str) -> str:
    if character in _STAND_INS:
        return _STAND_INS[character]
    parts = unicodedata.normalize("NFKD", character)
    return "".join(part for part in parts if not unicodedata.combining(part) and _has_glyph(part)) or "?"


@functools.lru_cache(maxsize=4096)
def width_of(text: str, size_px: float) -> float:
    """Return the width of one line, px."""
    runs = runs_of(text, size_px)
    if not runs:
        return 0.0
    letters, left, size = runs[-1]
    return left + _length(letters, round(size))


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
