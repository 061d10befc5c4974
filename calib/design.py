"""What is printed where on the mat, in drawn millimetres; nothing about drawing or seeing it.

A ring of checkerboard, two squares wide, runs round the page; the white squares carry AprilTag
markers.  What is measured are the corners on the middle line of the ring, where two black squares
meet: such saddle points stay where they are when ink spreads or the picture is blurred, because
black and white give way equally.  The markers only tell which corner is which.

Marker ids, layout version 1 (dictionary AprilTag 36h10, 2320 ids):

=========== =================================================================
A4          0 to 199, in reading order of the white squares
Letter      200 to 399
A3          400 to 599
Tabloid     600 to 799
any other   800 to 1599; every fifth square, from the second on, carries
            1600 + (width in cm - 10), every fifth from the fourth on
            1800 + (height in cm - 10): any visible part tells the size
=========== =================================================================

A later layout version takes the ids from 2000 on.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.frames import Points

DICTIONARY = "APRILTAG_36h10"
DICTIONARIES = (
    *(f"APRILTAG_{bits}" for bits in ("36h11", "36h10", "25h9", "16h5")),
    *(f"{n}X{n}_{count}" for n in (4, 5, 6, 7) for count in (50, 100, 250, 1000)),
    "ARUCO_ORIGINAL",
    "ARUCO_MIP_36h12",
)
"""Open dictionaries that boards of others may use."""
VERSION = 1
PAPER_MM: Mapping[str, tuple[float, float]] = {
    "A4": (297.0, 210.0),  # ISO 216:2007, landscape
    "A3": (420.0, 297.0),  # ISO 216:2007, landscape
    "Letter": (279.4, 215.9),  # ANSI/ASME Y14.1 size A, landscape
    "Tabloid": (431.8, 279.4),  # ANSI/ASME Y14.1 size B, landscape
}
FIRST_ID: Mapping[str, int] = {"A4": 0, "Letter": 200, "A3": 400, "Tabloid": 600}
CUSTOM_FIRST_ID, WIDTH_FIRST_ID, HEIGHT_FIRST_ID = 800, 1600, 1800
LEAST_WIDTH_CM, LEAST_HEIGHT_CM, MOST_CM = 27, 15, 120
"""Narrower, there is no room for the check bar and what is written beside it."""
PRINT_MARGIN_MM = 8.0
"""Home printers leave this much unprinted."""
SQUARE_MM = 8.0
"""Wanted side of a checkerboard square; grows a little so that a whole number fits."""
MARKER_SHARE = 0.75
"""Side of a marker over that of its white square: the rest is its quiet zone."""
STRIP_MM = 5.0
"""Width of the strips with rulers and names inside the ring."""
CLEAR_MM = 0.5
"""Clean paper between print and lay area."""
CELL_MM = 40.0
"""Wanted size of the named cells by which a person finds a cutting again."""
MOST_COLUMNS = 26
"""Columns are named by one letter."""
CHECK_BAR_MM = 150.0
INCH_MM = 25.4


@dataclass(frozen=True, slots=True, eq=False)
class MatLayout:
    """What the finder needs to know of a mat or board; drawn mm, origin top left, x right, y down."""

    mat_id: str
    page_mm: tuple[float, float]
    dictionary: str
    """Name of a dictionary in ``cv2.aruco`` without ``DICT_``."""
    markers: Mapping[int, Points]
    """id -> (4, 2) corners: top left, top right, bottom right, bottom left of the printed marker."""
    saddles_mm: Points
    """(N, 2) checkerboard corners; empty for boards that have only markers."""
    lay_area_mm: tuple[float, float, float, float]
    """Left, top, right, bottom."""
    columns_mm: tuple[float, ...] = ()
    """Edges of the named columns A, B, ...; empty without names."""
    rows_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Rect:
    """A black rectangle, or white if ``is_ink`` is False; drawn in order."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    is_ink: bool = True


@dataclass(frozen=True, slots=True)
class Text:
    """A line of text; ``anchor`` is "start", "middle" or "end", ``y_mm`` its base line."""

    x_mm: float
    y_mm: float
    size_mm: float
    text: str
    anchor: str = "start"
    turn_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Triangle:
    """A black arrow head."""

    points_mm: tuple[tuple[float, float], tuple[float, float], tuple[float, float]]


Mark = Rect | Text | Triangle


@dataclass(frozen=True, slots=True, eq=False)
class MatDesign:
    """A mat to print: its layout and everything drawn on it."""

    layout: MatLayout
    marks: tuple[Mark, ...]

    @property
    def ink_share(self) -> float:
        """Share of the page that is black, lines and words left out."""
        step_mm = 0.25
        across, down = (round(side / step_mm) for side in self.layout.page_mm)
        page = np.zeros((down, across), dtype=bool)
        for mark in self.marks:
            if isinstance(mark, Rect):
                x0, y0, x1, y1 = (
                    round(value / step_mm)
                    for value in (mark.x_mm, mark.y_mm, mark.x_mm + mark.width_mm, mark.y_mm + mark.height_mm)
                )
                page[y0:y1, x0:x1] = mark.is_ink
        return float(page.mean())


