"""What can be drawn on the picture: first a list of these, then paint.  Canvas px, x right, y down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

from calib.frames import Points

Rgb = tuple[int, int, int]

BLACK: Rgb = (0, 0, 0)
WHITE: Rgb = (255, 255, 255)
# Okabe & Ito, "Color Universal Design", 2008: colours that colour-blind people tell apart.
BLUISH_GREEN: Rgb = (0, 158, 115)
ORANGE: Rgb = (230, 159, 0)
VERMILLION: Rgb = (213, 94, 0)
SKY_BLUE: Rgb = (86, 180, 233)
REDDISH_PURPLE: Rgb = (204, 121, 167)
BLUE: Rgb = (0, 114, 178)


class Shape(Enum):
    """Shape of a badge: tells the grade without colour."""

    CIRCLE = "circle"
    SQUARE = "square"
    OCTAGON = "octagon"
    DIAMOND = "diamond"


@dataclass(frozen=True, slots=True)
class Style:
    """How one grade looks: letter, shape, fill, letters' colour, line pattern, words for the legend."""

    letter: str
    shape: Shape
    fill: Rgb
    ink: Rgb
    dashes_px: tuple[float, ...]
    """Drawn, left out, drawn, ... ; empty for a solid line."""
    width_px: int
    words: str


STYLES: Mapping[str, Style] = MappingProxyType(
    {
        "1": Style("1", Shape.CIRCLE, BLUISH_GREEN, WHITE, (), 6, "grade 1"),
        "2": Style("2", Shape.SQUARE, ORANGE, BLACK, (46.0, 14.0), 7, "grade 2"),
        "cull": Style("X", Shape.OCTAGON, BLACK, WHITE, (30.0, 10.0, 8.0, 10.0), 5, "cull"),
        "unsure": Style("?", Shape.DIAMOND, WHITE, BLACK, (9.0, 12.0), 8, "unsure"),
    }
)
LINE_COLOURS: Mapping[str, Rgb] = MappingProxyType(
    {"1": BLUISH_GREEN, "2": ORANGE, "cull": BLACK, "unsure": SKY_BLUE}
)
"""A cull's outline is black on white, as its sign is: in grey too it is no bar of a cut."""
LINE_RIMS: Mapping[str, Rgb] = MappingProxyType({"1": BLACK, "2": BLACK, "cull": WHITE, "unsure": BLACK})
SET_ASIDE_DASHES_PX = (22.0, 18.0)


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A polyline with a pale or dark rim, so that it is seen on bark and on paper."""

    points_px: Points
    colour: Rgb
    width_px: int
    dashes_px: tuple[float, ...] = ()
    is_closed: bool = False
    rim: Rgb | None = WHITE


@dataclass(frozen=True, slots=True)
class Ring:
    """An open circle round a place."""

    centre_px: tuple[float, float]
    radius_px: float
    colour: Rgb
    width_px: int


@dataclass(frozen=True, slots=True)
class Badge:
    """Number and grade of one cutting; ``left_px``, ``top_px`` its corner."""

    left_px: float
    top_px: float
    size_px: float
    number: str
    grade: str


@dataclass(frozen=True, slots=True)
class Label:
    """What to do with one cutting; ``left_px``, ``top_px`` its corner."""

    left_px: float
    top_px: float
    size_px: float
    """Letters of what to do; those of ``today`` are smaller."""
    number: str
    grade: str
    """Of today; empty: no sign is drawn."""
    steps: tuple[str, ...]
    """What to do now, in lines."""
    today: tuple[str, ...]
    """The grade of today and why, in lines; empty where there is no room."""
    after: tuple[str, ...] = ()
    """Which grade comes of it, in lines."""
    after_grades: tuple[str, ...] = ()
    """The grades that come of it: a sign each."""


@dataclass(frozen=True, slots=True)
class Words:
    """Lines of text on a white ground; ``left_px``, ``top_px`` its corner."""

    left_px: float
    top_px: float
    size_px: float
    lines: tuple[str, ...]
    ink: Rgb = BLACK
    ground: Rgb | None = WHITE
    is_bold: bool = False


Mark = Line | Ring | Badge | Label | Words
