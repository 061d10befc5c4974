"""The page of the bench in a browser, and a server that does as a test tells it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.bench.double import Double, Plan, told
from tests.report.browser import Browser
from tests.report.folders import results_folder


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("profile")) as browser:
        yield browser


@pytest.fixture(scope="module")
def graded(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    """What is told of a tray with a cutting of each grade, and its marked picture."""
    folder = results_folder(tmp_path_factory.mktemp("results"))
    (photo,) = json.loads((folder / "results.json").read_text(encoding="utf-8"))["photos"]
    answer = told(photo)
    answer["cuttings"][0]["cell"] = "B2"
    return answer, folder / "tray_1.graded.jpg"


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file for the page to send; the double does not look into it."""
    path = tmp_path_factory.mktemp("photos") / "tray.jpg"
    path.write_bytes(b"\xff\xd8" + bytes(300_000))
    return path


@pytest.fixture
def plan(graded: tuple[dict[str, Any], Path]) -> Plan:
    return Plan(results=[graded])


@pytest.fixture
def server(plan: Plan, browser: Browser) -> Iterator[Double]:
    browser.complaints.clear()
    server = Double(plan)
    yield server
    browser.load("about:blank#left")
    server.close()
