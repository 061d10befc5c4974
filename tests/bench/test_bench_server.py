"""The server through a real socket: what it takes, what it refuses, and that it goes on serving."""

from __future__ import annotations

import csv
import io
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PIL import Image

from grader.bench.app import PAGE, page_files
from grader.bench.guard import STRICT_HEADERS
from tests.batch.test_bad_photos import BAD, jpeg
from tests.batch.trays import save_board
from tests.bench.phone import (
    FORM_HEADER,
    ROOT,
    Phone,
    Server,
    answer_of,
    form,
    other_bytes,
    serving,
    wait_for,
)

LIMITS = {
    "stall_s": 1.0,
    "body_s": 2.5,
    "head_s": 1.5,
    "drain_s": 5.0,
    "most_waiting": 3,
    "most_connections": 16,
    "most_refusals": 100_000,
}
AT_THE_DOOR = {"empty": 422, "not a picture": 415, "too large": 413, "too small": 422}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("bench")
    save_board(folder / "board.json")
    with serving(folder, **LIMITS) as server:
        yield server
    assert server.process.returncode == 0, server.log()
    assert not server.halves()
    assert "Traceback" not in server.log() and server.token not in server.log()


@pytest.fixture(scope="module")
def phone(server: Server) -> Phone:
    return Phone(server)


@pytest.fixture(scope="module")
def photo() -> bytes:
    return jpeg()


@pytest.fixture(autouse=True)
def still_serving(server: Server, phone: Phone) -> Iterator[None]:
    """Whatever a test did, the server answers the phone and has nothing half received."""
    yield
    assert phone.get("/api/setup")["unit"] == "mm"
    wait_for(lambda: not server.halves())


def refused_in(server: Server, why: str) -> Callable[[], bool]:
    return lambda: any("refused: 127.0.0.1: " in line and why in line for line in server.lines)


def test_a_photo_is_taken_graded_and_shown(server: Server, phone: Phone, photo: bytes) -> None:
    tray_id = phone.sent(photo, cutter=" Zoë ", donor="bed 7; north", species="", targets="rosemary")
    tray = phone.finished(tray_id)
    assert tray["state"] == "done", tray
    assert (tray["cutter"], tray["donor"], tray["targets"]) == ("Zoë", "bed 7; north", "rosemary")
    (cutting,) = tray["cuttings"]
    assert sum(tray["counts"].values()) == 1 and cutting["grade"] in tray["counts"]
    assert cutting["length"]["mm"].endswith(" mm") and cutting["length"]["in"].endswith(" in")
    assert cutting["do"]["mm"] and " in)" not in cutting["why"]["mm"] and " mm" not in cutting["why"]["in"]
    picture = phone.ask("GET", tray["picture"])
    assert picture.headers["content-type"] == "image/jpeg"
    (drawn,) = server.out.glob("*.graded.jpg")
    assert picture.body == drawn.read_bytes()
    Image.open(io.BytesIO(picture.body)).verify()
    (kept,) = server.trays.glob("tray-*.jpg")
    assert kept.read_bytes() == photo
    with (server.trays / "photos.csv").open(encoding="utf-8-sig", newline="") as file:
        (line,) = csv.DictReader(file)
    assert (line["photo"], line["cutter"], line["targets"]) == (kept.name, "Zoë", "rosemary")
    newest = phone.get("/api/trays")["trays"][0]
    assert newest["id"] == tray_id and newest["title"].startswith("rosemary")


def test_sent_again_it_is_the_same_tray(server: Server, phone: Phone, photo: bytes) -> None:
    once = other_bytes(photo)
    tray_id = phone.sent(once, cutter="Ann")
    n_files = len(list(server.trays.iterdir()))
    assert phone.sent(once, cutter="Ann") == tray_id
    phone.finished(tray_id)
    assert phone.sent(once, cutter="Ann") == tray_id
    other = phone.send(once, cutter="Bea")
    assert other.status == 422 and "sent before" in other.json["message"]
    assert len(list(server.trays.iterdir())) == n_files


