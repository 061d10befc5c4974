"""One run of ``grader audit``: read results, conclude, write pages and audit.json, say what stands out."""

from __future__ import annotations

import difflib
import hashlib
import re
import sys
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from grader.audit.audit_file import audit_json
from grader.audit.cutter_page import cutter_page, remarks
from grader.audit.findings import Found, conclude
from grader.audit.pages import INDEX_NAME, Whole, index_page, plural
from grader.audit.photo_table import read_photo_table
from grader.audit.pictures import Photos
from grader.audit.repeats import study
from grader.audit.samples import Gathered, gather, samples_of
from grader.audit.sentences import sentences
from grader.audit.words import mat_words
from grader.errors import ExitCode, GraderError
from grader.results_file import ReadResults, read_all
from grader.verdict.targets import Targets
from grader.verdict.targets_file import load_targets, shipped_names
from grader.write.files import write_atomic
from grader.write.terminal import clean

FILE_NAME = "audit.json"
MARK = b'content="cutting-grader audit"'
"""Tells our pages from other files in the folder."""


@dataclass(frozen=True, slots=True)
class AuditRequest:
    """What the command line asked for."""

    results: tuple[Path, ...]
    out: Path
    targets: str = ""
    cutters: tuple[str, ...] = ()
    """Only pages of these; all unless told. Everybody stays in the comparison."""
    reference: str = ""
    table: Path | None = None
    repeats: Path | None = None
    is_coded: bool = False


class AuditProblem(GraderError):
    """An audit cannot be made of what was given."""


def run(request: AuditRequest) -> ExitCode:
    """Audit and write; return the exit code. A file of results that cannot be read stops no other.

    Raises
    ------
    GraderError
        If a name or table is wrong, or nothing can be written.
    """
    results = read_all(request.results)
    if not results:
        return ExitCode.NOTHING_GRADED
    gathered = _gathered(request, results)
    samples = samples_of(gathered.shots)
    if not samples:
        print("There is no cutting in these results.", file=sys.stderr)
        return ExitCode.NOTHING_GRADED
    people = list(dict.fromkeys(s.shot.cutter for s in samples))
    _check_names([*request.cutters, *filter(None, [request.reference])], people)
    targets = targets_of(request.targets, results)
    whole = Whole(
        gathered=gathered,
        found=conclude(samples, targets, request.reference),
        targets=targets,
        repeated=study(gathered.repeats) if gathered.repeats else None,
        names=codes(people) if request.is_coded else {name: name for name in people},
        files=file_names(codes(people) if request.is_coded else {name: name for name in people}),
        is_coded=request.is_coded,
    )
    wanted = request.cutters or tuple(people)
    write_pages(whole, request.out, wanted)
    _tell(whole, wanted, request.out)
    return ExitCode.ALL_GRADED if len(results) == len(request.results) else ExitCode.SOME_SKIPPED


def _gathered(request: AuditRequest, results: Sequence[ReadResults]) -> Gathered:
    table = read_photo_table(request.table) if request.table else None
    repeats = read_photo_table(request.repeats) if request.repeats else None
    return gather(results, table, request.table or Path(), repeats, request.repeats or Path())


def targets_of(name: str, results: Sequence[ReadResults]) -> Targets:
    """Return the targets named, else those the photos were graded by.

    Raises
    ------
    GraderError
        If they are not where they were, or not the same any more.
    """
    if name:
        return load_targets(name)
    for read in results:
        wanted = str(read.settings.get("targets_sha256", ""))
        known = str(read.settings.get("targets", "")).split(" ")[0]
        for candidate in (str(read.settings.get("targets_file", "")), known):
            if not candidate or not (Path(candidate).is_file() or candidate in shipped_names()):
                continue
            targets = load_targets(candidate)
            if targets.sha256 == wanted:
                return targets
    raise AuditProblem(
        "The targets that these photos were graded by are gone or have changed.",
        "Give the targets to hold them against with --targets.",
    )


