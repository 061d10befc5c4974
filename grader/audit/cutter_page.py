"""The page of one cutter, to be printed and taken to the bench."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

from grader.audit.aims import zone_of
from grader.audit.course import course
from grader.audit.enough import MOST
from grader.audit.findings import CutterFound
from grader.audit.pages import (
    INDEX_NAME,
    Whole,
    averages_table,
    counted,
    differences_table,
    facts,
    html,
    measuring,
    missed_table,
)
from grader.audit.pictures import Pair, Photos, choose, picture_svg
from grader.audit.plots import chart_plot, trays_plot
from grader.audit.samples import Sample, grouped, trays_of
from grader.audit.sentences import Sentence, sentences
from grader.audit.shares import share
from grader.audit.words import course_words, mat_words, share_words
from grader.traits.catalogue import TRAITS, metric_text, number_text

COURSE_TRAITS = ("total_length_mm", "stripped_length_mm", "base_diameter_mm")
"""Drawn over time: what a hand decides."""
MOST_GROUPS = 40
"""Lines of a table: a page is to be read, the rest is in audit.json."""


def cutter_page(whole: Whole, person: CutterFound, photos: Photos) -> str:
    """Return the page of one cutter."""
    name = whole.names[person.cutter]
    says = sentences(person)
    told = [_say(whole, person, sentence, photos) for sentence in says]
    _one_scale([picture for say in told for picture in say["pictures"]])
    return html(
        "cutter.html",
        {
            "title": f"Technique: {name}",
            "index": INDEX_NAME,
            "name": name,
            "counted": counted(person.samples),
            "doubts": _doubts(whole, person),
            "says": told,
            "remarks": remarks(person, says),
            **averages_table(person, whole.repeated),
            **missed_table(person),
            "reference": whole.names.get(whole.found.reference, ""),
            **differences_table(whole, [person]),
            "course": [_course(whole, person, trait) for trait in COURSE_TRAITS if trait in person.averages],
            "groups": _groups(whole, person),
            "facts": [*facts(whole, person.samples), _measuring_words(whole, person), _pictures_from(photos)],
        },
    )


def remarks(person: CutterFound, says: Sequence[Sentence]) -> list[str]:
    """Return what must be said besides: that nothing stands out, or that too little was photographed."""
    told = []
    if any(a.verdict == "mat first" for a in person.averages.values()):
        told.append("Sizes are not judged until the check bar of the print in doubt is measured.")
    elif all(sentence.is_praise for sentence in says):
        unsure = [a for a in person.averages.values() if a.verdict == "too few"]
        if unsure:
            told.append(
                "Nothing stands out so far; for some measurements there are too few cuttings to tell."
            )
        else:
            told.append("Nothing stands out: there is nothing to change that could be told from chance.")
    more = max((a.n_more for a in person.averages.values() if a.verdict == "too few"), default=0)
    if more:
        words = [TRAITS[a.trait].words for a in person.averages.values() if a.verdict == "too few"]
        many = "Even 500" if more >= MOST else f"About {more}"
        told.append(
            f"Too few to tell: {', '.join(words)}. {many} more cuttings, on more trays, would "
            + ("hardly tell." if more >= MOST else "tell.")
        )
    return told


def _doubts(whole: Whole, person: CutterFound) -> list[str]:
    used = {sample.shot.mat for sample in person.samples}
    return [mat_words(doubt) for doubt in whole.found.mats if used & set(doubt.mats)]


def _say(whole: Whole, person: CutterFound, sentence: Sentence, photos: Photos) -> dict[str, Any]:
    missed = next(
        (
            m
            for m in person.missed
            if m.fault.rule.trait == sentence.trait
            and m.fault.rule.side is sentence.side
            and not m.fault.is_either_side
        ),
        None,
    )
    limit = missed.fault.limit if missed else math.nan
    typical = missed.typical if missed else math.nan
    zone = zone_of(whole.targets, sentence.trait)
    pair = choose(person.samples, sentence.trait, sentence.side, zone, limit, typical)
    return {"text": sentence.text, "pictures": _pictures(whole, pair, sentence.trait, photos)}


def _one_scale(pictures: Sequence[dict[str, Any]]) -> None:
    """Give every picture its width in per cent of its column, so that a mm is as long in all of them."""
    widest = max((picture["width_mm"] for picture in pictures), default=0.0)
    for picture in pictures:
        picture["width"] = f"{100 * picture['width_mm'] / widest:.1f}" if widest else "0"


def _pictures(whole: Whole, pair: Pair, trait: str, photos: Photos) -> list[dict[str, Any]]:
    told: list[dict[str, Any]] = []
    for words, sample in (("typical", pair.typical), ("a good one", pair.good)):
        if sample is None:
            none = "no picture" if words == "typical" else "none of these cuttings shows it well yet"
            told.append({"source": "", "alt": "", "caption": f"{words}: {none}", "width_mm": 0.0})
            continue
        value = f"{TRAITS[trait].words} {number_text(TRAITS[trait], sample.value(trait))}"
        where = (
            f"tray of {sample.shot.day or 'unknown day'}" if whole.is_coded else f"{sample.shot.photo.file}"
        )
        caption = f"{words}: {value}; no. {sample.cutting.number}, {where}"
        source, width_mm = picture_svg(sample, trait, photos)
        told.append({"source": source, "alt": caption, "caption": caption, "width_mm": width_mm})
    return told


def _measuring_words(whole: Whole, person: CutterFound) -> str:
    """Return how much of what is seen comes from measuring, in a sentence."""
    known = "as repeated trays show" if whole.repeated and whole.repeated.shares else "by its own statement"
    parts = [
        f"{measuring(average, whole.repeated)} of the variance in {TRAITS[trait].words}"
        for trait, average in person.averages.items()
        if trait in COURSE_TRAITS
    ]
    return f"The measurement contributes, {known}: {', '.join(parts)}."


def _pictures_from(photos: Photos) -> str:
    if photos.n_found:
        return "Pictures are cut out of the photos, turned, seen from straight above, all at one scale."
    return "The photos were not found where they were graded, so outlines are drawn from the results."


def _course(whole: Whole, person: CutterFound, trait: str) -> dict[str, Any]:
    zone = zone_of(whole.targets, trait)
    found = course(person.samples, trait, zone)
    words = TRAITS[trait].words
    trays = trays_of(person.samples, trait)
    names = [str(place) for place in range(1, len(trays) + 1)]
    alt = f"{words} of every cutting by tray; the figures are in the tables"
    plots = [{"source": trays_plot(trait, trays, names, zone), "alt": alt}] if trays else []
    charts = [*(found.own or ()), *([found.against_targets] if found.against_targets else [])]
    if charts:
        plots.append({"source": chart_plot(trait, charts), "alt": f"control charts, {words}"})
    return {"words": words, "text": course_words(found), "plots": plots}


def _groups(whole: Whole, person: CutterFound) -> list[dict[str, Any]]:
    """Return tables of plain averages by tray, day and donor plant."""
    keys: tuple[tuple[str, Callable[[Sample], str]], ...] = (
        ("tray", lambda s: s.shot.tray),
        ("day", lambda s: s.shot.day or "unknown"),
        ("donor plant", lambda s: s.shot.donor or "not named"),
    )
    tables = []
    traits = [trait for trait in COURSE_TRAITS if trait in person.averages]
    for words, key in keys:
        groups = grouped(person.samples, key)
        if words != "tray" and len(groups) < 2:
            continue
        rows = []
        for place, (name, samples) in enumerate(list(groups.items())[:MOST_GROUPS], start=1):
            shown = _tray_name(whole, place, samples[0]) if words == "tray" else name
            good = sum(s.cutting.grade == "1" for s in samples)
            cells = [_mean_sd(samples, trait) for trait in traits]
            rows.append([shown, str(len(samples)), *cells, share_words(share([(good, len(samples))]))])
        left = len(groups) - len(rows)
        tables.append(
            {
                "caption": f"By {words}: average ± spread (SD). Not compared: single groups are small."
                + (f" {left} more are in audit.json." if left > 0 else ""),
                "head": [words, "n", *(TRAITS[t].words for t in traits), "graded 1 (95 %)"],
                "rows": rows,
            }
        )
    return tables


def _tray_name(whole: Whole, place: int, sample: Sample) -> str:
    shot = sample.shot
    if whole.is_coded:
        return f"{place}"
    return f"{place}: {shot.photo.file if shot.tray == shot.photo.sha256 else shot.tray}"


def _mean_sd(samples: Sequence[Sample], trait: str) -> str:
    import numpy as np

    values = np.array([s.value(trait) for s in samples])
    values = values[np.isfinite(values)]
    if not len(values):
        return "–"
    sd = float(values.std(ddof=1)) if len(values) > 1 else math.nan
    return metric_text(TRAITS[trait], float(values.mean()), sd)
