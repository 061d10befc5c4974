"""Cards on the independent trays: the print scale is known there, and nothing else is a card."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from grader.capture import read_photo
from grader.locate import find_mat
from grader.locate.card import Card, find_card
from tests.accuracy.kits import layouts_for

FOLDER = os.environ.get("CUTTING_TRAYS", "")
PHOTOS = sorted(Path(FOLDER).glob("?/*.jpg")) if FOLDER else []
GOAL = 0.001
"""Relative."""

pytestmark = [pytest.mark.slow, pytest.mark.skipif(not PHOTOS, reason="CUTTING_TRAYS names no trays")]


@pytest.mark.parametrize("path", PHOTOS, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_cards_tell_the_print_scale_and_nothing_else_does(path: Path) -> None:
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    photo = read_photo(path)
    found = find_card(photo, find_mat(photo, layouts_for(path.parent)))
    if "card" not in (truth.get("props") or {}):
        assert found is None
        return
    assert isinstance(found, Card)
    assert found.print_scale == pytest.approx(truth["print_scale"], rel=GOAL)
    assert abs(found.print_scale / truth["print_scale"] - 1.0) < 2 * found.sigma
