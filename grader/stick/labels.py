"""Labels to print and cut out: one a container, with its id as QR code."""

from __future__ import annotations

import segno
from fpdf import FPDF

from grader.stick.paper import FONT, MARGIN_MM, PAPERS_MM, fitted, latin
from grader.stick.plan import ContainerPlan, GroupPlan, StickPlan
from grader.stick.words import limits

LABEL_MM = (92.0, 50.0)
"""Two across and five down on A4 and on Letter; fits a stake of two inches."""
QR_MM = 30.0
"""With its quiet zone: squares of 0.9 mm, read by a phone from half a metre, also when smudged."""
QR_ERROR = "Q"
"""A quarter of the code may be dirty: ISO/IEC 18004 level Q."""
QUIET_MODULES = 4
"""ISO/IEC 18004: white on all sides."""
PAD_MM = 3.0
LETTER_PT = 40.0
TEXT_PT, LEAST_PT = 9.5, 6.0
SMALL_PT = 7.5
LETTER_DOWN_MM = 12.5
"""From the id to the foot of the letter."""
ROW_MM = 5.4
TO_WRITE = "________________"
"""What is not known is left to be written by hand."""


def add_labels(pdf: FPDF, plan: StickPlan, paper: str) -> None:
    """Add pages of labels to a document."""
    width_mm, height_mm = PAPERS_MM[paper]
    columns = int((width_mm - 2 * MARGIN_MM) // LABEL_MM[0])
    rows = int((height_mm - 2 * MARGIN_MM) // LABEL_MM[1])
    left_mm = (width_mm - columns * LABEL_MM[0]) / 2
    pdf.set_auto_page_break(False)
    places = [(item, container) for item in plan.groups for container in item.containers]
    for k, (item, container) in enumerate(places):
        on_page = k % (columns * rows)
        if on_page == 0:
            pdf.add_page()
        row, column = divmod(on_page, columns)
        _label(pdf, plan, item, container, (left_mm + column * LABEL_MM[0], MARGIN_MM + row * LABEL_MM[1]))


def _label(
    pdf: FPDF, plan: StickPlan, item: GroupPlan, container: ContainerPlan, at_mm: tuple[float, float]
) -> None:
    x_mm, y_mm = at_mm
    pdf.set_line_width(0.15)
    pdf.set_dash_pattern(dash=1, gap=1.5)
    pdf.rect(x_mm, y_mm, *LABEL_MM)
    pdf.set_dash_pattern()
    draw_qr(pdf, container.id, x_mm + PAD_MM, y_mm + PAD_MM, QR_MM)
    group, lot = item.group, item.group.lot
    _name(pdf, group.letter, container.id, x_mm, y_mm)
    left_mm = x_mm + QR_MM + 2 * PAD_MM
    width_mm = LABEL_MM[0] - QR_MM - 3 * PAD_MM
    metric, inches = limits(group)
    count = f"{len(container.members)} cuttings" if len(container.members) != 1 else "1 cutting"
    lines = (
        (lot.species or f"plant {TO_WRITE}", "B"),
        (f"donor {lot.donor or TO_WRITE}", ""),
        (f"stuck {plan.choices.stuck_on.isoformat()}", ""),
        (f"cut by {', '.join(item.cutters) or TO_WRITE}", ""),
        (f"grade {lot.grade}, {count}", "B"),
        (metric, "B"),
        (inches, ""),
        (f"container {container.index} of {len(item.containers)}", ""),
    )
    y_mm += PAD_MM + ROW_MM * 0.7
    for text, style in lines:
        pdf.set_font(FONT, style, TEXT_PT)
        shown, size_pt = fitted(pdf, text, width_mm, TEXT_PT, LEAST_PT)
        pdf.set_font_size(size_pt)
        pdf.text(left_mm, y_mm, shown)
        y_mm += ROW_MM


def _name(pdf: FPDF, letter: str, name: str, x_mm: float, y_mm: float) -> None:
    """Write group letter and id below the code."""
    middle_mm = x_mm + PAD_MM + QR_MM / 2
    pdf.set_font(FONT, "B", LETTER_PT)
    shown, size_pt = fitted(pdf, letter, QR_MM / 2, LETTER_PT, LEAST_PT)
    pdf.set_font_size(size_pt)
    pdf.text(middle_mm - pdf.get_string_width(shown) / 2, y_mm + PAD_MM + QR_MM + LETTER_DOWN_MM, shown)
    pdf.set_font(FONT, size=SMALL_PT)
    pdf.text(middle_mm - pdf.get_string_width(name) / 2, y_mm + PAD_MM + QR_MM, latin(name))


def draw_qr(pdf: FPDF, text: str, x_mm: float, y_mm: float, size_mm: float) -> None:
    """Draw a QR code as squares, its quiet zone inside ``size_mm``."""
    code = segno.make_qr(text, error=QR_ERROR, boost_error=False)
    matrix = code.matrix
    module_mm = size_mm / (len(matrix) + 2 * QUIET_MODULES)
    pdf.set_fill_color(0)
    for i, row in enumerate(matrix):
        y = y_mm + (QUIET_MODULES + i) * module_mm
        start = None
        # Runs, not single squares: between squares that only touch, viewers draw hairlines.
        for j, dark in enumerate([*row, 0]):
            if dark and start is None:
                start = j
            elif not dark and start is not None:
                x = x_mm + (QUIET_MODULES + start) * module_mm
                pdf.rect(x, y, (j - start) * module_mm, module_mm, style="F")
                start = None
