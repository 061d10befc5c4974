"""Plots as SVG: shares with intervals, curves with bands. Drawn without the library's global state."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from grader.record.learn.curve import Curve, usable
from grader.record.learn.groups import Table
from grader.record.learn.suggest import Suggestion, look_at
from grader.record.learn.units import Unit
from grader.traits.catalogue import TRAITS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK, BAND, WANTED = "#222222", "#c9c9c9", "#1b6e3c"
WIDTH_IN = 6.4
ROW_IN = 0.36
LONGEST_NAME = 34
DOT_AREA_PT2 = 2.0
"""Of a container with one cutting."""


def shares_svg(table: Table) -> str:
    """Return the shares of a table's groups: a dot and the interval, a line a group."""
    groups = table.groups
    figure = _figure(0.9 + ROW_IN * len(groups))
    axes = figure.subplots()
    rows = np.arange(len(groups))[::-1]
    values = np.array([100 * group.share.value for group in groups])
    below = np.clip(values - [100 * group.share.low for group in groups], 0.0, None)
    above = np.clip([100 * group.share.high for group in groups] - values, 0.0, None)
    axes.errorbar(values, rows, xerr=[below, above], fmt="o", color=INK, capsize=4)
    names = [f"{_short(group.name)}  (n = {group.share.n_stuck})" for group in groups]
    axes.set_yticks(rows, names, parse_math=False)
    axes.set_ylim(-0.6, len(groups) - 0.4)
    axes.set_xlim(0, 100)
    axes.set_xlabel("rooted, % (dot), 95 % interval (line)")
    axes.grid(axis="x", color="#dddddd")
    axes.set_axisbelow(True)
    return _svg(figure, f"Rooted by {table.words}")


def curve_svg(curve: Curve, units: Sequence[Unit], suggestion: Suggestion | None) -> str:
    """Return a curve with its band, the containers as dots, and the suggested limits as dashed lines."""
    known = TRAITS[curve.trait]
    figure = _figure(3.4)
    axes = figure.subplots()
    x = look_at(curve)
    share, low, high = curve.band(x)
    axes.fill_between(x, 100 * low, 100 * high, color=BAND, label="95 % band", linewidth=0)
    axes.plot(x, 100 * share, color=INK, label="take, mean conditions")
    chosen = usable(units, curve.trait)
    axes.scatter(
        [unit.sizes[curve.trait].mean() for unit in chosen],
        [100 * unit.take for unit in chosen],
        s=[DOT_AREA_PT2 * unit.n_stuck for unit in chosen],
        facecolors="none",
        edgecolors=INK,
        label="containers (larger: more cuttings)",
    )
    if suggestion:
        limits = [limit for limit in (suggestion.low, suggestion.high) if np.isfinite(limit)]
        for k, limit in enumerate(limits):
            axes.axvline(limit, color=WANTED, linestyle="--", label="suggested limit" if k == 0 else None)
    axes.set_ylim(-3, 103)
    axes.set_xlabel(f"{known.words}, {known.unit}")
    axes.set_ylabel("rooted, %")
    figure.legend(loc="outside upper left", ncols=2, fontsize=8, frameon=False)
    return _svg(figure, f"Rooted against {known.words}")


def _figure(height_in: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(WIDTH_IN, height_in), layout="constrained")


def _svg(figure: Figure, title: str) -> str:
    """Return the figure as an SVG element; the same figure gives the same text."""
    import matplotlib

    out = io.StringIO()
    settings: Any = {"svg.hashsalt": title, "svg.fonttype": "none", "font.family": "sans-serif"}
    with matplotlib.rc_context(settings), warnings.catch_warnings():
        # A sign that the measuring font lacks is drawn by the browser's font.
        warnings.filterwarnings("ignore", message="Glyph")
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Title": title})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    return re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)


def _short(name: str) -> str:
    return name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1]}…"
