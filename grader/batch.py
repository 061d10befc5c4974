"""Photos and folders -> results in order, written out; one bad photo never stops the rest."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from calib.design import CHECK_BAR_MM, load_layout
from grader.capture import SUFFIXES
from grader.errors import GraderError, OutputProblem
from grader.pipeline import Kit, grade_with_picture
from grader.records import GradedPhoto, PhotoResult
from grader.verdict import DEFAULT_NAME, load_targets

SCALES_FILE = "print-scales.json"
PLAUSIBLE_BAR_MM = (120.0, 180.0)
"""A check bar typed outside this is a slip of the hand or another unit."""
TYPED_SIGMA = 0.0015
"""A check bar read to a quarter of a mm in 150 mm."""


@dataclass(frozen=True, slots=True)
class GradeRequest:
    """What the person asked for."""

    photos: tuple[Path, ...]
    out: Path
    targets: str = ""
    mat: Path | None = None
    measured_mm: float | None = None
    forget: bool = False
    batch: Mapping[str, str] = field(default_factory=dict)
    print_json: bool = False


def grade_all(request: GradeRequest, settings_dir: Path) -> tuple[int, int]:
    """Grade all photos, write everything, and return how many were graded and skipped.

    Raises
    ------
    TargetsProblem, OutputProblem, GraderError
        If targets, layout, check bar or output folder cannot be used; nothing has been graded then.
    """
    from rich.console import Console

    from grader.write import (
        annotated,
        cuttings_csv,
        print_photo,
        print_summary,
        results_json,
        save_picture,
        write_atomically,
    )

    kit = _kit(request, settings_dir)
    paths = list(_expanded(request.photos))
    if not paths:
        raise GraderError("no photos there", f"known kinds: {', '.join(SUFFIXES)}")
    _make_folder(request.out)
    console = Console(stderr=request.print_json)
    results: list[PhotoResult] = []
    names = _picture_names(paths)
    for index, path in enumerate(paths, start=1):
        _progress(index, len(paths), path)
        result, rgb = grade_with_picture(path, kit, dict(request.batch))
        results.append(result)
        if isinstance(result, GradedPhoto) and rgb is not None:
            save_picture(request.out / names[path], annotated(result, rgb))
            _remember(request, settings_dir, result)
        print_photo(console, result)
    provenance = _provenance(kit)
    text = results_json(tuple(results), provenance)
    write_atomically(request.out / "results.json", text.encode())
    write_atomically(request.out / "cuttings.csv", cuttings_csv(tuple(results)).encode("utf-8-sig"))
    print_summary(console, tuple(results))
    console.print(f"Written to {request.out}/", markup=False, highlight=False)
    if request.print_json:
        sys.stdout.write(text)
    n_graded = sum(isinstance(r, GradedPhoto) for r in results)
    return n_graded, len(results) - n_graded


def _kit(request: GradeRequest, settings_dir: Path) -> Kit:
    layouts = ()
    if request.mat is not None:
        try:
            layouts = (load_layout(request.mat),)
        except ValueError as problem:
            raise GraderError(str(problem), "give a JSON file with page_mm, dictionary and markers") from None
    if request.forget:
        (settings_dir / SCALES_FILE).unlink(missing_ok=True)
    targets = load_targets(request.targets or DEFAULT_NAME)
    if request.measured_mm is None:
        return Kit(targets, layouts, scale_by_mat=_remembered(settings_dir))
    if not PLAUSIBLE_BAR_MM[0] <= request.measured_mm <= PLAUSIBLE_BAR_MM[1]:
        raise GraderError(
            f"--measured {request.measured_mm:g} cannot be the check bar, which is {CHECK_BAR_MM:.0f} mm long",
            "measure the bar marked 'measure me' in millimetres (5.91 in is 150 mm)",
        )
    return Kit(targets, layouts, request.measured_mm / CHECK_BAR_MM, TYPED_SIGMA, "check bar typed")


def _remembered(settings_dir: Path) -> dict[str, float]:
    try:
        stored = json.loads((settings_dir / SCALES_FILE).read_text(encoding="utf-8"))
        return {str(k): float(v) for k, v in stored.items() if 0.8 < float(v) < 1.25}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}


def _remember(request: GradeRequest, settings_dir: Path, graded: GradedPhoto) -> None:
    if request.measured_mm is None:
        return
    from grader.write import write_atomically

    scales = _remembered(settings_dir)
    if scales.get(graded.pose.mat_id) == graded.pose.print_scale:
        return
    scales[graded.pose.mat_id] = graded.pose.print_scale
    try:
        settings_dir.mkdir(parents=True, exist_ok=True)
        write_atomically(settings_dir / SCALES_FILE, json.dumps(scales, indent=1).encode())
    except (OSError, OutputProblem):
        print(
            "grader: the check bar could not be remembered; give --measured again next time", file=sys.stderr
        )


def _expanded(photos: tuple[Path, ...]) -> list[Path]:
    found: list[Path] = []
    for path in photos:
        if path.is_dir():
            inside = (p for p in path.rglob("*") if p.suffix.lower() in SUFFIXES and p.is_file())
            found += sorted(inside)
        else:
            found.append(path)
    return list(dict.fromkeys(found))


def _picture_names(paths: list[Path]) -> dict[Path, str]:
    """Return one file name for each photo; photos of the same name in different folders get a number."""
    taken: set[str] = set()
    names = {}
    for path in paths:
        stem = path.stem[:120]
        name, k = f"{stem}.graded.jpg", 2
        while name.lower() in taken:
            name, k = f"{stem}-{k}.graded.jpg", k + 1
        taken.add(name.lower())
        names[path] = name
    return names


def _make_folder(out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
        probe = out / ".writable"
        probe.write_bytes(b"")
        probe.unlink()
    except OSError as problem:
        raise OutputProblem(
            f"nothing can be written to {out} ({problem.strerror or problem})",
            "give another folder with --out",
        ) from problem


def _progress(index: int, total: int, path: Path) -> None:
    if sys.stderr.isatty():
        name = "".join(ch if ch.isprintable() else "?" for ch in path.name)
        sys.stderr.write(f"\r\x1b[K{index}/{total} {name}" + ("\r\x1b[K" if index == total else ""))
        sys.stderr.flush()


def _provenance(kit: Kit) -> dict[str, object]:
    from importlib.metadata import version

    return {
        "program": "cutting-grader",
        "version": version("cutting-grader"),
        "targets": kit.targets.id,
        "started_at": datetime.now(UTC).isoformat(timespec="seconds"),
    }
