"""A server in its own process, and a phone that talks to it through a real socket."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
MOST_WAIT_S = 120.0
"""For something that comes within a second or two on a free computer."""
BOUNDARY = "cut-here-7d1"


@dataclass
class Server:
    """A running server."""

    folder: Path
    process: subprocess.Popen[str]
    reader: threading.Thread
    port: int = 0
    token: str = ""
    told: str = ""
    lines: list[str] = field(default_factory=list)
    """Of its log."""

    @property
    def trays(self) -> Path:
        return self.folder / "trays"

    @property
    def out(self) -> Path:
        return self.folder / "graded"

    def log(self) -> str:
        return "\n".join(self.lines)

    def halves(self) -> list[Path]:
        """Uploads that are not whole."""
        return sorted(self.folder.rglob(".grader-part-*"))

    def stop(self, which: signal.Signals = signal.SIGINT, most_s: float = MOST_WAIT_S) -> int:
        if self.process.poll() is None:
            self.process.send_signal(which)
        code = self.process.wait(most_s)
        assert self.process.stdout is not None
        self.process.stdout.close()
        self.reader.join(MOST_WAIT_S)
        return code


def start(folder: Path, command: list[str]) -> Server:
    """Start a server and wait until it has told its address."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_CONFIG_HOME": str(folder / "config")}
    process = subprocess.Popen(
        [sys.executable, *command],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert process.stderr is not None and process.stdout is not None
    lines: list[str] = []
    reader = threading.Thread(target=_collect, args=(process.stderr, lines), daemon=True)
    server = Server(folder, process, reader, lines=lines)
    reader.start()
    for line in process.stdout:
        server.told += line
        found = re.search(r"http://127\.0\.0\.1:(\d+)/enter/(\S+)", line)
        if found:
            server.port, server.token = int(found[1]), found[2]
        if line.startswith("Ctrl-C"):
            break
    if not server.token:
        server.stop()
    assert server.token, server.log()
    return server


def _collect(stream: Any, lines: list[str]) -> None:
    with stream:
        lines.extend(line.rstrip("\n") for line in stream)


@contextlib.contextmanager
def serving(folder: Path, **limits: float) -> Iterator[Server]:
    """Run a server with such bounds; end it in the end."""
    server = start(folder, ["-m", "tests.bench.serve", json.dumps(limits)])
    try:
        yield server
    finally:
        with contextlib.suppress(ProcessLookupError):
            server.stop()


def wait_for(is_so: Callable[[], Any]) -> Any:
    """Wait until something is so; return what it gives."""
    end_s = time.monotonic() + MOST_WAIT_S
    while not (found := is_so()):
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.02)
    return found


@dataclass
class Answer:
    """What the server said."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Phone:
    """Talks to a server; with the token once it has entered."""

    def __init__(self, server: Server, is_let_in: bool = True) -> None:
        self.server = server
        self.host = f"127.0.0.1:{server.port}"
        self.cookie = ""
        if is_let_in:
            entered = self.ask("GET", f"/enter/{server.token}")
            assert entered.status == 303, entered
            self.cookie = entered.headers["set-cookie"].partition(";")[0]

    def head(self, changes: Mapping[str, str | None]) -> dict[str, str]:
        """Headers that the page's script sends, with changes; None leaves one out."""
        plain = {
            "Cookie": self.cookie or None,
            "Origin": f"http://{self.host}",
            "X-Grader": "bench",
            **changes,
        }
        return {name: value for name, value in plain.items() if value is not None}

    def ask(
        self, method: str, path: str, body: Any = None, headers: Mapping[str, str | None] | None = None
    ) -> Answer:
        connection = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=MOST_WAIT_S)
        try:
            connection.request(method, path, body, self.head(headers or {}))
            got = connection.getresponse()
            return Answer(got.status, {k.lower(): v for k, v in got.getheaders()}, got.read())
        finally:
            connection.close()

    def get(self, path: str) -> Any:
        answer = self.ask("GET", path)
        assert answer.status == 200, answer
        return answer.json

    def send(
        self,
        photo: bytes,
        name: str = "photo.jpg",
        headers: Mapping[str, str | None] | None = None,
        **texts: str,
    ) -> Answer:
        return self.ask("POST", "/api/trays", form(photo, name, texts), {**FORM_HEADER, **(headers or {})})

    def sent(self, photo: bytes, **texts: str) -> str:
        """Send a photo that is taken; return its id."""
        answer = self.send(photo, **texts)
        assert answer.status == 202, answer
        return str(answer.json["id"])

    def finished(self, tray_id: str) -> dict[str, Any]:
        """Wait until a tray is done with; return it."""

        def now() -> dict[str, Any] | None:
            tray: dict[str, Any] = self.get(f"/api/trays/{tray_id}")
            return None if tray["state"] in ("waiting", "measuring") else tray

        tray: dict[str, Any] = wait_for(now)
        return tray

    def half_sent(self, photo: bytes) -> socket.socket:
        """Begin an upload and stop in the middle of the photo."""
        whole = form(photo, "half.jpg", {})
        head = self.head({**FORM_HEADER, "Host": self.host, "Content-Length": str(len(whole))})
        lines = ["POST /api/trays HTTP/1.1", *(f"{name}: {value}" for name, value in head.items()), "", ""]
        one = socket.create_connection(("127.0.0.1", self.server.port), timeout=MOST_WAIT_S)
        one.sendall("\r\n".join(lines).encode("latin-1") + whole[: len(whole) // 2])
        return one


FORM_HEADER = {"Content-Type": f"multipart/form-data; boundary={BOUNDARY}"}


def form(photo: bytes, name: str, texts: Mapping[str, str], field_name: str = "photo") -> bytes:
    """The body of an upload as a browser writes it."""
    parts = [
        f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="{key}"\r\n\r\n{value}\r\n'.encode()
        for key, value in texts.items()
    ]
    head = (
        f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="{field_name}"; filename="{name}"\r\n'
        "Content-Type: image/jpeg\r\n\r\n"
    ).encode("utf-8", "surrogateescape")
    return b"".join(parts) + head + photo + f"\r\n--{BOUNDARY}--\r\n".encode()


def other_bytes(photo: bytes) -> bytes:
    """The same picture as another file: bytes after its end are passed over by every reader."""
    return photo + secrets.token_bytes(16)


def answer_of(one: socket.socket) -> bytes:
    """Read until the server closes or has sent a whole head."""
    got = b""
    with contextlib.suppress(ConnectionError):
        while b"\r\n\r\n" not in got and (piece := one.recv(65536)):
            got += piece
    return got
