"""The command ``grader targets``: list or print the size targets."""

from __future__ import annotations

from typing import Annotated

import typer

EXAMPLE = "Example: grader targets landscape-juniper > mine.toml"


def targets(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="Print this set, to edit it.")] = None,
) -> None:
    """List the shipped size targets, or print one as a file to edit."""
    from grader.verdict import load_targets, shipped_names

    if name is not None:
        typer.echo(load_targets(name).path.read_text(encoding="utf-8"), nl=False)
        return
    for shipped in shipped_names():
        typer.echo(f"{shipped:22} {load_targets(shipped).species}")
