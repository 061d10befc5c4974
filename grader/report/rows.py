"""What the page shows of each photo and each cutting: texts made from results.json, still unescaped."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from grader.records import Measured
from grader.traits.catalogue import TRAITS, inch_text, is_absent, metric_text

COLUMNS = ("total_length_mm", "stripped_length_mm", "base_diameter_mm", "foliage_area_mm2", "crook_deg")
"""Measurements with a column of their own: those that people ask for first."""


@dataclass(frozen=True, slots=True)
class Value:
    """One measurement as shown."""

    words: str
    metric: str
    """Value and unit; "none"; or "not measurable"."""
    sigma: str
    """Its uncertainty and unit, empty if there is none."""
    inches: str
    """The same in inches; empty where inches make no sense."""
    note: str
    sort: str
    """The value for sorting, in the stored unit; empty if there is none."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A limit that a cutting does not keep, or may not keep."""

    code: str
    flag: str
    is_sure: bool
    is_deciding: bool
    """Whether it can change the grade; otherwise it is only pointed out."""


@dataclass(frozen=True, slots=True)
class Row:
    """One cutting."""

    key: str
    """Name of its place in the page, e.g. "p3c7"."""
    number: int
    cell: str
    grade: str
    values: tuple[Value, ...]
    """Those of COLUMNS, in that order."""
    others: tuple[Value, ...]
    faults: tuple[Fault, ...]
    reason: str
    advice: str
    afterwards: str
    """Which grade comes of the advice; empty where that of today stays."""
    warnings: tuple[str, ...]

    @property
    def codes(self) -> str:
        """Codes of the faults, for the filter."""
        return " ".join(dict.fromkeys(fault.code for fault in self.faults))


@dataclass(frozen=True, slots=True)
class PhotoRows:
    """One graded photo."""

    index: int
    """From 1, in the order of grading, skipped photos counted."""
    name: str
    path: str
    sha256: str
    taken_at: str
    batch: Mapping[str, str]
    targets: tuple[str, ...]
    mat: str
    warnings: tuple[str, ...]
    set_aside: tuple[tuple[str, str], ...]
    """(kind, reason) of things that were not graded."""
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Skipped:
    """A photo that could not be used."""

    index: int
    name: str
    path: str
    reason: str
    message: str
    advice: str


def graded_rows(index: int, photo: Mapping[str, Any]) -> PhotoRows:
    """Return what is shown of a graded photo of results.json."""
    rows = tuple(_row(index, cutting) for cutting in photo["cuttings"])
    return PhotoRows(
        index=index,
        name=_name(photo["file"]),
        path=photo["file"],
        sha256=photo["sha256"],
        taken_at=str(photo.get("taken_at") or "").replace("T", " "),
        batch={str(key): str(value) for key, value in photo["batch"].items()},
        targets=tuple(dict.fromkeys(cutting["targets"] for cutting in photo["cuttings"])),
        mat=_mat(photo["mat"]),
        warnings=tuple(photo["warnings"]),
        set_aside=tuple((thing["kind"], thing["reason"]) for thing in photo["set_aside"]),
        rows=rows,
    )


def skipped_row(index: int, photo: Mapping[str, Any]) -> Skipped:
    """Return what is shown of a photo that was skipped."""
    told = (photo["reason"], photo["message"], photo["advice"])
    return Skipped(index, _name(photo["file"]), photo["file"], *told)


def measured_of(item: Mapping[str, Any] | None) -> Measured:
    """Return a measurement of results.json, where null stands for what is not a number."""
    if item is None:
        return Measured(math.nan, math.nan, "not in the results")
    value, sigma = (math.nan if item[key] is None else float(item[key]) for key in ("value", "sigma"))
    return Measured(value, sigma, item["note"])


def value_of(name: str, measured: Measured) -> Value:
    """Return a measurement as shown.

    Examples
    --------
    >>> value = value_of("base_diameter_mm", Measured(2.314, 0.042))
    >>> value.metric, value.sigma, value.inches
    ('2.31 mm', '± 0.04 mm', '0.091 in')
    >>> value_of("heel_width_mm", Measured(math.nan, 0.0, "there is no heel")).metric
    'none'
    """
    trait = TRAITS[name]
    if is_absent(measured):
        return Value(trait.words, "none", "", "", measured.note, "")
    if math.isnan(measured.value):
        return Value(trait.words, "not measurable", "", "", measured.note, "")
    metric = metric_text(trait, measured.value)
    _, plus_minus, sigma = metric_text(trait, measured.value, measured.sigma).partition(" ± ")
    inches = inch_text(trait, measured.value)
    told = f"± {sigma}" if plus_minus else ""
    return Value(trait.words, metric, told, inches, measured.note, f"{measured.value:.6g}")


def _row(photo_index: int, cutting: Mapping[str, Any]) -> Row:
    values = {name: value_of(name, measured_of(cutting["traits"].get(name))) for name in TRAITS}
    return Row(
        key=f"p{photo_index}c{cutting['number']}",
        number=cutting["number"],
        cell=cutting["cell"],
        grade=cutting["grade"],
        values=tuple(values[name] for name in COLUMNS),
        others=tuple(value for name, value in values.items() if name not in COLUMNS),
        faults=faults_of(cutting["rules"]),
        reason=cutting["reason"],
        advice=cutting["advice"],
        afterwards=str(cutting.get("afterwards", "")),
        warnings=tuple(cutting["warnings"]),
    )


def faults_of(rules: list[dict[str, Any]]) -> tuple[Fault, ...]:
    """Return the rules that are broken or may be, each once: sure before doubtful, deciding before noted."""
    faults: dict[str, Fault] = {}
    for rule in rules:
        fault = Fault(rule["rule"], rule["flag"], rule["outcome"] == "fail", rule["grade_if_failed"] != "")
        if rule["outcome"] == "pass" or not (fault.is_sure or fault.is_deciding):
            continue  # what is only pointed out, and only maybe, tells nobody anything
        known = faults.get(fault.code)
        if known is None or (fault.is_sure, fault.is_deciding) > (known.is_sure, known.is_deciding):
            faults[fault.code] = fault
    return tuple(sorted(faults.values(), key=lambda fault: (not fault.is_deciding, not fault.is_sure)))


def _name(file: str) -> str:
    """Return the last part of a path, whichever system wrote it."""
    return PurePath(file.replace("\\", "/")).name or file


def _mat(mat: Mapping[str, Any]) -> str:
    scale = mat.get("print_scale")
    told = f"mat {mat.get('mat_id', '')}"
    if isinstance(scale, int | float):
        told += f", print scale {scale:.4f} ({mat.get('print_scale_source', '')})"
    return told
