"""The plan in the terminal: one table, and what does not fit in it."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from grader.stick.plan import StickPlan
from grader.stick.sheet import evenness_text, summary
from grader.stick.words import depth_text, left_out_lines, limits_text, litres_text, lot_text
from grader.write.terminal import clean

COLUMNS = ("group", "size", "plant", "cuttings", "containers", "stick this deep", "loose medium")
RIGHT = ("cuttings", "containers")


def show_plan(console: Console, plan: StickPlan) -> None:
    """Print the plan."""
    if plan.groups:
        table = Table(show_lines=True)
        for name in COLUMNS:
            table.add_column(name, justify="right" if name in RIGHT else "left")
        for item in plan.groups:
            n_misfits = len(item.depth.misfits)
            depth = depth_text(item.depth) + (f"; {n_misfits} cannot: see the sheet" if n_misfits else "")
            cells = (
                item.group.letter,
                limits_text(item.group),
                lot_text(item.group.lot),
                str(len(item.group.members)),
                str(len(item.containers)),
                depth,
                litres_text(item.litres),
            )
            table.add_row(*(Text(clean(cell)) for cell in cells))
        console.print(table)
    for even in plan.evenness:
        console.print(Text(clean(evenness_text(even))))
    for line in left_out_lines(plan.left_out):
        console.print(Text(f"Not in any group: {clean(line)}"))
    for note in plan.notes:
        console.print(Text(f"Note: {clean(note)}"))
    if plan.groups:
        things = ", ".join(caution.thing.lower() for caution in plan.values.cautions)
        console.print(Text(f'Before you start read "Take care" on the sheet: {clean(things)}.'))
    console.print(Text(summary(plan), style="bold"))
