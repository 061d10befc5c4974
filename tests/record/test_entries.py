"""What is entered by mistake is said clearly, and nothing of it is written."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest

from grader.record.count_sheet import COLUMNS, count_sheet, read_count_sheet
from grader.record.enter import Entered, enter_found, enter_stuck, withdraw_found
from grader.record.entries import FoundEntry, StuckEntry
from grader.record.look import container, due
from grader.record.moves import merge, move, split
from grader.record.sticking_in import Conditions, read_sticking
from grader.record.store import Record, RecordProblem, Refused, reading
from grader.record.tell import history
from grader.results_file import read_results
from grader.stick.plan import Choices, make_plan
from grader.stick.room import cell_tray
from grader.stick.sticking_file import sticking_json
from grader.stick.values import load_values
from tests.record.conftest import STUCK, TODAY
from tests.record.invented import season_files
from tests.record.simulate import TRAIT
from tests.record.test_store import dump

DAY = date(2026, 5, 4)
PLAIN = Conditions(None, "", float("nan"), 12.0, "")


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        (
            FoundEntry("A-01", DAY, 18, 1, 2),
            r"18 rooted \+ 1 callused \+ 2 dead .* more than the 20 cuttings",
        ),
        (FoundEntry("A-01", date(2026, 2, 1), 3), "counted on 2026-02-01, before it was stuck on 2026-02-02"),
        (FoundEntry("A-01", date(2026, 6, 2), 3), "lies in the future"),
        (FoundEntry("A-11", DAY, 3), 'No container with the label "A-11"'),
        (FoundEntry("A-01", DAY), "no count is given"),
        (FoundEntry("A-01", DAY, -1), "-1 rooted cannot be"),
        (FoundEntry("A-01", DAY, dead=1, is_final=True), "a last count needs the number rooted"),
        (
            FoundEntry("A-01", DAY, 1, sizes_mm={"height_mm": (80.0, 90.0)}),
            "2 sizes are more than the 1 rooted",
        ),
        (FoundEntry("A-01", DAY, 1, sizes_mm={"height_mm": (-5.0,)}), "not above 0 mm"),
        (FoundEntry("A-01", DAY, 1, sizes_mm={"height_mm": (float("nan"),)}), "not above 0 mm"),
    ],
)
def test_an_impossible_count_is_refused_with_all_that_came_with_it(
    record: Record, entry: FoundEntry, message: str
) -> None:
    before = dump(record.path)
    with pytest.raises(Refused, match=message) as problem:
        enter_found(record, [FoundEntry("A-02", DAY, 5), entry], TODAY)
    assert problem.value.message.endswith("Nothing was written.") and problem.value.advice
    assert dump(record.path) == before


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        (StuckEntry("B", STUCK, 0), "0 cannot be right"),
        (StuckEntry("B", STUCK, 10**6), "cannot be right"),
        (StuckEntry("", STUCK, 20), "cannot be a label"),
        (StuckEntry("B\x00", STUCK, 20), "cannot be a label"),
        (StuckEntry("B", date(2027, 1, 1), 20), "lies in the future"),
        (StuckEntry("B", STUCK, 20, heat_c=68.0), "bottom heat of 68 °C"),
        (StuckEntry("B", STUCK, 20, due_weeks=-1.0), "due after -1 weeks"),
        (StuckEntry("A-01", STUCK, 25, "juniper", "bed 7"), "already in the record: 20 cuttings"),
    ],
)
def test_an_impossible_sticking_is_refused(record: Record, entry: StuckEntry, message: str) -> None:
    before = dump(record.path)
    with pytest.raises(Refused, match=message):
        enter_stuck(record, [StuckEntry("C", STUCK, 20), entry], TODAY)
    assert dump(record.path) == before


def test_fahrenheit_is_recognised(record: Record) -> None:
    with pytest.raises(Refused) as problem:
        enter_stuck(record, [StuckEntry("B", STUCK, 20, heat_c=68.0)], TODAY)
    assert "give 20" in problem.value.advice


def test_a_label_is_found_as_scanned_and_a_near_one_is_named(record: Record) -> None:
    assert enter_found(record, [FoundEntry(" a-01\r\n", DAY, 3)], TODAY) == (Entered.NEW,)
    with pytest.raises(Refused) as problem:
        enter_found(record, [FoundEntry("A-O1", DAY, 3)], TODAY)
    assert "Did you mean A-01" in problem.value.advice


def test_the_same_count_twice_is_one_and_another_needs_a_correction(record: Record) -> None:
    entry = FoundEntry("A-01", DAY, 12, 1, 2, sizes_mm={"height_mm": (90.0, 80.0)})
    assert enter_found(record, [entry], TODAY) == (Entered.NEW,)
    before = dump(record.path)
    assert enter_found(record, [entry], TODAY) == (Entered.ALREADY,)
    with pytest.raises(Refused, match="another count of 2026-05-04 already: 12 rooted, 1 callused, 2 dead"):
        enter_found(record, [FoundEntry("A-01", DAY, 13, 1, 2)], TODAY)
    with pytest.raises(Refused, match="no count of 2026-05-05 that could be corrected"):
        enter_found(record, [FoundEntry("A-01", date(2026, 5, 5), 13)], TODAY, correct=True)
    assert dump(record.path) == before
    assert enter_found(record, [FoundEntry("A-01", DAY, 13, 1, 2)], TODAY, correct=True) == (
        Entered.CORRECTED,
    )
    with reading(record) as db:
        item = container(db, "A-01")
        assert [(f.rooted, f.dead) for f in item.findings] == [(13, 2)]
        told = "\n".join(history(db, item))
    assert "12 rooted, 1 callused, 2 dead, height 80 90 mm, from command [replaced]" in told
    assert "13 rooted, 1 callused, 2 dead, from command [corrects the one before]" in told


def test_a_count_for_the_wrong_container_is_withdrawn_and_can_be_entered_anew(record: Record) -> None:
    enter_found(record, [FoundEntry("A-01", DAY, 12)], TODAY)
    withdraw_found(record, "a-01", DAY)
    with pytest.raises(Refused, match="no count of 2026-05-04"):
        withdraw_found(record, "A-01", DAY)
    with reading(record) as db:
        assert container(db, "A-01").findings == ()
        assert "withdrawn" in "\n".join(history(db, container(db, "A-01")))
    assert enter_found(record, [FoundEntry("A-01", DAY, 7)], TODAY) == (Entered.NEW,)


def test_totals_since_sticking_never_fall(record: Record) -> None:
    enter_found(record, [FoundEntry("A-01", DAY, 12)], TODAY)
    with pytest.raises(Refused, match="11 rooted on 2026-05-20, but 12 on 2026-05-04"):
        enter_found(record, [FoundEntry("A-01", date(2026, 5, 20), 11)], TODAY)
    with pytest.raises(Refused, match="12 rooted on 2026-05-04, but 13 on"):
        enter_found(record, [FoundEntry("A-01", date(2026, 4, 20), 13)], TODAY)


def test_a_corrected_sticking_must_hold_what_was_found(record: Record) -> None:
    enter_found(record, [FoundEntry("A-01", DAY, 18)], TODAY)
    fewer = StuckEntry("A-01", STUCK, 17, "juniper", "bed 7")
    with pytest.raises(Refused, match="18 rooted on 2026-05-04 are more than the 17"):
        enter_stuck(record, [fewer], TODAY, correct=True)
    later = StuckEntry("A-01", date(2026, 5, 10), 20, "juniper", "bed 7")
    with pytest.raises(Refused, match="before it was stuck on 2026-05-10"):
        enter_stuck(record, [later], TODAY, correct=True)
    more = StuckEntry("A-01", STUCK, 22, "juniper", "bed 7")
    assert enter_stuck(record, [more], TODAY, correct=True) == (Entered.CORRECTED,)


def test_split_and_merge_keep_every_cutting(record: Record) -> None:
    split(record, "A-01", "A-01b", 8, DAY, TODAY)
    with pytest.raises(Refused, match="held 12 cuttings on 2026-05-04; 13 cannot be taken out"):
        split(record, "A-01", "A-01C", 13, DAY, TODAY)
    with pytest.raises(Refused, match="in the record already"):
        split(record, "A-01", "A-02", 3, DAY, TODAY)
    with pytest.raises(Refused, match="cannot be merged with itself"):
        merge(record, "A-01", "a-01", DAY, TODAY)
    with pytest.raises(Refused, match="before it was stuck"):
        split(record, "A-02", "A-02B", 3, date(2026, 1, 1), TODAY)
    assert merge(record, "A-01B", "A-02", DAY, TODAY) == 8
    with pytest.raises(Refused, match="holds no cuttings"):
        merge(record, "A-01B", "A-02", DAY, TODAY)
    with reading(record) as db:
        assert [container(db, label).n_now for label in ("A-01", "A-01B", "A-02")] == [12, 0, 28]
    with pytest.raises(Refused, match="more than the 12 cuttings") as problem:
        enter_found(record, [FoundEntry("A-01", date(2026, 5, 5), 13)], TODAY)
    assert "A-01B: enter those there" in problem.value.advice
    assert enter_found(record, [FoundEntry("A-02", date(2026, 5, 5), 28)], TODAY) == (Entered.NEW,)
    with pytest.raises(Refused, match="took cuttings over"):
        enter_stuck(record, [StuckEntry("A-01B", STUCK, 20)], TODAY)
    with pytest.raises(Refused, match="no name"):
        move(record, "A-01", " ", DAY, TODAY)


def test_due_are_those_whose_time_is_up_and_that_are_not_counted_out(record: Record) -> None:
    def labels_due(day: date) -> list[str]:
        with reading(record) as db:
            return [item.label for item in due(db, day)]

    assert labels_due(date(2026, 4, 26)) == []
    assert labels_due(date(2026, 4, 27)) == ["A-01", "A-02"]
    enter_found(record, [FoundEntry("A-01", DAY, 18, dead=2), FoundEntry("A-02", DAY, 5)], TODAY)
    assert labels_due(DAY) == []
    assert labels_due(date(2026, 5, 18)) == ["A-02"]
    split(record, "A-02", "A-02B", 5, DAY, TODAY)
    assert labels_due(date(2026, 5, 18)) == ["A-02", "A-02B"]


def test_a_filled_in_sheet_is_read_and_each_slip_is_named(record: Record, tmp_path: Path) -> None:
    with reading(record) as db:
        sheet = count_sheet(due(db, DAY), DAY).decode("utf-8-sig")
    assert sheet.splitlines()[0] == ",".join(COLUMNS)
    file = tmp_path / "count.csv"
    tail = ",,,,,,,\r\n"

    def read(filled: str) -> tuple[FoundEntry, ...]:
        file.write_text(sheet.replace(tail, filled, 1), encoding="utf-8")
        return read_count_sheet(file, TODAY)

    assert read(tail) == ()
    (entry,) = read(',12,,1,yes,"85 92,5",,fine\r\n')
    assert (entry.label, entry.found_on, entry.counts()) == ("A-01", DAY, (12, None, 1))
    assert entry.is_final and dict(entry.sizes_mm) == {"height_mm": (85.0, 92.5)} and entry.note == "fine"
    slips = {
        ",twelve,,,,,,\r\n": 'line 2: rooted is "twelve"',
        ",-3,,,,,,\r\n": 'line 2: rooted is "-3"',
        ",12,,,maybe,,,\r\n": 'last_count is "maybe"',
        ",12,,,,tall,,\r\n": 'height_mm is "tall"',
        ",,,,yes,,,\r\n": "last_count is filled in, but no count is",
    }
    for filled, message in slips.items():
        with pytest.raises(Refused, match=message):
            read(filled)
    line = f"A-01,2026-02-02,bed 7,,20,{DAY},3{',' * 6}\r\n"
    for text, message in (
        (sheet.splitlines(keepends=True)[0] + line * 2, "line 3: A-01 stands in line 2 too"),
        (sheet.splitlines(keepends=True)[0] + line.replace(str(DAY), "4.5.2026"), 'found_on is "4.5.2026"'),
        ("label;dead\r\nA-01;3\r\n", "column rooted is missing"),
    ):
        file.write_text(text, encoding="utf-8")
        with pytest.raises(Refused, match=message):
            read_count_sheet(file, TODAY)
    file.write_text("label;rooted;dead\r\nA-01;3;1\r\n", encoding="utf-16")
    with pytest.raises(Refused, match="not a text file"):
        read_count_sheet(file, TODAY)
    file.write_text("label;rooted;dead\r\nA-01;3;1\r\n", encoding="utf-8")
    assert read_count_sheet(file, TODAY)[0].counts() == (3, None, 1)


def test_a_sticking_sheet_comes_in_whole_with_its_measurements(record: Record, tmp_path: Path) -> None:
    sheet, _rooted = season_files(tmp_path / "season", n_containers=6)
    entries, notes = read_sticking(sheet, [], PLAIN)
    assert notes == () and [entry.n_stuck for entry in entries] == [20] * 6
    assert set(enter_stuck(record, entries, TODAY)) == {Entered.NEW}
    before = dump(record.path)
    assert set(enter_stuck(record, entries, TODAY)) == {Entered.ALREADY}
    assert dump(record.path) == before
    assert record.db.execute("SELECT count(*) FROM placement").fetchone() == (120,)
    assert record.db.execute("SELECT count(*) FROM measurement").fetchone() == (480,)
    first = entries[0]
    twice = StuckEntry("OTHER", STUCK, 20, cuttings=first.cuttings)
    with pytest.raises(Refused, match=f"is in container {first.label} already"):
        enter_stuck(record, [twice], TODAY)
    assert dump(record.path) == before


def test_a_bad_sticking_sheet_is_told(tmp_path: Path) -> None:
    sheet, _rooted = season_files(tmp_path / "season", n_containers=3)
    text = sheet.read_text()
    whole = json.loads(text)
    other = json.loads(text)
    other["groups"][0]["containers"][0]["cuttings"][0]["number"] = 999
    cases = {
        "cut short": text[:-30],
        "not a sticking sheet": "{}",
        "reads": text.replace("sticking-1", "sticking-9"),
        "is missing": json.dumps({key: value for key, value in whole.items() if key != "groups"}),
        "holds no containers": json.dumps({**whole, "groups": []}),
        "cutting 999 of the photo": json.dumps(other),
    }
    for message, content in cases.items():
        sheet.write_text(content)
        with pytest.raises(RecordProblem, match=message):
            read_sticking(sheet, [], PLAIN)
    with pytest.raises(RecordProblem, match="cannot be read"):
        read_sticking(tmp_path / "nothing.json", [], PLAIN)


def test_what_grader_stick_writes_is_what_the_record_reads(record: Record, tmp_path: Path) -> None:
    """The sheet of real code, not of this test: ids, counts, limits and every cutting agree."""
    season_files(tmp_path / "season", n_containers=3)
    results = tmp_path / "season" / "results.json"
    values = load_values()
    box = cell_tray(20, values.container.cell_ml)
    plan = make_plan([read_results(results)], Choices(TRAIT, box, values.mix(""), "", STUCK), values)
    (tmp_path / "sheet").mkdir()
    (tmp_path / "sheet" / "sticking.json").write_bytes(sticking_json(plan))
    entries, notes = read_sticking(tmp_path / "sheet", [], PLAIN)
    sheet = json.loads((tmp_path / "sheet" / "sticking.json").read_text())
    assert notes == () and {entry.label for entry in entries} == {
        container["id"] for group in sheet["groups"] for container in group["containers"]
    }
    assert sum(entry.n_stuck for entry in entries) == sheet["n_cuttings"]
    for entry in entries:
        assert (entry.stuck_on, entry.group_trait, len(entry.cuttings)) == (STUCK, TRAIT, entry.n_stuck)
        sizes = [cutting.traits[TRAIT][0] for cutting in entry.cuttings]
        assert entry.group_from <= min(sizes) and max(sizes) < entry.group_below
        assert entry.medium and entry.donor and entry.species
    assert set(enter_stuck(record, entries, TODAY)) == {Entered.NEW}


def test_what_is_overdue_says_by_how_many_days(tmp_path: Path) -> None:
    """Stuck on 2 February, due 12 weeks later: 84 days, on 27 April."""
    from typer.testing import CliRunner

    from grader.cli import app

    path = str(tmp_path / "record.db")

    def run(*words: str) -> str:
        result = CliRunner().invoke(app, ["record", *words, "--record", path], catch_exceptions=False)
        assert result.exit_code == 0
        return result.output

    run("stuck", "A-01", "--count", "20", "--on", "2026-02-02")
    assert "due 2026-04-27" in run("due", "--on", "2026-04-27")
    assert "overdue" not in run("due", "--on", "2026-04-27")
    assert "due 2026-04-27, overdue by 1 day" in run("due", "--on", "2026-04-28")
    assert "overdue by 14 days" in run("due", "--on", "2026-05-11")
