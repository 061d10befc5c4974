"""A result as the page shows it: plain values, sentences, both units."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

from grader.batch.session import SAME_PHOTO
from grader.bench.units import both_units
from grader.records import Cutting, GradedPhoto, SetAside, SkippedPhoto
from grader.traits.catalogue import TRAITS, measured_text

SHOWN = {"length": "total_length_mm", "stripped": "stripped_length_mm", "diameter": "base_diameter_mm"}
"""Name in the answer -> measurement."""
OF_THE_COMPUTER = ("program error", "out of memory", "not found", "cannot be read")
"""Reasons of a skipped photo that the photo is not to blame for."""


def graded_told(graded: GradedPhoto) -> dict[str, Any]:
    """Return everything that is shown of a graded photo."""
    return {
        "warnings": [sentence(warning) for warning in graded.warnings],
        "cuttings": [_cutting(cutting) for cutting in graded.cuttings],
        "set_aside": [_set_aside(thing, graded) for thing in graded.set_aside],
    }


def counts_of(graded: GradedPhoto) -> dict[str, int]:
    """Return grade -> number of cuttings."""
    return dict(Counter(cutting.grade.grade for cutting in graded.cuttings))


def skipped_told(skipped: SkippedPhoto) -> tuple[str, str]:
    """Return what is wrong with a photo and what to do, one sentence each."""
    if skipped.reason == SAME_PHOTO:  # The usual words name another file.
        return "This photo is there already, byte for byte: it is graded once.", "Look at the other tray."
    return said_of(skipped.message, skipped.path), said_of(skipped.advice, skipped.path)


def said_of(text: str, path: Path) -> str:
    """Return a sentence about a file as one about the photo: nobody at the phone knows the file's name.

    Examples
    --------
    >>> said_of("tray-7.jpg is nearly black", Path("trays/tray-7.jpg"))
    'This photo is nearly black.'
    """
    return sentence(text.replace(str(path), "this photo").replace(path.name, "this photo"))


def sentence(text: str) -> str:
    """Return a text that begins and ends as a sentence does.

    Examples
    --------
    >>> sentence("take it again")
    'Take it again.'
    """
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def _cutting(cutting: Cutting) -> dict[str, Any]:
    sizes = {
        name: both_units(measured_text(TRAITS[trait], cutting.traits[trait]))
        if trait in cutting.traits
        else both_units("not measured")
        for name, trait in SHOWN.items()
    }
    return {
        "number": cutting.number,
        "cell": cutting.cell,
        "grade": cutting.grade.grade,
        "do": both_units(sentence(cutting.grade.advice)),
        "why": both_units(sentence(cutting.grade.reason)),
        **sizes,
    }


def _set_aside(thing: SetAside, graded: GradedPhoto) -> dict[str, str]:
    x_mm, y_mm = thing.outline_mm.mean(axis=0)
    cell = graded.pose.cell_of(float(x_mm), float(y_mm))
    return {
        "label": f"{thing.kind.value} at {cell}" if cell else thing.kind.value,
        "why": sentence(thing.reason),
    }
