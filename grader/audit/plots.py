"""Drawings for the pages, as SVG in data addresses: told apart without colour, readable in print."""

from __future__ import annotations

import base64
import io
import math
import warnings
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from grader.audit.aims import Zone
from grader.audit.charts import Chart
from grader.traits.catalogue import TRAITS, Trait

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_INCH = 6.6
"""Fits A4 and Letter with margins."""
INK, SOFT, BAND = "#1b1b1b", "#4f7f9f", "#e3efe0"


def _figure(height_inch: float) -> Figure:
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_INCH, height_inch), layout="constrained")
    FigureCanvasSVG(figure)
    return figure


def _address(figure: Figure) -> str:
    from matplotlib import rc_context

    out = io.BytesIO()
    # A fixed salt: the same results make the same bytes. Text stays text, so the browser finds letters of
    # any script; that they are not in the font which only measures them is no news for anybody.
    settings: Any = {"svg.hashsalt": "cutting-grader", "svg.fonttype": "none"}
    with rc_context(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return "data:image/svg+xml;base64," + base64.b64encode(out.getvalue()).decode("ascii")


def _label(trait: Trait) -> str:
    return f"{trait.words}, {trait.unit}" if trait.unit else trait.words


def _zone(axes: Axes, zone: Zone, factor: float, is_upright: bool) -> None:
    """Draw where averages belong as a band, and the wanted limits as dashed lines."""
    span, line = (axes.axvspan, axes.axvline) if is_upright else (axes.axhspan, axes.axhline)
    if zone.is_two_sided:
        span(zone.low * factor, zone.high * factor, color=BAND, zorder=0)
    for limit in zone.wanted:
        if math.isfinite(limit):
            line(limit * factor, color=INK, linewidth=1.0, linestyle=(0, (5, 3)))


def averages_plot(trait_name: str, rows: Mapping[str, tuple[float, float, float]], zone: Zone) -> str:
    """Return averages with their intervals, one line a cutter.

    Parameters
    ----------
    rows : mapping
        Cutter -> mean, low, high in the stored unit; nan for no interval.
    """
    trait = TRAITS[trait_name]
    factor = trait.shown_per_stored
    figure = _figure(0.9 + 0.28 * len(rows))
    axes = figure.add_subplot()
    _zone(axes, zone, factor, True)
    for place, (mean, low, high) in enumerate(rows.values()):
        axes.plot([low * factor, high * factor], [place, place], color=INK, linewidth=2.0)
        axes.plot([mean * factor], [place], "o", color=INK, markersize=6)
    axes.set_yticks(range(len(rows)), [_plain(name) for name in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel(f"{_label(trait)}: average and 95 % interval; band: where averages belong", fontsize=8)
    _tidy(axes)
    return _address(figure)


def trays_plot(
    trait_name: str, trays: Sequence[NDArray[np.float64]], names: Sequence[str], zone: Zone
) -> str:
    """Return every cutting as a dot, one column a tray, the tray's average as a bar."""
    trait = TRAITS[trait_name]
    factor = trait.shown_per_stored
    figure = _figure(2.3)
    axes = figure.add_subplot()
    _zone(axes, zone, factor, False)
    for place, tray in enumerate(trays):
        side = np.linspace(-0.22, 0.22, len(tray)) if len(tray) > 1 else np.zeros(1)
        axes.plot(place + side, tray * factor, "o", color=SOFT, markersize=4, alpha=0.8, markeredgewidth=0)
        axes.plot([place - 0.3, place + 0.3], [tray.mean() * factor] * 2, color=INK, linewidth=2.0)
    axes.set_xticks(range(len(trays)), [_plain(name) for name in names], fontsize=7)
    axes.set_ylabel(_label(trait), fontsize=8)
    _tidy(axes)
    return _address(figure)


def chart_plot(trait_name: str, charts: Sequence[Chart]) -> str:
    """Return control charts, one below the other; a point that breaks a rule has a ring."""
    trait = TRAITS[trait_name]
    factor = trait.shown_per_stored
    figure = _figure(1.7 * len(charts))
    for axes, chart in zip(figure.subplots(len(charts), 1, squeeze=False)[:, 0], charts, strict=True):
        at = np.arange(1, len(chart.points) + 1)
        for limit, style in ((chart.lower, "solid"), (chart.upper, "solid"), (chart.centre, (0, (5, 3)))):
            axes.step(at, limit * factor, where="mid", color=INK, linewidth=0.9, linestyle=style)
        axes.plot(at, chart.points * factor, "o-", color=SOFT, markersize=4, linewidth=1.0)
        hit = np.array([bool(words) for words in chart.broken])
        axes.plot(at[hit], chart.points[hit] * factor, "o", markersize=10, fillstyle="none", color=INK)
        axes.set_ylabel(f"{chart.what}, {trait.unit}", fontsize=7)
        axes.set_title(chart.source, fontsize=7.5, loc="left")
        axes.set_xticks(at)
        _tidy(axes)
    axes.set_xlabel("tray, in order of time", fontsize=8)
    return _address(figure)


def accepting_plot(shares: NDArray[np.float64], chances: NDArray[np.float64], aql: float) -> str:
    """Return the operating characteristic: chance of accepting over the share of bad cuttings."""
    figure = _figure(2.8)
    axes = figure.add_subplot()
    axes.plot(100 * shares, 100 * chances, color=INK, linewidth=2.0)
    axes.axvline(aql, color=INK, linewidth=1.0, linestyle=(0, (5, 3)))
    axes.annotate(
        f"quality level {aql:g} %",
        (aql, 3),
        xytext=(4, 0),
        textcoords="offset points",
        fontsize=8,
    )
    axes.set_xlabel("bad cuttings in the crate, %")
    axes.set_ylabel("chance of accepting, %")
    axes.set_xlim(0.0, 100 * float(shares[-1]))
    axes.set_ylim(0.0, 102.0)
    axes.grid(color="#dddddd", linewidth=0.6)
    _tidy(axes)
    return _address(figure)


def _plain(name: str) -> str:
    """Return a name that is never read as a formula."""
    return name.replace("$", r"\$")[:28]


def _tidy(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=7.5)
