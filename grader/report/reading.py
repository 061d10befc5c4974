"""Read results.json as plain values, and say in plain words what is wrong with a file that cannot be used."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grader.errors import GraderError

SCHEMA = "cutting-grader/results-1"
FILE_NAME = "results.json"
GRADES = ("1", "2", "cull", "unsure")
POINTS = ("outline_mm", "axis_mm", "arc_mm", "width_mm", "width_sigma_mm", "strays_mm")
"""Long lists of places and widths."""
OUTCOMES = ("pass", "fail", "unsure")
_AGAIN = "Grade the photos again with grader grade."
_GIVE = f"Give the {FILE_NAME}, or the folder, that grader grade wrote."


class ReportProblem(GraderError):
    """There are no results to report on; the message names the file."""


@dataclass(frozen=True, slots=True, eq=False)
class ResultsRead:
    """One results.json."""

    path: Path
    whole: dict[str, Any]
    """As the file has it, without POINTS; ``photos`` were looked through: every field used is there."""

    @property
    def photos(self) -> list[dict[str, Any]]:
        """Every photo, skipped ones too, in the order of grading."""
        photos: list[dict[str, Any]] = self.whole["photos"]
        return photos


def read_results(path: Path) -> ResultsRead:
    """Return what a results.json holds; a folder stands for the file in it.

    Raises
    ------
    ReportProblem
        If there is no such file, it is damaged, or something else wrote it.
    """
    file = path / FILE_NAME if path.is_dir() else path
    try:
        text = file.read_bytes()
    except OSError as problem:
        raise ReportProblem(f"{file} cannot be read ({problem.strerror}).", _GIVE) from None
    try:
        whole = json.loads(text, object_hook=_without_points)
    except (ValueError, RecursionError):
        raise ReportProblem(f"{file} is empty, damaged or cut short.", _AGAIN) from None
    schema = whole.get("schema") if isinstance(whole, dict) else None
    if not isinstance(schema, str) or not schema.startswith("cutting-grader/results-"):
        raise ReportProblem(f"{file} holds no results of this program.", _GIVE)
    if schema != SCHEMA:
        raise ReportProblem(
            f'{file} has the schema "{schema}"; this version reads "{SCHEMA}".',
            "Update the program, or grade the photos again with this version.",
        )
    try:
        _look_through(whole)
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        what = f"{problem} is missing" if isinstance(problem, KeyError) else str(problem)
        raise ReportProblem(f"{file} is damaged: {what}.", _AGAIN) from None
    return ResultsRead(file, whole)


def _without_points(item: dict[str, Any]) -> dict[str, Any]:
    """Leave out what the page does not show: of 300 photos it would fill half a gigabyte."""
    for name in POINTS:
        item.pop(name, None)
    return item


def _look_through(whole: dict[str, Any]) -> None:
    """Raise KeyError, TypeError or ValueError where a field that is used is missing or of another kind."""
    _is(whole["program"]["version"], str, "program.version")
    _is(whole["settings"], dict, "settings")
    for photo in _is(whole["photos"], list, "photos"):
        _is(photo["file"], str, "file")
        if photo["status"] == "skipped":
            for name in ("reason", "message", "advice"):
                _is(photo[name], str, name)
            continue
        _is(photo["sha256"], str, "sha256")
        _is(photo["mat"], dict, "mat")
        _is(photo["batch"], dict, "batch")
        _texts(photo["warnings"], "warnings")
        for thing in photo["set_aside"]:
            _is(thing["kind"], str, "kind")
            _is(thing["reason"], str, "reason")
        numbers = [_cutting(cutting) for cutting in photo["cuttings"]]
        if len(set(numbers)) < len(numbers):
            raise ValueError("a cutting has a number that another one has")


def _cutting(cutting: dict[str, Any]) -> int:
    for name in ("reason", "advice", "cell", "targets"):
        _is(cutting[name], str, name)
    if cutting["grade"] not in GRADES:
        raise ValueError(f"there is no grade {cutting['grade']!r}")
    _texts(cutting["flags"], "flags")
    _texts(cutting["warnings"], "warnings")
    for measured in cutting["traits"].values():
        for name in ("value", "sigma"):
            _number_or_none(measured[name], name)
        _is(measured["note"], str, "note")
    for rule in cutting["rules"]:
        for name in ("rule", "flag", "trait", "grade_if_failed", "sentence"):
            _is(rule[name], str, name)
        _number_or_none(rule["limit"], "limit")
        if rule["outcome"] not in OUTCOMES:
            raise ValueError(f"there is no outcome {rule['outcome']!r}")
    number: int = _is(cutting["number"], int, "number")
    return number


def _is(value: Any, kind: type, name: str) -> Any:
    if not isinstance(value, kind) or isinstance(value, bool):
        raise TypeError(f"{name} is not what it should be")
    return value


def _texts(value: Any, name: str) -> None:
    for text in _is(value, list, name):
        _is(text, str, name)


def _number_or_none(value: Any, name: str) -> None:
    if value is not None and (isinstance(value, bool) or not isinstance(value, int | float)):
        raise TypeError(f"{name} is not a number")
