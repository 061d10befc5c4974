"""Write the pages of an invented crew, to look at them: ``python -m tests.audit.looks FOLDER``."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from grader.audit.findings import conclude
from grader.audit.pages import Whole
from grader.audit.repeats import study
from grader.audit.run import codes, file_names, write_pages
from grader.audit.samples import gather, samples_of
from grader.verdict.targets_file import load_targets
from tests.audit.crews import Habit, World, simulate

INVENTED = {
    "Invented Ivy": Habit(),
    "Invented Hazel <b>": Habit(stripped_mm=22.0),
    "Invented Rowan": Habit(stripped_sd=8.0, length_sd=16.0),
}


def invented(n_trays: int = 14, is_coded: bool = False, mat_fault: bool = False) -> Whole:
    """Return the audit of an invented crew."""
    world = World(
        n_trays=n_trays,
        scales={"print B": 0.94} if mat_fault else {},
        mats={"Invented Rowan": ("print A", "print B")} if mat_fault else {},
    )
    read = simulate(INVENTED, world, np.random.default_rng(21))
    gathered = gather([read])
    samples = samples_of(gathered.shots)
    targets = load_targets("landscape-juniper")
    people = list(INVENTED)
    names = codes(people) if is_coded else {name: name for name in people}
    found = conclude(samples, targets, "Invented Ivy")
    repeated = study(gathered.repeats) if gathered.repeats else None
    return Whole(gathered, found, targets, repeated, names, file_names(names), is_coded)


if __name__ == "__main__":
    write_pages(invented(mat_fault="--mat" in sys.argv), Path(sys.argv[1]), list(INVENTED))
