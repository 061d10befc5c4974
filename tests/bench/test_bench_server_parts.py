"""The parts of the server by themselves: units, table of batch data, log, choices, addresses, form."""

from __future__ import annotations

import asyncio
import csv
import io
import ipaddress
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import typer
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.batch.origin import Origins, read_table
from grader.bench.address import chosen_addresses, hosts_of, lan_addresses, listening
from grader.bench.batch_table import add_line, clean_value
from grader.bench.choices import choices_of
from grader.bench.folder import PhotoFolder
from grader.bench.limits import Limits
from grader.bench.log import MOST_REFUSALS, SPAN_S, Log
from grader.bench.receive import boundary_of, receive
from grader.bench.refused import Refused
from grader.bench.units import both_units
from grader.errors import GraderError
from grader.records import Measured
from grader.traits.catalogue import TRAITS, measured_text, number_text
from grader.verdict.targets_file import targets_text
from tests.bench.phone import BOUNDARY, ROOT, form

MM_PER_INCH = 25.4


@pytest.mark.parametrize("trait", TRAITS.values(), ids=lambda trait: trait.name)
def test_sentences_come_in_either_unit(trait: object) -> None:
    one = TRAITS[trait.name]  # type: ignore[attr-defined]
    value = one.low + 0.37 * (one.high - one.low)
    told = both_units(f"wanted {number_text(one, value)}, is {measured_text(one, Measured(value, 0.3))}")
    if one.mm_per_other:
        assert " in" not in told["mm"] and " mm" not in told["in"] and "(" not in told["mm"] + told["in"]
        assert f"{one.other_unit}, is " in told["in"] and f"{one.unit}, is " in told["mm"]
    else:
        assert told["mm"] == told["in"]


@given(st.floats(0.1, 500.0), st.integers(0, 2))
def test_lengths_without_inches_are_turned_into_inches(length_mm: float, decimals: int) -> None:
    text = f"{length_mm:.{decimals}f} mm"
    inches = both_units(f"strip {text} more")["in"]
    assert inches.startswith("strip ") and inches.endswith(" in more")
    value_in = float(inches.split()[1])
    # A unit of the last decimal of either: both were rounded.
    assert value_in * MM_PER_INCH == pytest.approx(length_mm, abs=0.6 * 10.0**-decimals + 0.005 * MM_PER_INCH)


def test_what_is_no_size_stays() -> None:
    text = "12 px per mm, 3 tips, 17°, 12 px/mm, A4-1"
    assert both_units(text) == {"mm": text, "in": text}


