"""What the page shows, and whether it can be read, reached and pressed with gloves, in bright light."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from grader.verdict import wording
from tests.bench.double import PAGE, Double, Plan, both
from tests.bench.hand import (
    DESKTOP,
    LANDSCAPE,
    PORTRAIT,
    SMALLEST,
    UNUSABLE,
    enter,
    is_shown,
    key,
    result,
    send,
    text,
    touch,
    wait_until_shown,
    zoom,
)
from tests.report.browser import PROGRAM, Browser

pytestmark = pytest.mark.skipif(PROGRAM is None, reason="there is no Chromium on this computer")
TOUCH_PX, TYPE_PX, ACTION_PX = 56, 18, 24


def test_the_picture_is_zoomed_by_fingers_taps_buttons_and_keys(
    browser: Browser, server: Double, photo: Path
) -> None:
    browser.call("Emulation.setTouchEmulationEnabled", enabled=True, maxTouchPoints=2)
    result(browser, server, photo)
    browser.run("document.getElementById('view').scrollIntoView()")
    box = browser.run(
        "(({x, y, width, height}) => [x, y, width, height])"
        "(document.getElementById('view').getBoundingClientRect())"
    )
    x, y = box[0] + box[2] / 2, box[1] + box[3] / 2
    assert zoom(browser) == pytest.approx(1.0, abs=0.01)
    touch(browser, "touchStart", (x - 30, y), (x + 30, y))
    for spread in (40, 50, 60):
        touch(browser, "touchMove", (x - spread, y), (x + spread, y))
    touch(browser, "touchEnd")
    assert zoom(browser) == pytest.approx(2.0, abs=0.05)  # fingers twice as far apart
    # What lay between the fingers lies there still.
    assert browser.run("document.getElementById('view').scrollLeft") == pytest.approx(box[2] / 2, abs=4)
    browser.run("document.getElementById('whole').click()")
    for _ in range(2):
        touch(browser, "touchStart", (x, y))
        touch(browser, "touchEnd")
    browser.wait_for("document.getElementById('marked').style.width === '300%'")
    browser.run("document.getElementById('whole').click()")
    assert zoom(browser) == pytest.approx(1.0, abs=0.01)
    browser.run("document.getElementById('larger').click()")
    assert zoom(browser) == pytest.approx(1.5, abs=0.02)
    browser.run("document.getElementById('view').focus({ preventScroll: true })")
    key(browser, "+", "+")
    assert zoom(browser) == pytest.approx(2.25, abs=0.03)
    key(browser, "0", "0")
    assert zoom(browser) == pytest.approx(1.0, abs=0.01)
    assert browser.run("visualViewport.scale") == 1
    browser.call("Emulation.setTouchEmulationEnabled", enabled=False)


def test_a_picture_that_does_not_arrive_can_be_fetched_again(
    browser: Browser,
    server: Double,
    plan: Plan,
    photo: Path,
    tmp_path: Path,
    graded: tuple[dict[str, Any], Path],
) -> None:
    late = tmp_path / "late.jpg"
    late.write_bytes(b"")
    plan.results = [(graded[0], late)]
    enter(browser, server)
    send(browser, photo)
    wait_until_shown(browser, "picture-lost")
    late.write_bytes(graded[1].read_bytes())
    browser.run("document.getElementById('picture-again').click()")
    browser.wait_for("document.getElementById('marked').naturalWidth > 0")
    assert not is_shown(browser, "picture-lost")


def test_units_change_everything_shown(browser: Browser, server: Double, plan: Plan, photo: Path) -> None:
    result(browser, server, photo)
    assert " in" not in re.sub(r"[a-z] in ", "", text(browser, "cuttings").replace("\u00a0", " "))
    browser.run("document.getElementById('unit-in').click()")
    shown = text(browser, "cuttings").replace("\u00a0", " ")
    assert plan.trays[0]["cuttings"][0]["length"]["in"] in shown
    assert all(
        " ".join(c["do"]["in"].split()).lower() in " ".join(shown.split()).lower()
        for c in plan.trays[0]["cuttings"]
    )
    browser.load(server.address)
    browser.wait_for("document.getElementById('unit-in').checked")
    browser.run("document.getElementById('unit-mm').click()")


def test_those_ready_to_stick_can_be_hidden(
    browser: Browser, server: Double, plan: Plan, photo: Path
) -> None:
    result(browser, server, photo)
    actions = [cutting["do"]["mm"] for cutting in plan.trays[0]["cuttings"]]
    left = [action for action in actions if not action.lower().startswith("stick")]
    assert 0 < len(left) < len(actions)
    browser.run("document.getElementById('hide-ready').click()")
    shown = "Array.from(document.querySelectorAll('#cuttings > li')).filter((e) => !e.hidden).length"
    assert browser.run(shown) == len(left)
    assert text(browser, "tell") == f"{len(left)} of {len(actions)} cuttings shown"


def test_the_words_that_the_page_looks_for_are_those_of_the_advice() -> None:
    parts = (PAGE / "parts.js").read_text(encoding="utf-8")
    (ready,) = re.findall(r"READY = /(.*)/i", parts)
    (blade,) = re.findall(r"BLADE = /(.*)/i", parts)
    assert all(re.match(ready, step.words) for step in wording._STICK.values())
    source = Path(str(wording.__file__)).read_text(encoding="utf-8")
    for words in ("cut again ", "cut the top off ", "divide "):
        assert f'f"{words}' in source and re.search(blade, words)
    for words in (
        "strip 3 mm more",
        "discard: crooked",
        "set aside: may be crooked",
        "measure by hand: total length, ruler along the stem, cut end to tip: at most 100.0 mm",
    ):
        assert not re.match(ready, words) and not re.search(blade, words)


def test_the_caution_for_blades_is_that_of_the_sticking_sheet(
    browser: Browser, server: Double, plan: Plan, photo: Path, graded: tuple[dict[str, Any], Path]
) -> None:
    values = tomllib.loads((files("grader.stick") / "values.toml").read_text(encoding="utf-8"))
    (blades,) = (caution["text"] for caution in values["cautions"] if caution["thing"] == "Blades")
    cuttings = [{**cutting, "do": both("stick")} for cutting in graded[0]["cuttings"]]
    cut = [
        *cuttings[:-1],
        {**cuttings[-1], "do": both("cut the top off 98 mm (3.86 in) above the base, stick")},
    ]
    plan.results = [
        ({**graded[0], "cuttings": cut}, graded[1]),
        ({**graded[0], "cuttings": cuttings}, graded[1]),
    ]
    result(browser, server, photo)
    shown = browser.run(
        "Array.from(document.querySelectorAll('.caution')).filter((e) => e.getClientRects().length)"
        ".map((e) => e.innerText).join(' ')"
    )
    assert shown == blades
    send(browser, photo, "camera-next")
    browser.wait_for("document.getElementById('tray-title').innerText.startsWith('Tray 2,')")
    assert not is_shown(browser, "blades") and not is_shown(browser, "blades-after")


SCREENS = [PORTRAIT, LANDSCAPE, DESKTOP, SMALLEST]
STATES = ("home", "result", "bad", "busy")


@pytest.mark.parametrize("size_px", SCREENS, ids=[f"{w}x{h}" for w, h in SCREENS])
@pytest.mark.parametrize("font_percent", [100, 200])
def test_all_states_fit_gloves_eyes_and_window(
    browser: Browser,
    server: Double,
    plan: Plan,
    photo: Path,
    graded: tuple[dict[str, Any], Path],
    size_px: tuple[int, int],
    font_percent: int,
) -> None:
    plan.results = [graded, (UNUSABLE, None)]
    enter(browser, server, size_px)
    browser.run(f"document.documentElement.style.fontSize = '{1.125 * font_percent}%'")
    for state in STATES:
        if state == "result":
            send(browser, photo)
            wait_until_shown(browser, "result")
        elif state == "bad":
            send(browser, photo, "camera-next")
            wait_until_shown(browser, "bad")
        elif state == "busy":
            plan.refusals = [(503, {"message": "Busy.", "advice": "Wait."}, {"Retry-After": "60"})]
            send(browser, photo)
            wait_until_shown(browser, "again")
        problems = browser.run(f"({PROBLEMS})({size_px[0]}, {TOUCH_PX}, {TYPE_PX}, {ACTION_PX})")
        assert problems == [], (state, problems)
        if state == "result":
            # The way to the next tray is always there, at the bottom.
            for y in (0, 400, 10_000):
                browser.run(f"scrollTo(0, {y})")
                box = "document.querySelector('#next .big').getBoundingClientRect()"
                assert 0 < browser.run(f"innerHeight - {box}.bottom") < 20
    browser.run("document.getElementById('drop').click()")


PROBLEMS = """(width, touch, type, action) => {
  const found = [];
  const seen = (e) => e.getClientRects().length > 0 && !e.closest('.unseen') && !e.closest('svg');
  const wide = document.documentElement.scrollWidth;
  if (wide > width) found.push(`page ${wide} px wide`);
  const touched = 'button, select, form input, label.big, label.plain, #unit label, summary, .check, a';
  for (const e of document.querySelectorAll(touched)) {
    if (!seen(e)) continue;
    const { width: w, height: h } = e.getBoundingClientRect();
    if (h < touch - .5 || w < touch - .5) found.push(`${e.id || e.textContent}: ${w} x ${h}`);
  }
  for (const e of document.querySelectorAll('body *')) {
    if (!seen(e) || !Array.from(e.childNodes).some((n) => n.nodeType === 3 && n.data.trim())) continue;
    const px = parseFloat(getComputedStyle(e).fontSize);
    if (px < type - .01) found.push(`${e.textContent}: ${px} px`);
    if (e.className === 'do' && px < action) found.push(`action: ${px} px`);
    const box = e.getBoundingClientRect();
    if (box.right > width + 1 || box.left < -1) found.push(`${e.textContent} reaches ${box.right}`);
    const isBlock = getComputedStyle(e).display !== 'inline';
    if (isBlock && e.scrollWidth > e.clientWidth + 1) found.push(`${e.textContent} is cut`);
  }
  const ids = Array.from(document.querySelectorAll('[id]'), (e) => e.id);
  if (new Set(ids).size !== ids.length) found.push('an id twice');
  for (const e of document.querySelectorAll('input, select')) {
    if (!e.labels.length) found.push(`${e.id || e.name} has no label`);
  }
  return found;
}"""


def test_text_is_dark_enough_for_bright_light() -> None:
    """Contrast at least 7:1 (WCAG 2.2, success criterion 1.4.6), of the colours that text has."""

    def light(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    def contrast(one: str, other: str) -> float:
        high, low = sorted((light(one), light(other)), reverse=True)
        return (high + 0.05) / (low + 0.05)

    named = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", (PAGE / "bench.css").read_text(encoding="utf-8")))
    for ink in ("muted", "link", "go"):
        assert contrast(named[ink], "#ffffff") >= 7.0 and contrast(named[ink], named["soft"]) >= 7.0


def test_motion_stops_for_those_who_ask(browser: Browser, server: Double, plan: Plan, photo: Path) -> None:
    plan.states = [{"state": "measuring"}] * 99
    try:
        browser.call(
            "Emulation.setEmulatedMedia", features=[{"name": "prefers-reduced-motion", "value": "reduce"}]
        )
        enter(browser, server)
        send(browser, photo)
        wait_until_shown(browser, "tray-state")
        assert browser.run("document.getAnimations({subtree: true}).length") == 0
        browser.call("Emulation.setEmulatedMedia", features=[])
        assert browser.run("document.getAnimations({subtree: true}).length") == 1
    finally:
        browser.call("Emulation.setEmulatedMedia", features=[])


def test_the_page_asks_nobody_else_and_needs_no_hole_in_its_policy() -> None:
    for file in PAGE.iterdir():
        source = file.read_text(encoding="utf-8")
        addresses = set(re.findall(r"https?://[^\"'\s]+", source))
        assert addresses <= {"http://www.w3.org/2000/svg"}, file
        if file.suffix == ".html":
            assert not re.search(r"\son\w+=|\sstyle=|<style|<script>|javascript:", source)
        if file.suffix == ".js":
            assert not re.search(r"innerHTML|insertAdjacentHTML|document\.write|\beval\b", source)


def test_without_script_the_page_says_what_to_do(browser: Browser, server: Double) -> None:
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.call("Page.navigate", url=server.address)
        browser.wait_for("document.querySelector('noscript') !== null && document.readyState === 'complete'")
        assert "needs script" in browser.run("document.querySelector('noscript').innerText")
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)
