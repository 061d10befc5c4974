"""What stands beside each cutting: its number, what to do now, and below that its grade of today and why.

The label is made in several sizes.  On a roomy tray the largest lies beside its cutting.  On a crowded one it
gets smaller, then loses the line about today, then moves away on a leader: it never covers another cutting.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calib.frames import Points
from grader.records import Cutting, Outcome
from grader.traits.catalogue import TRAITS, metric_text
from grader.write.cut_marks import places_of
from grader.write.letters import LINE_SPACING, PADDING_SHARE, block_size, width_of, wrapped
from grader.write.marks import BLACK, STYLES, Label, Line, Mark, Ring
from grader.write.place import CELL_PX, FARTHEST_PX, GAP_PX, Free

NEAR_PX = 100.0
"""So near, a large label is read as its cutting's at once."""
FAR_OUT_PX = 900.0
"""On a leader, where no nearer place is free: better than letters that nobody can read."""
ANYWHERE_PX = 2400.0
"""On a leader: anywhere on the picture."""
DOT_PX = 7.0
LEADER_PX = 4
DOTS_SHARE = (0.15, 0.85)
"""The part of the foliage's length on which a leader ends: off the marks on the bare stem and at the tip."""
DOT_OFF_BARS_MM = 3.0
"""A leader does not end so near to a bar of a cut or a strip."""
TODAY_SHARE = 0.6
LEAST_TODAY_PX, MOST_TODAY_SHARE = 26.0, 0.85
"""The reasons are no smaller than this, but always smaller than what to do."""
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
SMALL = tuple(Form(size_px, True) for size_px in (36.0, 30.0))
"""30 px is 3.4 mm on a sheet of A4; on a phone it is read by zooming in."""
TINY = Form(24.0, True)
BARE = Form(24.0, False)
"""Without the reasons: only where the smallest letters with them find no room at all."""
NUMBER = Form(24.0, False, is_brief=True)
SEE_LIST = "see list"
WIDTHS = (9.0, 7.0, 16.0)
"""Widths of the lines over letter size, tried in turn: beside a cutting, then flat ones for the margins."""
FLAT = 13.0
"""From this width on the steps follow each other in a line."""
SMALLER_SHARE = 0.4
"""Share of the cuttings of a photo that may get a smaller label than the others."""
TRIES: tuple[tuple[Form, float, float], ...] = (
    *((form, NEAR_PX, 0.0) for form in LARGE),
    (LARGE[-1], FARTHEST_PX, SMALLER_SHARE),
    (SMALL[0], FAR_OUT_PX, 1.0),
)
"""Form, how far from its cutting a label may be, share of smaller ones: the first that fits is taken."""
LAST_TRIES = (
    (TINY, FAR_OUT_PX),
    (TINY, ANYWHERE_PX),
    (BARE, FARTHEST_PX),
    (NUMBER, FARTHEST_PX),
    (BARE, ANYWHERE_PX),
)
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
        value = metric_text(trait, outcome.measured.value, outcome.measured.sigma if is_unsure else np.nan)
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


def label_of(cutting: Cutting, form: Form, width: float = WIDTHS[0]) -> Label:
    """Return the label of a cutting in one form and width, at the origin."""
    room = width * form.size_px
    first, *others = cutting.grade.steps or (cutting.grade.advice,)
    steps = [first[:1].upper() + first[1:], *others]
    steps[:-1] = [f"{step}," for step in steps[:-1]]
    if not form.has_reasons or width >= FLAT:
        steps = [" ".join(steps)]
    if form.is_brief and len(steps[0]) > len(SEE_LIST):
        steps = [SEE_LIST]
    lines = tuple(line for step in steps for line in wrapped(step, form.size_px, room))
    number = str(cutting.number)
    # A bare sign would seem to say what comes of the advice; the outline and the list have it too.
    grade = cutting.grade.grade if form.has_reasons or not cutting.grade.afterwards else ""
    if not form.has_reasons:
        return Label(0.0, 0.0, form.size_px, number, grade, lines, ())
    size = today_px(form.size_px)
    sign = SIGN_SHARE * size
    widest = max(width_of(line, form.size_px) for line in lines) + number_width_px(number, form.size_px)
    room = max(room, widest) - SIGN_INSET_PX
    now, *then = today_words(cutting)
    grades = grades_after(cutting)
    today = wrapped(now, size, room - sign)
    after = tuple(line for text in then for line in wrapped(text, size, room - len(grades) * sign))
    return Label(0.0, 0.0, form.size_px, number, grade, lines, today, after, grades)


