"""What a hand does on the page in a browser, and what an eye reads there."""

from __future__ import annotations

from pathlib import Path

from tests.bench.double import Double
from tests.report.browser import Browser

PORTRAIT, LANDSCAPE, DESKTOP, SMALLEST = (390, 844), (844, 390), (1280, 900), (320, 568)
UNUSABLE = {
    "state": "unusable",
    "message": "The mat was not found.",
    "advice": "Hold the phone higher, so that all four edges are in the picture.",
}


def enter(browser: Browser, server: Double, size_px: tuple[int, int] = PORTRAIT) -> None:
    browser.size(*size_px, mobile=size_px != DESKTOP)
    browser.load(server.address)
    browser.wait_for("document.querySelector('select[name=targets]').options.length > 0")


def send(browser: Browser, photo: Path, by: str = "camera") -> None:
    browser.choose_file(f"#{by}", photo)


def text(browser: Browser, id_: str) -> str:
    return str(browser.run(f"document.getElementById('{id_}').innerText"))


def is_shown(browser: Browser, id_: str) -> bool:
    return bool(browser.run(f"document.getElementById('{id_}').getClientRects().length > 0"))


def wait_until_shown(browser: Browser, id_: str) -> None:
    browser.wait_for(f"document.getElementById('{id_}').getClientRects().length > 0")


def result(browser: Browser, server: Double, photo: Path, size_px: tuple[int, int] = PORTRAIT) -> None:
    enter(browser, server, size_px)
    send(browser, photo)
    wait_until_shown(browser, "result")
    browser.wait_for("document.getElementById('marked').naturalWidth > 0")


def key(browser: Browser, name: str, letter: str = "") -> None:
    browser.call("Input.dispatchKeyEvent", type="keyDown", key=name, text=letter)
    browser.call("Input.dispatchKeyEvent", type="keyUp", key=name)


def touch(browser: Browser, kind: str, *points: tuple[float, float]) -> None:
    at = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(points)]
    browser.call("Input.dispatchTouchEvent", type=kind, touchPoints=at)


def zoom(browser: Browser) -> float:
    return float(
        browser.run(
            "document.getElementById('marked').offsetWidth / document.getElementById('view').clientWidth"
        )
    )