def _check_names(asked: Sequence[str], people: Sequence[str]) -> None:
    for name in asked:
        if name not in people:
            near = difflib.get_close_matches(name, people, n=1)
            meant = f' Did you mean "{near[0]}"?' if near else ""
            raise AuditProblem(
                f'There are no cuttings of "{name}" in these results.{meant}',
                f"Cutters: {', '.join(people)}.",
            )


def codes(people: Sequence[str]) -> dict[str, str]:
    """Return a code for each cutter; their order says nothing of the names.

    Examples
    --------
    >>> sorted(codes(["Ann", "Bo"]).values())
    ['cutter A', 'cutter B']
    """
    mixed = sorted(people, key=lambda name: hashlib.sha256(name.encode()).hexdigest())
    return {name: f"cutter {_letters(place)}" for place, name in enumerate(mixed)}


def _letters(place: int) -> str:
    letter = chr(ord("A") + place % 26)
    return letter if place < 26 else _letters(place // 26 - 1) + letter


def file_names(names: dict[str, str]) -> dict[str, str]:
    """Return a file name for each cutter that any system can keep; no two are alike.

    Examples
    --------
    >>> file_names({"Ann/1": "Ann/1", "ann 1": "ann 1"})
    {'Ann/1': 'cutter-ann-1.html', 'ann 1': 'cutter-ann-1-2.html'}
    """
    files: dict[str, str] = {}
    for cutter, name in names.items():
        plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
        stem = re.sub(r"[^a-z0-9]+", "-", plain.removeprefix("cutter ")).strip("-")[:40] or "unnamed"
        file, n = f"cutter-{stem}.html", 1
        while file in files.values():
            n += 1
            file = f"cutter-{stem}-{n}.html"
        files[cutter] = file
    return files


def write_pages(whole: Whole, out: Path, wanted: Sequence[str]) -> None:
    """Write the pages of these cutters, the page of all, and audit.json."""
    _sweep(out)
    for cutter in wanted:
        # A new reader of photos each: the page says whether its own pictures come from photos.
        page = cutter_page(whole, whole.found.cutters[cutter], Photos())
        write_atomic(out / whole.files[cutter], page.encode("utf-8", errors="replace"))
    shown = Whole(
        whole.gathered, whole.found, whole.targets, whole.repeated, whole.names,
        {cutter: whole.files[cutter] if cutter in wanted else "" for cutter in whole.files}, whole.is_coded,
    )  # fmt: skip
    write_atomic(out / INDEX_NAME, index_page(shown).encode("utf-8", errors="replace"))
    write_atomic(out / FILE_NAME, audit_json(whole, datetime.now()).encode("utf-8", errors="replace"))


def _sweep(out: Path) -> None:
    """Take away pages of an earlier audit: they may name people whom this one does not."""
    for file in out.glob("cutter-*.html") if out.is_dir() else ():
        if file.is_file() and MARK in file.read_bytes()[:2000]:
            file.unlink(missing_ok=True)


def _tell(whole: Whole, wanted: Sequence[str], out: Path) -> None:
    found: Found = whole.found
    for doubt in found.mats:
        print(clean(mat_words(doubt)))
    for cutter in wanted:
        person = found.cutters[cutter]
        counted = f"{plural(len(person.samples), 'cutting')}, {plural(person.n_trays, 'tray')}"
        print(f"{clean(whole.names[cutter])} ({counted})")
        says = sentences(person)
        for line in [*(sentence.text for sentence in says), *remarks(person, says)]:
            print(f"  {clean(line)}")
    if whole.is_coded:
        print("Codes, shown here only; write them down where others do not see them:", file=sys.stderr)
        for name, code in sorted(whole.names.items(), key=lambda pair: pair[1]):
            print(f"  {code}: {clean(name)}", file=sys.stderr)
    print(f"{INDEX_NAME}, a page a cutter and {FILE_NAME} are in {clean(str(out))}", file=sys.stderr)
