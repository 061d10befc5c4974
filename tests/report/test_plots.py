"""The histograms: every cutting is in a bar, every limit has line and name, marks are round numbers."""

from __future__ import annotations

import base64
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grader.report.plots import BAND, BAR, BOTTOM_PX, DASHES, LEFT_PX, RIGHT_PX, TOP_PX, spread_svg, ticks
from grader.report.summary import Spread

SVG = "{http://www.w3.org/2000/svg}"
LIMITS = {"allowed_min": 50.0, "wanted_min": 75.0, "wanted_max": 100.0, "noted_max": 120.0}


def drawn(values: list[float], limits: dict[str, float], trait: str = "total_length_mm") -> ET.Element:
    address = spread_svg(Spread(trait, "x", np.array(values), 0, limits))
    return ET.fromstring(base64.b64decode(address.removeprefix("data:image/svg+xml;base64,")))


def texts(svg: ET.Element) -> list[str]:
    return [element.text or "" for element in svg.iter(f"{SVG}text")]


def test_bars_have_the_counts_of_the_values() -> None:
    svg = drawn([60.0] * 3 + [90.0] * 6, LIMITS)
    bars = [rect for rect in svg.iter(f"{SVG}rect") if rect.get("fill") == BAR]
    low, high = sorted(float(bar.get("height", "")) for bar in bars)
    assert high == pytest.approx(2.0 * low, abs=0.2)
    # The higher one stands below the names of the limits, on the axis.
    for bar in bars:
        assert float(bar.get("y", "")) > TOP_PX + 0.3 * (BOTTOM_PX - TOP_PX)
        assert float(bar.get("y", "")) + float(bar.get("height", "")) == pytest.approx(BOTTOM_PX, abs=0.2)


def test_every_limit_has_its_line_told_apart_without_colour() -> None:
    svg = drawn([60.0, 90.0], LIMITS)
    dashes = [line.get("stroke-dasharray") for line in svg.iter(f"{SVG}line")]
    assert [dash for dash in dashes if dash] == [DASHES[key.split("_")[0]] for key in LIMITS]
    assert {"allowed min.", "wanted min.", "wanted max.", "noted max.", "total length, mm", "in"} <= set(
        texts(svg)
    )
    assert [rect.get("fill") for rect in svg.iter(f"{SVG}rect")].count(BAND) == 1


@pytest.mark.parametrize("values", [[], [82.0], [82.0] * 40, list(np.linspace(30.0, 140.0, 300))])
@pytest.mark.parametrize("limits", [{}, LIMITS])
def test_nothing_lies_outside_the_picture(values: list[float], limits: dict[str, float]) -> None:
    svg = drawn(values, limits)
    for line in svg.iter(f"{SVG}line"):
        assert LEFT_PX - 5.0 <= float(line.get("x1", "")) <= RIGHT_PX + 0.1
        assert TOP_PX - 5.0 <= float(line.get("y2", "")) <= BOTTOM_PX + 5.0
    assert max(map(len, texts(svg))) < 25


@given(low=st.floats(0.0, 500.0), size=st.floats(1e-3, 2000.0))
def test_marks_are_few_round_and_inside(low: float, size: float) -> None:
    marks = ticks(low, low + size)
    assert 2 <= len(marks) <= 9
    for value, text in marks:
        assert low - 1e-6 * size <= value <= low + size * (1.0 + 1e-6)
        assert float(text) == pytest.approx(value, abs=1e-9 * max(value, 1.0))
