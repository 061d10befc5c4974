"""Read a target file: TOML that people edit by hand, and that is hard to get wrong.

::

    schema  = "cutting-grader/targets-1"
    name    = "landscape-juniper"
    version = "1"
    species = "low and spreading landscape junipers"

    [total_length_mm]
    wanted_min  = 75      # shorter: grade 2
    wanted_max  = 100
    allowed_min = 50      # shorter: cull
    allowed_max = 125
    source = "common practice, no source"

Every limit is optional, every table names its source, every mistake is an error that names file,
line and remedy.
"""

from __future__ import annotations

import difflib
import functools
import hashlib
import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from grader.errors import TargetsProblem
from grader.traits.catalogue import MM_PER_INCH, TRAITS, Trait, metric_text
from grader.verdict.rules import RULED_TRAITS, Level, Side, rules_about
from grader.verdict.targets import GUARD_FACTOR, POLICIES, Limits, Targets

SCHEMA = "cutting-grader/targets-1"
"""Format of the file; a later format gets another number."""
DEFAULT_NAME = "landscape-juniper"
SHIPPED_DIR = Path(__file__).parent / "targets"
GUARD_FACTOR_RANGE = (0.0, 2.5)
"""Above 2.5, values three standard uncertainties from a limit would often be called unsure."""
LEAST_SENSIBLE_MM = {
    ("total_length_mm", "min"): 12.0,
    ("total_length_mm", "max"): 20.0,
    ("stripped_length_mm", "min"): 3.0,
}
"""Limits below these are inches that somebody forgot to convert: 3 to 12 inches of length, 1 or 2 bare."""
_TEXT_KEYS = ("schema", "name", "version", "species", "notes")
_ROOT = ""


def shipped_names() -> tuple[str, ...]:
    """Return the names of the target files that come with the program."""
    return tuple(sorted(path.stem for path in SHIPPED_DIR.glob("*.toml")))


