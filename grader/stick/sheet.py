"""The sticking sheet as PDF: what goes where, how deep, with what, and what to mind; then the labels."""

from __future__ import annotations

import math

from fpdf import FPDF
from fpdf.enums import TableCellFillMode, XPos, YPos
from fpdf.fonts import FontFace

from grader.stick.groups import Evenness
from grader.stick.labels import add_labels
from grader.stick.lengths import range_text
from grader.stick.paper import BODY_PT, FONT, LINE_MM, heading, latin, new_paper, paragraph
from grader.stick.plan import GroupPlan, StickPlan
from grader.stick.values import ANY_WOOD
from grader.stick.words import (
    celsius_text,
    depth_text,
    left_out_lines,
    limits_text,
    litres_text,
    lot_text,
    numbers_text,
    photo_name,
    ppm_text,
)
from grader.traits.catalogue import TRAITS

INDENT_MM = 4.0
HEADERS = ("group", "size", "plant", "cuttings", "containers", "stick this deep", "loose medium")
COLUMNS = (12, 38, 42, 17, 21, 30, 26)
"""Widths of the table's columns, in proportion."""


def sheet_pdf(plan: StickPlan, paper: str) -> bytes:
    """Return sheet and labels as PDF for "A4" or "Letter"."""
    pdf = new_paper(paper, f"Sticking sheet {plan.choices.stuck_on.isoformat()}", plan.choices.stuck_on)
    pdf.add_page()
    _top(pdf, plan)
    if plan.groups:
        _table(pdf, plan)
        _evenness(pdf, plan)
        _depths(pdf, plan)
    _left_out(pdf, plan)
    if plan.groups:
        _where(pdf, plan)
        _medium(pdf, plan)
        _hormone(pdf, plan)
        _heat(pdf, plan)
    _cautions(pdf, plan)
    add_labels(pdf, plan, paper)
    return bytes(pdf.output())


