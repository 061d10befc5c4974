"""results.json: everything measured, with where it comes from, for programs to read."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

from calib.frames import PlaneMap, Points
from grader.records import (
    Cutting,
    GradedPhoto,
    Measured,
    PhotoResult,
    Piece,
    RuleOutcome,
    SetAside,
    SkippedPhoto,
)
from grader.traits.catalogue import TRAITS
from grader.write.files import write_pieces

SCHEMA = "cutting-grader/results-1"
"""Changes when a field changes its meaning or goes; new fields may come without."""
_ENCODE = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode
_UNSAFE = re.compile("[\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Control codes (C1), changes of writing direction (Unicode TR 36, 3.4), halves of characters from names that
are no text."""
OUTLINE_DECIMALS = 2
"""Hundredths of a mm: finer than any edge is known."""
OUTLINE_TOLERANCE_MM = 0.03
"""How far an outline may be simplified: the uncertainty of an edge; makes the file four times smaller."""


def results_of(
    results: Sequence[PhotoResult], settings: Mapping[str, Any], made_at: datetime | None = None
) -> dict[str, Any]:
    """Return all results as plain values, ready for JSON.

    Parameters
    ----------
    results : sequence of GradedPhoto or SkippedPhoto
        In input order, one a file.
    settings : mapping
        What the run was told: targets, mat, print scale.
    made_at : datetime, optional
        When.  Left out by ``grader grade``: the same photos, graded again or in two goes, give the same
        bytes.
        Each photo has its ``taken_at``.
    """
    return {**_head(settings, made_at), "photos": [_photo(result) for result in results]}


def _head(settings: Mapping[str, Any], made_at: datetime | None) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "program": {"name": "cutting-grader", "version": program_version()},
        "made_at": made_at.isoformat(timespec="seconds") if made_at else None,
        "settings": dict(settings),
        "units": {
            "traits": {name: {"unit": _stored_unit(name), "words": t.words} for name, t in TRAITS.items()},
            "positions": "mm in the plane of the mat, x right, y down, origin top left of the page",
        },
    }


def results_pieces(
    results: Sequence[PhotoResult], settings: Mapping[str, Any], made_at: datetime | None = None
) -> Iterator[str]:
    """Yield the text of results.json, photo by photo: thousands need no more memory than one."""
    text = ResultsText(settings, made_at)
    for result in results:
        yield text.photo(photo_json(result))
    yield text.end()


class ResultsText:
    """The text of results.json in pieces, one a photo and one for the end."""

    def __init__(self, settings: Mapping[str, Any], made_at: datetime | None = None) -> None:
        self._settings, self._made_at = settings, made_at
        self._n = 0

    def photo(self, text: str) -> str:
        """Return the text of the next photo, from ``photo_json``, with all that stands before it."""
        opening = ",\n  "
        if self._n == 0:
            head = _indented(_head(self._settings, self._made_at), "").removesuffix("\n}")
            opening = f'{head},\n "photos": [\n  '
        self._n += 1
        return opening + text

    def end(self) -> str:
        """Return the end, or all of it if there was no photo."""
        return "\n ]\n}\n" if self._n else to_json(results_of((), self._settings, self._made_at))


def photo_json(result: PhotoResult) -> str:
    """Return one photo as it stands in results.json."""
    return _indented(_photo(result), "  ")


