"""The answer in the terminal: one table a photo, one line for all."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from grader.records import Cutting, GradedPhoto, PhotoResult, SkippedPhoto
from grader.traits.catalogue import TRAITS, inch_text, metric_text

SHOWN = ("total_length_mm", "stripped_length_mm", "base_diameter_mm", "foliage_area_mm2", "crook_deg")
WIDE_COLUMNS = 108
"""A terminal this wide has room for a column of sentences beside the numbers."""
GRADES = ("1", "2", "cull", "unsure")
_STYLE = {"1": "bold green", "2": "bold yellow", "cull": "bold red", "unsure": "bold cyan"}
_VERDICT = {"1": "1", "2": "2", "cull": "X cull", "unsure": "? unsure"}


def clean(text: str) -> str:
    """Return a text without control characters: file names must not steer the terminal.

    Examples
    --------
    >>> clean("tray\\x1b[31m.jpg")
    'tray\\\\x1b[31m.jpg'
    """
    return "".join(ch if ch.isprintable() else ascii(ch)[1:-1] for ch in text)


def show(console: Console, results: Sequence[PhotoResult]) -> None:
    """Print every result, then the summary line."""
    for result in results:
        show_photo(console, result)
    console.print(Text(summary(results), style="bold"))


def show_photo(console: Console, result: PhotoResult) -> None:
    """Print one photo: its table, what was set aside, what to know; or why it was skipped."""
    name = clean(str(result.path))
    if isinstance(result, SkippedPhoto):
        console.print(Text(f"{name}: skipped ({result.reason}): {clean(result.message)}.", style="bold"))
        console.print(Text(f"  What to do: {clean(result.advice)}."))
        return
    console.print(Text(f"{name}  (mat {clean(result.pose.mat_id)})", style="bold"))
    if result.cuttings:
        _print_cuttings(console, result)
    else:
        console.print(Text("  No cutting on the mat."))
    for thing in result.set_aside:
        x_mm, y_mm = thing.outline_mm.mean(axis=0)
        cell = result.pose.cell_of(float(x_mm), float(y_mm))
        place = f" at {cell}" if cell else f" {x_mm:.0f} mm from the left, {y_mm:.0f} mm from the top"
        console.print(Text(f"  Set aside{place}: {clean(thing.reason)}"))
    for warning in result.warnings:
        console.print(Text(f"  Note: {clean(warning)}"))


class Tally:
    """Counts photos, cuttings and grades, so that a result need not be read again for the summary."""

    def __init__(self) -> None:
        self.n_graded = 0
        self._n = 0
        self._n_aside = 0
        self._grades: Counter[str] = Counter()

    def add(self, result: PhotoResult) -> None:
        """Count one photo."""
        if isinstance(result, GradedPhoto):
            grades = [cutting.grade.grade for cutting in result.cuttings]
            self.count(True, grades, len(result.set_aside))
        else:
            self.count(False, (), 0)

    def count(self, is_graded: bool, grades: Sequence[str], n_aside: int) -> None:
        """Count one photo, from what is known of it."""
        self._n += 1
        self.n_graded += is_graded
        self._n_aside += n_aside
        self._grades.update(grades)

    def __str__(self) -> str:
        """Return one line: photos, cuttings, grades."""
        parts = [f"{_plural(self.n_graded, 'photo')} graded"]
        if self.n_graded < self._n:
            parts.append(f"{self._n - self.n_graded} skipped")
        text = ", ".join(parts) + f"; {_plural(self._grades.total(), 'cutting')}"
        each = [f"{self._grades[grade]} {_WORDS[grade]}" for grade in GRADES if self._grades[grade]]
        if self._n_aside:
            each.append(f"{self._n_aside} set aside")
        return f"{text}: {', '.join(each)}" if each else text


def summary(results: Sequence[PhotoResult]) -> str:
    """Return one line: photos, cuttings, grades.

    Examples
    --------
    >>> summary([])
    '0 photos graded; 0 cuttings'
    """
    tally = Tally()
    for result in results:
        tally.add(result)
    return str(tally)


_WORDS = {"1": "grade 1", "2": "grade 2", "cull": "cull", "unsure": "unsure"}


def _plural(n: int, word: str) -> str:
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def _print_cuttings(console: Console, graded: GradedPhoto) -> None:
    """Print sizes and sentences in one table, or in a narrow terminal the sentences below it."""
    is_wide = console.width >= WIDE_COLUMNS
    console.print(_table(graded, is_wide))
    if is_wide:
        return
    for cutting in graded.cuttings:
        grade = cutting.grade.grade
        head = Text(f"no. {cutting.number} > ", style=_STYLE[grade])
        head.append(_sentence(cutting.grade.advice), style="default")
        console.print(Padding(head, (0, 0, 0, 2)))
        console.print(Padding(Text(_today(cutting)), (0, 0, 0, 4)))


def _table(graded: GradedPhoto, has_sentences: bool) -> Table:
    table = Table(show_lines=True, pad_edge=False)
    table.add_column("no.", justify="right", no_wrap=True)
    has_cells = any(cutting.cell for cutting in graded.cuttings)
    if has_cells:
        table.add_column("cell", no_wrap=True)
    table.add_column("grade", no_wrap=True)
    for name in SHOWN:
        # One word a line: the column is then no wider than its numbers.
        table.add_column(TRAITS[name].words.replace(" ", "\n"), justify="right", no_wrap=True)
    if has_sentences:
        table.add_column("what to do, and why", ratio=1)
    for cutting in graded.cuttings:
        table.add_row(*_row(cutting, has_cells, has_sentences))
    return table


def _row(cutting: Cutting, has_cells: bool, has_sentences: bool) -> list[Text]:
    grade = cutting.grade.grade
    row = [Text(str(cutting.number))]
    if has_cells:
        row.append(Text(clean(cutting.cell)))
    row.append(Text(_VERDICT[grade], style=_STYLE[grade]))
    row.extend(Text(_size(cutting, name)) for name in SHOWN)
    if not has_sentences:
        return row
    told = Text(f"> {_sentence(cutting.grade.advice)}\n", style="bold")
    return [*row, told.append(_today(cutting), style="not bold")]


def _today(cutting: Cutting) -> str:
    """Return the grade of today with its reason, and which grade comes of the advice."""
    grade = cutting.grade
    told = f"Today {_WORDS[grade.grade]}: {clean(grade.reason)}"
    return f"{told}. {_sentence(grade.afterwards)}" if grade.afterwards else told


def _size(cutting: Cutting, name: str) -> str:
    """Return millimetres, and inches below."""
    measured = cutting.traits.get(name)
    if measured is None or math.isnan(measured.value):
        return "–"
    inches = inch_text(TRAITS[name], measured.value)
    main = metric_text(TRAITS[name], measured.value)
    return f"{main}\n{inches}" if inches else main


def _sentence(text: str) -> str:
    text = clean(text)
    return text[:1].upper() + text[1:]