def _top(pdf: FPDF, plan: StickPlan) -> None:
    pdf.set_font(FONT, "B", BODY_PT + 8)
    title = f"Sticking sheet, {plan.choices.stuck_on.isoformat()}"
    pdf.cell(0, 9.0, title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    paragraph(pdf, summary(plan), is_bold=True)
    paragraph(pdf, f"Containers: {plan.choices.container.words}.")
    for note in plan.notes:
        paragraph(pdf, f"Note: {note}.")
    things = ", ".join(caution.thing.lower() for caution in plan.values.cautions)
    paragraph(pdf, f'Before you start read "Take care" below: {things}.')
    pdf.ln(1.5)


def summary(plan: StickPlan) -> str:
    """Return one line: how many cuttings, groups, containers, litres."""
    counts = (
        (plan.n_kept, "cutting"),
        (len(plan.groups), "size group"),
        (plan.n_containers, "container"),
    )
    parts = [f"{n} {word}{'' if n == 1 else 's'}" for n, word in counts]
    return f"{parts[0]} to stick in {parts[1]}, {parts[2]}; {litres_text(plan.litres)} of loose medium"


def _table(pdf: FPDF, plan: StickPlan) -> None:
    head = FontFace(emphasis="BOLD", fill_color=225)
    pdf.set_font(FONT, size=BODY_PT)
    with pdf.table(
        col_widths=COLUMNS,
        headings_style=head,
        line_height=LINE_MM,
        padding=1.0,
        cell_fill_mode=TableCellFillMode.NONE,
        text_align="LEFT",
    ) as table:
        table.row([latin(text) for text in HEADERS])
        for item in plan.groups:
            row = table.row()
            row.cell(item.group.letter, style=FontFace(emphasis="BOLD", size_pt=BODY_PT + 7))
            for text in (
                limits_text(item.group),
                lot_text(item.group.lot),
                str(len(item.group.members)),
                str(len(item.containers)),
                depth_text(item.depth),
                litres_text(item.litres),
            ):
                row.cell(latin(text))


def _evenness(pdf: FPDF, plan: StickPlan) -> None:
    trait = TRAITS[plan.choices.trait]
    rule = plan.values.groups[plan.choices.trait]
    heading(pdf, "How even")
    for item in plan.evenness:
        paragraph(pdf, evenness_text(item))
    unit = trait.unit
    paragraph(
        pdf,
        f"Sorted by {trait.words} at natural breaks (Fisher-Jenks, exact), boundaries on whole {rule.step:g} "
        f"{unit}. As few groups as bring the spread inside them to {100 * rule.even_cv:g} % or less, at most "
        f"{rule.most} a plant and grade, at least {rule.least} cuttings in each ({rule.source}). A "
        "cutting on a boundary goes to the larger group; close to one, either group will do.",
    )


def evenness_text(item: Evenness) -> str:
    """Return what sorting brought to one lot, in a sentence."""
    name = lot_text(item.lot)
    text = f"{name}: spread (standard deviation over mean) {100 * item.cv_before:.1f} %"
    if item.n_groups > 1:
        text += f" before, {100 * item.cv_after:.1f} % inside the {item.n_groups} groups"
        text += f"; the groups take away {100 * item.explained:.0f} % of the variance"
        if item.explained_exact - item.explained >= 0.005:
            text += f" ({100 * item.explained_exact:.0f} % before boundaries were rounded)"
    else:
        text += ", one group"
    if not item.is_even:
        text += "; not as even as wanted, but more groups would be too many or too small"
    return text + "."


def _depths(pdf: FPDF, plan: StickPlan) -> None:
    rule = plan.values.depth
    clear, most, least = (
        range_text(value, value) for value in (rule.clearance_mm, rule.bare_mm, rule.least_mm)
    )
    heading(pdf, "How deep")
    paragraph(
        pdf,
        f"Foliage stays above the surface: {clear} of bare stem is left there, at most {most}. At least "
        f"{least} and {100 * rule.least_share:g} % of the length goes below ({rule.source}).",
    )
    shares = " to ".join(f"{100 * share:.0f}" for share in rule.published_shares) + " %"
    for item in plan.groups:
        depth = item.depth
        n = len(item.group.members)
        low, high = depth.published_mm
        text = f"Group {item.group.letter}: {depth_text(depth)}"
        if math.isfinite(low):
            text += (
                f". Published advice of {shares} of the length would be at least {range_text(low, high)}: "
                f"{depth.n_published} of {n} have the bare stem for it"
            )
        paragraph(pdf, text + ".")
        for misfit in depth.misfits:
            who = f"{photo_name(misfit.placed)} no. {misfit.placed.cutting.number}"
            paragraph(pdf, f"but {who}: {misfit.why}.", indent_mm=INDENT_MM)
    paragraph(pdf, f"Published advice: {rule.published_source}.")


def _left_out(pdf: FPDF, plan: StickPlan) -> None:
    lines = left_out_lines(plan.left_out)
    if lines:
        heading(pdf, "Not in any group")
    for line in lines:
        paragraph(pdf, f"{line}.")


def _where(pdf: FPDF, plan: StickPlan) -> None:
    heading(pdf, "What goes where (photo: numbers on it)")
    for item in plan.groups:
        for container in item.containers:
            paragraph(pdf, _container_text(item, container.index))


def _container_text(item: GroupPlan, index: int) -> str:
    container = item.containers[index - 1]
    n = len(container.members)
    return f"{container.id} ({n}): {numbers_text(container.members)}."


def _medium(pdf: FPDF, plan: StickPlan) -> None:
    mix, settling = plan.choices.mix, plan.values.medium
    heading(pdf, "Medium")
    parts = "; ".join(f"{litres_text(share * plan.litres)} {name}" for name, share in mix.shares.items())
    whole = litres_text(plan.litres)
    paragraph(pdf, f"{mix.words}, by volume ({mix.source}): {whole} loose, that is {parts}.")
    paragraph(
        pdf,
        f"Every container is filled, the last of a group too. {100 * settling.settling_share:g} % more than "
        f"their volume is counted, since medium settles when it is watered in ({settling.source}).",
    )


def _hormone(pdf: FPDF, plan: StickPlan) -> None:
    wood = plan.choices.wood
    entries = [e for e in plan.values.hormone if not wood or wood in e.wood or ANY_WOOD in e.wood]
    heading(pdf, f"Rooting hormone (IBA), {wood or 'by class of wood'}")
    if not entries:
        paragraph(pdf, "The values name none for this wood: follow the product's label.")
        return
    low, high = min(e.low_ppm for e in entries), max(e.high_ppm for e in entries)
    paragraph(
        pdf,
        f"The sources below span {ppm_text(low, high)}: they disagree. The product's own label decides. "
        "Leave a few cuttings of each group undipped, and count which root.",
    )
    for e in entries:
        woods = "any wood" if ANY_WOOD in e.wood else " and ".join(e.wood)
        text = f"{woods}, {e.plant}: {ppm_text(e.low_ppm, e.high_ppm)}, {e.form} ({e.source})."
        paragraph(pdf, text, indent_mm=INDENT_MM)


def _heat(pdf: FPDF, plan: StickPlan) -> None:
    if not plan.values.heat:
        return
    heading(pdf, "Bottom heat, in the medium at the cut ends")
    for entry in plan.values.heat:
        note = f", {entry.note}" if entry.note else ""
        text = f"{entry.plant}: {celsius_text(entry.low_c, entry.high_c)}{note} ({entry.source})."
        paragraph(pdf, text, indent_mm=INDENT_MM)


def _cautions(pdf: FPDF, plan: StickPlan) -> None:
    heading(pdf, "Take care")
    for caution in plan.values.cautions:
        paragraph(pdf, caution.thing, is_bold=True)
        paragraph(pdf, f"{caution.text} (Source: {caution.source}.)")
    paragraph(
        pdf,
        "Labels of the products, local codes and licensed people come before this sheet. "
        f"Values: {plan.values.id}.",
    )
