"""What is printed on the mat, and that the files print in true size."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ElementTree

import cv2
import numpy as np
import pymupdf
import pytest
from PIL import Image

from calib.design import MARKER_SHARE, PRINT_MARGIN_MM, layout_from_ids, mat_design, mat_layout, page_of
from calib.draw import draw_pdf, draw_png, draw_svg

SIZES = ("A4", "Letter", "A3", "Tabloid", "600x400", "330x250")
POINTS_PER_MM = 72 / 25.4


@pytest.mark.parametrize("size", SIZES)
def test_print_stays_off_the_margin_and_the_lay_area(size: str) -> None:
    design = mat_design(size)
    layout = design.layout
    left, top, right, bottom = layout.lay_area_mm
    for corners in layout.markers.values():
        assert (corners >= PRINT_MARGIN_MM).all()
        assert (corners <= np.asarray(layout.page_mm) - PRINT_MARGIN_MM).all()
        centre = corners.mean(axis=0)
        assert not (left < centre[0] < right and top < centre[1] < bottom)
    assert right - left > 0.7 * (layout.page_mm[0] - 45)
    assert design.ink_share < 0.3


@pytest.mark.parametrize("size", SIZES)
def test_four_squares_meet_at_every_saddle_point(size: str) -> None:
    layout = mat_layout(size)
    square_mm = float(np.ptp(next(iter(layout.markers.values()))[:, 0])) / MARKER_SHARE
    centres = np.array([c.mean(axis=0) for c in layout.markers.values()])
    distance = np.hypot(*(layout.saddles_mm[:, None] - centres[None]).transpose(2, 0, 1))
    assert distance.min(axis=1).max() < 2.2 * square_mm, "a marker names every saddle point"
    assert len(layout.saddles_mm) > 80


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("side", ["top", "bottom", "left", "right"])
def test_one_side_alone_tells_which_mat_it_is(size: str, side: str) -> None:
    design = mat_design(size)
    seen = ids_printed(size, side)
    found = layout_from_ids(seen)
    assert found is not None
    assert found.mat_id == design.layout.mat_id
    assert found.page_mm == design.layout.page_mm


def ids_printed(size: str, side: str) -> set[int]:
    """Return the ids an independent detector reads in the outer 25 mm of one side of the drawing."""
    page = np.asarray(Image.open(io.BytesIO(draw_png(mat_design(size), 200))))
    strip = round(25 * 200 / 25.4)
    parts = {
        "top": page[:strip],
        "bottom": page[-strip:],
        "left": page[:, :strip],
        "right": page[:, -strip:],
    }
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h10)
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(np.ascontiguousarray(parts[side]))
    return set() if ids is None else {int(i) for i in ids.ravel()}


def test_two_ids_of_two_sizes_name_no_mat() -> None:
    assert layout_from_ids({3, 203}) is None
    assert layout_from_ids(set()) is None


@pytest.mark.parametrize("size", ["A5x", "600x405", "100x200", "600"])
def test_an_impossible_size_is_refused_in_words(size: str) -> None:
    with pytest.raises(ValueError, match=r"size must be|whole centimetres"):
        page_of(size)


@pytest.mark.parametrize("size", SIZES)
def test_the_pdf_is_vector_in_true_size_and_asks_not_to_be_scaled(size: str) -> None:
    design = mat_design(size)
    document = pymupdf.open(stream=draw_pdf(design), filetype="pdf")
    assert document.page_count == 1
    page = document[0]
    assert (page.rect.width, page.rect.height) == pytest.approx(
        [side * POINTS_PER_MM for side in design.layout.page_mm], abs=0.05
    )
    assert not page.get_images()
    kind, value = document.xref_get_key(document.pdf_catalog(), "ViewerPreferences/PrintScaling")
    assert (kind, value) == ("name", "/None")
    words = page.get_text()
    for phrase in ("print at 100 %", "measure me: 150 mm", design.layout.mat_id):
        assert phrase in words


def test_the_check_bar_of_the_pdf_is_150_mm() -> None:
    page = pymupdf.open(stream=draw_pdf(mat_design("A4")), filetype="pdf")[0]
    widths = [drawing["rect"].width / POINTS_PER_MM for drawing in page.get_drawings()]
    assert any(abs(width - 150.0) < 0.01 for width in widths)


def test_pdf_and_png_show_the_same_squares() -> None:
    dpi = 100
    document = pymupdf.open(stream=draw_pdf(mat_design("A4")), filetype="pdf")
    pixmap = document[0].get_pixmap(dpi=dpi, colorspace=pymupdf.csGRAY)
    pdf = np.frombuffer(pixmap.samples, np.uint8).reshape(pixmap.height, pixmap.width)
    png = np.asarray(Image.open(io.BytesIO(draw_png(mat_design("A4"), dpi))))
    rows, columns = min(len(pdf), len(png)), min(pdf.shape[1], png.shape[1])
    # Whole millimetres of the ring, away from text, whose fonts differ.
    ring = (slice(0, round(24 * dpi / 25.4)), slice(0, columns))
    assert rows > 800
    difference = np.abs(pdf[ring].astype(float) - png[ring].astype(float))
    assert np.mean(difference) < 6
    shifted = np.abs(np.roll(pdf, 2, axis=1)[ring].astype(float) - png[ring].astype(float))
    assert np.mean(shifted) > 3 * np.mean(difference)


def test_the_png_says_its_resolution_and_is_grey_by_area() -> None:
    image = Image.open(io.BytesIO(draw_png(mat_design("Letter"), 150)))
    assert image.info["dpi"] == pytest.approx((150, 150), abs=0.1)
    assert image.size == (round(279.4 * 150 / 25.4), round(215.9 * 150 / 25.4))


def test_the_svg_is_sized_in_mm() -> None:
    root = ElementTree.fromstring(draw_svg(mat_design("A3")))
    assert (root.get("width"), root.get("height")) == ("420.0mm", "297.0mm")
    assert root.get("viewBox") == "0 0 420.0 297.0"