@pytest.mark.parametrize(("name", "make", "reason", "says"), BAD, ids=[case[0] for case in BAD])
def test_each_bad_photo_has_its_sentence(
    server: Server, phone: Phone, name: str, make: Callable[[], bytes], reason: str, says: str
) -> None:
    before = len(list(server.trays.iterdir()))
    answer = phone.send(make(), name)
    if answer.status == 202:
        told = phone.finished(answer.json["id"])
        assert told["state"] == "unusable" and told["picture"] is None
    else:
        told = answer.json
        assert answer.status == AT_THE_DOOR[reason]
        assert len(list(server.trays.iterdir())) == before
        wait_for(refused_in(server, reason))
    assert says.replace(name, "this photo") in told["message"].replace("This photo", "this photo")
    for sentence in (told["message"], told["advice"]):
        assert sentence[0].isupper() and sentence.endswith(".")
        assert "grader-part" not in sentence and "tray-" not in sentence and "/" not in sentence


def test_a_stranger_sees_nothing(server: Server, phone: Phone, photo: bytes) -> None:
    tray_id = phone.get("/api/trays")["trays"][0]["id"]
    stranger = Phone(server, is_let_in=False)
    name = phone.cookie.partition("=")[0]
    for cookie in (
        "",
        f"{name}=",
        f"{name}=guess",
        f"{name}={server.token[:-1]}",
        f"other={server.token}",
        "=;=\0",
    ):
        for path in (
            "/",
            "/bench.js",
            "/api/setup",
            "/api/trays",
            f"/api/trays/{tray_id}/picture",
            "/nothing",
        ):
            answer = stranger.ask("GET", path, headers={"Cookie": cookie.replace("\0", "%00")})
            assert answer.status == 403 and b"scan the code" in answer.body
        assert stranger.send(photo, headers={"Cookie": cookie.replace("\0", "")}).status == 403
    for token in ("guess", "", server.token[:-1], server.token + "x", "%ff", "../" + server.token):
        answer = stranger.ask("GET", f"/enter/{token}")
        assert answer.status == 403 and "set-cookie" not in answer.headers
    wait_for(refused_in(server, "no token"))
    assert server.token[:-1] not in server.log()


