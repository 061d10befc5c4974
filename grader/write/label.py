"""What stands beside each cutting: its number, what to do now, and below that its grade of today and why.

The label is made in several sizes.  On a roomy tray the largest lies beside its cutting.  On a crowded one it
gets smaller, then loses the line about today, then moves away on a leader: it never covers another cutting.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Points
from grader.records import Cutting, Outcome
from grader.traits.catalogue import TRAITS, metric_text
from grader.write.letters import LINE_SPACING, PADDING_SHARE, block_size, width_of, wrapped
from grader.write.marks import BLACK, STYLES, Label, Line, Mark, Ring
from grader.write.place import CELL_PX, FARTHEST_PX, GAP_PX, Free, shortest_line

NEAR_PX = 100.0
"""So near, a large label is read as its cutting's at once."""
ANYWHERE_PX = 2400.0
"""On a leader: anywhere on the picture."""
DOT_PX = 7.0
LEADER_PX = 4
FREE_OF_DOTS_MM = (12.0, 6.0)
"""Where a leader does not end if it can be helped, from base and tip: marks of measurements lie there."""
TODAY_SHARE = 0.6
LEAST_TODAY_PX = 26.0
SIGN_SHARE = 1.5
"""Height of the grade's sign over the letters of the line about today."""

SIGN_INSET_PX = 8.0


@dataclass(frozen=True, slots=True)
class Form:
    """One way to set a label."""

    size_px: float
    """Letters of what to do."""
    has_reasons: bool
    """Whether today's grade stands below with its reasons; else its sign alone."""
    is_brief: bool = False
    """Only that there is something to do: what, stands in the list below the tray."""


LARGE = tuple(Form(size_px, True) for size_px in (54.0, 46.0, 40.0))
"""54 px is a 44th of the width: 6 mm on a sheet of A4, read at arm's length."""
SMALL = tuple(Form(size_px, False) for size_px in (44.0, 36.0, 30.0))
"""30 px is 3.4 mm on a sheet of A4; on a phone it is read by zooming in."""
TINY = Form(24.0, False)
NUMBER = Form(24.0, False, is_brief=True)
SEE_LIST = "see list"
WIDTHS = (9.0, 7.0, 5.2)
"""Widths of the lines over letter size, tried in turn."""
ONE_LINE = 13.0
"""The same, tried first where there are no reasons."""
BESIDE_PX = 160.0
SMALLER_SHARE = 0.25
"""Share of the cuttings of a photo that may get a smaller label than the others, without reasons."""
TRIES: tuple[tuple[Form, float, float], ...] = (
    *((form, NEAR_PX, 0.0) for form in LARGE),
    *((form, FARTHEST_PX, 0.0) for form in LARGE[1:]),
    *((form, NEAR_PX, SMALLER_SHARE) for form in LARGE),
    *((form, FARTHEST_PX, SMALLER_SHARE) for form in LARGE[1:]),
    *((form, BESIDE_PX, SMALLER_SHARE) for form in SMALL),
    (SMALL[-1], FARTHEST_PX, SMALLER_SHARE),
    (TINY, BESIDE_PX, 0.0),
    (TINY, FARTHEST_PX, 0.0),
)
"""Form, how far from its cutting a label may be, share of smaller ones: the first that fits is taken."""
LAST_TRIES = ((TINY, BESIDE_PX), (NUMBER, BESIDE_PX), (NUMBER, FARTHEST_PX), (TINY, ANYWHERE_PX))
"""Tried in turn with the smallest forms where not all labels of a photo find room."""
MOST_LABELLED = 0.5
"""Share of the free part of a picture that labels can fill at best: with more it need not be tried."""


def reason_words(cutting: Cutting) -> list[str]:
    """Return why the cutting has its grade of today, shortest words: "too long 131.0 mm"."""
    grade = cutting.grade.grade
    is_unsure = grade == "unsure"
    wanted = Outcome.UNSURE if is_unsure else Outcome.FAIL
    outcomes = cutting.grade.outcomes
    # What is surely grade 2 at best need not fear another wanted limit.
    is_second = any(o.outcome is Outcome.FAIL and o.grade_if_failed == "2" for o in outcomes)
    doubtful = ("cull",) if is_second else ("cull", "2")
    words: dict[str, str] = {}
    for outcome in outcomes:
        if outcome.outcome is not wanted or outcome.grade_if_failed not in (
            doubtful if is_unsure else (grade,)
        ):
            continue
        trait = TRAITS[outcome.trait]
        value = metric_text(trait, outcome.measured.value)
        if is_unsure:
            value += f", limit {metric_text(trait, outcome.limit)}"
        told = "not measured" if np.isnan(outcome.measured.value) else value
        words.setdefault(outcome.flag, f"{'may be ' if is_unsure else ''}{plain(outcome.flag)}: {told}")
    return list(words.values())


