"""The page in a phone's browser with the real server: demo photos go up, pictures and actions come down."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from tests.bench.hand import text
from tests.bench.phone import Server, start
from tests.report.browser import PROGRAM, Browser

pytest.importorskip("starlette", reason="the extra 'bench' is not installed")
pytest.importorskip("uvicorn", reason="the extra 'bench' is not installed")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(PROGRAM is None, reason="there is no Chromium on this computer"),
]
DEMO = Path(__file__).parents[2] / "demo_images"
PATIENCE_S = 180.0
"""Grading takes seconds; the tables wait until the computer is quiet."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """``grader bench`` as a process of its own, with the mat and the limits of the demo photos."""
    command = ["-m", "grader", "bench", "trays", "--out", "graded", "--port", "0", "--workers", "1"]
    server = start(tmp_path_factory.mktemp("bench"), command)
    try:
        yield server
    finally:
        server.stop()


def address(bench: Server) -> str:
    return f"http://127.0.0.1:{bench.port}/enter/{bench.token}"


def graded_photo(results: Path, file: Path) -> dict[str, Any]:
    """Return what results.json says of a photo, once it says so: the tables are written after the answer."""
    sha256 = hashlib.sha256(file.read_bytes()).hexdigest()
    end = time.monotonic() + PATIENCE_S
    while True:
        photos = json.loads(results.read_text(encoding="utf-8"))["photos"] if results.exists() else []
        for photo in photos:
            if photo.get("sha256") == sha256:
                found: dict[str, Any] = photo
                return found
        assert time.monotonic() < end, f"{file.name} never came into {results.name}"
        time.sleep(0.2)


def test_demo_photos_come_back_graded_as_grader_grade_leaves_them(bench: Server, browser: Browser) -> None:
    browser.size(390, 844, mobile=True)
    browser.load(address(bench))
    browser.wait_for("document.querySelector('select[name=targets]').options.length > 1", PATIENCE_S)
    assert browser.run("location.pathname") == "/"
    browser.run(
        "(() => { const form = document.getElementById('batch-form'); form.elements.cutter.value = 'Ann';"
        " form.elements.donor.value = 'bed 7';"
        " form.dispatchEvent(new Event('input')); form.requestSubmit(); })()"
    )
    for number, name in enumerate(("bench_soft_light", "crooked_and_heels"), start=1):
        browser.choose_file("#camera" if number == 1 else "#camera-next", DEMO / f"{name}.jpg")
        browser.wait_for(
            f"document.getElementById('tray-title').innerText.startsWith('Tray {number}, ')", PATIENCE_S
        )
        browser.wait_for("document.getElementById('marked').naturalWidth > 1000", PATIENCE_S)
        photo = graded_photo(bench.out / "results.json", DEMO / f"{name}.jpg")
        assert photo["batch"]["cutter"] == "Ann" and photo["batch"]["donor"] == "bed 7"
        heads = browser.run("Array.from(document.querySelectorAll('#cuttings h4'), (e) => e.textContent)")
        for head, cutting in zip(heads, photo["cuttings"], strict=True):
            words = {"1": "grade 1", "2": "grade 2"}.get(cutting["grade"], cutting["grade"])
            assert head == f"Cutting {cutting['number']}{words}at {cutting['cell']}"
        shown = text(browser, "cuttings").replace("\u00a0", " ")
        assert "mm" in shown and " in)" not in shown
    assert browser.run("document.querySelectorAll('#trays a').length") == 2
    assert [c for c in browser.complaints if "favicon" not in c and "404" not in c] == []


def test_an_unusable_photo_is_answered_with_its_advice(
    bench: Server, browser: Browser, tmp_path: Path
) -> None:
    browser.load(address(bench))
    browser.wait_for("document.querySelector('select[name=targets]').options.length > 1", PATIENCE_S)
    black = tmp_path / "black.jpg"
    Image.new("RGB", (1600, 1200)).save(black)
    browser.choose_file("#camera", black)
    browser.wait_for("document.getElementById('bad').getClientRects().length > 0", PATIENCE_S)
    assert "nearly black" in text(browser, "bad-message") and text(browser, "bad-advice")
    assert text(browser, "take-words") == "Photograph it again"
    diary = tmp_path / "diary.jpg"
    diary.write_text("dear diary", encoding="utf-8")
    browser.choose_file("#camera", diary)
    browser.wait_for(
        "document.getElementById('bad').getClientRects().length > 0"
        " && !document.getElementById('bad-message').innerText.includes('black')",
        PATIENCE_S,
    )
    assert text(browser, "bad-message") and text(browser, "bad-advice")


def test_a_stranger_is_told_to_scan_the_code(bench: Server, tmp_path: Path) -> None:
    with Browser(tmp_path / "profile") as stranger:
        stranger.load(f"http://127.0.0.1:{bench.port}/")
        assert "scan" in str(stranger.run("document.body.innerText")).lower()
        assert stranger.run("document.getElementById('camera')") is None
