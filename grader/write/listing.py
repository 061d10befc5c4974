"""The list below the picture: every cutting in words, and what the shapes mean."""

from __future__ import annotations

from dataclasses import dataclass

from grader.records import Cutting, GradedPhoto
from grader.traits.catalogue import TRAITS, metric_text, number_text
from grader.write.label import plain
from grader.write.letters import LINE_SPACING, width_of, wrapped
from grader.write.marks import BLACK, STYLES, Badge, Mark, Words

TEXT_PX = 34.0
DO_PX = 44.0
"""What to do, the first thing in each row."""
ROW_BADGE_PX = 60.0
MARGIN_PX = 30.0
BADGE_COLUMN_PX = 2.15 * ROW_BADGE_PX + 36.0
ROW_GAP_PX = 18.0
LEGEND_GAP_PX = 30.0
LINE_PX = TEXT_PX * LINE_SPACING
DO_LINE_PX = DO_PX * LINE_SPACING
KEY = (
    "Long orange bar: cut or divide here. All mm of cuts count along the stem from the black bar, before any "
    "cut. Dashed blue bar across: strip up to here; its mm are the bare (stripped) stem, from the cut end "
    "that it then has. Black bar: cut end. Two short lines: base diameter taken between them. Blue bar: "
    "foliage begins. Ring: tip or stray needle; wide ring: bend (crook). Dashed blue along the stem: its "
    "middle. Line with a dot: from label to cutting. Outline: grade of today; 1 green, whole line; 2 orange, "
    "long dashes; cull black, dash and dot; unsure blue, short dashes. Cell A2: place on the mat, column A, "
    'row 2. "Stick: grade 1": with those of grade 1, whatever it is today. What is cut off or stripped is '
    "thrown away, unless it says divide. Heel: lump of older wood at the cut end."
)
MEANING = {
    "1": "good",
    "2": "second best, keep apart",
    "cull": "not fit as it lies",
    "unsure": "the photo cannot tell",
}
"""What a grade says of a cutting today."""


@dataclass(frozen=True, slots=True)
class Row:
    """One cutting of the list."""

    do: tuple[str, ...]
    """What to do now, in lines."""
    rest: tuple[str, ...]
    """Its grade of today, why, what comes of it, its sizes."""

    @property
    def height_px(self) -> float:
        """Height with the gap below it."""
        told = len(self.do) * DO_LINE_PX + len(self.rest) * LINE_PX
        return max(ROW_BADGE_PX, told) + ROW_GAP_PX


def list_height(graded: GradedPhoto, width_px: int) -> int:
    """Return the height of the list, px."""
    rows = sum(_row(cutting, width_px).height_px for cutting in graded.cuttings)
    lines = len(_note_lines(graded, width_px)) + len(_foot_lines(graded, width_px))
    return round(2 * MARGIN_PX + 2 * ROW_BADGE_PX + rows + lines * LINE_PX + 4 * ROW_GAP_PX)


def list_marks(graded: GradedPhoto, width_px: int, top_px: float) -> list[Mark]:
    """Return the marks of the list: legend, notes, one row a cutting, where the numbers come from."""
    y = top_px + MARGIN_PX
    marks = _legend(y)
    y += ROW_BADGE_PX + 2 * ROW_GAP_PX
    # Before the rows: a note may say that the whole tray was held to the wrong sizes.
    notes = _note_lines(graded, width_px)
    marks.append(Words(MARGIN_PX, y, TEXT_PX, notes, BLACK, None, is_bold=True))
    y += len(notes) * LINE_PX + ROW_GAP_PX
    left = MARGIN_PX + BADGE_COLUMN_PX
    for cutting in graded.cuttings:
        row = _row(cutting, width_px)
        marks.append(Badge(MARGIN_PX, y, ROW_BADGE_PX, str(cutting.number), cutting.grade.grade))
        marks.append(Words(left, y - 2, DO_PX, row.do, BLACK, None, is_bold=True))
        marks.append(Words(left, y - 2 + len(row.do) * DO_LINE_PX, TEXT_PX, row.rest, BLACK, None))
        y += row.height_px
    marks.append(Words(MARGIN_PX, y, TEXT_PX, _foot_lines(graded, width_px), BLACK, None))
    return marks


def _legend(top_px: float) -> list[Mark]:
    marks: list[Mark] = []
    x = MARGIN_PX
    head = "Today:"
    marks.append(Words(x, top_px, TEXT_PX, (head,), BLACK, None))
    x += width_of(head, TEXT_PX) + LEGEND_GAP_PX
    for name, style in STYLES.items():
        words = f"{style.words}: {MEANING[name]}"
        marks.append(Badge(x, top_px, ROW_BADGE_PX, "n", name))
        x += BADGE_COLUMN_PX - 24
        marks.append(Words(x, top_px, TEXT_PX, (words,), BLACK, None))
        x += width_of(words, TEXT_PX) + LEGEND_GAP_PX
    return marks


def _row(cutting: Cutting, width_px: int) -> Row:
    room = width_px - 2 * MARGIN_PX - BADGE_COLUMN_PX - TEXT_PX
    grade = cutting.grade
    # Grade 1 needs no reason.
    why = "" if grade.grade == "1" and not grade.doubt else f": {grade.reason}"
    told = f"Today {STYLES[grade.grade].words}{why}."
    if grade.afterwards:
        told += f" {_sentence(grade.afterwards)}."
    place = f"Cell {cutting.cell}: " if cutting.cell else ""
    rest = (*wrapped(plain(told), TEXT_PX, room), *wrapped(place + _sizes(cutting), TEXT_PX, room))
    return Row(wrapped(f"{_sentence(plain(grade.advice))}.", DO_PX, room), rest)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sizes(cutting: Cutting) -> str:
    parts = []
    for name in ("total_length_mm", "stripped_length_mm", "base_diameter_mm"):
        if name in cutting.traits:
            trait = TRAITS[name]
            value = cutting.traits[name].value
            words = plain(trait.words).replace("bare", "bare (stripped)")
            parts.append(f"{words} {number_text(trait, value) if value == value else '?'}")
    if (
        "crook_deg" in cutting.traits
        and cutting.traits["crook_deg"].value == cutting.traits["crook_deg"].value
    ):
        parts.append(f"crook {metric_text(TRAITS['crook_deg'], cutting.traits['crook_deg'].value)}")
    return ", ".join(parts)


def _note_lines(graded: GradedPhoto, width_px: int) -> tuple[str, ...]:
    room = width_px - 2 * MARGIN_PX - TEXT_PX
    notes = [f"Note: {note}" for note in graded.warnings]
    notes += [f"Set aside: {thing.reason}" for thing in graded.set_aside]
    return tuple(line for note in notes for line in wrapped(note, TEXT_PX, room))


def _foot_lines(graded: GradedPhoto, width_px: int) -> tuple[str, ...]:
    room = width_px - 2 * MARGIN_PX - TEXT_PX
    targets = graded.cuttings[0].grade.targets_id if graded.cuttings else ""
    scale = f"print scale {graded.pose.print_scale:.4f} ({graded.pose.print_scale_source})"
    source = ", ".join(
        part for part in (graded.path.name, f"mat {graded.pose.mat_id}", scale, targets) if part
    )
    if not graded.cuttings:
        source = f"No cutting on the mat. {source}"
    lines = [*wrapped(KEY, TEXT_PX, room), *wrapped(source, TEXT_PX, room)]
    return tuple(lines)
