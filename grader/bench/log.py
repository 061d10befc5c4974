"""What happens, told in the terminal: one line each, never a secret, never more than a person can read."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from datetime import datetime

from grader.write.terminal import clean

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
    ) -> None:
        self._write = write or _to_stderr
        self._clock_s = clock_s
        self._lock = threading.Lock()
        self._since_s = clock_s()
        self._n_told = self._n_more = 0

    def say(self, text: str) -> None:
        """Write a line."""
        with self._lock:
            self._line(text)

    def refused(self, who: str, what: str, why: str) -> None:
        """Tell of a refused request; beyond MOST_REFUSALS in SPAN_S only how many there were."""
        with self._lock:
            now_s = self._clock_s()
            if now_s - self._since_s >= SPAN_S:
                if self._n_more:
                    self._line(f"refused: {self._n_more} more requests")
                self._since_s, self._n_told, self._n_more = now_s, 0, 0
            if self._n_told >= MOST_REFUSALS:
                self._n_more += 1
                return
            self._n_told += 1
            self._line(f"refused: {who}: {what} ({why})")

    def _line(self, text: str) -> None:
        now = datetime.now().strftime("%H:%M:%S")
        self._write(f"{now}  {clean(text)[:MOST_CHARACTERS]}")


def _to_stderr(line: str) -> None:
    print(line, file=sys.stderr, flush=True)
