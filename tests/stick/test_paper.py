"""The printed sheet: codes that read back, words that are there, pages that hold what they should."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pymupdf
import pytest

from grader.stick.ids import PATTERN
from grader.stick.labels import LABEL_MM, QR_MM
from grader.stick.paper import PAPERS_MM
from grader.stick.plan import StickPlan
from grader.stick.room import open_container
from grader.stick.sheet import sheet_pdf
from tests.stick.invented_results import Invented, plan_of

POINT_MM = 25.4 / 72
DPI = 300
PHONE_DPI = 120
"""A label 92 mm wide is 430 px then: a phone an arm's length away."""
BATCH = {"species": "invented creeping juniper", "donor": "bed 7", "cutter": "Ann"}


def big_plan(folder: Path, batch: dict[str, str] | None = None) -> StickPlan:
    """Return a plan with three groups, 11 containers, and some that cannot be stuck so deep."""
    random = np.random.default_rng(4)
    sizes = np.concatenate([random.normal(70, 1.5, 40), random.normal(96, 1.5, 40)])
    cuttings = [Invented(float(size), float(random.normal(27, 3))) for size in sizes]
    cuttings += [Invented(grade="2")] * 8 + [Invented(grade="cull"), Invented(grade="unsure")]
    return plan_of(folder, cuttings, open_container((200.0, 120.0), 60.0, 50.0), batch)


def pages_of(data: bytes, dpi: int) -> list[np.ndarray]:
    """Return each page as grey picture (H, W)."""
    with pymupdf.open(stream=data) as document:
        found = []
        for page in document:
            pixmap = page.get_pixmap(dpi=dpi, colorspace=pymupdf.csGRAY)
            found.append(
                np.frombuffer(pixmap.samples, np.uint8).reshape(pixmap.height, pixmap.stride)[
                    :, : pixmap.width
                ]
            )
        return found


def text_of(data: bytes) -> str:
    with pymupdf.open(stream=data) as document:
        return " ".join(" ".join(page.get_text().split()) for page in document)


def codes_in(page: np.ndarray) -> list[str]:
    is_found, texts, _, _ = cv2.QRCodeDetector().detectAndDecodeMulti(np.ascontiguousarray(page))
    return [text for text in texts if text] if is_found else []


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_every_label_reads_back_from_the_page(tmp_path: Path, paper: str) -> None:
    plan = big_plan(tmp_path, BATCH)
    ids = [box.id for item in plan.groups for box in item.containers]
    assert len(ids) == 11
    read = [code for page in pages_of(sheet_pdf(plan, paper), DPI) for code in codes_in(page)]
    assert sorted(read) == sorted(ids)


@pytest.mark.parametrize("damage", ["far", "blurred", "smudged", "tilted"])
def test_a_label_reads_back_as_a_phone_sees_it(tmp_path: Path, damage: str) -> None:
    plan = plan_of(tmp_path, [Invented()] * 3)
    page = pages_of(sheet_pdf(plan, "A4"), PHONE_DPI if damage == "far" else DPI)[-1]
    size_px = page.shape[0] / PAPERS_MM["A4"][1]
    label = page[: round(80 * size_px), : round(120 * size_px)].copy()
    if damage == "blurred":
        label = cv2.GaussianBlur(label, ksize=(0, 0), sigmaX=0.25 * size_px)
    elif damage == "smudged":
        corner = round(33 * size_px)
        label[corner : corner + round(3 * size_px), corner : corner + round(3 * size_px)] = 90
    elif damage == "tilted":
        h, w = label.shape
        seen = np.array([[0, 0], [w, 0.06 * h], [0.94 * w, h], [0.03 * w, 0.92 * h]], dtype=np.float32)
        flat = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float32)
        label = cv2.warpPerspective(label, cv2.getPerspectiveTransform(flat, seen), (w, h), borderValue=255)
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(label)
    assert text == plan.groups[0].containers[0].id


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_pages_have_the_size_of_the_paper_and_nothing_leaves_them(tmp_path: Path, paper: str) -> None:
    data = sheet_pdf(big_plan(tmp_path, BATCH), paper)
    with pymupdf.open(stream=data) as document:
        for page in document:
            size_mm = (page.rect.width * POINT_MM, page.rect.height * POINT_MM)
            assert size_mm == pytest.approx(PAPERS_MM[paper], abs=0.1)
            for box in [pymupdf.Rect(word[:4]) for word in page.get_text("words")]:
                assert page.rect.contains(box)
            for drawing in page.get_drawings():
                assert page.rect.contains(drawing["rect"])


