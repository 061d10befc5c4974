"""The page as a browser shows it: sort and filter, without script, on a phone, on paper, in a large batch."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pymupdf
import pytest
from PIL import Image

from grader.report import write_report
from tests.report.browser import PROGRAM, Browser
from tests.report.folders import results_folder
from tests.report.repeated import repeat_batch, repeat_cuttings
from tests.report.test_report import evil_folder

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(PROGRAM is None, reason="there is no Chromium on this computer"),
]
SHOWN = (
    "Array.from(document.getElementById('cuttings-body').rows)"
    ".filter((r) => !r.hidden).map((r) => ({...r.dataset, id: r.id,"
    " length: r.querySelector('[data-by=total_length_mm]').dataset.v}))"
)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("profile")) as browser:
        yield browser


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three trays of invented cuttings with their marked pictures."""
    return results_folder(tmp_path_factory.mktemp("results"), n_photos=3)


@pytest.fixture(scope="module")
def page(source: Path) -> Path:
    return write_report(source).page


def shown(browser: Browser) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = browser.run(SHOWN)
    return rows


def told(browser: Browser) -> str:
    return str(browser.run("document.getElementById('shown').textContent"))


def wait_for(browser: Browser, expression: str) -> None:
    end = time.monotonic() + 10.0
    while not browser.run(expression):
        assert time.monotonic() < end, expression
        time.sleep(0.05)


def test_all_is_shown_first_and_nothing_complains(browser: Browser, page: Path) -> None:
    browser.complaints.clear()
    browser.open(page)
    assert [row["id"] for row in shown(browser)] == [f"p{p}c{c}" for p in (1, 2, 3) for c in (1, 2, 3, 4)]
    assert told(browser) == "12 of 12 cuttings shown"
    browser.run("document.querySelectorAll('img').forEach((i) => { i.loading = 'eager'; })")
    wait_for(browser, "Array.from(document.images).every((i) => i.complete && i.naturalWidth > 0)")
    assert browser.run("document.images.length") == 4 + 3 + 12
    assert browser.complaints == []


def test_the_address_filters_and_sorts(browser: Browser, page: Path) -> None:
    browser.open(page, "#?grade=2,unsure&sort=total_length_mm&dir=down")
    rows = shown(browser)
    assert {row["grade"] for row in rows} == {"2", "unsure"} and len(rows) == 6
    lengths = [float(row["length"]) for row in rows]
    assert lengths == sorted(lengths, reverse=True) and lengths[0] > lengths[-1]
    assert browser.run("document.querySelector('[aria-sort]').dataset.sort") == "total_length_mm"
    browser.open(page, "#?rule=D02")
    assert shown(browser) and all("D02" in row["rules"].split() for row in shown(browser))
    browser.open(page, "#?photo=2&find=WITHIN+limits")
    assert [row["id"] for row in shown(browser)] == ["p2c1"]
    browser.open(page, "#?cutter=Ann")
    assert {row["photo"] for row in shown(browser)} == {"1", "3"}


def test_an_address_that_asks_for_nonsense_shows_all(browser: Browser, page: Path) -> None:
    browser.complaints.clear()
    browser.open(page, "#?rule=X99&photo=77&sort=beauty&dir=sideways&cutter=%3Cscript%3E")
    assert len(shown(browser)) == 12
    browser.open(page, "#p9c9")
    assert len(shown(browser)) == 12
    assert browser.complaints == []


def test_clicks_sort_and_filter(browser: Browser, page: Path) -> None:
    browser.open(page)
    head = "document.querySelector('th[data-sort=total_length_mm] button')"
    browser.run(f"{head}.click()")
    up = [float(row["length"]) for row in shown(browser)]
    browser.run(f"{head}.click()")
    down = [float(row["length"]) for row in shown(browser)]
    assert up == sorted(up) and down == sorted(down, reverse=True) and up != down
    browser.run("document.querySelector('input[value=cull]').click()")
    wait_for(browser, "document.getElementById('shown').textContent === '9 of 12 cuttings shown'")
    assert "cull" not in {row["grade"] for row in shown(browser)}
    # A link to a row that is filtered out brings it back.
    browser.run("location.hash = '#p2c3'")
    wait_for(browser, "document.getElementById('shown').textContent === '12 of 12 cuttings shown'")
    browser.run("document.querySelector('a[href=\"#?photo=3\"]').click()")
    wait_for(browser, "document.getElementById('shown').textContent === '4 of 12 cuttings shown'")
    browser.run("document.querySelector('#choose button[type=reset]').click()")
    wait_for(browser, "document.getElementById('shown').textContent === '12 of 12 cuttings shown'")


def test_it_goes_by_keyboard(browser: Browser, page: Path) -> None:
    browser.open(page)
    for kind in ("rawKeyDown", "keyUp"):
        browser.call("Input.dispatchKeyEvent", type=kind, key="Tab", code="Tab", windowsVirtualKeyCode=9)
    assert browser.run("document.activeElement.className") == "skip"
    browser.run("document.querySelector('th[data-sort=total_length_mm] button').focus()")
    browser.call(
        "Input.dispatchKeyEvent",
        type="keyDown",
        key="Enter",
        code="Enter",
        windowsVirtualKeyCode=13,
        text="\r",
    )
    browser.call("Input.dispatchKeyEvent", type="keyUp", key="Enter", code="Enter", windowsVirtualKeyCode=13)
    wait_for(browser, "document.querySelector('[aria-sort]')?.dataset.sort === 'total_length_mm'")


