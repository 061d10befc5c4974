"""The gauge study from photos: known spreads, another order, missing people."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from grader.audit.repeats import is_reordered, study
from grader.audit.samples import Gathered, gather
from grader.records import Measured
from grader.results_file import ReadCutting, ReadPhoto, ReadResults

NOTHING = np.zeros((0, 2))
REPEAT_SD, PERSON_SD, PART_SD = 0.8, 0.5, 8.0


def photo(name: str, tray: str, repeat: int, person: str, lengths: list[float]) -> ReadPhoto:
    cuttings = tuple(
        ReadCutting(
            i + 1, "", "1", "", "", (), "",
            {"total_length_mm": Measured(x, 0.8), "base_diameter_mm": Measured(x / 40, 0.05)},
            NOTHING, NOTHING,
        )
        for i, x in enumerate(lengths)
    )  # fmt: skip
    batch = {"cutter": "A", "tray": tray, "repeat": str(repeat), "person": person}
    digest = hashlib.sha256(name.encode()).hexdigest()
    return ReadPhoto(name, digest, "", batch, "A4-1", (297, 210), (4, 3), None, cuttings, ())


def repeated(people: str = "PQR", n_repeats: int = 3, n_trays: int = 4) -> list[ReadPhoto]:
    random = np.random.default_rng(3)
    habits = {person: random.normal(0, PERSON_SD) for person in people}
    photos = []
    for tray in range(n_trays):
        true = random.normal(90, PART_SD, 10)
        for person in people:
            for again in range(n_repeats):
                lengths = list(true + habits[person] + random.normal(0, REPEAT_SD, 10))
                photos.append(
                    photo(f"t{tray}{person}{again}.jpg", f"tray {tray}", again + 1, person, lengths)
                )
    return photos


def gathered(photos: list[ReadPhoto]) -> Gathered:
    return gather([ReadResults(Path("x"), "0" * 64, "", "", {}, (), tuple(photos))])


def test_known_spreads_come_out() -> None:
    found = study(gathered(repeated()).repeats)
    share = found.shares["total_length_mm"]
    for gauge in (share.by_anova, share.by_range):
        assert (gauge.n_parts, gauge.n_persons, gauge.n_trials) == (40, 3, 3)
        assert gauge.repeatability == pytest.approx(REPEAT_SD, rel=0.1)
        assert gauge.part == pytest.approx(PART_SD, rel=0.25)
        assert gauge.reproducibility < 1.5
    assert not found.notes
    assert "stripped_length_mm" not in found.shares


def test_a_repeated_tray_is_audited_once() -> None:
    whole = gathered(repeated())
    assert len(whole.shots) == 4
    assert len(whole.repeats) == 36


def test_another_order_is_noticed_and_left_out() -> None:
    photos = repeated("P", 3, 2)
    mixed = [float(c.measured("total_length_mm").value) for c in photos[1].cuttings][::-1]
    photos[1] = photo(photos[1].file, "tray 0", 2, "P", mixed)
    found = study(gathered(photos).repeats)
    assert any(photos[1].file in note and "another order" in note for note in found.notes)
    assert found.shares["total_length_mm"].by_anova.repeatability == pytest.approx(REPEAT_SD, rel=0.3)


def test_the_same_order_with_noise_is_not_called_another() -> None:
    random = np.random.default_rng(8)
    for _ in range(200):
        true = random.normal(90, PART_SD, (10, 2))
        assert not is_reordered(true, true + random.normal(0, REPEAT_SD, true.shape))


def test_a_missing_cutting_and_a_single_photo_are_told() -> None:
    photos = repeated("P", 2, 2)
    photos[1] = photo(photos[1].file, "tray 0", 2, "P", [90.0] * 9)
    found = study(gathered(photos).repeats)
    assert any("another number of cuttings" in note for note in found.notes)
    assert found.n_trays == 1
    assert study(gathered(photos[:1]).repeats).notes[-1].endswith("nothing to compare")
