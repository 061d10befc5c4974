"""Which targets a phone may choose, and what is chosen to begin with."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from grader.batch.origin import Origins
from grader.verdict import load_targets, shipped_names
from grader.verdict.targets import Targets

OWN = " (own file)"
"""Behind the name of a file that is called like a shipped set."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One set of targets: clients know its name only."""

    name: str
    title: str
    in_table: str
    """How the table of batch data names it."""


@dataclass(frozen=True, slots=True)
class Choices:
    """What the page offers."""

    targets: Mapping[str, Choice]
    chosen: Mapping[str, str]
    """cutter, donor, species, targets."""

    def named(self, in_table: str) -> Choice:
        """Return the targets that the table names so; of others only the name is known."""
        for choice in self.targets.values():
            if choice.in_table == in_table:
                return choice
        name = Path(in_table).stem
        return Choice(name, name, in_table)


def choices_of(trays: Path, targets: str, options: Mapping[str, str]) -> Choices:
    """Return the choices of a folder of photos.

    Parameters
    ----------
    trays : Path
        Its name, and those of the folders around it, may say cutter, donor, species.
    targets : str
        A shipped set, or a file; chosen to begin with.
    options : mapping
        Cutter, donor, species to begin with.

    Raises
    ------
    GraderError
        If the targets or a folder's name cannot be understood.
    """
    offered = {name: Choice(name, _title(load_targets(name)), name) for name in shipped_names()}
    said = Origins({}).of(trays / "photo.jpg")
    first = targets
    if targets not in offered or Path(targets).is_file():
        own = load_targets(targets)
        first = own.name + (OWN if own.name in offered else "")
        offered = {first: Choice(first, _title(own), _as_in_table(own.path, trays)), **offered}
    chosen = {key: options.get(key) or said.batch.get(key, "") for key in ("cutter", "donor", "species")}
    return Choices(offered, {**chosen, "targets": first})


def _title(targets: Targets) -> str:
    return targets.species or targets.name


def _as_in_table(path: Path, trays: Path) -> str:
    """Return the file as seen from the folder of the table: both may move together."""
    if path.suffix.lower() != ".toml":  # The table takes anything else for the name of a set.
        return str(path.absolute())
    try:
        return Path(os.path.relpath(path, trays)).as_posix()
    except ValueError:  # Another drive.
        return str(path.absolute())