def grades_after(cutting: Cutting) -> tuple[str, ...]:
    """Return the grades that come of the advice, of each piece; of a doubt the one it is hoped to have."""
    if not cutting.grade.afterwards:
        return ()
    if cutting.grade.pieces:
        return tuple(dict.fromkeys(piece.grade for piece in cutting.grade.pieces))
    failed = {o.grade_if_failed for o in cutting.grade.outcomes if o.outcome is Outcome.FAIL}
    return ("2",) if "2" in failed else ("1",)


def today_px(size_px: float) -> float:
    """Return the letter size of the line about today."""
    return max(min(LEAST_TODAY_PX, MOST_TODAY_SHARE * size_px), TODAY_SHARE * size_px)


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
    for lines, n_signs in ((label.today, 1), (label.after, len(label.after_grades))):
        below, more = reason_size(lines, n_signs, label)
        width, height = max(width, below), height + more
    return width, height + SIGN_INSET_PX


def reason_size(lines: tuple[str, ...], n_signs: int, label: Label) -> tuple[float, float]:
    """Return width and height of the lines about a grade with its signs, px."""
    if not lines:
        return 0.0, 0.0
    width, height = block_size(lines, today_px(label.size_px))
    return SIGN_INSET_PX + n_signs * sign_px(label) + width, max(height, sign_px(label))


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """What a label belongs to."""

    cutting: Cutting
    outline_px: Points
    """Points all along it, closer than the cells of the map of taken places."""
    ends_px: Points
    """Where its leader may end."""
    own: NDArray[np.bool_]
    """Cells of the map of taken places over which its leader may run."""
    owned: NDArray[np.int32]
    """How many cells are nearest to it: see :func:`grader.write.place.owned_counts`."""
    away_px: NDArray[np.float32]
    """How far each cell is from the outline."""
    labels: dict[tuple[Form, float], tuple[Label, tuple[float, float]]] = field(default_factory=dict)
    """Labels made so far, with their sizes: each is tried at several distances."""

    def label(self, form: Form, width: float = WIDTHS[0]) -> tuple[Label, tuple[float, float]]:
        """Return the label in one form and width, at the origin, and its width and height, px."""
        made = self.labels.get((form, width))
        if made is None:
            label = label_of(self.cutting, form, width)
            made = self.labels[form, width] = (label, size_of(label))
        return made


def placed_labels(targets: Sequence[Target], free: Free) -> list[Mark]:
    """Return the labels of a photo with their leaders, nearly all in the largest form that has room.

    The room that they take is then taken.
    """
    room = MOST_LABELLED * free.n_free_cells * CELL_PX**2
    for form, farthest_px, share in TRIES:
        if _area(targets, form) > room:
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


def _area(targets: Sequence[Target], form: Form) -> float:
    """Return how much of the picture the labels fill in one form, px2."""
    sizes = (target.label(form)[1] for target in targets)
    return sum(width * height for width, height in sizes)


def _all_placed(
    targets: Sequence[Target], form: Form, farthest_px: float, share: float, free: Free
) -> list[Mark] | None:
    """Return the labels, in the order of their cuttings; None if too many find no room."""
    found: dict[int, list[Mark]] = {}
    most_smaller = share * len(targets)
    # The near ones first: a leader is a wall to others.
    if farthest_px > NEAR_PX:
        _place_rest(targets, form, NEAR_PX, free, found)
    if not _place_rest(targets, form, farthest_px, free, found, most_smaller):
        return None
    for smaller in (other for other in (*SMALL, TINY) if other.size_px < form.size_px):
        _place_rest(targets, smaller, farthest_px, free, found)
    return _in_order(found) if len(found) == len(targets) else None


