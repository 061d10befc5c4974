"""One run of ``grader sample``: how many cuttings of a crate to photograph, and what to decide."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from grader.audit.pages import html, plural
from grader.audit.plots import accepting_plot
from grader.audit.sampling import Plan, chance_of_accepting, decide, plan, share_accepted_with
from grader.errors import ExitCode
from grader.results_file import ReadCutting, read_all
from grader.write.files import write_atomic
from grader.write.terminal import clean

PAGE_NAME = "sample.html"
BAR_WIDTH = 30
"""Characters of a chance of 100 %."""
SHOWN_CHANCES = (0.95, 0.90, 0.50, 0.10, 0.05)


def run(lot: int, aql: float, results: Sequence[Path], is_strict: bool, out: Path | None) -> ExitCode:
    """Print plan, operating characteristic and decision; write the page if asked.

    Parameters
    ----------
    lot, aql : int, float
        Cuttings in the crate; quality level, per cent.
    results : sequence of Path
        Results of the sample; may be empty.
    is_strict : bool
        Grade 2 counts as bad, not only culls.
    out : Path, optional
        Folder for the page.

    Raises
    ------
    GraderError
        If there is no such plan.
    """
    found = plan(lot, aql)
    lines = plan_lines(found, is_strict)
    read = read_all(results)
    if results:
        photos = {photo.sha256: photo for one in read for photo in one.photos}
        cuttings = [cutting for photo in photos.values() for cutting in photo.cuttings]
        lines += decision_lines(found, cuttings, is_strict)
    for line in lines:
        print(clean(line))
    print("\nbad in the crate   chance that it is accepted")
    for share in _shares(found)[::6]:
        chance = float(chance_of_accepting(found, share))
        print(f"{100 * share:15.1f} %   {'#' * round(BAR_WIDTH * chance):{BAR_WIDTH}} {100 * chance:5.1f} %")
    if out is not None:
        write_atomic(out / PAGE_NAME, _page(found, lines).encode("utf-8", errors="replace"))
        print(f"{PAGE_NAME} is in {clean(str(out))}", file=sys.stderr)
    if results and not read:
        return ExitCode.NOTHING_GRADED
    return ExitCode.ALL_GRADED if len(read) == len(results) else ExitCode.SOME_SKIPPED


def plan_lines(found: Plan, is_strict: bool) -> list[str]:
    """Return the plan in words."""
    bad = "not grade 1" if is_strict else "a cull"
    if found.is_whole_lot:
        first = f"The crate is small: photograph all {found.lot} cuttings."
    else:
        first = (
            f"Take {found.n} of {found.lot} cuttings at random, from all over the crate, and photograph them."
        )
    return [
        first,
        f"Bad means {bad}. Accept the crate with {found.accept} bad or fewer, reject it with "
        f"{found.reject} or more.",
        f"Quality level {found.aql:g} %, code letter {found.letter} (ISO 2859-1, level II, normal, single).",
    ]


def decision_lines(found: Plan, cuttings: Sequence[ReadCutting], is_strict: bool) -> list[str]:
    """Return what was seen in the sample and what it means."""
    good = ("1",) if is_strict else ("1", "2")
    n_unsure = sum(cutting.grade == "unsure" for cutting in cuttings)
    n_bad = sum(cutting.grade not in (*good, "unsure") for cutting in cuttings)
    seen = f"Seen: {plural(len(cuttings), 'cutting')}, {n_bad} bad, {n_unsure} unsure."
    verdict = decide(found, n_bad, n_unsure, len(cuttings))
    words = {
        "accept": "Accept the crate.",
        "reject": "Reject the crate: sort it piece by piece.",
        "measure the unsure ones": f"Cannot tell yet: measure the {n_unsure} unsure ones by hand.",
        "photograph more": f"Too few to tell: photograph {found.n - len(cuttings)} more.",
    }[verdict]
    lines = [seen, words]
    if len(cuttings) > found.n:
        lines.append(
            f"More were photographed than the plan asks for ({found.n}): its limits belong to {found.n}. "
            "Decide beforehand which ones count."
        )
    return lines


def _shares(found: Plan) -> NDArray[np.float64]:
    """Return shares of bad ones from none to where hardly a crate passes."""
    last = min(1.0, max(share_accepted_with(found, 0.01), 2 * found.aql / 100.0))
    return np.linspace(0.0, last, 61)


def _page(found: Plan, lines: Sequence[str]) -> str:
    shares = _shares(found)
    rows = [[f"{100 * share_accepted_with(found, c):.1f} %", f"{100 * c:.0f} %"] for c in SHOWN_CHANCES]
    plot = accepting_plot(shares, chance_of_accepting(found, shares), found.aql)
    return html(
        "sample.html",
        {
            "title": f"Sampling plan: {found.lot} cuttings",
            "lot": found.lot,
            "lines": list(lines),
            "plot": {"source": plot, "alt": "; ".join(f"{a} bad: accepted {b}" for a, b in rows)},
            "caption": "How bad a crate may be and still pass.",
            "head": ["bad in the crate", "chance of passing"],
            "rows": rows,
            "facts": [
                "Single sampling, normal inspection, general level II, after ISO 2859-1:1999 (numbers as in "
                "MIL-STD-105E); chances are binomial.",
                "It holds for cuttings taken at random. The top layer is no random sample.",
                "The quality level is what a supplier may send on and on; it is not what each crate holds.",
            ],
        },
    )
