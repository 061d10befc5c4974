"""The command ``grader explain``: explain a rule."""

from __future__ import annotations

from typing import Annotated

import typer

from grader.commands.settings import DEFAULT_TARGETS

EXAMPLE = "Example: grader explain L01"


def explain(
    code: Annotated[str | None, typer.Argument(metavar="[CODE]", help="Code of a rule, such as L01.")] = None,
    targets: Annotated[str, typer.Option(help="Whose limits to show.")] = DEFAULT_TARGETS,
) -> None:
    """Explain a rule: what it checks, why, its limit and source; without CODE list all rules."""
    from grader.verdict import RULES, explain_rule, find_rule, load_targets

    if code is None:
        for rule in RULES.values():
            typer.echo(f"{rule.code}  {rule.flag:22} {rule.checks}")
        return
    rule = find_rule(code)
    typer.echo(f"{rule.code}: {rule.flag}\n")
    for heading, text in explain_rule(rule, load_targets(targets)):
        typer.echo(f"{heading}\n  " + text.replace("\n", "\n  ") + "\n")
