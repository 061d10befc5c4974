"""One unit at a time: a phone's line is short, and the page has a switch for the other one."""

from __future__ import annotations

import re

from grader.traits.catalogue import MM2_PER_INCH2, MM_PER_INCH

_SIZE = re.compile(
    r"(?:(?P<low>\d+(?:\.\d+)?) to )?"
    r"(?P<value>\d+(?:\.(?P<decimals>\d+))?)(?: ± (?P<sigma>\d+(?:\.\d+)?))? mm(?P<square>²)?"
    r"(?: \((?P<inch>\d+(?:\.\d+)?) in²?\))?(?![\w/])"
)
"""A size as the program writes it: "23.5 ± 0.8 mm (0.93 in)", "1311 mm² (2.03 in²)", "3 mm", "3 to 10 mm"."""
LEAST_INCH_DECIMALS = 2


def both_units(text: str) -> dict[str, str]:
    """Return a sentence in mm and in inches.

    Examples
    --------
    >>> both_units("strip 3 mm more, to 27 mm (1.06 in) of bare stem")["in"]
    'strip 0.12 in more, to 1.06 in of bare stem'
    >>> both_units("caliper 3 to 10 mm above the cut end")["in"]
    'caliper 0.12 to 0.39 in above the cut end'
    """
    return {"mm": _SIZE.sub(_in_mm, text), "in": _SIZE.sub(_in_inches, text)}


def _in_mm(found: re.Match[str]) -> str:
    sigma = f" ± {found['sigma']}" if found["sigma"] else ""
    low = f"{found['low']} to " if found["low"] else ""
    return f"{low}{found['value']}{sigma} mm{found['square'] or ''}"


def _in_inches(found: re.Match[str]) -> str:
    square = found["square"] or ""
    divisor = MM2_PER_INCH2 if square else MM_PER_INCH
    decimals = max(LEAST_INCH_DECIMALS, len(found["decimals"] or "") + 1)
    if found["inch"]:
        decimals = len(found["inch"].partition(".")[2])
    value = found["inch"] or f"{float(found['value']) / divisor:.{decimals}f}"
    sigma = ""
    if found["sigma"]:
        # Not less than the last decimal: "± 0.00" would claim that there is no doubt.
        sigma = f" ± {max(float(found['sigma']) / divisor, 10.0**-decimals):.{decimals}f}"
    low = f"{float(found['low']) / divisor:.{decimals}f} to " if found["low"] else ""
    return f"{low}{value}{sigma} in{square}"
