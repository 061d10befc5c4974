"""From the record to words, page and target file."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from grader.cli import app
from grader.errors import TargetsProblem
from grader.record.enter import enter_found, enter_stuck
from grader.record.entries import FoundEntry, StuckEntry
from grader.record.learn.page import page
from grader.record.learn.report import Report, report_of
from grader.record.learn.suggest import Suggestion, lessons
from grader.record.learn.target_out import check_loads, target_file
from grader.record.learn.units import MIXED, NotYet, Unit, units_of
from grader.record.moves import merge, split
from grader.record.store import Record, reading
from grader.verdict import load_targets
from tests.record.conftest import STUCK, TODAY
from tests.record.demo_season import play
from tests.record.simulate import Truth, season

DAY, LATER = date(2026, 5, 4), date(2026, 5, 20)


def counted(record: Record) -> tuple[tuple[Unit, ...], tuple[NotYet, ...]]:
    with reading(record) as db:
        return units_of(db)


def test_only_containers_that_are_due_or_counted_out_tell(record: Record) -> None:
    early = date(2026, 3, 2)
    enter_found(record, [FoundEntry("A-01", early, 6), FoundEntry("A-02", early, 15, dead=5)], TODAY)
    units, waiting = counted(record)
    assert [unit.labels for unit in units] == [("A-02",)]
    assert waiting == (NotYet("A-01", "counted on 2026-03-02, before it was due on 2026-04-27"),)
    enter_found(record, [FoundEntry("A-01", DAY, 12)], TODAY)
    units, waiting = counted(record)
    assert [(unit.n_rooted, unit.n_stuck, unit.n_dead) for unit in units] == [(12, 20, 0), (15, 20, 5)]
    assert units[0].weeks == pytest.approx(13.0) and units[0].factors["donor"] == "bed 7"


def test_a_split_container_is_one_unit_and_each_cutting_counts_once(record: Record) -> None:
    split(record, "A-01", "A-01B", 8, DAY, TODAY)
    enter_found(record, [FoundEntry("A-01", LATER, 9)], TODAY)
    units, waiting = counted(record)
    assert units == () and "not all were counted since" in waiting[0].why
    enter_found(record, [FoundEntry("A-01B", LATER, 5)], TODAY)
    (unit,), _waiting = counted(record)
    assert (unit.n_rooted, unit.n_stuck, unit.labels) == (14, 20, ("A-01",))


def test_a_count_before_the_move_stands_for_all(record: Record) -> None:
    enter_found(record, [FoundEntry("A-01", DAY, 16, is_final=True)], TODAY)
    split(record, "A-01", "A-01B", 8, DAY, TODAY)
    (unit,), _waiting = counted(record)
    assert (unit.n_rooted, unit.n_stuck) == (16, 20)


def test_merged_containers_are_one_unit_and_what_differs_in_them_is_mixed(record: Record) -> None:
    enter_stuck(record, [StuckEntry("B", STUCK, 10, "juniper", "bed 9")], TODAY)
    merge(record, "B", "A-01", date(2026, 3, 1), TODAY)
    enter_found(record, [FoundEntry("A-01", DAY, 21, is_final=True)], TODAY)
    units, _waiting = counted(record)
    (unit,) = units
    assert (unit.n_rooted, unit.n_stuck) == (21, 30)
    assert unit.factors["donor"] == MIXED and unit.species == "juniper"


def test_three_containers_are_too_few_and_say_what_to_stick_next() -> None:
    units = season(Truth("thin", slope=-1.0), np.random.default_rng(2))[:3]
    (chapter,) = report_of(units, (), 1).chapters
    text = " ".join(chapter.sentences)
    assert "3 containers so far: too few to change a target." in text
    assert chapter.suggestions == () and chapter.trial is not None
    assert re.search(r"A = base diameter below [\d.]+ mm, B = base diameter from [\d.]+ mm", text)
    assert (
        re.search(r"\d+ containers of 20 cuttings each", text) and "15 points" in text and "80 of 100" in text
    )


def test_an_empty_record_has_a_page() -> None:
    html = page(Report((), (NotYet("A-01", "not counted yet"),), 0), "r.sqlite", DAY, {})
    assert "Nothing is counted yet" in html and "A-01: not counted yet" in html


def test_the_page_escapes_everything_and_needs_no_network() -> None:
    evil = "<script>alert(1)</script> $x^2$ & 日本"
    units = season(Truth("thin", slope=-1.2), np.random.default_rng(2))
    hostile = [
        Unit(
            u.labels,
            evil,
            u.n_stuck,
            u.n_rooted,
            0,
            0,
            12.0,
            {**u.factors, "donor": f"{evil}{k % 2}"},
            u.sizes,
            (),
            (),
        )
        for k, u in enumerate(units)
    ]
    report = report_of(hostile, [NotYet(evil, evil)], 1)
    html = page(report, evil, DAY, {}, evil)
    assert "<script" not in html and "&lt;script&gt;" in html
    assert not re.search(r"https?://|//\w|@import|<link", re.sub(r"base64,[^\"]*", "", html))
    assert html == page(report, evil, DAY, {}, evil)


def test_a_donor_that_stands_out_is_named_and_one_that_does_not_is_not() -> None:
    rng = np.random.default_rng(4)

    def unit(donor: str, n: int, k: int) -> Unit:
        factors = dict.fromkeys(
            ("grade", "size_group", "cutter", "stuck_on", "hormone", "medium", "heat"), ""
        )
        sizes = {"total_length_mm": rng.normal(90, 5, 20)}
        return Unit((f"{donor}{k}",), "j", 20, n, 0, 0, 12.0, {**factors, "donor": donor}, sizes, (), ())

    units = [unit(d, n + k % 3, k) for d, n in (("bad", 5), ("good", 15), ("plain", 11)) for k in range(6)]
    (chapter,) = report_of(units, (), 1).chapters
    said = [sentence for sentence in chapter.sentences if sentence.startswith("Donor")]
    assert [sentence.split()[1:4] for sentence in said] == [
        ["good", "took", "better"],
        ["bad", "took", "worse"],
    ]
    assert [donor.name for donor in chapter.donors] == ["good", "plain", "bad"]


def suggestion(low: float, high: float) -> Suggestion:
    return Suggestion("base_diameter_mm", low, high, 0.12, 0.04, 0.2, 0.6, 24, 480)


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [
        (1.5, 2.5, (1.5, 2.5)),
        (float("nan"), 2.5, (1.6, 2.5)),
        (2.0, float("nan"), (2.0, 3.2)),
        (0.8, 2.5, (1.0, 2.5)),
        (4.0, float("nan"), (4.0, None)),
    ],
)
def test_a_suggested_target_loads_and_names_its_evidence(
    tmp_path: Path, low: float, high: float, wanted: tuple[float, float | None]
) -> None:
    base = load_targets("landscape-juniper")
    text = target_file(base, [suggestion(low, high)], DAY, 'my "record".sqlite')
    check_loads(text)
    file = tmp_path / "mine.toml"
    file.write_text(text, encoding="utf-8")
    mine = load_targets(str(file))
    limits = mine.limits["base_diameter_mm"]
    assert (limits.by_key["wanted_min"], limits.by_key.get("wanted_max")) == wanted
    for words in ("24 containers, 480 cuttings", "+12 (+4 to +20)", "2026-05-04", 'my "record".sqlite'):
        assert words in limits.source
    assert {trait: mine.limits[trait] for trait in mine.limits if trait != "base_diameter_mm"} == {
        trait: base.limits[trait] for trait in base.limits if trait != "base_diameter_mm"
    }


def test_a_target_that_contradicts_the_limits_in_use_is_not_written() -> None:
    base = load_targets("landscape-juniper")
    long = Suggestion("stripped_length_mm", 130.0, float("nan"), 0.12, 0.04, 0.2, 0.6, 24, 480)
    with pytest.raises(TargetsProblem, match="contradict"):
        check_loads(target_file(base, [long], DAY, "r.sqlite"))


def test_measurements_that_go_together_give_one_target() -> None:
    units = season(Truth("thin", slope=-2.0), np.random.default_rng(5), 40)
    doubled = [
        Unit(
            u.labels, u.species, u.n_stuck, u.n_rooted, 0, 0, 12.0, u.factors,
            {**u.sizes, "total_length_mm": 40.0 * u.sizes["base_diameter_mm"]}, (), (),
        )
        for u in units
    ]  # fmt: skip
    found = [lesson for lesson in lessons(doubled) if lesson.suggestion]
    assert len(found) == 1
    assert any("goes together with" in lesson.why_not for lesson in lessons(doubled))


def test_the_demo_season_ends_in_a_target_that_holds_the_true_optimum(tmp_path: Path) -> None:
    html = play(tmp_path).read_text(encoding="utf-8")
    assert "Invented data" in html and "Suggested target: base diameter" in html
    (file,) = (tmp_path / "learned").glob("*.toml")
    limits = load_targets(str(file)).limits["base_diameter_mm"].by_key
    assert limits["wanted_min"] < 2.0 < limits["wanted_max"]


def test_the_commands_tell_what_is_wrong(tmp_path: Path) -> None:
    def run(*words: str, typed: str = "") -> tuple[int, str]:
        result = CliRunner().invoke(
            app, ["record", *words, "--record", str(tmp_path / "r.sqlite")], input=typed
        )
        return result.exit_code, result.output + str(getattr(result.exception, "message", ""))

    assert "There is no record at" in run("due")[1]
    assert run("stuck", "a-1", "--count", "20", "--on", "2026-02-02", "--donor", "bed 7")[0] == 0
    assert "is no day" in run("found", "a-1", "--rooted", "3", "--on", "4.5.2026")[1]
    assert run("stuck", "a-2")[0] == 2
    assert "more than the 20" in run("found", "a-1", "--rooted", "21", "--on", "2026-05-04")[1]
    told = run("found", "--on", "2026-05-04", typed="a-9\na-1\n12x\n12\n\n3\nn\n\n")[1]
    assert (
        'No container with the label "A-9"' in told
        and "A whole number" in told
        and "entered: 1 count" in told
    )
    assert "12 rooted 3 dead on 2026-05-04" in run("show")[1]
    assert "entered" not in run("found", "a-1", "--rooted", "12", "--dead", "3", "--on", "2026-05-04")[1]
    assert run("move", "a-1", "--to", "bench 4", "--on", "2026-05-05")[0] == 0
    assert run("split", "a-1", "--into", "a-1b", "--count", "5", "--on", "2026-05-05")[0] == 0
    assert run("merge", "a-1b", "--into", "a-1", "--on", "2026-05-06")[0] == 0
    assert "5 cuttings went from A-1B to A-1" in run("show", "a-1")[1]
    assert run("backup")[0] == 0 and run("export", str(tmp_path / "out"))[0] == 0
    assert "holds entries already" in run("import", str(tmp_path / "out"))[1]
    sheet = tmp_path / "count.csv"
    assert "1 container" in run("due", "--csv", str(sheet))[1]
    assert "may be filled in" in run("due", "--csv", str(sheet))[1]
    assert "No counts are filled in" in run("read", str(sheet))[1]