def page_of(size: str) -> tuple[str, tuple[float, float]]:
    """Return the mat's name and page size for "A4", "A3", "Letter", "Tabloid" or "600x400" (mm).

    Raises
    ------
    ValueError
        If the size is none of these; the message says what is possible.
    """
    for name, page in PAPER_MM.items():
        if size.strip().lower() == name.lower():
            return name, page
    try:
        width, height = (float(part) for part in size.lower().split("x"))
    except ValueError:
        known = ", ".join(PAPER_MM)
        raise ValueError(
            f"size must be {known} or WIDTHxHEIGHT in mm such as 600x400, not {size!r}"
        ) from None
    for what, side, least_cm in (("width", width, LEAST_WIDTH_CM), ("height", height, LEAST_HEIGHT_CM)):
        if side % 10 or not least_cm * 10 <= side <= MOST_CM * 10:
            raise ValueError(
                f"the {what} of a board must be whole centimetres from {least_cm * 10} to {MOST_CM * 10} mm, "
                f"not {side:g} mm: its size is coded in its markers"
            )
    return f"{width:.0f}x{height:.0f}", (width, height)


def mat_layout(size: str) -> MatLayout:
    """Return the layout of one of our mats; see :func:`page_of` for sizes and errors."""
    name, page = page_of(size)
    grid = _Grid.of(page)
    markers: dict[int, Points] = {}
    for k, (column, row) in enumerate(grid.white_cells()):
        inset = grid.square_mm * (1 - MARKER_SHARE) / 2
        x, y = grid.left_mm + column * grid.square_mm + inset, grid.top_mm + row * grid.square_mm + inset
        side = grid.square_mm * MARKER_SHARE
        corners = np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side]])
        markers.setdefault(_marker_id(name, page, k), corners)
    inner = 2 * grid.square_mm + STRIP_MM + CLEAR_MM
    area = (
        grid.left_mm + inner,
        grid.top_mm + inner,
        grid.left_mm + grid.columns * grid.square_mm - inner,
        grid.top_mm + grid.rows * grid.square_mm - inner,
    )
    columns = _cell_edges(area[0], area[2])
    rows = _cell_edges(area[1], area[3])
    return MatLayout(
        mat_id=f"{name}-{VERSION}",
        page_mm=page,
        dictionary=DICTIONARY,
        markers={i: c for i, c in markers.items() if i < WIDTH_FIRST_ID},
        saddles_mm=grid.saddles_mm(),
        lay_area_mm=area,
        columns_mm=columns,
        rows_mm=rows,
    )


def _cell_edges(start_mm: float, end_mm: float) -> tuple[float, ...]:
    n = min(MOST_COLUMNS, max(1, round((end_mm - start_mm) / CELL_MM)))
    return tuple(float(edge) for edge in np.linspace(start_mm, end_mm, n + 1))


def layout_from_ids(ids: set[int]) -> MatLayout | None:
    """Return the layout of our mat whose marker ids were seen, or None if they say nothing."""
    votes = {name: sum(first <= i < first + 200 for i in ids) for name, first in FIRST_ID.items()}
    votes["custom"] = sum(CUSTOM_FIRST_ID <= i < WIDTH_FIRST_ID for i in ids)
    name = max(votes, key=lambda key: votes[key])
    if votes[name] < 2:
        return None
    if name != "custom":
        return mat_layout(name)
    widths = [i - WIDTH_FIRST_ID + 10 for i in ids if WIDTH_FIRST_ID <= i < HEIGHT_FIRST_ID]
    heights = [i - HEIGHT_FIRST_ID + 10 for i in ids if HEIGHT_FIRST_ID <= i < HEIGHT_FIRST_ID + 200]
    if not widths or not heights:
        return None
    width_cm, height_cm = max(set(widths), key=widths.count), max(set(heights), key=heights.count)
    return mat_layout(f"{width_cm * 10}x{height_cm * 10}")


