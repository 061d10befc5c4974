"""The report as one HTML page that needs nothing else; everything from files is escaped."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from datetime import date
from importlib import resources
from typing import Any

from grader.record.learn.groups import DonorTold, GroupTold, Interval, Table
from grader.record.learn.plots import curve_svg, shares_svg
from grader.record.learn.report import Chapter, Report
from grader.record.learn.words import containers, interval, lesson_words, percent, points
from grader.traits.catalogue import TRAITS

MOST_WAITING = 200
"""Containers told by name; a nursery may have thousands."""


def page(report: Report, record: str, day: date, targets: Mapping[str, str], label: str = "") -> str:
    """Return the page.

    Parameters
    ----------
    report : Report
        What is told.
    record : str
        Name of the record's file.
    day : date
        Of the evaluation.
    targets : mapping of str to str
        Species -> name of the suggested target file, where there is one.
    label : str
        Stands on top, for data that are not real.
    """
    import jinja2

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    text = (resources.files("grader.record.learn") / "page.html").read_text(encoding="utf-8")
    waiting = report.waiting[:MOST_WAITING]
    return environment.from_string(text).render(
        chapters=[_chapter(chapter, targets.get(chapter.species, "")) for chapter in report.chapters],
        waiting=waiting,
        record=record,
        day=day.isoformat(),
        label=label,
    )


def _chapter(chapter: Chapter, target: str) -> dict[str, Any]:
    return {
        "species": chapter.species,
        "sentences": chapter.sentences,
        "target": target,
        "order": chapter.trial.order if chapter.trial else "",
        "curves": [
            {
                "svg": _embedded(curve_svg(lesson.curve, chapter.units, lesson.suggestion)),
                "alt": f"Share rooted against {TRAITS[lesson.trait].words}, with its band",
                "words": f"{TRAITS[lesson.trait].words.capitalize()}. {lesson_words(lesson)}",
            }
            for lesson in chapter.lessons
            if lesson.curve
        ],
        "tables": [_table(table) for table in chapter.tables],
        "donors": [_donor(donor) for donor in chapter.donors],
    }


def _table(table: Table) -> dict[str, Any]:
    grown = [name for name in ("height", "caliper") if any(_grown(group, name) for group in table.groups)]
    note = "Only one container a group: its interval holds chance only, not that containers differ. "
    if table.spread.df > 0:
        note = (
            f"Counts of containers alike scatter {table.spread.factor:.1f} times as much as chance alone "
            f"(known from {table.spread.df} degrees of freedom). "
        )
    if table.n_left_out:
        note += f"Left out, for it is not told or mixed: {containers(table.n_left_out)}."
    return {
        "words": table.words,
        "svg": _embedded(shares_svg(table)) if len(table.groups) > 1 else "",
        "rows": [_row(group, grown) for group in table.groups],
        "grown": grown,
        "note": note,
    }


def _grown(group: GroupTold, name: str) -> Interval | None:
    return group.height_mm if name == "height" else group.caliper_mm


def _row(group: GroupTold, grown: list[str]) -> list[str]:
    share = group.share
    row = [
        group.name,
        str(share.n_units),
        f"{share.n_rooted} of {share.n_stuck}",
        percent(share),
        points(group.from_rest) or "–",
        interval(group.containers_for_100, 1),
        f"{group.months:.1f}",
    ]
    return row + [interval(_grown(group, name), 1) for name in grown]


def _donor(donor: DonorTold) -> list[str]:
    return [
        donor.name,
        str(donor.n_cuttings),
        interval(donor.length_mm),
        interval(donor.diameter_mm, 2),
        percent(donor.share),
        points(donor.from_rest) or "–",
    ]


def _embedded(svg: str) -> str:
    return base64.b64encode(svg.encode("utf-8")).decode("ascii")
