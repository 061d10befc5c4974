"""The page in a phone's browser, against a server that does as it is told: what a person sees and hears."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path
from typing import Any

import pytest

from tests.bench.double import Double, Plan, both
from tests.bench.hand import DESKTOP, UNUSABLE, enter, is_shown, result, send, text, wait_until_shown
from tests.report.browser import PROGRAM, Browser

pytestmark = pytest.mark.skipif(PROGRAM is None, reason="there is no Chromium on this computer")
EVIL = "<img src=x onerror=alert(1)>"


def test_a_photo_goes_out_with_its_batch_and_comes_back_as_a_list(
    browser: Browser, server: Double, plan: Plan, photo: Path
) -> None:
    enter(browser, server)
    assert browser.run("document.getElementById('camera').getAttribute('capture')") == "environment"
    assert browser.run("document.getElementById('chooser').hasAttribute('capture')") is False
    browser.run(
        "(() => { const form = document.getElementById('batch-form'); form.elements.cutter.value = 'Ann';"
        " form.elements.donor.value = ' bed 7 '; form.elements.targets.value = 'rosemary';"
        " form.dispatchEvent(new Event('input')); form.requestSubmit(); })()"
    )
    assert not browser.run("document.getElementById('batch').open")
    assert text(browser, "batch-line") == "Ann, bed 7, Rosemary"
    plan.states = [{"state": "waiting", "ahead": 2}] * 2 + [{"state": "measuring"}] * 2
    send(browser, photo)
    for words in ("2 photos before yours", "Measuring"):
        browser.wait_for(f"document.getElementById('tell').textContent === '{words}'")
        assert text(browser, "tray-state") == words
    wait_until_shown(browser, "result")
    (upload,) = plan.uploads
    assert upload == {
        "cutter": "Ann",
        "donor": "bed 7",
        "species": "",
        "targets": "rosemary",
        "n_bytes": photo.stat().st_size,
    }
    n = len(plan.trays[0]["cuttings"])
    assert text(browser, "tray-title").startswith(f"Tray 1, {n} cuttings: ")
    assert browser.run("document.activeElement.id") == "tray-title"
    assert text(browser, "tell") == text(browser, "tray-title")
    rows = browser.run("Array.from(document.querySelectorAll('#cuttings > li'), (e) => e.innerText)")
    for row, cutting in zip(rows, plan.trays[0]["cuttings"], strict=True):
        words = " ".join(row.split()).lower()
        assert words.startswith(f"cutting {cutting['number']} ")
        assert cutting["grade"] in words
        assert not cutting["cell"] or f"at {cutting['cell']}".lower() in words
        for part in ("do", "why", "length", "stripped", "diameter"):
            assert " ".join(cutting[part]["mm"].split()).lower() in words
    # It asks no more once it is done, and the batch is remembered.
    time.sleep(0.3)
    asked = plan.n_asked
    time.sleep(1.2)
    assert plan.n_asked == asked
    browser.load(server.address)
    browser.wait_for("document.getElementById('batch-line').textContent === 'Ann, bed 7, Rosemary'")
    assert not browser.run("document.getElementById('batch').open")
    assert [c for c in browser.complaints if "favicon" not in c and "404" not in c] == []


def test_the_next_tray_and_the_earlier_ones(
    browser: Browser, server: Double, plan: Plan, photo: Path, graded: tuple[dict[str, Any], Path]
) -> None:
    plan.results = [graded, (UNUSABLE, None), ({**graded[0], "cuttings": [], "counts": {}}, graded[1])]
    result(browser, server, photo)
    first = text(browser, "tray-title")
    assert is_shown(browser, "next") and not is_shown(browser, "take")
    send(browser, photo, "camera-next")
    wait_until_shown(browser, "bad")
    assert text(browser, "bad-title") == "Tray 2 cannot be used"
    assert text(browser, "bad-message") == UNUSABLE["message"]
    assert text(browser, "bad-advice") == UNUSABLE["advice"]
    assert browser.run("document.activeElement.id") == "bad-title"
    assert is_shown(browser, "take") and text(browser, "take-words") == "Photograph it again"
    assert not is_shown(browser, "next")
    send(browser, photo, "chooser")
    browser.wait_for("document.getElementById('tray-title').innerText === 'Tray 3, no cutting found'")
    links = browser.run("Array.from(document.querySelectorAll('#trays a'), (e) => e.innerText)")
    assert [link.split()[1] for link in links] == ["3", "2", "1"]
    assert "cannot be used" in links[1] and "1 grade 1" in links[2] and "1 cull" in links[2]
    browser.run("document.querySelectorAll('#trays a')[2].click()")
    browser.wait_for(f"document.getElementById('tray-title').innerText === {json.dumps(first)}")
    browser.run("history.back()")
    browser.wait_for("document.getElementById('tray-title').innerText === 'Tray 3, no cutting found'")
    # A page that is loaded again shows the same tray.
    address = browser.run("location.href")
    browser.load(address)
    browser.wait_for("document.getElementById('tray-title').innerText === 'Tray 3, no cutting found'")


def test_a_busy_computer_is_told_and_tried_again_by_itself(
    browser: Browser, server: Double, plan: Plan, photo: Path
) -> None:
    busy = {"message": "Eight photos are waiting already.", "advice": "Wait a moment."}
    plan.refusals = [(503, busy, {"Retry-After": "2"})]
    enter(browser, server)
    send(browser, photo)
    browser.wait_for("document.getElementById('sending-title').innerText === 'The computer is busy'")
    state = text(browser, "sending-state")
    assert busy["message"] in state and "Your photo is kept." in state
    assert re.search(r"Sent again in [12] s\.", state)
    assert busy["message"] in text(browser, "tell") and busy["advice"] in text(browser, "sending-advice")
    assert browser.run("document.activeElement.id") == "again" and plan.uploads == []
    wait_until_shown(browser, "result")
    assert [upload["n_bytes"] for upload in plan.uploads] == [photo.stat().st_size]


def test_a_lost_connection_keeps_the_photo(browser: Browser, server: Double, plan: Plan, photo: Path) -> None:
    plan.hang_up = 99  # the browser itself tries once more
    enter(browser, server)
    send(browser, photo)
    browser.wait_for("document.getElementById('sending-title').innerText === 'Not sent yet'")
    assert "No connection" in text(browser, "sending-state") and is_shown(browser, "again")
    plan.hang_up = 0
    browser.run("document.getElementById('again').click()")
    wait_until_shown(browser, "result")
    assert len(plan.uploads) == 1


def test_several_pictures_go_one_after_the_other_and_none_is_lost(
    browser: Browser, server: Double, plan: Plan, photo: Path
) -> None:
    plan.refusals = [(500, {"message": "A slip of ours.", "advice": "Send it again."}, {})]
    enter(browser, server)
    browser.choose_file("#chooser", photo, photo, photo)
    browser.wait_for("document.getElementById('sending-title').innerText === 'Not sent yet'")
    assert text(browser, "sending-more") == "2 more photos to send after it."
    browser.run("document.getElementById('drop').click()")
    browser.wait_for("document.querySelectorAll('#trays li').length === 2")
    assert len(plan.uploads) == 2 and not is_shown(browser, "sending")


@pytest.mark.parametrize("status", [400, 413, 415, 422])
def test_a_photo_that_is_not_taken_is_answered_with_advice(
    browser: Browser, server: Double, plan: Plan, photo: Path, status: int
) -> None:
    plan.refusals = [(status, {"message": "It is not a picture.", "advice": "Send a photo."}, {})]
    enter(browser, server)
    send(browser, photo)
    wait_until_shown(browser, "bad")
    assert (text(browser, "bad-message"), text(browser, "bad-advice")) == (
        "It is not a picture.",
        "Send a photo.",
    )
    assert browser.run("document.activeElement.id") == "bad-title" and is_shown(browser, "take")
    send(browser, photo)
    wait_until_shown(browser, "result")
    assert not is_shown(browser, "bad")


def test_a_picture_too_large_is_not_even_sent(
    browser: Browser, server: Double, plan: Plan, photo: Path
) -> None:
    plan.setup["max_mb"] = 0.2
    enter(browser, server)
    send(browser, photo)
    wait_until_shown(browser, "bad")
    assert "up to 0.2 MB are taken" in text(browser, "bad-message") and plan.uploads == []


def test_a_pass_that_is_not_known_any_more_says_to_scan_again(
    browser: Browser, server: Double, plan: Plan, photo: Path
) -> None:
    plan.refusals = [(403, {"message": "This page is open only to those who have its code."}, {})]
    enter(browser, server)
    send(browser, photo)
    browser.wait_for("document.getElementById('sending-advice').innerText.includes('Scan the code')")
    assert "Your photo is kept." in text(browser, "sending-state")
    plan.is_closed = True
    browser.load(server.address)
    browser.wait_for("document.getElementById('batch-line').innerText.includes('Scan the code')")


def test_a_slip_of_the_computer_offers_the_same_photo_again(
    browser: Browser, server: Double, plan: Plan, photo: Path, graded: tuple[dict[str, Any], Path]
) -> None:
    failed = {"state": "failed", "message": "Something went wrong here.", "advice": "Send it once more."}
    plan.results = [(failed, None), graded]
    enter(browser, server)
    send(browser, photo)
    wait_until_shown(browser, "bad-again")
    assert text(browser, "bad-title") == "Tray 1: something went wrong on the computer"
    browser.run("document.getElementById('bad-again').click()")
    wait_until_shown(browser, "result")
    assert [upload["n_bytes"] for upload in plan.uploads] == 2 * [photo.stat().st_size]


def test_a_dropped_picture_is_sent(browser: Browser, server: Double, plan: Plan) -> None:
    enter(browser, server, DESKTOP)
    browser.run(
        "(() => { const dataTransfer = new DataTransfer();"
        " dataTransfer.items.add(new File(['abc'], 'a.jpg', {type: 'image/jpeg'}));"
        " const how = {dataTransfer, bubbles: true, cancelable: true};"
        " document.body.dispatchEvent(new DragEvent('drop', how)); })()"
    )
    wait_until_shown(browser, "result")
    assert [upload["n_bytes"] for upload in plan.uploads] == [3]


def test_words_from_others_are_shown_and_never_run(
    browser: Browser, server: Double, plan: Plan, photo: Path, graded: tuple[dict[str, Any], Path]
) -> None:
    evil = {name: both(EVIL) for name in ("do", "why", "length", "stripped", "diameter")}
    cutting = {"number": 1, "cell": EVIL, "grade": "2", **evil}
    aside = [{"label": EVIL, "why": EVIL}]
    plan.results = [({**graded[0], "cuttings": [cutting], "set_aside": aside, "warnings": [EVIL]}, graded[1])]
    plan.setup["chosen"] = {"cutter": EVIL, "donor": EVIL, "species": "", "targets": "rosemary"}
    browser.load(server.address)
    browser.run("localStorage.clear()")
    result(browser, server, photo)
    assert browser.run("document.images.length") == 1
    assert text(browser, "cuttings").count(EVIL) == 6 and EVIL in text(browser, "aside")
    assert EVIL in text(browser, "trays") and EVIL in text(browser, "batch-line")


def test_memory_that_is_forbidden_or_spoilt_stops_nothing(
    browser: Browser, server: Double, photo: Path
) -> None:
    browser.load(server.address)
    browser.run("localStorage.setItem('grading-bench', '{spoilt')")
    result(browser, server, photo)
    script = "Object.defineProperty(window, 'localStorage', {get() { throw new Error('forbidden'); }})"
    added = browser.call("Page.addScriptToEvaluateOnNewDocument", source=script)["identifier"]
    try:
        result(browser, server, photo)
        browser.run("document.getElementById('unit-in').click()")
        assert " in" in text(browser, "cuttings").replace("\u00a0", " ")
    finally:
        browser.call("Page.removeScriptToEvaluateOnNewDocument", identifier=added)