def plain(text: str) -> str:
    """Return a text with the picture's word for the stripped stem, the one that the marks use.

    Examples
    --------
    >>> plain("short stripped stem")
    'short bare stem'
    """
    return text.replace("stripped stem", "bare stem")


def today_words(cutting: Cutting) -> list[str]:
    """Return the grade of today with its reasons, and which grade comes of the advice: a sentence each."""
    grade = cutting.grade
    reasons = reason_words(cutting) or ([grade.reason] if grade.grade == "unsure" else [])
    why = f" ({', '.join(reasons)})" if reasons else ""
    told = [f"today: {STYLES[grade.grade].words}{why}"]
    return [*told, plain(grade.afterwards)] if grade.afterwards else told


def label_of(cutting: Cutting, form: Form, width: float = WIDTHS[-1]) -> Label:
    """Return the label of a cutting in one form and width, at the origin."""
    room = width * form.size_px
    first, *others = cutting.grade.steps or (cutting.grade.advice,)
    steps = [first[:1].upper() + first[1:], *others]
    steps[:-1] = [f"{step}," for step in steps[:-1]]
    if not form.has_reasons:
        steps = [" ".join(steps)]
    if form.is_brief and len(steps[0]) > len(SEE_LIST):
        steps = [SEE_LIST]
    lines = tuple(line for step in steps for line in wrapped(step, form.size_px, room))
    number = str(cutting.number)
    today: tuple[str, ...] = ()
    # A bare sign would seem to say what comes of the advice; the outline and the list have it too.
    grade = cutting.grade.grade if form.has_reasons or not cutting.grade.afterwards else ""
    if form.has_reasons:
        size = today_px(form.size_px)
        widest = max(width_of(line, form.size_px) for line in lines) + number_width_px(number, form.size_px)
        room = max(room, widest) - SIGN_SHARE * size - SIGN_INSET_PX
        today = tuple(line for text in today_words(cutting) for line in wrapped(text, size, room))
    return Label(0.0, 0.0, form.size_px, number, grade, lines, today)


def today_px(size_px: float) -> float:
    """Return the letter size of the line about today."""
    return max(LEAST_TODAY_PX, TODAY_SHARE * size_px)


def number_width_px(number: str, size_px: float) -> float:
    """Return the width of the number's field."""
    return width_of(number, size_px) + 4 * PADDING_SHARE * size_px


def sign_px(label: Label) -> float:
    """Return the height of the grade's sign: beside the line about today, or else beside what to do."""
    if not label.grade:
        return 0.0
    return SIGN_SHARE * today_px(label.size_px) if label.today else LINE_SPACING * label.size_px


def size_of(label: Label) -> tuple[float, float]:
    """Return width and height of a label, px."""
    width, height = block_size(label.steps, label.size_px)
    width += number_width_px(label.number, label.size_px)
    if not label.today:
        return width + sign_px(label) + PADDING_SHARE * label.size_px, height
    below, more = block_size(label.today, today_px(label.size_px))
    return max(width, SIGN_INSET_PX + sign_px(label) + below), height + max(
        more, sign_px(label)
    ) + SIGN_INSET_PX


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """What a label belongs to."""

    cutting: Cutting
    outline_px: Points
    ends_px: Points
    """Where its leader may end."""
    own: NDArray[np.bool_]
    """Cells of the map of taken places that it covers."""


def placed_labels(targets: Sequence[Target], free: Free) -> list[Mark]:
    """Return the labels of a photo with their leaders, nearly all in the largest form that has room.

    The room that they take is then taken.
    """
    room = MOST_LABELLED * free.n_free_cells * CELL_PX**2
    for form, farthest_px, share in TRIES:
        labels = (label_of(target.cutting, form) for target in targets)
        if sum(width * height for width, height in map(size_of, labels)) > room:
            continue
        tried = free.copy()
        placed = _all_placed(targets, form, farthest_px, share, tried)
        if placed is not None:
            free.n_taken = tried.n_taken
            return placed
    found: dict[int, list[Mark]] = {}
    for form, reach_px in LAST_TRIES:
        _place_rest(targets, form, reach_px, free, found)
    for k, target in enumerate(targets):
        if k not in found:
            found[k] = _on_its_foliage(target, free)
    return _in_order(found)


