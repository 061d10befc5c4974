"""Ranges of lengths in words, mm and inches."""

from __future__ import annotations

import math

from grader.traits.catalogue import MM_PER_INCH


def range_text(low_mm: float, high_mm: float) -> str:
    """Return a range of lengths in whole mm, and inches.

    Examples
    --------
    >>> range_text(20, 24), range_text(25.4, 25.4)
    ('20 to 24 mm (0.79 to 0.94 in)', '25 mm (1.00 in)')
    """
    metric = span_text(low_mm, high_mm, 0, "mm")
    return f"{metric} ({span_text(low_mm / MM_PER_INCH, high_mm / MM_PER_INCH, 2, 'in')})"


def span_text(low: float, high: float, decimals: int, unit: str) -> str:
    """Return a range in words; an end that is not finite is open.

    Examples
    --------
    >>> span_text(75.0, 85.0, 0, "mm"), span_text(85.0, float("inf"), 0, "mm")
    ('75 to 85 mm', '85 mm and over')
    """
    below, above = f"{low:.{decimals}f}", f"{high:.{decimals}f}"
    if not math.isfinite(low):
        return f"under {above} {unit}"
    if not math.isfinite(high):
        return f"{below} {unit} and over"
    return f"{below} {unit}" if below == above else f"{below} to {above} {unit}"
