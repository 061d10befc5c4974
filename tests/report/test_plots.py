"""The histograms of the report: well-formed, with every limit, whatever was measured; the same bytes."""

from __future__ import annotations

import base64
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from grader.report.plots import BAND, BAR, spread_svg
from grader.report.summary import Spread

LIMITS = {"allowed_min": 50.0, "wanted_min": 75.0, "wanted_max": 100.0, "noted_max": 120.0}


def drawn(values: list[float], limits: dict[str, float]) -> str:
    address = spread_svg(Spread("total_length_mm", "x", np.array(values), 0, limits))
    svg = base64.b64decode(address.removeprefix("data:image/svg+xml;base64,")).decode("utf-8")
    ET.fromstring(svg)
    return svg


@pytest.mark.parametrize("values", [[], [82.0], [82.0] * 40, list(np.linspace(30.0, 140.0, 300))])
@pytest.mark.parametrize("limits", [{}, LIMITS])
def test_whatever_was_measured_can_be_drawn(values: list[float], limits: dict[str, float]) -> None:
    svg = drawn(values, limits)
    assert (BAND in svg) == bool(limits)
    assert not values or BAR in svg
    assert svg == drawn(values, limits)


def test_each_kind_of_limit_has_a_line_of_its_own() -> None:
    names = ("allowed_min", "wanted_min", "noted_max")
    pictures = {drawn([60.0, 90.0], {name: 80.0}) for name in names}
    assert len(pictures) == len(names)