def _place_rest(
    targets: Sequence[Target],
    form: Form,
    farthest_px: float,
    free: Free,
    found: dict[int, list[Mark]],
    most_missing: float = np.inf,
) -> bool:
    """Place the labels that are not yet found; those that find room are added, and take it.

    Returns whether no more than ``most_missing`` find no room; beyond that the rest is not tried.
    """
    n_missing = 0
    for k, target in enumerate(targets):
        if k in found:
            continue
        label = _placed(target, form, farthest_px, free)
        if label is not None:
            found[k] = _with_leader(label, target, free)
            continue
        n_missing += 1
        if n_missing > most_missing:
            return False
    return True


def _in_order(found: Mapping[int, list[Mark]]) -> list[Mark]:
    return [mark for k in sorted(found) for mark in found[k]]


def _placed(target: Target, form: Form, farthest_px: float, free: Free) -> Label | None:
    leader = (target.ends_px, target.own)
    tried: list[tuple[str, ...]] = []
    for width in WIDTHS:
        label, size = target.label(form, width)
        # Few words make the same lines in any width.
        if label.steps + label.today + label.after in tried:
            continue
        tried.append(label.steps + label.today + label.after)
        across, down = (side + GAP_PX for side in size)
        place = free.place(
            target.outline_px, across, down, farthest_px, None, leader, target.owned, target.away_px
        )
        if place is not None:
            return moved(label, place[0] + GAP_PX / 2, place[1] + GAP_PX / 2)
    return None


def _on_its_foliage(target: Target, free: Free) -> list[Mark]:
    """Return a label where only the cutting's own foliage is left: it hides least there."""
    label, (width, height) = target.label(NUMBER)
    near = target.outline_px
    place = free.place(near, width, height, 0.0, over_px=near)
    left, top = place or (float(near[0, 0] - width / 2), float(near[0, 1] - height / 2))
    left = min(max(0.0, left), max(0.0, free.width_px - width))
    label = moved(label, left, min(max(0.0, top), max(0.0, free.height_px - height)))
    return _with_leader(label, target, free)


def moved(label: Label, left_px: float, top_px: float) -> Label:
    """Return a label with another corner."""
    return replace(label, left_px=left_px, top_px=top_px)


def leader_ends(cutting: Cutting) -> Points:
    """Return the points of the axis, (N, 2) mm, on which a leader may end."""
    shape = cutting.shape
    total_mm = float(shape.arc_mm[-1])
    leafy_mm = max(
        float(np.nan_to_num(shape.foliage_from_mm)), *(p.strip_to_mm for p in cutting.grade.pieces[:1]), 0.0
    )
    low, high = (leafy_mm + share * (total_mm - leafy_mm) for share in DOTS_SHARE)
    is_free = (shape.arc_mm >= low) & (shape.arc_mm <= high)
    is_clear = is_free.copy()
    for place in places_of(cutting):
        is_clear &= np.abs(shape.arc_mm - place.at_mm) > DOT_OFF_BARS_MM
    return np.asarray(
        next((shape.axis_mm[found] for found in (is_clear, is_free) if found.any()), shape.axis_mm)
    )


def _with_leader(label: Label, target: Target, free: Free) -> list[Mark]:
    """Return a label after a line from it to a dot on the stem of its cutting; both then take their room."""
    width, height = size_of(label)
    corner = np.array([label.left_px, label.top_px])
    line = free.leader(corner, np.array([width, height]), target.ends_px, target.own)
    free.take_box(label.left_px, label.top_px, width, height)
    if not np.hypot(*(line[1] - line[0])) > 0.0:
        return [label]
    free.take_line(line)
    x, y = (float(place) for place in line[1])
    free.take_box(x - 2 * DOT_PX, y - 2 * DOT_PX, 4 * DOT_PX, 4 * DOT_PX)
    return [Line(line, BLACK, LEADER_PX), Ring((x, y), DOT_PX / 2, BLACK, round(DOT_PX)), label]
