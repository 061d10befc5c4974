"""Run every set of photos with truth and print the tables: ``python -m tests.accuracy --help``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from grader.verdict import DEFAULT_NAME, load_targets, shipped_names
from tests.accuracy.kits import Measurer
from tests.accuracy.run import default_folders, run_set, set_name, trays_folder, truth_files, usable
from tests.accuracy.tables import as_data, table
from tests.accuracy.worst import save_worst


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.accuracy",
        description="Measure every photo whose truth is known; print figures beside the goals.",
        epilog="Example: python -m tests.accuracy demo_images --json figures.json --worst worst",
    )
    parser.add_argument("folders", nargs="*", type=Path, help="folders with NAME.jpg and NAME.truth.json")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write every figure and reading here")
    parser.add_argument("--worst", type=Path, metavar="DIR", help="save pictures of the ten worst per trait")
    parser.add_argument("--only", action="append", metavar="NAME", help="only this photo; repeatable")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes (default 1)")
    options = parser.parse_args()

    folders = options.folders or default_folders()
    targets = load_targets()
    others = [load_targets(name) for name in shipped_names() if name != DEFAULT_NAME]
    measurer = Measurer(targets)
    cases = {}
    for folder in folders:
        paths = truth_files(folder)
        if options.only:
            paths = [path for path in paths if path.name.split(".")[0] in options.only]
        if paths:
            print(f"{set_name(folder)}: {len(paths)} photos", file=sys.stderr)
            cases[set_name(folder)] = run_set(paths, options.jobs, measurer.measure, targets, others)
    if not cases:
        print(
            f"No photo with truth found (looked in {', '.join(map(str, folders)) or trays_folder()}).",
            file=sys.stderr,
        )
        return 2
    comparisons = {name: [case.comparison for case in items] for name, items in cases.items()}
    for name, items in comparisons.items():
        print("\n" + table(name, items))
    if len(comparisons) > 1:
        together = [item for items in comparisons.values() for item in items]
        print("\n" + table("all sets", together))
    if options.json:
        options.json.write_text(json.dumps(as_data(comparisons), indent=1, allow_nan=False))
    if options.worst:
        saved = save_worst({name: usable(items) for name, items in cases.items()}, options.worst)
        print(f"{len(saved)} pictures in {options.worst}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