def load_layout(path: Path) -> MatLayout:
    """Return the layout of a foreign board: JSON with page_mm, dictionary and markers.

    Raises
    ------
    ValueError
        If the file is not such a layout; the message names what is missing.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        dictionary = _dictionary_name(str(data["dictionary"]))
        markers = {int(m["id"]): np.asarray(m["corners_mm"], dtype=np.float64) for m in data["markers"]}
        page = (float(data["page_mm"][0]), float(data["page_mm"][1]))
    except (OSError, ValueError, KeyError, TypeError, IndexError) as problem:
        raise ValueError(f"{path.name} is not a board layout: {problem!r}") from problem
    if not markers or any(c.shape != (4, 2) for c in markers.values()):
        raise ValueError(f"{path.name}: every marker needs four corners_mm [x, y]")
    saddles = np.asarray(data.get("saddles_mm", []), dtype=np.float64).reshape(-1, 2)
    return MatLayout(
        mat_id=str(data.get("name", path.parent.name + "/" + path.stem)),
        page_mm=page,
        dictionary=dictionary,
        markers=markers,
        saddles_mm=saddles,
        lay_area_mm=_free_area(page, markers),
    )


def _dictionary_name(text: str) -> str:
    """Return the name in ``cv2.aruco``, without ``DICT_``, of a dictionary however it is written.

    >>> [_dictionary_name(text) for text in ("AprilTag 36h11", "tag36h11", "DICT_4X4_50", "aruco original")]
    ['APRILTAG_36h11', 'APRILTAG_36h11', '4X4_50', 'ARUCO_ORIGINAL']
    """
    plain = "".join(ch for ch in text.lower() if ch.isalnum())
    for name in DICTIONARIES:
        short = "".join(ch for ch in name.lower() if ch.isalnum())
        if plain.endswith(short) or plain in (short.replace("april", ""), short.replace("apriltag", "")):
            return name
    raise ValueError(f"dictionary {text!r} is none of {', '.join(DICTIONARIES)}")


def mat_design(size: str) -> MatDesign:
    """Return one of our mats with everything that is printed on it."""
    from calib.artwork import marks_of

    layout = mat_layout(size)
    name, page = page_of(size)
    grid = _Grid.of(page)
    ids = [_marker_id(name, page, k) for k in range(len(grid.white_cells()))]
    return MatDesign(layout, marks_of(layout, grid.black_cells_mm(), grid.white_cells_mm(), ids))


@dataclass(frozen=True, slots=True)
class _Grid:
    """The checkerboard that the ring is cut from."""

    left_mm: float
    top_mm: float
    columns: int
    rows: int
    square_mm: float

    @classmethod
    def of(cls, page_mm: tuple[float, float]) -> _Grid:
        free = [side - 2 * PRINT_MARGIN_MM for side in page_mm]
        columns, rows = (int(side / SQUARE_MM) for side in free)
        square = min(free[0] / columns, free[1] / rows)
        left, top = (page_mm[0] - columns * square) / 2, (page_mm[1] - rows * square) / 2
        return cls(left, top, columns, rows, square)

    def _in_ring(self, column: int, row: int) -> bool:
        return column < 2 or row < 2 or column >= self.columns - 2 or row >= self.rows - 2

    def _cells(self, parity: int) -> list[tuple[int, int]]:
        return [
            (column, row)
            for row in range(self.rows)
            for column in range(self.columns)
            if self._in_ring(column, row) and (column + row) % 2 == parity
        ]

    def white_cells(self) -> list[tuple[int, int]]:
        return self._cells(1)

    def _corners_mm(self, cells: list[tuple[int, int]]) -> list[tuple[float, float, float]]:
        s = self.square_mm
        return [(self.left_mm + c * s, self.top_mm + r * s, s) for c, r in cells]

    def white_cells_mm(self) -> list[tuple[float, float, float]]:
        return self._corners_mm(self._cells(1))

    def black_cells_mm(self) -> list[tuple[float, float, float]]:
        return self._corners_mm(self._cells(0))

    def saddles_mm(self) -> Points:
        """Return the corners where four squares of the ring meet: its middle line."""
        corners = [
            (self.left_mm + column * self.square_mm, self.top_mm + row * self.square_mm)
            for row in range(1, self.rows)
            for column in range(1, self.columns)
            if column in (1, self.columns - 1) or row in (1, self.rows - 1)
        ]
        return np.asarray(corners, dtype=np.float64)


def _marker_id(name: str, page_mm: tuple[float, float], k: int) -> int:
    if name in FIRST_ID:
        return FIRST_ID[name] + k
    if k % 5 == 1:
        return WIDTH_FIRST_ID + round(page_mm[0] / 10) - 10
    if k % 5 == 3:
        return HEIGHT_FIRST_ID + round(page_mm[1] / 10) - 10
    return CUSTOM_FIRST_ID + k


def _free_area(
    page_mm: tuple[float, float], markers: Mapping[int, Points]
) -> tuple[float, float, float, float]:
    """Return the largest upright rectangle of the page free of markers, less a margin of 1 mm."""
    boxes = np.array([[*c.min(axis=0), *c.max(axis=0)] for c in markers.values()])
    xs = sorted({0.0, page_mm[0], *boxes[:, 0], *boxes[:, 2]})
    ys = sorted({0.0, page_mm[1], *boxes[:, 1], *boxes[:, 3]})
    best, best_area = (0.0, 0.0, page_mm[0], page_mm[1]), -1.0
    for a, left in enumerate(xs):
        for right in xs[a + 1 :]:
            across = boxes[(boxes[:, 0] < right) & (boxes[:, 2] > left)]
            for b, top in enumerate(ys):
                below = across[across[:, 3] > top]
                bottom = float(below[:, 1].min()) if len(below) else ys[-1]
                if bottom <= top or bottom not in ys[b + 1 :]:
                    continue
                area = (right - left) * (bottom - top)
                if area > best_area:
                    best, best_area = (left, top, right, bottom), area
    margin_mm = 1.0
    return (best[0] + margin_mm, best[1] + margin_mm, best[2] - margin_mm, best[3] - margin_mm)