def load_targets(name_or_path: str = DEFAULT_NAME) -> Targets:
    """Return the targets of a file, or of a shipped set by its name.

    Raises
    ------
    TargetsProblem
        If there is no such file or set, or the file has a mistake.

    Examples
    --------
    >>> load_targets("landscape-juniper").limits["total_length_mm"].by_key["wanted_min"]
    75.0
    """
    path = find_targets(name_or_path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise TargetsProblem(
            f"{path}: cannot be read ({error.strerror}).", "Check the file's permissions."
        ) from None
    return parse_targets(data, path)


@functools.lru_cache(maxsize=1)
def shipped_targets() -> tuple[Targets, ...]:
    """Return all sets that come with the program; read once a process, since they are part of it."""
    paths = (SHIPPED_DIR / f"{name}.toml" for name in shipped_names())
    return tuple(parse_targets(path.read_bytes(), path) for path in paths)


def find_targets(name_or_path: str) -> Path:
    """Return the file of a shipped set by its name, or the file itself; a file of that name comes first.

    Raises
    ------
    TargetsProblem
        If there is neither.
    """
    path = Path(name_or_path)
    if name_or_path in shipped_names() and not path.is_file():
        path = SHIPPED_DIR / f"{name_or_path}.toml"
    if not path.is_file():
        raise TargetsProblem(
            f'There are no size targets called "{name_or_path}", and no such file.',
            _name_advice(name_or_path),
        )
    return path


def targets_text(name_or_path: str) -> str:
    """Return the text of a target file, remarks and all: the start of one's own.

    Raises
    ------
    TargetsProblem
        If there is no such set or file, or it has a mistake.
    """
    return load_targets(name_or_path).path.read_text(encoding="utf-8-sig")


def _name_advice(name: str) -> str:
    near = difflib.get_close_matches(name, shipped_names(), n=1)
    hint = f'Did you mean "{near[0]}"? ' if near else ""
    return f"{hint}Shipped sets: {', '.join(shipped_names())}. Or give the path of a .toml file."


def parse_targets(data: bytes, path: Path) -> Targets:
    """Return the targets written in the bytes of a file; ``path`` is only for messages.

    Raises
    ------
    TargetsProblem
        Names file, line, key and remedy.
    """
    try:
        text = data.decode("utf-8-sig")
        table = tomllib.loads(text)
    except UnicodeDecodeError:
        raise TargetsProblem(f"{path}: is not a text file.", "Save it as UTF-8 text.") from None
    except tomllib.TOMLDecodeError as error:
        raise _syntax_problem(path, text, str(error)) from None
    return _Reader(table, path, text).targets(hashlib.sha256(data).hexdigest())


class _Reader:
    """Turns the tables of one file into Targets; knows the line of every key for its messages."""

    def __init__(self, table: dict[str, Any], path: Path, text: str) -> None:
        self.table = table
        self.path = path
        self.lines = key_lines(text)

    def targets(self, sha256: str) -> Targets:
        self.check_names(self.table, _ROOT, (*_TEXT_KEYS, "doubt", "advice", *RULED_TRAITS))
        if self.text("schema") != SCHEMA:
            self.fail(_ROOT, "schema", f'must be "{SCHEMA}"', "Other formats need another program version.")
        limits = {name: self.limits_of(TRAITS[name]) for name in RULED_TRAITS if name in self.table}
        self.check_reachable(limits)
        doubt, advice = self.section("doubt"), self.section("advice")
        self.check_names(doubt, "doubt", ("policy", "guard_factor"))
        self.check_names(advice, "advice", ("upper_pieces", "source"))
        return Targets(
            name=self.text("name"),
            version=self.text("version"),
            species=self.text("species"),
            notes=self.text("notes", ""),
            policy=self.policy(doubt),
            guard_factor=self.guard_factor(doubt),
            upper_pieces=self.yes_no(advice, "advice", "upper_pieces", True),
            advice_source=self.advice_source(advice),
            limits=limits,
            path=self.path,
            sha256=sha256,
        )

    def fail(self, section: str, key: str, what: str, advice: str) -> None:
        places = ((section, key), (section, ""), (_ROOT, section))
        line = next((self.lines[place] for place in places if place in self.lines), 1)
        name = ".".join(part for part in (section, key) if part)
        raise TargetsProblem(f"{self.path}, line {line}: {name} {what}.", advice)

    def check_names(self, table: dict[str, Any], section: str, known: tuple[str, ...]) -> None:
        for key in table:
            if key in known:
                continue
            where = (section, key) if section or not isinstance(table[key], dict) else (key, "")
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            hint = f"Did you mean {near[0]}? " if near else ""
            if re.search(r"_(in|inch|inches|cm)$", key):
                hint = f"All sizes are in millimetres: 1 in = {MM_PER_INCH} mm. " + hint
            self.fail(*where, "is not known here", f"{hint}Known: {', '.join(known)}.")

    def section(self, name: str) -> dict[str, Any]:
        value = self.table.get(name, {})
        if not isinstance(value, dict):
            self.fail(_ROOT, name, "must be a section", f"Write [{name}] on its own line, its keys below.")
        return dict(value)

    def text(self, key: str, default: str | None = None) -> str:
        value = self.table.get(key, default)
        if value is None:
            self.fail(_ROOT, key, "is missing", f'Add a line at the top: {key} = "..."')
        if not isinstance(value, str) or (default is None and not value.strip()):
            self.fail(_ROOT, key, "must be a text", f'Put it in quotes: {key} = "..."')
        return str(value)

    def yes_no(self, table: dict[str, Any], section: str, key: str, default: bool) -> bool:
        value = table.get(key, default)
        if not isinstance(value, bool):
            self.fail(
                section, key, "must be true or false", f"Write {key} = true or {key} = false, without quotes."
            )
        return bool(value)

    def advice_source(self, advice: dict[str, Any]) -> str:
        value = advice.get("source", "the file names no source")
        if not isinstance(value, str) or not value.strip():
            self.fail("advice", "source", "must be a text", 'For example: source = "own beds 2024".')
        return str(value)

    def policy(self, doubt: dict[str, Any]) -> str:
        value = doubt.get("policy", POLICIES[0])
        if value not in POLICIES:
            self.fail("doubt", "policy", f"must be one of {', '.join(POLICIES)}", 'Write policy = "guarded".')
        return str(value)

    def guard_factor(self, doubt: dict[str, Any]) -> float:
        value = doubt.get("guard_factor", GUARD_FACTOR)
        low, high = GUARD_FACTOR_RANGE
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            self.fail(
                "doubt",
                "guard_factor",
                f"must be a number from {low:g} to {high:g}",
                f"{GUARD_FACTOR} calls a cutting unsure when the chance of being wrong is above 5 %.",
            )
        return float(value)

    def limits_of(self, trait: Trait) -> Limits:
        table = self.section(trait.name)
        sides = [rule.side for rule in rules_about(trait.name)]
        keys = tuple(f"{level.value}_{side.value}" for level in Level for side in sides)
        self.check_names(table, trait.name, (*keys, "source"))
        source = table.get("source")
        if not isinstance(source, str) or not source.strip():
            self.fail(
                trait.name,
                "source",
                "must say in words where these limits come from",
                'For example: source = "own beds 2024", or source = "common practice, no source".',
            )
        by_key = {key: self.limit(trait, key, table[key]) for key in keys if key in table}
        if not by_key:
            self.fail(trait.name, "", "has no limit", f"Add {' or '.join(keys)}, or take the section out.")
        self.check_order(trait, by_key)
        return Limits(trait.name, by_key, str(source))

    def limit(self, trait: Trait, key: str, value: object) -> float:
        unit = trait.unit if trait.shown_per_stored == 1.0 and trait.unit else "no unit"
        if isinstance(value, str):
            self.fail(trait.name, key, f"is a text, not a number ({unit})", _text_remedy(key, value))
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.fail(trait.name, key, f"must be a number ({unit})", f"For example: {key} = {trait.low:g}")
        number = float(value)  # type: ignore[arg-type]
        if number < 0.0:
            self.fail(trait.name, key, f"is negative ({number:g})", f"Sizes start at {trait.low:g}.")
        if not trait.low <= number <= trait.high:
            remedy = f"It must lie between {trait.low:g} and {trait.high:g} ({unit})."
            if trait.shown_per_stored != 1.0:
                remedy += (
                    f" A share is written as a fraction: {number:g} % is {number / trait.shown_per_stored:g}."
                )
            elif trait.unit == "mm":
                remedy += f" If {number:g} was meant in inches, write {number * MM_PER_INCH:g}."
            self.fail(trait.name, key, f"is {number:g}, which cannot be right for {trait.words}", remedy)
        least_sensible = LEAST_SENSIBLE_MM.get((trait.name, key[-3:]), 0.0)
        if 0.0 < number < least_sensible:
            self.fail(
                trait.name,
                key,
                f"is {number:g} mm, too small for {trait.words} of a cutting",
                f"If {number:g} was meant in inches, write {number * MM_PER_INCH:g}. "
                "For no limit, take the line out.",
            )
        if trait.is_count and number != round(number):
            self.fail(trait.name, key, "must be a whole number", f"{trait.words.capitalize()} are counted.")
        return number

    def check_order(self, trait: Trait, by_key: Mapping[str, float]) -> None:
        for level in Level:
            low, high = f"{level.value}_min", f"{level.value}_max"
            if low in by_key and high in by_key and by_key[low] >= by_key[high]:
                self.fail(
                    trait.name,
                    low,
                    f"({by_key[low]:g}) is not below {high} ({by_key[high]:g})",
                    f"Swap them: {low} = {by_key[high]:g}, {high} = {by_key[low]:g}?",
                )
        inner_to_outer = (("noted", "wanted"), ("wanted", "allowed"), ("noted", "allowed"))
        for inner, outer in inner_to_outer:
            for side, inwards in (("min", 1.0), ("max", -1.0)):
                inner_key, outer_key = f"{inner}_{side}", f"{outer}_{side}"
                if not (inner_key in by_key and outer_key in by_key):
                    continue
                if inwards * (by_key[inner_key] - by_key[outer_key]) < 0.0:
                    self.fail(
                        trait.name,
                        inner_key,
                        f"({by_key[inner_key]:g}) lies outside {outer_key} ({by_key[outer_key]:g})",
                        f"What is {inner} must also be {outer}: swap the two, or widen {outer_key}.",
                    )
        lows = [by_key[key] for key in by_key if key.endswith("_min")]
        highs = [by_key[key] for key in by_key if key.endswith("_max")]
        if lows and highs and max(lows) >= min(highs):
            key = next(key for key in by_key if key.endswith("_min") and by_key[key] == max(lows))
            self.fail(
                trait.name, key, f"({max(lows):g}) is not below every maximum", "No cutting could meet both."
            )

    def check_reachable(self, limits: Mapping[str, Limits]) -> None:
        """Refuse a stripped stem that no cutting of an accepted length can have.

        Grade 1 needs wanted and allowed limits, grade 2 the allowed ones; in each the strictest counts.
        """
        if "stripped_length_mm" not in limits or "total_length_mm" not in limits:
            return
        stripped, total = limits["stripped_length_mm"], limits["total_length_mm"]
        levels = (Level.WANTED, Level.ALLOWED)
        leasts = {level: stripped.get(level, Side.MIN) for level in levels}
        mosts = {level: total.get(level, Side.MAX) for level in levels}
        for level, least in leasts.items():
            for other, most in mosts.items():
                if least >= most:
                    longest = metric_text(TRAITS[total.trait], most)
                    self.fail(
                        stripped.trait,
                        f"{level.value}_min",
                        f"({least:g}) cannot be reached: no cutting may be longer than {longest}",
                        f"Lower it, or raise {total.trait}.{other.value}_max: "
                        "bare stem is part of the length.",
                    )


def _syntax_problem(path: Path, text: str, error: str) -> TargetsProblem:
    """Return the line that is no TOML, and what to write instead: mostly a unit stands behind a number."""
    at = re.search(r" \(at line (\d+), column \d+\)", error)
    lines = text.splitlines()
    number = int(at[1]) if at else len(lines)
    what = error.replace(at[0], "") if at else error
    line = lines[number - 1] if 0 < number <= len(lines) else ""
    found = re.match(r"\s*([\w.-]+)\s*=\s*([^#\s][^#]*)", line)
    if found and re.match(r"[-+]?\d", found[2]) and not re.fullmatch(r"[-+]?[\d.]+\s*", found[2]):
        advice = _text_remedy(found[1], found[2].strip())
    else:
        advice = "A line is: key = value. Texts stand in quotes, numbers do not, and no key stands twice."
    return TargetsProblem(f"{path}, line {number}: is not valid TOML: {what}.", advice)


def _text_remedy(key: str, value: str) -> str:
    """Return what to write instead of a number in quotes or with a unit."""
    found = re.fullmatch(
        r"\s*(?:(\d+)[\s-]+)?(\d+(?:[.,]\d+)?)(?:/(\d+))?\s*(mm|cm|in|inch|inches|\"|\'\'|%)?\s*", value
    )
    if not found or (found[1] and not found[3]) or found[3] == "0":
        return f"Write a plain number, without quotes: {key} = 25"
    number = float(found[2].replace(",", ".")) / float(found[3] or 1) + float(found[1] or 0)
    per_unit = {"cm": 10.0, "%": 0.01} | dict.fromkeys(("in", "inch", "inches", '"', "''"), MM_PER_INCH)
    return f"Write a plain number, without quotes and unit: {key} = {number * per_unit.get(found[4], 1.0):g}"


def key_lines(text: str) -> dict[tuple[str, str], int]:
    """Return the line, from 1, of each (section, key); (section, "") is the line of its heading.

    Keys inside multi-line texts are skipped.

    Examples
    --------
    >>> key_lines('name = "x"\\n[total_length_mm]\\nwanted_min = 75')
    {('', 'name'): 1, ('total_length_mm', ''): 2, ('total_length_mm', 'wanted_min'): 3}
    """
    found: dict[tuple[str, str], int] = {}
    section, fence = _ROOT, ""
    for number, line in enumerate(text.splitlines(), start=1):
        if not fence:
            if heading := re.match(r"\s*\[\s*\"?([\w-]+)\"?\s*\]", line):
                section = heading[1]
                found.setdefault((section, ""), number)
            elif key := re.match(r"\s*\"?([\w-]+)\"?\s*(?:\.\s*\"?([\w-]+)\"?\s*)?=", line):
                found.setdefault((key[1], key[2]) if key[2] else (section, key[1]), number)
        for mark in ('"""', "'''"):
            if (not fence or fence == mark) and line.count(mark) % 2:
                fence = "" if fence else mark
    return found
