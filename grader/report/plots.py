"""Pictures of distributions beside their limits, as SVG."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from grader.report.summary import Spread
from grader.traits.catalogue import TRAITS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE_INCH = (5.6, 2.9)
INK, BAR, BAND = "#1b1b1b", "#4f7f9f", "#e3efe0"
"""Text and lines; bars; what is wanted. Bars stand out 3:1 and more against white and against the band."""
LINES = {"wanted": (0, (5, 3)), "allowed": "solid", "noted": "dotted"}
"""How the limits are drawn: told apart without colour."""
MOST_BINS, LEAST_BINS = 30, 8
MARGINS = {"left": 0.115, "right": 0.985, "bottom": 0.17, "top": 0.83}
"""Of the axes, shares of the figure: room for numbers, words, and inches above."""
HEADROOM = 1.6
"""Height of the axis over the highest bar: the names of the limits stand above the bars."""
SPARE = 0.06
"""Room beside the outermost value or limit, over the range."""


def spread_svg(spread: Spread) -> str:
    """Return a histogram with the limits, as a data address for an image.

    Inside an image the style of the SVG does not fall under the page's policy for styles.
    """
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    trait = TRAITS[spread.trait]
    # A fixed salt: the same results make the same bytes.
    with rc_context({"svg.hashsalt": "cutting-grader", "svg.fonttype": "path", "font.size": 9.0}):
        figure = Figure(figsize=SIZE_INCH)
        # Fixed margins: fitting them draws everything twice, and every report waits for it.
        figure.subplots_adjust(**MARGINS)
        FigureCanvasSVG(figure)
        axes = figure.add_subplot()
        low, high = _range(spread)
        _limits(axes, spread, low, high)
        n_bins = int(np.clip(np.ceil(2.0 * np.sqrt(max(len(spread.values), 1))), LEAST_BINS, MOST_BINS))
        axes.hist(spread.values, bins=n_bins, range=(low, high), color=BAR, edgecolor="white", linewidth=0.6)
        axes.set_xlim(low, high)
        axes.set_ylim(0.0, HEADROOM * max(axes.get_ylim()[1], 1.0))
        axes.set_xlabel(f"{trait.words}, {trait.unit}")
        axes.set_ylabel("cuttings")
        axes.yaxis.set_major_locator(MaxNLocator(integer=True, steps=[1, 2, 5, 10]))
        axes.spines[["top", "right"]].set_visible(False)
        if trait.mm_per_other:
            other = axes.secondary_xaxis("top", functions=_to_and_from(trait.mm_per_other))
            other.set_xlabel(trait.other_unit)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return "data:image/svg+xml;base64," + base64.b64encode(out.getvalue()).decode("ascii")


def _to_and_from(mm_per_other: float) -> tuple[Callable[[Any], Any], Callable[[Any], Any]]:
    """Return the maps from the metric axis to the one in inches, and back."""
    return lambda metric: metric / mm_per_other, lambda inches: inches * mm_per_other


def _range(spread: Spread) -> tuple[float, float]:
    """Return what the axis shows: every value and every limit."""
    ends = np.array([*spread.values, *spread.limits.values()])
    if not len(ends):
        return 0.0, 1.0
    spare = SPARE * max(float(np.ptp(ends)), 1e-6)
    return max(0.0, float(ends.min()) - spare), float(ends.max()) + spare


def _limits(axes: Axes, spread: Spread, low: float, high: float) -> None:
    """Draw the wanted band and a labelled line for each limit."""
    wanted = spread.limits.get("wanted_min", low), spread.limits.get("wanted_max", high)
    if "wanted_min" in spread.limits or "wanted_max" in spread.limits:
        axes.axvspan(*wanted, color=BAND, zorder=0)
    for key, limit in spread.limits.items():
        level, side = key.split("_")
        axes.axvline(limit, color=INK, linewidth=1.1, linestyle=LINES[level])
        axes.annotate(
            f"{level} {side}.",
            (limit, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(-2, -2),
            textcoords="offset points",
            rotation=90,
            ha="right",
            va="top",
            fontsize=7.5,
            color=INK,
        )
