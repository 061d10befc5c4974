"""The printed page: sizes, letters, and the few things that are drawn on it."""

from __future__ import annotations

import unicodedata
from datetime import UTC, date, datetime, time

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.prefs import ViewerPreferences

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""ISO 216; ANSI/ASME Y14.1 size A."""
MARGIN_MM = 12.0
"""Printers leave up to 6 mm blank."""
BODY_PT = 9.0
LINE_MM = 4.3
FONT = "helvetica"
_STAND_INS = {"\u2013": "-", "\u2014": "-", "\u2019": "'", "\u2018": "'", "\u201c": '"', "\u201d": '"'}
_STROKED = {"ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ı": "i", "œ": "oe", "Œ": "OE"}
"""Letters that are no letter plus accent."""


def new_paper(paper: str, title: str, made_on: date) -> FPDF:
    """Return an empty document in true size; the same plan always gives the same bytes."""
    pdf = FPDF(unit="mm", format=PAPERS_MM[paper])
    pdf.viewer_preferences = ViewerPreferences(print_scaling="None")
    pdf.set_title(title)
    pdf.set_creation_date(datetime.combine(made_on, time(), UTC))
    pdf.set_margin(MARGIN_MM)
    pdf.set_auto_page_break(True, MARGIN_MM)
    pdf.set_font(FONT, size=BODY_PT)
    return pdf


def latin(text: str) -> str:
    """Return a text in the signs that every PDF reader has: é stays, ő becomes o, the rest a question mark.

    Examples
    --------
    >>> latin("Jürgen Łukasz ő – 盆"), latin("a\\nb")
    ('Jürgen Lukasz o - ?', 'a b')
    """
    return "".join(_latin(ch) for ch in text)


def _latin(character: str) -> str:
    character = _STAND_INS.get(character, _STROKED.get(character, character))
    if not all(ch.isprintable() for ch in character):
        return " "
    if _fits(character):
        return character
    parts = unicodedata.normalize("NFKD", character)
    return "".join(part for part in parts if _fits(part)) or "?"


def _fits(text: str) -> bool:
    try:
        text.encode("latin-1")
    except UnicodeEncodeError:
        return False
    return True


def heading(pdf: FPDF, text: str) -> None:
    """Write a heading; never the last line of a page."""
    if pdf.will_page_break(4 * LINE_MM):
        pdf.add_page()
    pdf.ln(2.0)
    pdf.set_font(FONT, "B", BODY_PT + 2)
    pdf.cell(0, LINE_MM + 1.5, latin(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pdf.set_font(FONT, size=BODY_PT)


def paragraph(pdf: FPDF, text: str, is_bold: bool = False, indent_mm: float = 0.0) -> None:
    """Write a paragraph across the page."""
    pdf.set_font(FONT, "B" if is_bold else "", BODY_PT)
    pdf.set_x(pdf.l_margin + indent_mm)
    pdf.multi_cell(0, LINE_MM, latin(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pdf.set_font(FONT, size=BODY_PT)


def fitted(pdf: FPDF, text: str, width_mm: float, size_pt: float, least_pt: float) -> tuple[str, float]:
    """Return a text and the letter size at which it fits one line; what cannot fit ends with dots."""
    text = latin(text)
    while size_pt > least_pt and _width(pdf, text, size_pt) > width_mm:
        size_pt -= 0.5
    if _width(pdf, text, size_pt) <= width_mm:
        return text, size_pt
    while text and _width(pdf, text + "...", size_pt) > width_mm:
        text = text[:-1]
    return text + "...", size_pt


def _width(pdf: FPDF, text: str, size_pt: float) -> float:
    pdf.set_font_size(size_pt)
    return float(pdf.get_string_width(text))
