"""A small invented crew through the whole tool: synthetic photos, grading, results.json, audit."""

from __future__ import annotations

import dataclasses
import hashlib
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from grader.audit.findings import conclude
from grader.audit.samples import gather, samples_of
from grader.audit.sentences import sentences
from grader.locate import flatten
from grader.outline import find_silhouettes
from grader.pipeline import _graded, _traced
from grader.records import GradedPhoto
from grader.results_file import read_results
from grader.verdict.targets_file import load_targets
from grader.write.results import write_results
from tests.scenes import Conditions, Plant, Stem, leafy, make_scene

SIZE_MM = (150.0, 110.0)
PER_TRAY, TRAYS = 3, 5
HABITS_MM = {"steady": 32.0, "short": 19.0}
"""Invented cutters: mean bare stem; wanted is 25 to 40 mm."""
TARGETS = load_targets("landscape-juniper")


def plant(random: np.random.Generator, place: int, bare_mm: float) -> Plant:
    length, width = random.normal(88.0, 4.0), random.normal(2.4, 0.12)
    stem = Stem((20.0, 25.0 + 30.0 * place), random.normal(0.0, 1.5), length, width, 0.6 * width)
    return leafy(stem, bare_mm)


def tray(cutter: str, number: int, random: np.random.Generator) -> tuple[GradedPhoto, list[float]]:
    """Return the graded photo and the true bare lengths, top to bottom."""
    true = [HABITS_MM[cutter] + random.normal(0.0, 2.0) for _ in range(PER_TRAY)]
    plants = [plant(random, place, bare) for place, bare in enumerate(true)]
    scene = make_scene(plants, Conditions(seed=number, supersample=4), SIZE_MM)
    view = flatten(scene.photo, scene.pose)
    silhouettes = find_silhouettes(view, scene.pose)
    shapes = [_traced(silhouette, view, scene.photo, scene.pose) for silhouette in silhouettes]
    name = f"{cutter}-{number}.png"
    return GradedPhoto(
        path=Path(name),
        sha256=hashlib.sha256(name.encode()).hexdigest(),
        taken_at=datetime(2026, 3, 2 + number, 9),
        camera="",
        image_size_px=(scene.photo.rgb.shape[1], scene.photo.rgb.shape[0]),
        pose=dataclasses.replace(scene.pose, scale_sigma=0.003),
        cuttings=_graded(silhouettes, shapes, scene.pose, TARGETS),
        set_aside=(),
        batch={"cutter": cutter, "donor": "invented bed"},
    ), true


@pytest.mark.slow
def test_who_strips_too_short_is_found_from_photos(tmp_path: Path) -> None:
    random = np.random.default_rng(12)
    photos, true = [], {}
    for cutter in HABITS_MM:
        for number in range(TRAYS):
            photo, lengths = tray(cutter, number, random)
            photos.append(photo)
            true.setdefault(cutter, []).extend(lengths)
    write_results(tmp_path / "results.json", photos, {"targets": TARGETS.id}, datetime(2026, 3, 9))
    samples = samples_of(gather([read_results(tmp_path)]).shots)
    assert len(samples) >= 0.9 * PER_TRAY * TRAYS * len(HABITS_MM)
    found = conclude(samples, TARGETS)
    trait = "stripped_length_mm"
    for cutter, lengths in true.items():
        average = found.cutters[cutter].averages[trait]
        assert average.spread.mean == pytest.approx(np.mean(lengths), abs=2.0)
    assert found.cutters["short"].averages[trait].verdict == "off"
    assert sentences(found.cutters["short"])[0].text.startswith("Strip about")
    assert found.cutters["steady"].averages[trait].verdict != "off"
    assert not found.mats
