"""A server that follows the contract of the bench page and does what a test tells it: be busy, slow, broken.

It shows results that ``grader`` wrote; it grades nothing.  The real server has tests of its own.
"""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from email.parser import BytesParser
from email.policy import HTTP
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from grader.report.rows import measured_of, value_of

PAGE = Path(__file__).parents[2] / "grader" / "bench" / "page"
KINDS = {"html": "text/html; charset=utf-8", "css": "text/css", "js": "text/javascript"}
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


def both(text: str) -> dict[str, str]:
    """Return a sentence with millimetres only and with inches where it has them.

    >>> both("strip to 27 mm (1.06 in)")
    {'mm': 'strip to 27 mm', 'in': 'strip to 1.06 in'}
    """
    metric = re.sub(r" \([\d.]+ in\)", "", text)
    return {"mm": metric, "in": re.sub(r"[\d.]+(?: ± [\d.]+)? mm \(([\d.]+ in)\)", r"\1", text)}


def told(photo: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the page is told of a photo of results.json."""
    if photo["status"] != "graded":
        return {"state": "unusable", "message": photo["message"], "advice": photo["advice"]}
    counts: dict[str, int] = {}
    for cutting in photo["cuttings"]:
        counts[cutting["grade"]] = counts.get(cutting["grade"], 0) + 1
    return {
        "state": "done",
        "counts": counts,
        "warnings": photo["warnings"],
        "set_aside": [{"label": thing["kind"], "why": thing["reason"]} for thing in photo["set_aside"]],
        "cuttings": [
            {
                "number": cutting["number"],
                "cell": cutting["cell"],
                "grade": cutting["grade"],
                "do": both(cutting["advice"]),
                "why": both(cutting["reason"]),
                "length": _size(cutting, "total_length_mm"),
                "stripped": _size(cutting, "stripped_length_mm"),
                "diameter": _size(cutting, "base_diameter_mm"),
            }
            for cutting in photo["cuttings"]
        ],
    }


def _size(cutting: Mapping[str, Any], name: str) -> dict[str, str]:
    value = value_of(name, measured_of(cutting["traits"].get(name)))
    return {"mm": value.metric, "in": value.inches or value.metric}


@dataclass
class Plan:
    """What happens to the next photos."""

    results: list[tuple[dict[str, Any], Path | None]]
    """What is told of a photo, and its marked picture; taken in turn."""
    refusals: list[tuple[int, dict[str, str], dict[str, str]]] = field(default_factory=list)
    """Answers to the next uploads: status, body, headers."""
    states: list[dict[str, Any]] = field(default_factory=list)
    """Answers to the next questions after a tray, before the result."""
    hang_up: int = 0
    """So many uploads are cut off."""
    is_closed: bool = False
    """Whether the pass is not known any more."""
    answer_s: float = 0.0
    """How long an upload waits for its answer."""
    setup: dict[str, Any] = field(
        default_factory=lambda: {
            "targets": [
                {"name": "landscape-juniper", "title": "Landscape juniper"},
                {"name": "rosemary", "title": "Rosemary"},
            ],
            "chosen": {"cutter": "", "donor": "", "species": "", "targets": "landscape-juniper"},
            "unit": "mm",
            "max_mb": 40,
        }
    )
    trays: list[dict[str, Any]] = field(default_factory=list)
    uploads: list[dict[str, Any]] = field(default_factory=list)
    n_asked: int = 0


class Double(ThreadingHTTPServer):
    """Serves one plan on a free port of this computer."""

    daemon_threads = True

    def __init__(self, plan: Plan) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.plan = plan
        self.lock = threading.Lock()
        threading.Thread(target=self.serve_forever, args=(0.05,), daemon=True).start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}/"

    def handle_error(self, *_: Any) -> None:
        """A browser that goes away is no error."""

    def close(self) -> None:
        self.shutdown()
        self.server_close()


class _Handler(BaseHTTPRequestHandler):
    server: Double
    protocol_version = "HTTP/1.1"

    def log_message(self, *_: Any) -> None:
        pass

    def _send(self, status: int, body: bytes, kind: str, more: Mapping[str, str] | None = None) -> None:
        self.send_response(status)
        headers = {
            "Content-Type": kind,
            "Content-Length": str(len(body)),
            "Content-Security-Policy": POLICY,
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Cache-Control": "no-store",
        }
        for name, value in (headers | dict(more or {})).items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def _json(self, status: int, body: Any, more: Mapping[str, str] | None = None) -> None:
        self._send(status, json.dumps(body).encode(), "application/json", more)

    def do_GET(self) -> None:
        plan, path = self.server.plan, self.path
        files = {"/": "bench.html"} | {f"/{file.name}": file.name for file in PAGE.iterdir()}
        if path in files:
            name = files[path]
            self._send(200, (PAGE / name).read_bytes(), KINDS[name.rsplit(".", 1)[1]])
        elif plan.is_closed:
            self._json(403, {"message": "This page is not open to this phone.", "advice": ""})
        elif path == "/api/setup":
            self._json(200, plan.setup)
        elif path == "/api/trays":
            keys = ("id", "state", "received_at", "cutter", "donor", "targets", "title", "counts")
            self._json(200, {"trays": [{key: tray[key] for key in keys} for tray in plan.trays]})
        else:
            self._tray(path)

    def _tray(self, path: str) -> None:
        plan = self.server.plan
        found = re.fullmatch(r"/api/trays/([\w-]+)(/picture)?", path)
        tray = next((tray for tray in plan.trays if found and tray["id"] == found[1]), None)
        if tray is None or found is None:
            self._json(404, {"message": "There is no such tray.", "advice": ""})
        elif found[2]:
            picture = tray["file"]
            self._send(200, picture.read_bytes(), "image/jpeg")
        else:
            with self.server.lock:
                plan.n_asked += 1
                changes = plan.states.pop(0) if plan.states else tray["result"]
                tray.update(changes)
            self._json(200, {key: value for key, value in tray.items() if key not in ("file", "result")})

    def do_POST(self) -> None:
        plan = self.server.plan
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if plan.hang_up:
            plan.hang_up -= 1
            self.close_connection = True
            self.connection.close()
            return
        time.sleep(plan.answer_s)
        if plan.refusals:
            self._json(*plan.refusals.pop(0))
            return
        if self.headers["X-Grader"] != "bench":
            self._json(403, {"message": "Not from the page.", "advice": ""})
            return
        head = f"Content-Type: {self.headers['Content-Type']}\r\n\r\n".encode()
        parts = {
            str(part.get_param("name", header="content-disposition")): part
            for part in BytesParser(policy=HTTP).parsebytes(head + body).iter_parts()  # type: ignore[attr-defined]
        }
        photo = parts.pop("photo").get_payload(decode=True)
        fields = {name: part.get_content().strip() for name, part in parts.items()}
        with self.server.lock:
            plan.uploads.append({**fields, "n_bytes": len(photo)})
            result, picture = plan.results[(len(plan.uploads) - 1) % len(plan.results)]
            id_ = f"tray-{len(plan.uploads)}_x"
            tray: dict[str, Any] = {
                "id": id_,
                "state": "waiting",
                "received_at": f"2026-03-02T08:{14 + len(plan.uploads):02d}:00",
                **{name: fields.get(name, "") for name in ("cutter", "donor", "targets")},
                "title": "Landscape juniper",
                "counts": {},
                "ahead": 0,
                "message": "",
                "advice": "",
                "warnings": [],
                "cuttings": [],
                "set_aside": [],
                "picture": None,
                "file": picture,
            }
            tray["result"] = result | {"picture": f"/api/trays/{id_}/picture" if picture else None}
            plan.trays.insert(0, tray)
        self._json(202, {"id": id_})
