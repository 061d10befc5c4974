"""Files of results with invented cuttings: sizes are made up, nothing in them was measured."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from grader.records import Cutting, Grade, GradedPhoto, Measured, Piece, SkippedPhoto
from grader.results_file import ReadResults, read_results
from grader.stick.plan import Choices, StickPlan, make_plan
from grader.stick.room import Container, open_container
from grader.stick.values import load_values
from grader.write.results import write_results
from tests.synthetic_records import graded_photo, measured_from, outline_of, straight_shape

MADE_AT = datetime(2026, 3, 2, 8, 0)
DAY = date(2026, 3, 2)
PER_ROW = 10


@dataclass(frozen=True)
class Invented:
    """One invented cutting."""

    length_mm: float = 90.0
    stripped_mm: float = 30.0
    grade: str = "1"
    advice: str = "stick"
    diameter_mm: float = 2.4
    pieces: tuple[Piece, ...] = ()


def invented_photo(
    name: str, cuttings: Sequence[Invented], batch: Mapping[str, str] | None = None
) -> GradedPhoto:
    """Return a graded photo with these cuttings in rows."""
    made = []
    for k, item in enumerate(cuttings):
        at = (30.0 + 24.0 * (k % PER_ROW), 190.0 - 14.0 * (k // PER_ROW % 5))
        # The drawing only: whole millimetres, long enough for its bare stem.
        drawn_mm = max(35.0, round(item.length_mm)) if item.length_mm < 400.0 else 60.0
        shape = straight_shape(drawn_mm, base_mm=at, angle_deg=-90.0)
        traits = {
            **measured_from(shape),
            "total_length_mm": Measured(item.length_mm, 0.4),
            "stripped_length_mm": Measured(item.stripped_mm, 1.0),
            "base_diameter_mm": Measured(item.diameter_mm, 0.04),
        }
        grade = Grade(item.grade, (), "invented", item.advice, "invented 1", pieces=item.pieces)
        made.append(Cutting(k + 1, "", outline_of(shape), shape, traits, grade))
    return replace(
        graded_photo(Path(name), batch),
        sha256=hashlib.sha256(name.encode()).hexdigest(),
        cuttings=tuple(made),
        set_aside=(),
    )


def results_at(path: Path, *photos: GradedPhoto | SkippedPhoto, made_at: datetime = MADE_AT) -> ReadResults:
    """Write a file of results and read it again."""
    write_results(path, photos, {}, made_at)
    return read_results(path)


def changed(path: Path, change: Any) -> Path:
    """Change a file of results in place with a function on its plain values."""
    whole = json.loads(path.read_text(encoding="utf-8"))
    change(whole)
    path.write_text(json.dumps(whole), encoding="utf-8")
    return path


def plan_of(
    folder: Path,
    cuttings: Sequence[Invented],
    container: Container | None = None,
    batch: Mapping[str, str] | None = None,
    trait: str = "total_length_mm",
    wood: str = "",
) -> StickPlan:
    """Return the plan for one photo with these cuttings."""
    values = load_values()
    box = container or open_container((540.0, 280.0), 60.0, 40.0)
    results = results_at(folder / "results.json", invented_photo("tray.jpg", cuttings, batch))
    return make_plan([results], Choices(trait, box, values.mixes[0], wood, DAY), values)
