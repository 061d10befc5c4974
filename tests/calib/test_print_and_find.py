"""The PDF, drawn by a viewer's engine, is found again with every fiducial in its place."""

from __future__ import annotations

import numpy as np
import pymupdf
import pytest

from calib.design import mat_design
from calib.draw import draw_pdf
from calib.find import find_sighting

DPI = 150.0
PX_PER_MM = DPI / 25.4
IN_PLACE_MM = 0.03
"""The engine rounds edges to fractions of a pixel of 0.17 mm: 0.021 to 0.027 mm at most were measured."""


@pytest.mark.parametrize("size", ["A4", "Letter", "A3", "Tabloid", "600x400"])
def test_pdf_drawn_by_a_viewer_has_every_saddle_point_in_its_place(size: str) -> None:
    page = pymupdf.open(stream=draw_pdf(mat_design(size)), filetype="pdf")[0]
    pixmap = page.get_pixmap(dpi=round(DPI), colorspace=pymupdf.csGRAY)
    gray = np.frombuffer(pixmap.samples, np.uint8).reshape(pixmap.height, pixmap.width)
    sighting = find_sighting(gray, ())
    assert sighting is not None
    assert sighting.layout.mat_id == mat_design(size).layout.mat_id
    assert len(sighting.points_px) == len(sighting.layout.saddles_mm)
    # A pixel's centre is its middle: half a pixel between the page's edge and the first of them.
    off_mm = (sighting.points_px + 0.5) / PX_PER_MM - sighting.points_mm
    assert np.abs(off_mm).max() < IN_PLACE_MM
