"""What happens, told in the terminal: one line each, never a secret, never more than a person can read."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from grader.write.terminal import clean

ENTER = "/enter/"
"""Address of those who are not in yet; the token follows."""
MOST_REFUSALS = 20
"""Lines in each span: a stranger must not fill the terminal."""
SPAN_S = 10.0
MOST_CHARACTERS = 200
"""Of one line: a path asked for may be long."""


class Log:
    """Writes lines with the time of day; from any thread."""

    def __init__(
        self,
        write: Callable[[str], None] | None = None,
        clock_s: Callable[[], float] = time.monotonic,
        most_refusals: int = MOST_REFUSALS,
    ) -> None:
        self._write = write or _to_stderr
        self._clock_s = clock_s
        self._most_refusals = most_refusals
        self._lock = threading.Lock()
        self._since_s = clock_s()
        self._n_told = self._n_more = 0

    def say(self, text: str) -> None:
        """Write a line."""
        with self._lock:
            self._tell_more()
            self._line(text)

    def refused(self, who: str, what: str, why: str) -> None:
        """Tell of a refused request; beyond so many in SPAN_S only how many there were."""
        with self._lock:
            self._tell_more()
            if self._n_told >= self._most_refusals:
                self._n_more += 1
                return
            self._n_told += 1
            self._line(f"refused: {who}: {what} ({why})")

    def refused_request(self, scope: Mapping[str, Any], why: str) -> None:
        """Tell of a refused request; without a reason it is not worth a line."""
        if why:
            self.refused(who(scope), what(scope), why)

    def _tell_more(self) -> None:
        """Begin a new span when the last one is over, and tell what was left out of it."""
        now_s = self._clock_s()
        if now_s - self._since_s < SPAN_S:
            return
        if self._n_more:
            self._line(f"refused: {self._n_more} more requests")
        self._since_s, self._n_told, self._n_more = now_s, 0, 0

    def _line(self, text: str) -> None:
        now = datetime.now().strftime("%H:%M:%S")
        self._write(f"{now}  {clean(text)[:MOST_CHARACTERS]}")


def who(scope: Mapping[str, Any]) -> str:
    """Return who sent a request."""
    client = scope.get("client")
    return str(client[0]) if client else "somebody"


def what(scope: Mapping[str, Any]) -> str:
    """Return what a request asked for, without a token: even a wrong one may be half of a right one."""
    path = str(scope["path"])
    return f"{scope['method']} {ENTER + '...' if path.startswith(ENTER) else path}"


def _to_stderr(line: str) -> None:
    print(line, file=sys.stderr, flush=True)
