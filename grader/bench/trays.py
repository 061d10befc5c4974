"""The trays of this session: what was received, how far it is, what came of it."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

ID_BYTES = 12
"""96 random bits: nobody guesses one, and it names nothing on the disk."""
MOST_LISTED = 100
"""Trays that are told of in the list, newest first."""
MOST_REMEMBERED = 16
"""Results held in memory for phones that ask again and again; others are read anew."""
UNFINISHED = ("waiting", "measuring")


@dataclass(frozen=True, slots=True)
class Tray:
    """One photo; replaced by a new one when something happens to it."""

    id: str
    path: Path
    picture: str
    """Name of its picture below the results folder."""
    received_at: datetime
    fields: Mapping[str, str]
    """Cutter, donor, species, targets as chosen at the phone, or as the table says."""
    title: str
    """Of the targets."""
    is_urgent: bool = True
    """Somebody waits for it; False for photos that lay in the folder at the start."""
    is_listed: bool = True
    """False for photos of earlier days."""
    sha256: str = ""
    state: str = "waiting"
    key: str = ""
    """Of the kept result."""
    counts: Mapping[str, int] = field(default_factory=dict)
    message: str = ""
    advice: str = ""

    @property
    def is_done(self) -> bool:
        """Return whether there is a picture and a list."""
        return self.state == "done"


class Trays:
    """All trays by their id; from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._trays: dict[str, Tray] = {}
        self._by_photo: dict[str, str] = {}
        self._by_path: dict[Path, str] = {}
        self._told: OrderedDict[str, dict[str, Any]] = OrderedDict()

    def add(self, tray: Tray) -> Tray:
        """Take a new tray in."""
        with self._lock:
            self._trays[tray.id] = tray
            self._by_path[tray.path] = tray.id
            if tray.sha256:
                self._by_photo[tray.sha256] = tray.id
        return tray

    def get(self, tray_id: str) -> Tray | None:
        """Return a tray, None if there is no such id."""
        with self._lock:
            return self._trays.get(tray_id)

    def with_photo(self, sha256: str) -> Tray | None:
        """Return the tray of the same bytes, None if there is none."""
        with self._lock:
            return self._trays.get(self._by_photo.get(sha256, ""))

    def at(self, path: Path) -> Tray | None:
        """Return the tray of a file, None if there is none."""
        with self._lock:
            return self._trays.get(self._by_path.get(path, ""))

    def change(self, tray_id: str, **changes: Any) -> Tray:
        """Say what happened to a tray."""
        with self._lock:
            tray = self._trays[tray_id] = replace(self._trays[tray_id], **changes)
            return tray

    def newest(self) -> list[Tray]:
        """Return the newest trays, the last received first."""
        with self._lock:
            listed = [tray for tray in self._trays.values() if tray.is_listed]
        return sorted(listed, key=lambda tray: tray.received_at, reverse=True)[:MOST_LISTED]

    def told(self, tray_id: str, make: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Return what is shown of a result, made anew if it is not remembered."""
        with self._lock:
            known = self._told.get(tray_id)
            if known is not None:
                self._told.move_to_end(tray_id)
                return known
        made = make()
        with self._lock:
            self._told[tray_id] = made
            while len(self._told) > MOST_REMEMBERED:
                self._told.popitem(last=False)
        return made


def new_id() -> str:
    """Return an id that nobody guesses."""
    return secrets.token_urlsafe(ID_BYTES)


def summary(tray: Tray) -> dict[str, Any]:
    """Return a tray as one line of the list."""
    return {
        "id": tray.id,
        "state": tray.state,
        "received_at": tray.received_at.isoformat(timespec="seconds"),
        "cutter": tray.fields.get("cutter", ""),
        "donor": tray.fields.get("donor", ""),
        "species": tray.fields.get("species", ""),
        "targets": tray.fields.get("targets", ""),
        "title": tray.title,
        "counts": dict(tray.counts),
    }
