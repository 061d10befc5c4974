"""Connections: how many, and for how long one may say nothing, or not enough.

The server library closes a connection that is idle between two requests.  It waits without end for one that
never sends a whole head, and reads a refused upload to its end however slowly that comes.  Both are bounded
here.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import Any

import h11
from uvicorn.config import Config
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

from grader.bench.guard import STRICT_HEADERS
from grader.bench.limits import Limits
from grader.bench.log import Log

TOO_MANY = "too many connections"


@dataclass(slots=True)
class Connections:
    """All that are open, the oldest first."""

    limits: Limits
    log: Log
    open: dict[GuardedProtocol, None] = field(default_factory=dict)

    def make_room(self) -> bool:
        """Return whether one more may open; one without token, the oldest, has to go for it."""
        if len(self.open) < self.limits.most_connections:
            return True
        stranger = next((one for one in self.open if not one.is_known), None)
        if stranger is None:
            return False
        stranger.drop(TOO_MANY)
        return True

    def protocol(self) -> type[GuardedProtocol]:
        """Return the protocol of the server library, with these bounds."""
        connections = self

        class Protocol(GuardedProtocol):
            """Knows its siblings."""

            siblings = connections

        return Protocol


class GuardedProtocol(H11Protocol):
    """One connection."""

    siblings: Connections

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        app_state: dict[str, Any],
        _loop: asyncio.AbstractEventLoop | None = None,
    ) -> None:
        super().__init__(config, server_state, {**app_state, "connection": self}, _loop)
        self.is_known = False
        """Whether a request with the token came by it."""
        self._phase = ""
        self._timer: asyncio.TimerHandle | None = None
        self._has_served = False
        self._is_silent = True

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection in, or turn it away."""
        super().connection_made(transport)
        if not self.siblings.make_room():
            self.drop(TOO_MANY)
            return
        self.siblings.open[self] = None
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget a connection."""
        self.siblings.open.pop(self, None)
        self._set_phase("")
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take in bytes."""
        self._is_silent = False
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """Go on after an answer."""
        super().on_response_complete()
        self._has_served = True
        self._watch()

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP, with the strict headers too."""
        self.siblings.log.refused(self._who(), "a request", "no HTTP, or too long a head")
        self._write_whole(400, b"Bad Request", msg)

    def drop(self, why: str) -> None:
        """End the connection."""
        self.siblings.open.pop(self, None)
        if self.cycle is not None and not self.cycle.response_complete:
            self.siblings.log.refused(self._who(), "a connection", why)
            self.transport.abort()
            return
        if not self._is_silent or why == TOO_MANY:
            # Browsers open connections in advance: one that said nothing in its time is not worth a line.
            self.siblings.log.refused(self._who(), "a connection", why)
        if self._is_silent:
            self.transport.close()  # An answer to nothing could be taken for that of a later request.
        else:
            self._write_whole(503, b"Service Unavailable", "Too many connections, or too slow.")

    def _write_whole(self, status: int, phrase: bytes, text: str) -> None:
        """Write an answer and close; past the state of HTTP, which a broken request leaves undefined."""
        body = text.encode("ascii") + b"\n"
        headers = {
            **STRICT_HEADERS,
            "Content-Type": "text/plain; charset=utf-8",
            "Content-Length": str(len(body)),
            "Connection": "close",
        }
        head = "".join(f"{name}: {value}\r\n" for name, value in headers.items()).encode("ascii")
        if not self.transport.is_closing():
            self.transport.write(b"HTTP/1.1 %d %b\r\n%b\r\n%b" % (status, phrase, head, body))
            self.transport.close()

    def _watch(self) -> None:
        """See in which phase the connection is, and how long that may last."""
        if self.transport.is_closing():
            self._set_phase("")
        elif self.conn.their_state is h11.IDLE:
            # Between two requests the library's own time limit holds.
            is_begun = not self._has_served or bool(self.conn.trailing_data[0])
            self._set_phase("head" if is_begun else "")
        elif self.conn.their_state is h11.SEND_BODY and self.conn.our_state is h11.DONE:
            self._set_phase("drain")
        else:
            self._set_phase("")

    def _set_phase(self, phase: str) -> None:
        if phase == self._phase:
            return
        self._phase = phase
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        limits = self.siblings.limits
        if phase:
            most_s = limits.head_s if phase == "head" else limits.drain_s
            self._timer = self.loop.call_later(most_s, self._is_over, phase)

    def _is_over(self, phase: str) -> None:
        if phase == "head":
            self.drop("no whole request in time")
        else:
            self.siblings.open.pop(self, None)
            self.transport.abort()

    def _who(self) -> str:
        return str(self.client[0]) if self.client else "somebody"