def _all_placed(
    targets: Sequence[Target], form: Form, farthest_px: float, share: float, free: Free
) -> list[Mark] | None:
    """Return the labels, in the order of their cuttings; None if too many find no room."""
    found: dict[int, list[Mark]] = {}
    most_smaller = share * len(targets)
    # The near ones first: a leader is a wall to others.
    for reach_px in sorted({NEAR_PX, farthest_px}):
        _place_rest(targets, form, reach_px, free, found)
    if len(targets) - len(found) > most_smaller:
        return None
    for smaller in (other for other in SMALL if other.size_px < form.size_px):
        _place_rest(targets, smaller, FARTHEST_PX, free, found)
    return _in_order(found) if len(found) == len(targets) else None


def _place_rest(
    targets: Sequence[Target], form: Form, farthest_px: float, free: Free, found: dict[int, list[Mark]]
) -> None:
    """Place the labels that are not yet found; those that find room are added, and take it."""
    for k, target in enumerate(targets):
        label = _placed(target, form, farthest_px, free) if k not in found else None
        if label is not None:
            found[k] = _with_leader(label, target, free)


def _in_order(found: Mapping[int, list[Mark]]) -> list[Mark]:
    return [mark for k in sorted(found) for mark in found[k]]


def _placed(target: Target, form: Form, farthest_px: float, free: Free) -> Label | None:
    leader = (target.ends_px, target.own)
    tried: list[tuple[str, ...]] = []
    for width in WIDTHS if form.has_reasons else (ONE_LINE, *WIDTHS):
        label = label_of(target.cutting, form, width)
        # Few words make the same lines in any width.
        if label.steps + label.today in tried:
            continue
        tried.append(label.steps + label.today)
        across, down = (side + GAP_PX for side in size_of(label))
        place = free.place(target.outline_px, across, down, farthest_px, leader=leader)
        if place is not None:
            return moved(label, place[0] + GAP_PX / 2, place[1] + GAP_PX / 2)
    return None


def _on_its_foliage(target: Target, free: Free) -> list[Mark]:
    """Return a label where only the cutting's own foliage is left: it hides least there."""
    label = label_of(target.cutting, NUMBER)
    width, height = size_of(label)
    near = target.outline_px
    place = free.place(near, width, height, 0.0, over_px=near)
    left, top = place or (float(near[0, 0] - width / 2), float(near[0, 1] - height / 2))
    left = min(max(0.0, left), max(0.0, free.width_px - width))
    label = moved(label, left, min(max(0.0, top), max(0.0, free.height_px - height)))
    return _with_leader(label, target, free)


def moved(label: Label, left_px: float, top_px: float) -> Label:
    """Return a label with another corner."""
    return Label(left_px, top_px, label.size_px, label.number, label.grade, label.steps, label.today)


def leader_ends(cutting: Cutting) -> Points:
    """Return the points of the axis, (N, 2) mm, on which a leader may end."""
    shape = cutting.shape
    low, high = FREE_OF_DOTS_MM
    is_free = (shape.arc_mm >= low) & (shape.arc_mm <= float(shape.arc_mm[-1]) - high)
    return np.asarray(shape.axis_mm[is_free] if is_free.any() else shape.axis_mm)


def _with_leader(label: Label, target: Target, free: Free) -> list[Mark]:
    """Return a label after a line from it to a dot on the stem of its cutting; both then take their room."""
    width, height = size_of(label)
    free.take_box(label.left_px, label.top_px, width, height)
    low = np.array([label.left_px, label.top_px])
    line = shortest_line(target.ends_px, low, low + np.array([width, height]))
    if not np.hypot(*(line[1] - line[0])) > 0.0:
        return [label]
    free.take_line(line)
    x, y = (float(place) for place in line[1])
    free.take_box(x - 2 * DOT_PX, y - 2 * DOT_PX, 4 * DOT_PX, 4 * DOT_PX)
    return [Line(line, BLACK, LEADER_PX), Ring((x, y), DOT_PX / 2, BLACK, round(DOT_PX)), label]
