"""The list below the picture: every cutting in words, and what the shapes mean."""

from __future__ import annotations

from grader.records import Cutting, GradedPhoto
from grader.traits.catalogue import TRAITS, metric_text, number_text
from grader.write.letters import width_of, wrapped
from grader.write.marks import BLACK, STYLES, Badge, Mark, Words

TEXT_PX = 38.0
ROW_BADGE_PX = 60.0
MARGIN_PX = 30.0
BADGE_COLUMN_PX = 2.15 * ROW_BADGE_PX + 36.0
ROW_GAP_PX = 14.0
LINE_PX = TEXT_PX * 1.25
KEY = (
    "Black bar: cut end. Two short lines: base diameter taken between them. Blue bar: foliage begins. "
    "Ring: tip or stray; wide ring: crook. Dashed blue: axis. Long red bar: cut here. Dashed bar across: "
    "strip up to here. Their mm count along the stem from the cut end."
)


def list_height(graded: GradedPhoto, width_px: int) -> int:
    """Return the height of the list, px."""
    rows = sum(_row_height(_row_lines(cutting, width_px)) for cutting in graded.cuttings)
    foot = len(_foot_lines(graded, width_px)) * LINE_PX
    return round(2 * MARGIN_PX + 2 * ROW_BADGE_PX + rows + foot + 3 * ROW_GAP_PX)


def list_marks(graded: GradedPhoto, width_px: int, top_px: float) -> list[Mark]:
    """Return the marks of the list: legend, one row a cutting, where the numbers come from."""
    y = top_px + MARGIN_PX
    marks = _legend(y)
    y += ROW_BADGE_PX + 2 * ROW_GAP_PX
    for cutting in graded.cuttings:
        lines = _row_lines(cutting, width_px)
        marks.append(Badge(MARGIN_PX, y, ROW_BADGE_PX, str(cutting.number), cutting.grade.grade))
        marks.append(Words(MARGIN_PX + BADGE_COLUMN_PX, y - 2, TEXT_PX, lines, BLACK, None))
        y += _row_height(lines)
    marks.append(Words(MARGIN_PX, y, TEXT_PX, _foot_lines(graded, width_px), BLACK, None))
    return marks


def _legend(top_px: float) -> list[Mark]:
    marks: list[Mark] = []
    x = MARGIN_PX
    for name, style in STYLES.items():
        marks.append(Badge(x, top_px, ROW_BADGE_PX, "n", name))
        x += BADGE_COLUMN_PX - 10
        marks.append(Words(x, top_px, TEXT_PX, (style.words,), BLACK, None))
        x += width_of(style.words, TEXT_PX) + 60
    return marks


def _row_lines(cutting: Cutting, width_px: int) -> tuple[str, ...]:
    room = width_px - 2 * MARGIN_PX - BADGE_COLUMN_PX - TEXT_PX
    place = f"{cutting.cell}: " if cutting.cell else ""
    lines = wrapped(place + _sizes(cutting), TEXT_PX, room)
    # Grade 1 needs no reason, but a needle may still have to come off.
    why = "" if cutting.grade.grade == "1" and not cutting.grade.doubt else f"{cutting.grade.reason}. "
    told = f"{why}Do: {cutting.grade.advice}."
    return (*lines, *wrapped(told, TEXT_PX, room))


def _sizes(cutting: Cutting) -> str:
    parts = []
    for name in ("total_length_mm", "stripped_length_mm", "base_diameter_mm"):
        if name in cutting.traits:
            trait = TRAITS[name]
            value = cutting.traits[name].value
            parts.append(f"{trait.words} {number_text(trait, value) if value == value else '?'}")
    if (
        "crook_deg" in cutting.traits
        and cutting.traits["crook_deg"].value == cutting.traits["crook_deg"].value
    ):
        parts.append(f"crook {metric_text(TRAITS['crook_deg'], cutting.traits['crook_deg'].value)}")
    return ", ".join(parts)


def _row_height(lines: tuple[str, ...]) -> float:
    return max(ROW_BADGE_PX, len(lines) * LINE_PX) + ROW_GAP_PX


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
    for thing in graded.set_aside:
        lines.extend(wrapped(f"Set aside: {thing.reason}", TEXT_PX, room))
    for warning in graded.warnings:
        lines.extend(wrapped(f"Note: {warning}", TEXT_PX, room))
    return tuple(lines)
