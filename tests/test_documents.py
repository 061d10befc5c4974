"""What is written for people is true: help, examples, tables, exit codes."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import typer

from grader.cli import app
from grader.errors import ExitCode
from grader.traits.catalogue import TRAITS, markdown_table
from grader.verdict import RULES, shipped_names

ROOT = Path(__file__).parent.parent
GROUP: Any = typer.main.get_command(app)
COMMANDS: dict[str, Any] = dict(GROUP.commands) | {
    f"{name} {below}": command
    for name, group in GROUP.commands.items()
    for below, command in getattr(group, "commands", {}).items()
}
"""By what is typed, those below a command too."""


def read(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_that_ends_with_an_example_that_works(name: str) -> None:
    command = COMMANDS[name]
    assert command.help and command.epilog.startswith(f"Example: grader {name} ")
    words = shlex.split(command.epilog.removeprefix("Example: grader ").split(">")[0])
    known = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in words if word.startswith("--")} <= known
    for parameter in command.params:
        assert parameter.name == "help" or parameter.help, f"{name}: {parameter.name} has no help"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_in_the_readme(name: str) -> None:
    assert f"grader {name}" in read("README.md")


def test_every_option_named_in_the_readme_exists() -> None:
    known = {option for command in COMMANDS.values() for p in command.params for option in p.opts} | {
        "--help"
    }
    for line in re.findall(r"^\s*\$?\s*grader .*$", read("README.md"), re.MULTILINE):
        assert set(re.findall(r"(?<!\S)--[a-z-]+", line)) <= known, line


def test_the_readme_has_the_table_of_measurements() -> None:
    assert markdown_table() in read("README.md")


def test_the_readme_has_the_exit_codes() -> None:
    readme = read("README.md")
    for code in ExitCode:
        assert re.search(rf"^\| *`?{code.value}`? *\|", readme, re.MULTILINE), code


def test_the_help_has_the_exit_codes() -> None:
    for code in ExitCode:
        assert re.search(rf"\b{code.value} ", COMMANDS["grade"].help)


def test_the_readme_names_the_shipped_targets_and_every_rule() -> None:
    readme = read("README.md")
    assert not [name for name in shipped_names() if name not in readme]
    assert not [code for code in RULES if code not in readme]


def test_files_named_in_the_documents_exist() -> None:
    for name in ("README.md", "DEVELOPERS.md"):
        for path in re.findall(r"`((?:grader|calib|tests|demo_images)/[\w./]+)`", read(name)):
            assert (ROOT / path).exists(), f"{name} names {path}"


def test_definitions_have_units_and_ranges() -> None:
    for trait in TRAITS.values():
        suffix = trait.name.rsplit("_", 1)[-1]
        expected = {"mm": "mm", "mm2": "mm²", "deg": "°", "count": "", "ratio": "", "share": "%"}[suffix]
        assert trait.unit == expected
        assert trait.low < trait.high and trait.definition.endswith(".")
        assert trait.is_count == (suffix == "count")