def test_without_script_all_is_there_and_no_control_pretends(browser: Browser, page: Path) -> None:
    browser.open(page, script=False)
    assert len(shown(browser)) == 12
    visible = "(e) => e.getClientRects().length > 0"
    assert not browser.run(
        f"Array.from(document.querySelectorAll('form, button, .script-only')).some({visible})"
    )
    assert browser.run(f"Array.from(document.querySelectorAll('.why strong')).every({visible})")
    browser.call("Emulation.setScriptExecutionDisabled", value=False)


@pytest.mark.parametrize("width_px", [320, 390, 768, 1087, 1088, 1280, 1920])
def test_nothing_is_wider_than_the_window(browser: Browser, page: Path, width_px: int) -> None:
    browser.open(page, width_px=width_px)
    # Parts that are drawn only when they come near would hide what is too wide.
    browser.run(
        "document.querySelectorAll('.photo, tr').forEach((e) => { e.style.contentVisibility = 'visible'; })"
    )
    assert browser.run("document.documentElement.scrollWidth") <= width_px
    right = browser.run(
        "Math.max(...Array.from(document.querySelectorAll('td, th, p, li, dd, img, .controls *'))"
        ".filter((e) => e.getClientRects().length && !e.closest('.skip'))"
        ".map((e) => e.getBoundingClientRect().right))"
    )
    assert right <= width_px


def test_it_prints_every_cutting_and_nothing_to_click(browser: Browser, page: Path) -> None:
    browser.open(page)
    with pymupdf.open(stream=browser.pdf()) as pdf:
        text = " ".join(sheet.get_text() for sheet in pdf)
        n_images = sum(len(sheet.get_images()) for sheet in pdf)
    assert text.count("Do: ") == 12
    assert "Sort by" not in text and "more measurements" not in text and "What the rules mean" in text
    assert n_images >= 3 + 12
    browser.open(page, "#?grade=1")
    with pymupdf.open(stream=browser.pdf()) as pdf:
        text = " ".join(sheet.get_text() for sheet in pdf)
    assert text.count("Do: ") == 3 and "3 of 12 cuttings shown" in text


def test_a_moved_page_with_its_folder_still_shows_its_pictures(
    browser: Browser, source: Path, tmp_path: Path
) -> None:
    made = write_report(source, tmp_path / "a" / "my day #1.html", one_file=False)
    assert made.folder is not None
    shutil.move(tmp_path / "a", tmp_path / "b c")
    browser.complaints.clear()
    browser.open(tmp_path / "b c" / "my day #1.html")
    browser.run("document.querySelectorAll('img').forEach((i) => { i.loading = 'eager'; })")
    wait_for(browser, "Array.from(document.images).every((i) => i.complete && i.naturalWidth > 0)")
    assert browser.complaints == []


def test_an_attack_in_a_name_is_shown_and_never_run(browser: Browser, tmp_path: Path) -> None:
    browser.complaints.clear()
    browser.open(write_report(evil_folder(tmp_path)).page)
    assert browser.run("document.scripts.length") == 1
    # A file name cannot hold "/".
    assert "<script>alert(1)<_script>" in browser.run("document.querySelector('#p1 h3').textContent")
    value = browser.run("document.querySelector('select[name=cutter]').options[1].value")
    assert value.startswith("<script>")
    browser.run("document.querySelector('select[name=cutter]').selectedIndex = 1")
    browser.run("document.getElementById('choose').dispatchEvent(new Event('input'))")
    wait_for(browser, "document.getElementById('shown').textContent === '4 of 8 cuttings shown'")
    assert browser.complaints == []


def test_a_tray_of_forty(browser: Browser, source: Path, tmp_path: Path) -> None:
    repeat_cuttings(source, tmp_path, 40)
    browser.open(write_report(tmp_path).page, "#?sort=base_diameter_mm", width_px=390)
    assert told(browser) == "40 of 40 cuttings shown"
    assert shown(browser)[-1]["photo"] == "1" and "p1c40" in {row["id"] for row in shown(browser)}


def test_three_hundred_photos(browser: Browser, source: Path, tmp_path: Path) -> None:
    repeat_batch(source, tmp_path, 300)
    made = write_report(tmp_path)
    assert made.folder is not None and made.n_photos == 300
    assert made.n_bytes < 300e6
    browser.open(made.page)
    assert told(browser) == "1200 of 1200 cuttings shown"
    took_ms = browser.run(
        "(() => { const t = performance.now();"
        " document.querySelector('th[data-sort=total_length_mm] button').click();"
        " document.body.offsetHeight; return performance.now() - t; })()"
    )
    assert took_ms < 5000.0  # some tenths of a second; the bound is for slow, busy computers
    with Image.open(made.folder / "p300c1.graded.jpg") as crop:
        assert max(crop.size) <= 240
