"""results.json keeps to the schema that is published with the program, and the schema describes all of it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from grader.pipeline import Kit, grade_photo
from grader.records import SkippedPhoto
from grader.verdict import load_targets
from grader.write import results_of, to_json
from tests.synthetic_records import graded_photo

DEMO = Path(__file__).parents[2] / "demo_images"
SCHEMA: dict[str, Any] = json.loads(
    resources.files("grader.write").joinpath("results.schema.json").read_text(encoding="utf-8")
)
CHECKER = jsonschema.Draft202012Validator(SCHEMA)
SKIPPED = SkippedPhoto(Path("b.jpg"), "no mat", "no mat was found", "photograph the whole mat")
SETTINGS = {"targets": "x 1", "measured_check_bar_mm": None}


def read_back(*results: Any) -> dict[str, Any]:
    text = to_json(results_of(results, SETTINGS, datetime(2026, 3, 2, 8, 15)))
    parsed: dict[str, Any] = json.loads(text)
    return parsed


def test_the_schema_is_itself_in_order() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_results_of_invented_records_keep_to_it() -> None:
    CHECKER.validate(read_back(graded_photo(batch={"cutter": "Ann"}), SKIPPED))
    CHECKER.validate(read_back())


@pytest.mark.slow
@pytest.mark.parametrize("name", ["bench_soft_light", "crooked_and_heels", "untidy_bench_with_pen"])
def test_results_of_real_photos_keep_to_it(name: str) -> None:
    result = grade_photo(DEMO / f"{name}.jpg", Kit(load_targets()))
    parsed = read_back(result)
    CHECKER.validate(parsed)
    assert parsed["photos"][0]["cuttings"]
    assert not list(undescribed(parsed, SCHEMA))


def is_met(schema: dict[str, Any], value: Any) -> bool:
    return bool(jsonschema.Draft202012Validator({"$defs": SCHEMA["$defs"], **schema}).is_valid(value))


def undescribed(value: Any, schema: dict[str, Any], path: str = "") -> Iterator[str]:
    """Yield the names in a document that a schema does not describe."""
    while "$ref" in schema:
        schema = SCHEMA["$defs"][schema["$ref"].rpartition("/")[2]]
    if "oneOf" in schema:
        schema = next(s for s in schema["oneOf"] if is_met(s, value))
        yield from undescribed(value, schema, path)
    elif isinstance(value, dict) and "properties" in schema:
        for name, item in value.items():
            if name in schema["properties"]:
                yield from undescribed(item, schema["properties"][name], f"{path}.{name}")
            else:
                yield f"{path}.{name}"
    elif isinstance(value, dict) and isinstance(schema.get("additionalProperties"), dict):
        for item in value.values():
            yield from undescribed(item, schema["additionalProperties"], path)
    elif isinstance(value, list) and "items" in schema:
        for item in value:
            yield from undescribed(item, schema["items"], path)


def test_every_field_is_described() -> None:
    assert not list(undescribed(read_back(graded_photo(), SKIPPED), SCHEMA))
    assert list(undescribed({"new": 1}, SCHEMA)) == [".new"]


def broken() -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield results with one thing wrong each."""
    cutting = ("photos", 0, "cuttings", 0)
    changes: list[tuple[str, tuple[Any, ...], Any]] = [
        ("another schema", ("schema",), "cutting-grader/results-2"),
        ("no grade of ours", (*cutting, "grade"), "3"),
        ("a text for a number", (*cutting, "traits", "total_length_mm", "value"), "90"),
        ("a negative uncertainty", (*cutting, "traits", "total_length_mm", "sigma"), -0.1),
        ("half a point", (*cutting, "base_mm"), [1.0]),
        ("a probability above 1", (*cutting, "rules", 0, "p_fail"), 1.5),
        ("no hash", ("photos", 0, "sha256"), "abc"),
        ("neither graded nor skipped", ("photos", 1, "status"), "lost"),
    ]
    for name, path, value in changes:
        whole = read_back(graded_photo(), SKIPPED)
        inside: Any = whole
        for step in path[:-1]:
            inside = inside[step]
        inside[path[-1]] = value
        yield name, whole
    for name in ("photos", "program", "units"):
        whole = read_back(graded_photo())
        del whole[name]
        yield f"no {name}", whole


@pytest.mark.parametrize(("name", "whole"), list(broken()), ids=[name for name, _ in broken()])
def test_what_is_wrong_is_refused(name: str, whole: dict[str, Any]) -> None:
    assert not CHECKER.is_valid(whole), name
