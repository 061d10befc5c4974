"""What the commands share: the name of the program's settings folder and the targets used unless told."""

from __future__ import annotations

from pathlib import Path

import typer

APP_NAME = "cutting-grader"
DEFAULT_TARGETS = "landscape-juniper"


def settings_folder() -> Path:
    """Return where this person's settings live."""
    return Path(typer.get_app_dir(APP_NAME))