def test_a_code_is_as_large_as_it_says(tmp_path: Path) -> None:
    """30 mm with four white squares on each side; 17 signs at level Q need 25 squares: ISO/IEC 18004."""
    page = pages_of(sheet_pdf(plan_of(tmp_path, [Invented()]), "A4"), DPI)[-1]
    _, points, _ = cv2.QRCodeDetector().detectAndDecode(np.ascontiguousarray(page))
    side_px = float(np.linalg.norm(points[0][1] - points[0][0]))
    assert side_px * 25.4 / DPI == pytest.approx(QR_MM * 25 / 33, abs=0.5)


def test_labels_hold_what_a_person_needs(tmp_path: Path) -> None:
    plan = big_plan(tmp_path, BATCH)
    with pymupdf.open(stream=sheet_pdf(plan, "A4")) as document:
        pages = [page.get_text() for page in document]
    labels = "\n".join(text for text in pages if "stuck 2026-03-02" in text)
    for words in (
        BATCH["species"],
        "donor bed 7",
        "cut by Ann",
        "grade 1, 8 cuttings",
        "grade 2, 8 cuttings",
    ):
        assert words in labels
    for item in plan.groups:
        assert item.id in labels
    assert labels.count("container 1 of") == len(plan.groups)


def test_labels_fit_their_frames(tmp_path: Path) -> None:
    long = {
        "species": "invented juniper with a name that is longer than any label " * 3,
        "donor": "x" * 200,
        "cutter": "y" * 90,
    }
    with pymupdf.open(stream=sheet_pdf(plan_of(tmp_path, [Invented()], batch=long), "A4")) as document:
        page = document[-1]
        frame = max((d["rect"] for d in page.get_drawings()), key=lambda rect: rect.width * rect.height)
        assert frame.width * POINT_MM == pytest.approx(LABEL_MM[0], abs=0.5)
        words = page.get_text("words")
        assert all(frame.contains(pymupdf.Rect(word[:4])) for word in words)
        rows = sorted({round(word[3]) for word in words if word[0] > frame.x0 + frame.width / 2})
        assert all(low < high for low, high in pairwise(rows))


def test_the_sheet_says_what_was_asked(tmp_path: Path) -> None:
    plan = big_plan(tmp_path, BATCH)
    text = text_of(sheet_pdf(plan, "Letter"))
    for item in plan.groups:
        assert item.id in text
    assert any(item.depth.misfits for item in plan.groups)
    for misfit in (misfit for item in plan.groups for misfit in item.depth.misfits):
        assert f"but tray.jpg no. {misfit.placed.cutting.number}: {misfit.why}" in text
    for words in (
        "1 culled, not stuck: tray.jpg: 89",
        "1 unsure: measure by hand, then put it with its size: tray.jpg: 90",
        "80 % perlite, 20 % coir, by volume (common practice, no source)",
        "3000 and 8000 are both in use (common practice, no source)",
        "15 % more",
        "Take care",
        "residual-current device",
        "goggles",
    ):
        assert words in text, words
    for source in [e.source for e in (*plan.values.hormone, *plan.values.heat, *plan.values.cautions)]:
        assert " ".join(source.replace("°", "°").split()) in text, source
    assert "http" not in text and "nan" not in text.split()


def test_wood_narrows_the_strengths(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, [Invented()], wood="softwood")
    text = text_of(sheet_pdf(plan, "A4"))
    assert "500 to 3000 ppm" in text and "eastern redcedar (J. virginiana): 5000" not in text


def test_signs_of_other_scripts_do_not_stop_the_sheet(tmp_path: Path) -> None:
    batch = {"species": "Wacholder „Łuk“ 盆栽\n\x1b[31m", "donor": "Beet №7", "cutter": "Ő. Ä."}
    text = text_of(sheet_pdf(plan_of(tmp_path, [Invented()], batch=batch), "A4"))
    assert "Luk" in text and "O. Ä." in text and "\x1b" not in text


def test_nothing_to_stick_still_makes_a_sheet(tmp_path: Path) -> None:
    for n, cuttings in enumerate(([], [Invented(grade="cull")], [Invented(math.nan)])):
        plan = plan_of(tmp_path / str(n), cuttings)
        text = text_of(sheet_pdf(plan, "A4"))
        assert "0 cuttings to stick in 0 size groups, 0 containers" in text
        assert not PATTERN.search(text) and "Take care" in text


def test_the_same_plan_gives_the_same_pages(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, [Invented()])
    assert sheet_pdf(plan, "A4") == sheet_pdf(plan, "A4")
