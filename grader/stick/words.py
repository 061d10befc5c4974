"""Figures of the plan in words, the same on sheet, labels, picture and terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence

from grader.stick.depth import GroupDepth
from grader.stick.groups import STRIP_FIRST, LeftOut, Lot, Placed, SizeGroup
from grader.stick.lengths import range_text, span_text
from grader.stick.room import MM3_PER_LITRE
from grader.traits.catalogue import MM_PER_INCH, TRAITS

MM3_PER_US_GALLON = 231 * MM_PER_INCH**3
"""231 cubic inches, exact: NIST Handbook 44 appendix C (from memory)."""
LEFT_OUT_WORDS = {
    STRIP_FIRST: "strip first, as the graded picture says",
    "cull": "culled, not stuck",
    "unsure": "unsure: measure by hand, then put it with its size",
    "cut again": "cut again first, as the graded picture says, then photograph again",
    "not measured": "size not measured: put it with its size by eye",
}


LEFT_OUT_SIGNS = {
    STRIP_FIRST: "strip",
    "cull": "X",
    "unsure": "?",
    "cut again": "cut",
    "not measured": "?",
}


def limits(group: SizeGroup) -> tuple[str, str]:
    """Return the limits of a group in mm and in inches, such as "85 to 95 mm"; without any, what it holds."""
    decimals = 0 if TRAITS[group.trait].decimals <= 1 else 1
    low, high = group.low, group.high
    prefix = ""
    if not (math.isfinite(low) or math.isfinite(high)):
        prefix = "all sizes: "
        low, high = float(group.sizes.min()), float(group.sizes.max())
    metric = span_text(low, high, decimals, "mm")
    inches = span_text(low / MM_PER_INCH, high / MM_PER_INCH, decimals + 2, "in")
    return (prefix + metric, inches)


def limits_text(group: SizeGroup) -> str:
    """Return the limits with inches in brackets."""
    metric, inches = limits(group)
    return f"{metric} ({inches})"


def depth_text(depth: GroupDepth) -> str:
    """Return the depth range in mm and inches."""
    return range_text(depth.low_mm, depth.high_mm) if depth.is_known else "none serves as they lie"


def litres_text(litres: float) -> str:
    """Return a volume in litres and US gallons.

    Examples
    --------
    >>> litres_text(10.433)
    '10.4 L (2.8 US gal)'
    """
    gallons = litres * MM3_PER_LITRE / MM3_PER_US_GALLON
    return f"{litres:.1f} L ({gallons:.1f} US gal)"


def celsius_text(low_c: float, high_c: float) -> str:
    """Return a temperature range in °C and °F.

    Examples
    --------
    >>> celsius_text(15.6, 18.3), celsius_text(21, 21)
    ('16 to 18 °C (60 to 65 °F)', '21 °C (70 °F)')
    """
    low_f, high_f = (1.8 * value + 32 for value in (low_c, high_c))
    if low_c == high_c:
        return f"{low_c:.0f} °C ({low_f:.0f} °F)"
    return f"{low_c:.0f} to {high_c:.0f} °C ({low_f:.0f} to {high_f:.0f} °F)"


def ppm_text(low_ppm: float, high_ppm: float) -> str:
    """Return a strength in ppm and per cent.

    Examples
    --------
    >>> ppm_text(3000, 8000)
    '3000 to 8000 ppm (0.3 to 0.8 %)'
    """
    low, high = low_ppm / 1e4, high_ppm / 1e4
    if low_ppm == high_ppm:
        return f"{low_ppm:g} ppm ({low:g} %)"
    return f"{low_ppm:g} to {high_ppm:g} ppm ({low:g} to {high:g} %)"


def numbers_text(members: Sequence[Placed]) -> str:
    """Return numbers photo by photo: "tray_1.jpg: 1, 2, 5; tray_2.jpg: 3"."""
    by_photo: dict[str, list[str]] = {}
    names: dict[str, str] = {}
    for placed in members:
        sha256 = placed.photo.sha256
        names[sha256] = photo_name(placed)
        by_photo.setdefault(sha256, []).append(str(placed.cutting.number))
    return "; ".join(f"{names[sha256]}: {', '.join(numbers)}" for sha256, numbers in by_photo.items())


def photo_name(placed: Placed) -> str:
    """Return the file name of a cutting's photo."""
    return file_name(placed.photo.file)


def file_name(file: str) -> str:
    """Return the last part of a path, whichever system wrote it.

    Examples
    --------
    >>> file_name("a/b.jpg"), file_name("C:\\\\a\\\\b.jpg")
    ('b.jpg', 'b.jpg')
    """
    return file.replace("\\", "/").rpartition("/")[2]


def left_out_lines(left_out: Sequence[LeftOut]) -> list[str]:
    """Return a line for each reason: how many, what to do, which."""
    lines = []
    for _, words, members in left_out_by_reason(left_out):
        lines.append(f"{len(members)} {words}: {numbers_text(members)}")
    return lines


def left_out_by_reason(left_out: Sequence[LeftOut]) -> list[tuple[str, str, list[Placed]]]:
    """Return sign, words and cuttings for each reason; those to strip first for each group they go to."""
    found: list[tuple[str, str, list[Placed]]] = []
    for kind, words in LEFT_OUT_WORDS.items():
        items = [item for item in left_out if item.kind == kind]
        for letter in sorted({item.goes_to for item in items}):
            told = words
            if kind == STRIP_FIRST and letter:
                told = f"{words}; after stripping: to group {letter}, beyond its count"
            elif kind == STRIP_FIRST:
                told = f"{words}; after stripping: no group fits yet, photograph again"
            members = [item.placed for item in items if item.goes_to == letter]
            found.append((sign_of(kind, letter), told, members))
    return found


def sign_of(kind: str, goes_to: str) -> str:
    """Return what stands beside a cutting that is left out.

    Examples
    --------
    >>> sign_of("cull", ""), sign_of("strip first", "B")
    ('X', 'strip: B')
    """
    sign = LEFT_OUT_SIGNS[kind]
    return f"{sign}: {goes_to}" if goes_to else sign


def lot_text(lot: Lot) -> str:
    """Return plant, donor and grade in words."""
    parts = [lot.species, f"donor {lot.donor}" if lot.donor else "", f"grade {lot.grade}"]
    return ", ".join(part for part in parts if part)