def write_results(
    path: Path,
    results: Sequence[PhotoResult],
    settings: Mapping[str, Any],
    made_at: datetime | None = None,
) -> None:
    """Write results.json, whole or not at all.

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    write_pieces(path, (piece.encode("utf-8") for piece in results_pieces(results, settings, made_at)))


def to_json(value: Any) -> str:
    """Return JSON that any reader takes: what is not a number is null.

    Examples
    --------
    >>> print(to_json({"a": float("nan"), "b": [1.5, float("inf")]}), end="")
    {
     "a": null,
     "b": [1.5, null]
    }
    """
    return _indented(value, "") + "\n"


def _indented(value: Any, indent: str) -> str:
    """Return JSON with a line for each name, but lists of numbers on one line: a tenth of the size."""
    deeper = indent + " "
    if isinstance(value, str):
        return _printable(_ENCODE(value))
    if isinstance(value, Mapping) and value:
        items = [f"{_printable(_ENCODE(str(k)))}: {_indented(v, deeper)}" for k, v in value.items()]
    elif isinstance(value, list | tuple) and any(isinstance(item, Mapping) for item in value):
        items = [_indented(item, deeper) for item in value]
    else:
        return _printable(_ENCODE(_plain(value)))
    opening, closing = "{}" if isinstance(value, Mapping) else "[]"
    return f"{opening}\n{deeper}" + f",\n{deeper}".join(items) + f"\n{indent}{closing}"


def _printable(text: str) -> str:
    """Return JSON text in which what steers a terminal, or is no character at all, is written as ``\\uXXXX``.

    Names of files hold such things; JSON itself escapes only what is below a space.
    """
    if text.isascii() and "\x7f" not in text:
        return text
    return _UNSAFE.sub(lambda found: f"\\u{ord(found.group()):04x}", text)


def program_version() -> str:
    """Return the version of the installed program, or "not installed"."""
    try:
        return metadata.version("cutting-grader")
    except metadata.PackageNotFoundError:
        return "not installed"


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        is_number = value.dtype.kind != "f" or bool(np.isfinite(value).all())
        return value.tolist() if is_number else _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if value is None or isinstance(value, str | int):
        return value
    return str(value)


def _stored_unit(name: str) -> str:
    unit = TRAITS[name].unit
    return "share, 0 to 1" if unit == "%" else unit


def _photo(result: PhotoResult) -> dict[str, Any]:
    if isinstance(result, SkippedPhoto):
        return {
            "file": str(result.path),
            "status": "skipped",
            "reason": result.reason,
            "message": result.message,
            "advice": result.advice,
        }
    return {
        "file": str(result.path),
        "status": "graded",
        "sha256": result.sha256,
        "taken_at": result.taken_at.isoformat() if result.taken_at else None,
        "camera": result.camera,
        "image_size_px": result.image_size_px,
        "batch": result.batch,
        "mat": _mat(result),
        "warnings": result.warnings,
        "cuttings": [_cutting(cutting) for cutting in result.cuttings],
        "set_aside": [_set_aside(thing) for thing in result.set_aside],
    }


def _mat(graded: GradedPhoto) -> dict[str, Any]:
    pose = graded.pose
    names = [
        "mat_id",
        "page_mm",
        "lay_area_mm",
        "n_fiducials",
        "n_fiducials_expected",
        "residual_rms_px",
        "residual_rms_mm",
        "position_sigma_mm",
        "scale_sigma",
        "print_scale",
        "print_scale_source",
        "tilt_deg",
        "curl_mm",
        "px_per_mm",
    ]
    told = {name: getattr(pose, name) for name in names}
    return {**told, "eye_mm": pose.plane.eye_mm, "plane": _plane(pose.plane)}


def _plane(plane: PlaneMap) -> dict[str, Any]:
    """Return the map from mat to photo, so that a later picture can be drawn without finding the mat."""
    names = ("homography", "centre_px", "radius_px", "k1", "k2", "p1", "p2")
    bend = plane.bend
    return {
        **{name: getattr(plane, name) for name in names},
        "bend": None
        if bend is None
        else {name: getattr(bend, name) for name in ("centre_mm", "half_mm", "coefficients_mm")},
    }


def _cutting(cutting: Cutting) -> dict[str, Any]:
    shape = cutting.shape
    return {
        "number": cutting.number,
        "cell": cutting.cell,
        "grade": cutting.grade.grade,
        "reason": cutting.grade.reason,
        "advice": cutting.grade.advice,
        "steps": cutting.grade.steps,
        "afterwards": cutting.grade.afterwards,
        "decided_by": cutting.grade.decided_by,
        "doubt": cutting.grade.doubt,
        "pieces": [_piece(piece) for piece in cutting.grade.pieces],
        "flags": list(dict.fromkeys(o.flag for o in cutting.grade.outcomes if o.outcome.value == "fail")),
        "targets": cutting.grade.targets_id,
        "traits": {name: _measured(value) for name, value in cutting.traits.items()},
        "rules": [_outcome(outcome) for outcome in cutting.grade.outcomes],
        "base_mm": np.round(shape.axis_mm[0], OUTLINE_DECIMALS),
        "tip_mm": np.round(shape.axis_mm[-1], OUTLINE_DECIMALS),
        "axis_mm": np.round(shape.axis_mm, OUTLINE_DECIMALS),
        "arc_mm": np.round(shape.arc_mm, OUTLINE_DECIMALS),
        "width_mm": np.round(shape.width_mm, 3),
        "width_sigma_mm": np.round(shape.width_sigma_mm, 3),
        "base_doubt": shape.base_doubt,
        "strays_mm": np.round(shape.strays_mm, OUTLINE_DECIMALS),
        "outline_mm": _thinned(cutting.outline_mm),
        "warnings": shape.warnings,
    }


def _piece(piece: Piece) -> dict[str, Any]:
    """Return what the advice makes of the cutting; distances along the axis from the present base."""
    return {
        "from_mm": piece.from_mm,
        "to_mm": piece.to_mm,
        "strip_to_mm": piece.strip_to_mm,
        "grade": piece.grade,
        "traits": {name: _measured(value) for name, value in piece.traits.items()},
    }


def _thinned(outline_mm: Points) -> Points:
    """Return an outline without the points that a straight line stands for."""
    import cv2

    curve = np.asarray(outline_mm, dtype=np.float32)[:, None]
    thin = cv2.approxPolyDP(curve, epsilon=OUTLINE_TOLERANCE_MM, closed=True)
    return np.round(np.asarray(thin, dtype=np.float64).reshape(-1, 2), OUTLINE_DECIMALS)


def _measured(measured: Measured) -> dict[str, Any]:
    return {"value": measured.value, "sigma": measured.sigma, "note": measured.note}


def _outcome(outcome: RuleOutcome) -> dict[str, Any]:
    return {
        "rule": outcome.rule,
        "flag": outcome.flag,
        "trait": outcome.trait,
        "outcome": outcome.outcome.value,
        "grade_if_failed": outcome.grade_if_failed,
        "limit": outcome.limit,
        "unit": outcome.unit,
        "p_fail": outcome.p_fail,
        "sentence": outcome.sentence,
    }


def _set_aside(thing: SetAside) -> dict[str, Any]:
    return {
        "kind": thing.kind.value,
        "reason": thing.reason,
        "area_mm2": thing.area_mm2,
        "outline_mm": _thinned(thing.outline_mm),
    }
