"""Where an upload becomes a tray, and where a tray is told of: between the web and the grading."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from grader.batch.keep import Line, file_hash
from grader.batch.origin import Origins
from grader.batch.photos import photos_in, picture_names
from grader.bench.batch_table import clean_value
from grader.bench.choices import Choices
from grader.bench.folder import Arriving, PhotoFolder, is_own_name
from grader.bench.grading import Grading, kept_graded
from grader.bench.limits import Limits
from grader.bench.log import Log
from grader.bench.refused import Refused
from grader.bench.tables import Tables
from grader.bench.told import graded_told
from grader.bench.trays import Tray, Trays, new_id, summary
from grader.errors import GraderError

MOST_EARLIER = 30
"""Trays graded before the start that are in the list again; the others are in the report."""
TEXTS = ("cutter", "donor", "species")


@dataclass(slots=True)
class Desk:
    """Takes uploads in and tells of trays; from any thread."""

    folder: PhotoFolder
    out: Path
    choices: Choices
    trays: Trays
    grading: Grading
    tables: Tables
    limits: Limits
    log: Log
    _intake: threading.Lock = field(default_factory=threading.Lock)
    _ending: threading.Event = field(default_factory=threading.Event)

    def fields_of(self, form: Mapping[str, str]) -> dict[str, str]:
        """Return the batch data of an upload.

        Raises
        ------
        Refused
            If a text cannot be used or there are no such targets.
        """
        values = {name: clean_value(name, form.get(name, ""), self.limits.most_text) for name in TEXTS}
        targets = form.get("targets", "") or self.choices.chosen["targets"]
        if targets not in self.choices.targets:
            raise Refused(
                422, "There are no such size targets.", "Choose one of the list.", "unknown targets"
            )
        return {**values, "targets": targets}

    def take(self, upload: Arriving, fields: Mapping[str, str]) -> Tray:
        """Keep an upload and let it wait; one that was sent again is the tray that it was before.

        Raises
        ------
        Refused
            If it is no photo, or cannot be kept.
        """
        choice = self.choices.targets[fields["targets"]]
        with self._intake:
            known = self.trays.with_photo(upload.sha256)
            if known is not None:
                return self._sent_again(known, fields)
            now = datetime.now().astimezone()
            photo = self.folder.publish(upload, {**fields, "targets": choice.in_table}, now)
            tray = self.trays.add(
                Tray(
                    id=new_id(),
                    path=photo,
                    picture=self._picture_names([photo])[photo],
                    received_at=now,
                    fields=fields,
                    title=choice.title,
                    sha256=upload.sha256,
                )
            )
        self.grading.add(tray)
        return tray

    def _sent_again(self, tray: Tray, fields: Mapping[str, str]) -> Tray:
        """Return the tray of the same bytes: an answer may have been lost on the way to the phone."""
        if any(fields[key] and fields[key] != tray.fields.get(key, "") for key in (*TEXTS, "targets")):
            raise Refused(
                422,
                "This photo was sent before, with another cutter, donor, species or targets.",
                "Take a new photo of the tray.",
                "same photo",
            )
        if tray.state == "failed":
            tray = self.trays.change(tray.id, state="waiting", message="", advice="", is_urgent=True)
            self.grading.add(tray)
        return tray

    def listed(self) -> list[dict[str, Any]]:
        """Return the newest trays in short."""
        return [summary(tray) for tray in self.trays.newest()]

    def tell(self, tray_id: str) -> dict[str, Any] | None:
        """Return all that is shown of a tray; None if there is no such tray."""
        tray = self.trays.get(tray_id)
        if tray is None:
            return None
        empty: dict[str, Any] = {"warnings": [], "cuttings": [], "set_aside": []}
        told = self.trays.told(tray.id, lambda: self._told(tray)) if tray.is_done else empty
        return {
            **summary(tray),
            "ahead": self.grading.ahead_of(tray.id) if tray.state == "waiting" else 0,
            "message": tray.message,
            "advice": tray.advice,
            **told,
            "picture": f"/api/trays/{tray.id}/picture" if tray.is_done else None,
        }

    def _told(self, tray: Tray) -> dict[str, Any]:
        graded = kept_graded(self.grading.keep.load(tray.key))
        if graded is None:
            return {"warnings": ["The kept result is gone."], "cuttings": [], "set_aside": []}
        return graded_told(graded)

    def picture_of(self, tray_id: str) -> Path | None:
        """Return the marked picture of a tray; None if there is none."""
        tray = self.trays.get(tray_id)
        if tray is None or not tray.is_done:
            return None
        path = self.out / tray.picture
        return path if path.is_file() else None

    def look_through(self) -> None:
        """Take in the photos that lie in the folder: those not graded yet wait for their turn."""
        photos = photos_in([self.folder.path], [self.out])
        names = self._picture_names(photos)
        recent = set(photos[-MOST_EARLIER:])
        # Those that a killed server left come first: somebody may wait for them.
        left = [path for path in photos if is_own_name(path) and not (self.out / names[path]).is_file()]
        origins = Origins({})
        for path in dict.fromkeys([*left, *photos]):
            if self._ending.is_set():
                return
            try:
                self._look_at(path, names[path], origins, is_recent=path in recent)
            except (GraderError, OSError) as problem:
                self.log.say(f"{path.name}: {getattr(problem, 'message', problem)}")

    def stop_looking(self) -> None:
        """End looking through the folder."""
        self._ending.set()

    def _look_at(self, path: Path, picture: str, origins: Origins, is_recent: bool) -> None:
        with self._intake:
            if self.trays.at(path) is not None:
                return  # It came in just now.
            origin = origins.of(path)
            choice = self.choices.named(origin.targets or self.choices.chosen["targets"])
            tray = Tray(
                id=new_id(),
                path=path,
                picture=picture,
                received_at=datetime.fromtimestamp(path.stat().st_mtime).astimezone(),
                fields={**dict.fromkeys(TEXTS, ""), **origin.batch, "targets": choice.name},
                title=choice.title,
                is_urgent=False,
            )
            answer = self.grading.look_up(tray, is_new=False)
            is_done = isinstance(answer, Line)
            self.trays.add(replace(tray, sha256=file_hash(path), is_listed=is_recent or not is_done))
        if not isinstance(answer, Line):
            self.log.say(f"{path.name}: not graded yet, it is graded now")
            self.grading.add(tray)
        elif is_recent:
            self.grading.settle(tray, answer)
        else:
            self.trays.change(tray.id, state="done", key=answer.key)
            self.tables.add(answer)

    def _picture_names(self, photos: list[Path]) -> dict[Path, str]:
        return picture_names(photos, [self.folder.path])
