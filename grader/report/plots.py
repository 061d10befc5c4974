"""Pictures of distributions beside their limits, as SVG.

Written as text: a drawing library takes longer to load than the rest of the page takes to make.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

import numpy as np

from grader.report.summary import Spread
from grader.traits.catalogue import TRAITS

WIDTH_PX, HEIGHT_PX = 538, 278
LEFT_PX, RIGHT_PX, TOP_PX, BOTTOM_PX = 62.0, 530.0, 48.0, 230.0
"""Edges of the axes: room for numbers, words, and inches above."""
INK, BAR, BAND = "#1b1b1b", "#4f7f9f", "#e3efe0"
"""Text and lines; bars; what is wanted. Bars stand out 3:1 and more against white and against the band."""
DASHES = {"wanted": "7 4", "allowed": "none", "noted": "1.5 3"}
"""How the limits are drawn: told apart without colour."""
FONT_PX, SMALL_FONT_PX = 12, 10
LETTER = 0.62
"""Width of a letter or digit over the size of the font, on the safe side."""
TICK_PX = 4.0
MOST_TICKS = 7
MOST_BINS, LEAST_BINS = 30, 8
HEADROOM = 1.6
"""Height of the axis over the highest bar: the names of the limits stand above the bars."""
SPARE = 0.06
"""Room beside the outermost value or limit, over the range."""
_STEPS = (1.0, 2.0, 5.0, 10.0)
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class _Axis:
    """From values to places in the picture."""

    low: float
    high: float
    from_px: float
    to_px: float

    def px(self, value: float) -> float:
        """Return the place of a value."""
        return self.from_px + (value - self.low) / (self.high - self.low) * (self.to_px - self.from_px)


def spread_svg(spread: Spread) -> str:
    """Return a histogram with the limits, as a data address for an image.

    Inside an image the style of the SVG does not fall under the page's policy for styles.
    """
    svg = "\n".join(_lines(spread))
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode("utf-8")).decode("ascii")


def ticks(low: float, high: float, least_step: float = 0.0) -> list[tuple[float, str]]:
    """Return places and texts of the marks of an axis: 1, 2 or 5 times a power of ten apart.

    Examples
    --------
    >>> ticks(26.0, 52.0)
    [(30.0, '30'), (35.0, '35'), (40.0, '40'), (45.0, '45'), (50.0, '50')]
    >>> [text for _, text in ticks(0.0, 0.25)]
    ['0.00', '0.05', '0.10', '0.15', '0.20', '0.25']
    >>> [text for _, text in ticks(0.0, 2.0, least_step=1.0)]
    ['0', '1', '2']
    """
    power = 10.0 ** math.floor(math.log10((high - low) / MOST_TICKS))
    step = next(step * power for step in _STEPS if (high - low) / (step * power) <= MOST_TICKS)
    step = max(step, least_step)
    decimals = max(0, -math.floor(math.log10(step) + _ROUNDING))
    first, last = math.ceil(low / step - _ROUNDING), math.floor(high / step + _ROUNDING)
    return [(k * step, f"{k * step:.{decimals}f}") for k in range(first, last + 1)]


def _lines(spread: Spread) -> Iterator[str]:
    """Yield the picture, from the back to the front."""
    trait = TRAITS[spread.trait]
    low, high = _range(spread)
    n_bins = int(np.clip(np.ceil(2.0 * np.sqrt(max(len(spread.values), 1))), LEAST_BINS, MOST_BINS))
    counts, edges = np.histogram(spread.values, bins=n_bins, range=(low, high))
    x = _Axis(low, high, LEFT_PX, RIGHT_PX)
    y = _Axis(0.0, HEADROOM * max(float(counts.max()), 1.0), BOTTOM_PX, TOP_PX)
    yield (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH_PX} {HEIGHT_PX}" '
        f'width="{WIDTH_PX}" height="{HEIGHT_PX}" font-family="sans-serif" font-size="{FONT_PX}" '
        f'fill="{INK}" stroke-width="1.2">'
    )
    yield _rectangle(0.0, 0.0, WIDTH_PX, HEIGHT_PX, "#ffffff")
    yield from _wanted(spread, x)
    for count, left, right in zip(counts, edges[:-1], edges[1:], strict=True):
        if count:
            top_px, left_px = y.px(float(count)), x.px(float(left))
            bar = left_px, top_px, x.px(float(right)) - left_px, BOTTOM_PX - top_px
            yield _rectangle(*bar, BAR, ' stroke="#ffffff" stroke-width="0.8"')
    yield from _limits(spread, x)
    yield from _across(x, BOTTOM_PX, f"{trait.words}, {trait.unit}", is_below=True)
    if trait.mm_per_other:
        other = _Axis(low / trait.mm_per_other, high / trait.mm_per_other, LEFT_PX, RIGHT_PX)
        yield from _across(other, TOP_PX, trait.other_unit, is_below=False)
    yield from _upright(y, "cuttings")
    yield "</svg>"


def _range(spread: Spread) -> tuple[float, float]:
    """Return what the axis shows: every value and every limit."""
    ends = np.array([*spread.values, *spread.limits.values()])
    if not len(ends):
        return 0.0, 1.0
    spare = max(SPARE * float(np.ptp(ends)), 10.0 ** -TRAITS[spread.trait].decimals)
    return max(0.0, float(ends.min()) - spare), float(ends.max()) + spare


def _wanted(spread: Spread, x: _Axis) -> Iterator[str]:
    """Yield the band of what is wanted."""
    if "wanted_min" in spread.limits or "wanted_max" in spread.limits:
        left = x.px(spread.limits.get("wanted_min", x.low))
        right = x.px(spread.limits.get("wanted_max", x.high))
        yield _rectangle(left, TOP_PX, right - left, BOTTOM_PX - TOP_PX, BAND)


def _limits(spread: Spread, x: _Axis) -> Iterator[str]:
    """Yield a line with its name for each limit."""
    for key, limit in spread.limits.items():
        level, side = key.split("_")
        at = x.px(limit)
        yield _line(at, TOP_PX, at, BOTTOM_PX, f' stroke-dasharray="{DASHES[level]}" stroke-width="1.6"')
        yield _text(at - 4.0, TOP_PX + 4.0, f"{level} {side}.", "end", is_upright=True, size=SMALL_FONT_PX)


def _across(x: _Axis, at_px: float, name: str, *, is_below: bool) -> Iterator[str]:
    """Yield a level axis with marks, numbers and name below or above it."""
    out = 1.0 if is_below else -1.0
    yield _line(LEFT_PX, at_px, RIGHT_PX, at_px)
    for value, text in ticks(x.low, x.high):
        yield _line(x.px(value), at_px, x.px(value), at_px + out * TICK_PX)
        yield _text(x.px(value), at_px + (18.0 if is_below else -9.0), text, "middle")
    yield _text((LEFT_PX + RIGHT_PX) / 2.0, at_px + (36.0 if is_below else -27.0), name, "middle")


def _upright(y: _Axis, name: str) -> Iterator[str]:
    """Yield the axis of counts at the left."""
    marks = ticks(y.low, y.high, least_step=1.0)
    widest = max(len(text) for _, text in marks) * LETTER * FONT_PX
    yield _line(LEFT_PX, TOP_PX, LEFT_PX, BOTTOM_PX)
    for value, text in marks:
        yield _line(LEFT_PX - TICK_PX, y.px(value), LEFT_PX, y.px(value))
        yield _text(LEFT_PX - TICK_PX - 4.0, y.px(value) + 0.35 * FONT_PX, text, "end")
    left = max(LEFT_PX - TICK_PX - 10.0 - widest, float(FONT_PX))
    yield _text(left, (TOP_PX + BOTTOM_PX) / 2.0, name, "middle", is_upright=True)


def _rectangle(left: float, top: float, width: float, height: float, fill: str, more: str = "") -> str:
    return (
        f'<rect x="{left:.1f}" y="{top:.1f}" width="{width:.1f}" height="{height:.1f}" fill="{fill}"{more}/>'
    )


def _line(x0: float, y0: float, x1: float, y1: float, more: str = "") -> str:
    return f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" stroke="{INK}"{more}/>'


def _text(
    x: float, y: float, text: str, anchor: str, *, is_upright: bool = False, size: int = FONT_PX
) -> str:
    turned = f' transform="rotate(-90 {x:.1f} {y:.1f})"' if is_upright else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}"{turned}>'
        f"{escape(text)}</text>"
    )