def lines(folder: Path) -> list[dict[str, str]]:
    with (folder / "photos.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_a_table_is_begun_and_gone_on_with(tmp_path: Path) -> None:
    add_line(tmp_path, "a.jpg", {"cutter": 'O"Neil, Zoë', "donor": "", "targets": "rosemary"})
    add_line(tmp_path, "b.jpg", {"species": "thyme; lemon"})
    assert [line["photo"] for line in lines(tmp_path)] == ["a.jpg", "b.jpg"]
    assert Origins({}).of(tmp_path / "a.jpg").batch == {"cutter": 'O"Neil, Zoë'}
    assert Origins({}).of(tmp_path / "a.jpg").targets == "rosemary"
    assert Origins({}).of(tmp_path / "b.jpg").batch == {"species": "thyme; lemon"}


@pytest.mark.parametrize(
    "text",
    [
        "photo;cutter\nold.jpg;Ann",
        "Photo , cutter\r\nold.jpg,Ann\r\n",
        "\ufeffcutter,photo,day\nAnn,old.jpg\n\n",
        'photo,cutter\nold.jpg,"Ann"\n,,\n',
    ],
)
def test_a_table_of_the_grower_keeps_its_lines(tmp_path: Path, text: str) -> None:
    (tmp_path / "photos.csv").write_bytes(text.encode())
    before = read_table(tmp_path / "photos.csv")
    add_line(tmp_path, "a.jpg", {"cutter": "Bea"})
    add_line(tmp_path, "b.jpg", {"donor": "bed; 7, north"})
    after = read_table(tmp_path / "photos.csv")
    assert after["old.jpg"]["cutter"] == before["old.jpg"]["cutter"] == "Ann"
    assert after["a.jpg"]["cutter"] == "Bea" and after["b.jpg"]["donor"] == "bed; 7, north"


@given(st.text(max_size=40), st.text(max_size=40))
@settings(max_examples=60, deadline=None)
def test_any_text_is_refused_or_comes_back(
    tmp_path_factory: pytest.TempPathFactory, cutter: str, donor: str
) -> None:
    folder = tmp_path_factory.mktemp("table")
    try:
        values = {"cutter": clean_value("cutter", cutter, 100), "donor": clean_value("donor", donor, 100)}
    except Refused as problem:
        assert problem.status == 422
        return
    add_line(folder, "a.jpg", values)
    add_line(folder, "b.jpg", {})
    assert dict(Origins({}).of(folder / "a.jpg").batch) == {k: v for k, v in values.items() if v}
    assert not Origins({}).of(folder / "b.jpg").batch
    text = (folder / "photos.csv").read_text(encoding="utf-8-sig")
    assert not [
        cell for row in csv.reader(io.StringIO(text)) for cell in row if cell.startswith(("=", "+", "-", "@"))
    ]


def test_the_log_cannot_be_flooded_and_shows_no_control_codes() -> None:
    told: list[str] = []
    now_s = [0.0]
    log = Log(told.append, lambda: now_s[0])
    for k in range(500):
        log.refused("10.0.0.7", f"GET /\x1b[31m{k}", "no token")
    assert len(told) == MOST_REFUSALS and all(line.isprintable() for line in told)
    now_s[0] += SPAN_S
    log.say("graded")
    assert f"{500 - MOST_REFUSALS} more" in told[-2] and told[-1].endswith("graded")
    log.refused("10.0.0.7", "GET /" + "x" * 9999, "no token")
    assert len(told[-1]) < 300


def test_a_token_is_never_told(tmp_path: Path) -> None:
    told: list[str] = []
    Log(told.append).refused_request(
        {"client": ("10.0.0.7", 1), "method": "GET", "path": "/enter/secret"}, "wrong"
    )
    assert "secret" not in told[0] and "10.0.0.7" in told[0]


def test_choices_are_names_and_never_paths(tmp_path: Path) -> None:
    trays = tmp_path / "cutter=Ann, donor=bed 7"
    trays.mkdir()
    own = tmp_path / "mine.toml"
    own.write_text(
        targets_text("rosemary").replace('name    = "rosemary"', 'name    = "mine"'), encoding="utf-8"
    )
    choices = choices_of(trays, str(own), {"cutter": "", "donor": "bed 9", "species": ""})
    first = choices.chosen["targets"]
    assert choices.chosen == {"cutter": "Ann", "donor": "bed 9", "species": "", "targets": first}
    assert "/" not in first and next(iter(choices.targets)) == first
    add_line(trays, "a.jpg", {"targets": choices.targets[first].in_table})
    assert Path(Origins({}).of(trays / "a.jpg").targets).samefile(own)
    assert choices_of(trays, "thuja-hedge", {}).chosen["targets"] == "thuja-hedge"
    with pytest.raises(GraderError):
        choices_of(trays, "none such", {})


def test_addresses_are_private_and_a_port_in_use_is_told() -> None:
    for address in lan_addresses():
        assert ipaddress.ip_address(address).is_private and not ipaddress.ip_address(address).is_loopback
    assert chosen_addresses(False, "") == [] and chosen_addresses(True, "10.1.2.3") == ["10.1.2.3"]
    with pytest.raises(GraderError, match="is no address"):
        chosen_addresses(False, "example")
    (one,) = listening(["127.0.0.1"], 0)
    with one:
        port = one.getsockname()[1]
        with pytest.raises(GraderError, match=f"port {port}"):
            listening(["127.0.0.1"], port)
    assert hosts_of(["127.0.0.1", "10.1.2.3"], 99) == {"127.0.0.1:99", "10.1.2.3:99", "localhost:99"}


async def pieces(whole: bytes, size: int) -> AsyncIterator[bytes]:
    for k in range(0, len(whole), size):
        yield whole[k : k + size]


@pytest.mark.parametrize("size", [1, 7, 4096])
def test_a_form_is_read_however_it_is_cut(tmp_path: Path, size: int) -> None:
    photo = bytes(range(256)) * 3 + b"\r\n--" + BOUNDARY.encode()[:-1]
    whole = form(photo, "a.jpg", {"cutter": "Zoë", "donor": ""})
    folder = PhotoFolder(tmp_path, Log())
    with folder.arriving() as upload:
        texts = asyncio.run(receive(pieces(whole, size), BOUNDARY.encode(), upload, Limits()))
        upload.file.flush()
        assert upload.path.read_bytes() == photo
        assert texts == {"cutter": "Zoë", "donor": ""}
    assert not list(tmp_path.iterdir())


@given(st.binary(max_size=400), st.integers(1, 50))
@settings(max_examples=150, deadline=None)
def test_any_bytes_are_a_form_or_refused(
    tmp_path_factory: pytest.TempPathFactory, body: bytes, size: int
) -> None:
    folder = PhotoFolder(tmp_path_factory.getbasetemp(), Log(lambda _: None))
    edge = f"--{BOUNDARY}\r\n".encode()
    for whole in (body, edge + body, edge + b"Content-Disposition: form-data" + body):
        with folder.arriving() as upload, pytest.raises(Refused) as refusal:
            asyncio.run(receive(pieces(whole, size), BOUNDARY.encode(), upload, Limits()))
        assert refusal.value.status in (400, 413, 422)


@given(st.text(max_size=80))
def test_any_kind_of_body_has_a_boundary_or_is_refused(kind: str) -> None:
    for text in (kind, "multipart/form-data; " + kind):
        try:
            assert boundary_of(text)
        except Refused as problem:
            assert problem.status == 415


def test_opencv_is_there_before_any_thread_is() -> None:
    """It changes sys.path while it is imported: a process started meanwhile would find wrong modules."""
    told = "import sys, grader.bench.run; print('cv2' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", told], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"


def test_without_the_web_server_the_command_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    from grader.commands.bench import bench

    for name in [name for name in sys.modules if name.startswith(("grader.bench", "uvicorn"))]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    with pytest.raises(GraderError) as problem:
        bench()
    assert "pip install" in problem.value.advice
    with pytest.raises(typer.BadParameter):
        bench(unit="furlongs")