FORGED: list[dict[str, str | None]] = [
    {"Origin": "http://evil.example"},
    {"Origin": "null"},
    {"Origin": None},
    {"Origin": "https://127.0.0.1"},
    {"X-Grader": None},
    {"X-Grader": "other"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
    {"Host": "evil.example"},
    {"Host": "127.0.0.1:1"},
    {"Host": "evil.example", "Origin": "http://evil.example"},
]


@pytest.mark.parametrize("headers", FORGED, ids=str)
def test_another_site_cannot_send_in_the_phones_name(
    server: Server, phone: Phone, photo: bytes, headers: dict[str, str | None]
) -> None:
    before = len(list(server.trays.iterdir()))
    answer = phone.send(photo, headers=headers)
    assert answer.status == 403 and answer.json["advice"]
    assert len(list(server.trays.iterdir())) == before


def test_another_site_cannot_read_either(phone: Phone) -> None:
    assert phone.ask("GET", "/api/trays", headers={"Sec-Fetch-Site": "cross-site"}).status == 403
    assert phone.ask("GET", "/api/trays", headers={"Host": "evil.example"}).status == 403
    asked = phone.ask("OPTIONS", "/api/trays", headers={"Origin": "http://evil.example"})
    assert asked.status == 403 and not [name for name in asked.headers if name.startswith("access-control")]


@pytest.mark.parametrize(
    "name",
    [
        "../../evil.jpg",
        "/etc/evil.jpg",
        "..\\evil.jpg",
        "a\0b.jpg",
        "photos.csv",
        "evil%0d%0a.jpg",
        "é" * 300,
    ],
)
def test_a_name_of_the_client_never_becomes_a_path(
    server: Server, phone: Phone, photo: bytes, name: str
) -> None:
    before = {path for path in server.folder.rglob("*") if path.is_file()}
    tray = phone.finished(phone.send(other_bytes(photo), name).json["id"])
    assert tray["state"] == "done"
    new = {path for path in server.folder.rglob("*") if path.is_file()} - before
    assert {path.name[:5] for path in new if path.parent == server.trays} == {"tray-"}
    assert not list(server.folder.parent.rglob("*evil*"))


ADDRESSES = [
    "/../../etc/passwd",
    "/bench.css/../../app.py",
    "/api/trays/../../board.json",
    "/api/trays/%2e%2e%2fboard",
    "/api/trays/..%2f..%2fboard.json/picture",
    "/api/trays//picture",
    "/page/bench.html",
    "//etc/passwd",
    "/api/trays/" + "x" * 3000,
]


def test_addresses_never_become_paths(phone: Phone) -> None:
    for path in ADDRESSES:
        assert phone.ask("GET", path).status == 404, path


def test_the_page_and_its_files_are_sent_and_nothing_else(phone: Phone) -> None:
    for address, name in page_files().items():
        if name == PAGE and not (ROOT / "grader" / "bench" / "page" / PAGE).is_file():
            continue
        answer = phone.ask("GET", address)
        assert answer.status == 200 and answer.headers["content-type"].startswith("text/")
        assert answer.body == (ROOT / "grader" / "bench" / "page" / name).read_bytes()
        assert phone.ask("POST", address, b"").status == 405
    for address in ("/app.py", "/page/", "/bench.html", "/__init__.py"):
        assert phone.ask("GET", address).status == 404


def test_forms_that_are_not_the_pages(phone: Phone, photo: bytes) -> None:
    def post(body: bytes, kind: str = FORM_HEADER["Content-Type"]) -> int:
        return phone.ask("POST", "/api/trays", body, {"Content-Type": kind}).status

    assert post(form(photo, "a.jpg", {}, "file")) == 400
    assert post(form(photo, "a.jpg", {"photo": "x"})) == 400
    assert post(form(photo, "a.jpg", {"admin": "1"})) == 400
    assert post(form(photo, "a.jpg", {})[:-200]) == 400
    assert post(b"") == 400
    assert post(b"\0" * 1000) == 400
    assert post(photo, "image/jpeg") == 415
    assert post(photo, "multipart/form-data") == 415
    assert post(photo, "multipart/form-data; boundary=" + "b" * 2000) == 400
    long_head = (
        f'--cut-here-7d1\r\nContent-Disposition: form-data; name="photo"; x="{"y" * 5000}"\r\n\r\n'.encode()
    )
    assert post(long_head) == 400
    for values in ({"cutter": "=1+2"}, {"donor": "x" * 101}, {"donor": "x" * 9999}, {"species": "a\x1b[31m"},
                   {"targets": "../mine.toml"}, {"targets": "/etc/passwd"}):  # fmt: skip
        answer = phone.send(photo, **values)
        assert answer.status == 422 and answer.json["message"], values
    assert phone.send(photo, cutter="a\xff").status in (202, 422)


def test_a_hundred_megabytes(server: Server, phone: Phone) -> None:
    big = b"\xff\xd8" + bytes(100_000_000)
    told = phone.send(big)  # the length is announced: refused by it
    assert told.status == 413 and "40 MB" in told.json["message"]

    def pieces() -> Iterator[bytes]:
        whole = form(big[:60_000_000], "a.jpg", {})
        for k in range(0, len(whole), 65536):
            yield whole[k : k + 65536]

    streamed = phone.ask("POST", "/api/trays", pieces(), FORM_HEADER)
    assert streamed.status == 413
    wait_for(refused_in(server, "too large"))


def test_a_slow_body_is_not_waited_for(server: Server, phone: Phone, photo: bytes) -> None:
    silent = phone.half_sent(photo)
    assert answer_of(silent).startswith(b"HTTP/1.1 408 ")
    silent.close()
    dripping = phone.half_sent(photo)
    began_s = time.monotonic()
    dripping.settimeout(0.2)
    got = b""
    while not got:
        assert time.monotonic() < began_s + 30.0
        dripping.sendall(b"x")  # always something, never enough
        try:
            got = dripping.recv(65536)
        except TimeoutError:
            continue
    assert got.startswith(b"HTTP/1.1 408 ")
    dripping.close()
    wait_for(refused_in(server, "too slow"))


def test_a_phone_that_goes_away_harms_nobody(server: Server, phone: Phone, photo: bytes) -> None:
    before = len(list(server.trays.iterdir()))
    for _ in range(5):
        gone = phone.half_sent(photo)
        wait_for(server.halves)
        gone.close()
        wait_for(lambda: not server.halves())
    assert len(list(server.trays.iterdir())) == before
    wait_for(lambda: any("went away" in line for line in server.lines))
    assert phone.finished(phone.sent(other_bytes(photo)))["state"] == "done"


def test_a_full_queue_says_busy_and_when_to_come_again(server: Server, phone: Phone, photo: bytes) -> None:
    wait_for(
        lambda: all(t["state"] not in ("waiting", "measuring") for t in phone.get("/api/trays")["trays"])
    )
    under_way = [phone.half_sent(photo) for _ in range(LIMITS["most_waiting"])]  # type: ignore[arg-type]
    wait_for(lambda: len(server.halves()) == len(under_way))
    answer = phone.send(other_bytes(photo))
    assert answer.status == 503 and int(answer.headers["retry-after"]) >= 1
    assert "wait" in answer.json["message"]
    wait_for(refused_in(server, "busy"))
    for one in under_way:
        one.close()
    wait_for(lambda: not server.halves())
    assert phone.finished(phone.sent(other_bytes(photo)))["state"] == "done"


def test_fifty_connections_do_not_shut_the_phone_out(server: Server, phone: Phone, photo: bytes) -> None:
    where = ("127.0.0.1", server.port)
    silent = [socket.create_connection(where, timeout=20.0) for _ in range(50)]
    assert phone.get("/api/trays")["trays"]
    begun = [socket.create_connection(where, timeout=20.0) for _ in range(50)]
    for one in begun:
        with_head = b"GET /api/setup HTTP/1.1\r\nHost: x\r\n"
        try:
            one.sendall(with_head)
        except ConnectionError:
            continue
    assert phone.finished(phone.sent(other_bytes(photo)))["state"] == "done"
    for one in [*silent, *begun]:  # none is kept: each is turned away or has had its time
        while answer_of(one):
            pass
        one.close()
    wait_for(refused_in(server, "too many connections"))


def test_what_is_no_http_and_heads_too_long(server: Server, phone: Phone) -> None:
    where = ("127.0.0.1", server.port)
    for sent in (
        b"\x16\x03\x01\x02\x00\x01\xfc" + b"\0" * 100 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nX: " + b"y" * 40_000,
    ):
        with socket.create_connection(where, timeout=20.0) as one:
            one.sendall(sent)
            got = answer_of(one)
        assert got.startswith(b"HTTP/1.1 400 ") and b"X-Content-Type-Options: nosniff" in got
    wait_for(refused_in(server, "no HTTP"))


def test_every_answer_has_the_strict_headers(server: Server, phone: Phone) -> None:
    answers = [
        phone.ask("GET", "/api/setup"),
        phone.ask("GET", f"/enter/{server.token}"),
        phone.ask("GET", "/enter/wrong"),
        phone.ask("GET", "/nothing"),
        phone.ask("DELETE", "/api/trays"),
        phone.ask("POST", "/api/trays", b"x"),
        phone.ask("GET", "/api/setup", headers={"Cookie": None}),
        phone.ask("GET", "/api/setup", headers={"Host": "evil.example"}),
    ]
    assert [answer.status for answer in answers] == [200, 303, 403, 404, 405, 415, 403, 403]
    for answer in answers:
        for name, value in STRICT_HEADERS.items():
            assert answer.headers[name.lower()] == value
        assert "server" not in answer.headers
    entered = answers[1].headers["set-cookie"]
    assert "HttpOnly" in entered and "SameSite" in entered and "Path=/" in entered


def test_a_table_that_somebody_breaks_is_told_and_costs_no_photo(
    server: Server, phone: Phone, photo: bytes
) -> None:
    table = server.trays / "photos.csv"
    whole, sent = table.read_bytes(), other_bytes(photo)
    table.write_text("photo,cuter\na.jpg,Ann\n", encoding="utf-8")
    before = len(list(server.trays.iterdir()))
    answer = phone.send(sent)
    assert answer.status == 503 and "photos.csv" in answer.json["message"]
    assert len(list(server.trays.iterdir())) == before
    wait_for(lambda: any("there is no column 'cuter'" in line for line in server.lines))
    table.write_bytes(whole)
    assert phone.finished(phone.sent(sent))["state"] == "done"


def test_the_tables_are_written_while_it_serves(server: Server) -> None:
    wait_for((server.out / "results.json").exists)
    wait_for((server.out / "cuttings.csv").exists)
    assert Path(server.out / ".done").is_dir()
