"""What is remembered between runs: the check bar's length on each mat, in one small file."""

from __future__ import annotations

import json
import math
from pathlib import Path

from calib.design import CHECK_BAR_MM, INCH_MM
from grader.errors import GraderError, OutputProblem

FILE_NAME = "check-bars.json"
LEAST_MM, MOST_MM = 135.0, 165.0
"""A print further off than 10 % is not a mat printed at 100 %, but a slip of the pen."""


def scale_from_bar(measured_mm: float) -> float:
    """Return true mm per drawn mm from the measured length of the check bar.

    Raises
    ------
    GraderError
        If that cannot be its length.

    Examples
    --------
    >>> round(scale_from_bar(147.5), 4)
    0.9833
    """
    if LEAST_MM <= measured_mm <= MOST_MM:
        return measured_mm / CHECK_BAR_MM
    hint = "Print the mat again at 100 %."
    if math.isfinite(measured_mm) and LEAST_MM <= measured_mm * INCH_MM <= MOST_MM:
        hint = f"If that was in inches, give --measured {measured_mm * INCH_MM:.1f}."
    elif math.isfinite(measured_mm) and LEAST_MM <= measured_mm * 10 <= MOST_MM:
        hint = f"If that was in cm, give --measured {measured_mm * 10:.1f}."
    raise GraderError(
        f"The check bar is drawn {CHECK_BAR_MM:.0f} mm long; {measured_mm:g} mm cannot be right.", hint
    )


def load_bars(folder: Path) -> dict[str, float]:
    """Return mat id -> measured length of its check bar, mm; empty if nothing is remembered."""
    try:
        stored = json.loads((folder / FILE_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(stored, dict):
        return {}
    return {
        str(mat_id): float(bar)
        for mat_id, bar in stored.items()
        if isinstance(bar, int | float) and LEAST_MM <= bar <= MOST_MM
    }


def save_bars(folder: Path, bars: dict[str, float]) -> None:
    """Remember the lengths, in place of those remembered before.

    Raises
    ------
    OutputProblem
        If the file cannot be written.
    """
    path = folder / FILE_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(bars, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    except OSError as problem:
        raise OutputProblem(
            f"The check bar cannot be remembered: {path} cannot be written ({problem.strerror}).",
            "Give --measured with every run.",
        ) from problem
