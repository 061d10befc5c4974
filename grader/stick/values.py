"""The values that the sheet advises: a file that people edit, each value with its source."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grader.errors import GraderError

SCHEMA = "cutting-grader/sticking-values-1"
SHIPPED = Path(__file__).parent / "values.toml"
WOODS = ("softwood", "semi-hardwood", "hardwood")
ANY_WOOD = "any"


class ValuesProblem(GraderError):
    """The file of values cannot be used; the message names file and key."""


@dataclass(frozen=True, slots=True)
class Grouping:
    """How one measurement is sorted into groups."""

    step: float
    even_cv: float
    most: int
    least: int
    source: str


@dataclass(frozen=True, slots=True)
class DepthRule:
    """What a sticking depth must keep."""

    least_mm: float
    least_share: float
    clearance_mm: float
    bare_mm: float
    below_mm: float
    source: str
    published_shares: tuple[float, float]
    published_source: str


@dataclass(frozen=True, slots=True)
class ContainerDefaults:
    """The container used unless the person names another."""

    width_mm: float
    length_mm: float
    fill_mm: float
    spacing_mm: float
    cell_ml: float
    source: str


@dataclass(frozen=True, slots=True)
class Settling:
    """How much more medium than the bare volume."""

    settling_share: float
    source: str


@dataclass(frozen=True, slots=True)
class Mix:
    """A medium by volume."""

    name: str
    parts: Mapping[str, float]
    source: str

    @property
    def shares(self) -> dict[str, float]:
        """Share of each part, 0 to 1."""
        total = sum(self.parts.values())
        return {name: part / total for name, part in self.parts.items()}

    @property
    def words(self) -> str:
        """The mix in words, "80 % perlite, 20 % coir"."""
        return ", ".join(f"{100 * share:.0f} % {name}" for name, share in self.shares.items())


@dataclass(frozen=True, slots=True)
class Strength:
    """What one source says on rooting hormone (IBA)."""

    wood: tuple[str, ...]
    plant: str
    low_ppm: float
    high_ppm: float
    form: str
    source: str


@dataclass(frozen=True, slots=True)
class Heat:
    """What one source says on bottom heat."""

    plant: str
    low_c: float
    high_c: float
    note: str
    source: str


@dataclass(frozen=True, slots=True)
class Caution:
    """What can hurt, and how to avoid it."""

    thing: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class StickValues:
    """Everything in the file."""

    id: str
    groups: Mapping[str, Grouping]
    depth: DepthRule
    container: ContainerDefaults
    medium: Settling
    mixes: tuple[Mix, ...]
    hormone: tuple[Strength, ...]
    heat: tuple[Heat, ...]
    cautions: tuple[Caution, ...]

    def mix(self, name: str) -> Mix:
        """Return a mix by its name; the first for an empty name.

        Raises
        ------
        ValuesProblem
            If there is none of that name.
        """
        if not name:
            return self.mixes[0]
        for mix in self.mixes:
            if mix.name == name:
                return mix
        names = ", ".join(mix.name for mix in self.mixes)
        raise ValuesProblem(f'There is no mix called "{name}".', f"Known: {names}.")


def load_values(path: Path = SHIPPED) -> StickValues:
    """Return the values of a file.

    Raises
    ------
    ValuesProblem
        If the file cannot be read or has a mistake.
    """
    try:
        whole = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as problem:
        raise ValuesProblem(f"{path} cannot be read ({problem.strerror}).", "Check the name.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise ValuesProblem(f"{path} is not valid TOML: {problem}.", "Mend that line.") from None
    if whole.get("schema") != SCHEMA:
        raise ValuesProblem(
            f'{path} does not say schema = "{SCHEMA}".', "Start from: grader stick --show-values > my.toml"
        )
    try:
        return _values(whole)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as problem:
        said = f"{problem.args[0]} is missing" if isinstance(problem, KeyError) else str(problem)
        raise ValuesProblem(f"{path}: {said}.", "Compare with: grader stick --show-values") from None


def _values(whole: Mapping[str, Any]) -> StickValues:
    values = StickValues(
        id=f"{whole['name']} {whole['version']}",
        groups={name: Grouping(**table) for name, table in whole["groups"].items()},
        depth=DepthRule(**{**whole["depth"], "published_shares": tuple(whole["depth"]["published_shares"])}),
        container=ContainerDefaults(**whole["container"]),
        medium=Settling(**whole["medium"]),
        mixes=tuple(Mix(**table) for table in whole["mixes"]),
        hormone=tuple(Strength(**{**table, "wood": tuple(table["wood"])}) for table in whole["hormone"]),
        heat=tuple(Heat(**table) for table in whole["heat"]),
        cautions=tuple(Caution(**table) for table in whole["cautions"]),
    )
    _check(values)
    return values


def _check(values: StickValues) -> None:
    """Refuse numbers that make no sense, so that no sheet is printed from them."""
    for name, rule in values.groups.items():
        _want(rule.step > 0 and rule.even_cv > 0, f"groups.{name}: step and even_cv must be above 0")
        _want(rule.most >= 1 and rule.least >= 1, f"groups.{name}: most and least must be at least 1")
    depth = values.depth
    numbers = (depth.least_mm, depth.clearance_mm, depth.below_mm)
    _want(depth.bare_mm > depth.clearance_mm, "depth: bare_mm must be above clearance_mm")
    _want(min(numbers) >= 0 and 0 <= depth.least_share < 1, "depth: a number is below 0, or a share above 1")
    _want(0 <= values.medium.settling_share < 1, "medium.settling_share must be from 0 up to 1")
    box = values.container
    sizes = (box.width_mm, box.length_mm, box.fill_mm, box.spacing_mm, box.cell_ml)
    _want(min(sizes) > 0, "container: every size must be above 0")
    _want(bool(values.mixes), "there must be a mix")
    for mix in values.mixes:
        _want(bool(mix.parts) and min(mix.parts.values()) > 0, f"mix {mix.name}: parts must be above 0")
    for entry in values.hormone:
        unknown = set(entry.wood) - {*WOODS, ANY_WOOD}
        _want(not unknown, f"hormone for {entry.plant}: wood must be one of {', '.join(WOODS)}, any")
        _want(0 <= entry.low_ppm <= entry.high_ppm, f"hormone for {entry.plant}: low_ppm is above high_ppm")
    for heat in values.heat:
        _want(heat.low_c <= heat.high_c, f"heat for {heat.plant}: low_c is above high_c")


def _want(is_so: bool, otherwise: str) -> None:
    if not is_so:
        raise ValueError(otherwise)
