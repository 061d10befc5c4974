"""The figures as people and programs read them."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from calib.design import INCH_MM
from grader.check.figures import CheckResult, Light, PhotoCheck
from grader.write.terminal import clean

SCHEMA = "cutting-grader/check-1"
SLIGHT_CAST = 0.08
"""A cast that no one sees on paper."""


def show_check(console: Console, result: CheckResult) -> None:
    """Print one photo: a table of figures and what would help; or why it cannot be measured."""
    name = clean(str(result.path))
    if not isinstance(result, PhotoCheck):
        console.print(
            Text(f"{name}: not measurable ({result.reason}): {clean(result.message)}.", style="bold")
        )
        console.print(_indented(Text(f"What to do: {clean(result.advice)}.")))
        console.print()
        return
    console.print(Text(f"{name}  (mat {clean(result.pose.mat_id)})", style="bold"))
    table = Table(show_header=False, box=None, padding=(0, 2, 0, 2))
    table.add_column(no_wrap=True)
    table.add_column()
    for what, figure in rows(result):
        table.add_row(Text(what), Text(figure))
    console.print(table)
    for warning in result.warnings:
        console.print(_indented(Text(f"Note: {clean(warning)}")))
    console.print(_indented(Text(f"What would help most: {result.improvement}.", style="bold")))
    console.print()


def _indented(text: Text) -> Padding:
    return Padding(text, (0, 0, 0, 2))


def rows(check: PhotoCheck) -> list[tuple[str, str]]:
    """Return what and how much, with units, in reading order."""
    pose, light, expected = check.pose, check.light, check.expected
    scale = (
        f"{100 * pose.print_scale:.2f} ± {100 * pose.scale_sigma:.2f} % ({_SOURCES[pose.print_scale_source]})"
    )
    return [
        (f"length {_both(expected.length_mm, 0)}", f"± {_both(expected.length_sigma_mm, 2)} expected"),
        (
            f"base diameter {_both(expected.diameter_mm, 1)}",
            f"± {_both(expected.diameter_sigma_mm, 3)} expected",
        ),
        ("marks of the mat", f"{pose.n_fiducials} of {pose.n_fiducials_expected} used"),
        ("residual of the marks", f"{pose.residual_rms_px:.2f} px = {_both(pose.residual_rms_mm, 3)}"),
        ("a position on the mat", f"± {_both(pose.position_sigma_mm, 3)}"),
        ("tilt of the camera", f"{pose.tilt_deg:.1f}°"),
        ("resolution", f"{pose.px_per_mm:.1f} px per mm ({pose.px_per_mm * INCH_MM:.0f} px per in)"),
        ("a printed edge is wide", _edge_words(check)),
        ("paper, darkest, brightest", _brightness_words(light)),
        ("colour of the light", cast_words(light)),
        ("burnt out", f"{100 * light.clipped_share:.1f} % of the lay area"),
        ("bend of the paper", f"about {_both(pose.curl_mm, 1)}" if pose.curl_mm else "none seen"),
        ("print scale", scale),
    ]


_SOURCES = {
    "assumed": "assumed, not measured",
    "check bar typed": "by the check bar",
    "card": "by the card on the mat",
}


def _both(value_mm: float, decimals: int) -> str:
    """Return mm and inches, the inches with one decimal more at least."""
    if math.isnan(value_mm):
        return "unknown"
    return f"{value_mm:.{decimals}f} mm ({value_mm / INCH_MM:.{max(decimals + 1, 2)}f} in)"


def _edge_words(check: PhotoCheck) -> str:
    if math.isnan(check.edge_width_mm):
        return "not seen"
    return f"{check.edge_width_px:.1f} px = {_both(check.edge_width_mm, 2)}"


def _brightness_words(light: Light) -> str:
    if math.isnan(light.brightest_share):
        return "no paper seen"
    low, high = 100 * light.darkest_share, 100 * light.brightest_share
    return f"{low:.0f} to {high:.0f} % of full light, ratio {light.evenness:.2f}"


def cast_words(light: Light) -> str:
    """Return the colour of the light in words and figures.

    Examples
    --------
    >>> cast_words(Light(0.5, 0.6, 0.2, -0.3, 0.0))
    'warm: red +20 %, blue -30 % to green'
    >>> cast_words(Light(0.5, 0.6, 0.01, -0.02, 0.0))
    'neutral: red +1 %, blue -2 % to green'
    """
    if math.isnan(light.red_cast):
        return "no paper seen"
    figures = f"red {100 * light.red_cast:+.0f} %, blue {100 * light.blue_cast:+.0f} % to green"
    if max(abs(light.red_cast), abs(light.blue_cast)) < SLIGHT_CAST:
        return f"neutral: {figures}"
    if min(light.red_cast, light.blue_cast) > 0:
        return f"pinkish: {figures}"
    if max(light.red_cast, light.blue_cast) < 0:
        return f"greenish: {figures}"
    return f"{'warm' if light.red_cast > light.blue_cast else 'bluish'}: {figures}"


def summary(results: Sequence[CheckResult]) -> str:
    """Return one line for all photos.

    Examples
    --------
    >>> summary([])
    '0 photos checked'
    """
    n = sum(isinstance(result, PhotoCheck) for result in results)
    text = f"{n} photo checked" if n == 1 else f"{n} photos checked"
    return text if n == len(results) else f"{text}, {len(results) - n} not measurable"


def to_json(results: Sequence[CheckResult]) -> str:
    """Return all figures for programs; what is unknown is null."""
    told = {"schema": SCHEMA, "photos": [_plain(result) for result in results]}
    return json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _plain(result: CheckResult) -> dict[str, Any]:
    if not isinstance(result, PhotoCheck):
        return {
            "path": str(result.path),
            "status": "not measurable",
            "reason": result.reason,
            "message": result.message,
            "advice": result.advice,
        }
    pose, light, expected = result.pose, result.light, result.expected
    figures = {
        "marks_used": pose.n_fiducials,
        "marks_expected": pose.n_fiducials_expected,
        "residual_rms_px": pose.residual_rms_px,
        "residual_rms_mm": pose.residual_rms_mm,
        "position_sigma_mm": pose.position_sigma_mm,
        "tilt_deg": pose.tilt_deg,
        "px_per_mm": pose.px_per_mm,
        "edge_width_px": result.edge_width_px,
        "edge_width_mm": result.edge_width_mm,
        "darkest_paper_share": light.darkest_share,
        "brightest_paper_share": light.brightest_share,
        "evenness": light.evenness,
        "red_cast": light.red_cast,
        "blue_cast": light.blue_cast,
        "clipped_share": light.clipped_share,
        "curl_mm": pose.curl_mm,
        "print_scale": pose.print_scale,
        "scale_sigma": pose.scale_sigma,
        "expected_length_mm": expected.length_mm,
        "expected_length_sigma_mm": expected.length_sigma_mm,
        "expected_length_sigma_in": expected.length_sigma_mm / INCH_MM,
        "expected_diameter_mm": expected.diameter_mm,
        "expected_diameter_sigma_mm": expected.diameter_sigma_mm,
        "expected_diameter_sigma_in": expected.diameter_sigma_mm / INCH_MM,
    }
    return {
        "path": str(result.path),
        "status": "checked",
        "mat_id": pose.mat_id,
        "print_scale_source": pose.print_scale_source,
        **{name: value if math.isfinite(value) else None for name, value in figures.items()},
        "improvement": result.improvement,
        "warnings": list(result.warnings),
    }
