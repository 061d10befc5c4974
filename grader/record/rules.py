"""What must be true of every container, checked after each entry and before it is kept."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

from grader.record.entries import MOST_IN_A_CONTAINER
from grader.record.look import ContainerNow, Finding
from grader.record.store import Refused

LONGEST_LABEL = 64


def check_label(label: str) -> None:
    """Check a cleaned label.

    Raises
    ------
    Refused
        If it cannot be one.
    """
    if not label or len(label) > LONGEST_LABEL or not label.isprintable():
        raise Refused(
            f'"{label[:LONGEST_LABEL]}" cannot be a label.',
            f"A label is one line of 1 to {LONGEST_LABEL} signs.",
        )


def check_day(day: date, today: date, what: str) -> None:
    """Check that a day is not ahead.

    Raises
    ------
    Refused
        If it is.
    """
    if day > today:
        raise Refused(
            f"{what} on {day} lies in the future (today is {today}).",
            "Check the date: year-month-day, such as 2026-02-28.",
        )


def check_count(n: int, what: str) -> None:
    """Check a number of cuttings stuck or moved.

    Raises
    ------
    Refused
        If it cannot be one.
    """
    if not 0 < n <= MOST_IN_A_CONTAINER:
        raise Refused(f"{what}: {n} cannot be right.", f"Give a number from 1 to {MOST_IN_A_CONTAINER}.")


def check_container(item: ContainerNow) -> None:
    """Check that counts, moves and days of a container fit together.

    Raises
    ------
    Refused
        Names the first thing that does not.
    """
    held = item.n_stuck
    for move in item.transfers:
        other = move.from_label if move.to_label == item.label else move.to_label
        if item.stuck_on and move.moved_on < item.stuck_on:
            raise Refused(
                f"{item.label}: moved to or from {other} on {move.moved_on}, before it was stuck on "
                f"{item.stuck_on}.",
                "Check the two dates.",
            )
        if move.from_label == item.label and move.n > held:
            raise Refused(
                f"{item.label} held {held} cuttings on {move.moved_on}; {move.n} cannot be taken out.",
                f"What stands there: grader record show {item.label}.",
            )
        held += move.n if move.to_label == item.label else -move.n
    for finding in item.findings:
        _check_finding(item, finding)
    for earlier, later in pairwise(item.findings):
        _check_never_falls(item, earlier, later)


def _check_finding(item: ContainerNow, finding: Finding) -> None:
    if finding.found_on < item.first_day:
        raise Refused(
            f"{item.label}: counted on {finding.found_on}, before it was stuck on {item.first_day}.",
            "Check the two dates: year-month-day.",
        )
    n = item.n_counted(finding.found_on)
    parts = [
        f"{count} {word}"
        for count, word in (
            (finding.rooted, "rooted"),
            (finding.callused, "callused"),
            (finding.dead, "dead"),
        )
        if count
    ]
    total = sum(count or 0 for count in (finding.rooted, finding.callused, finding.dead))
    if total <= n:
        return
    gone = [
        move for move in item.transfers if move.from_label == item.label and move.moved_on <= finding.found_on
    ]
    hint = (
        f"Counted twice, or the wrong label? If more were stuck: grader record stuck {item.label} --correct."
    )
    if gone:
        into = ", ".join(dict.fromkeys(move.to_label for move in gone))
        hint = f"Cuttings went on to {into}: enter those there."
    raise Refused(
        f"{item.label}: {' + '.join(parts)} on {finding.found_on} are more than the {n} cuttings in it.",
        hint,
    )


def _check_never_falls(item: ContainerNow, earlier: Finding, later: Finding) -> None:
    """Totals since sticking never fall, unless cuttings went on to another container between."""
    if any(earlier.found_on <= move.moved_on <= later.found_on for move in item.transfers):
        return
    for word, before, after in (
        ("rooted", earlier.rooted, later.rooted),
        ("dead", earlier.dead, later.dead),
    ):
        if before is not None and after is not None and after < before:
            raise Refused(
                f"{item.label}: {after} {word} on {later.found_on}, but {before} on {earlier.found_on}; "
                f"these are totals since sticking.",
                "Count those potted on or thrown away, too. If the other count is wrong: "
                f"grader record found {item.label} --on {earlier.found_on} --{word} {after} --correct.",
            )
