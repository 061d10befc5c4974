"""The flow goes one way: stages know records, errors, calibration and themselves, nothing else."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path

import pytest

from grader import pipeline

ROOT = Path(__file__).parent.parent
FOLDERS = sorted(path.parent.name for path in (ROOT / "grader").glob("*/__init__.py"))
AROUND_FOLDERS = ("audit", "batch", "bench", "check", "commands", "record", "report", "stick")
"""Folders that are no stage of one photo: the command line, and what is made of many results."""
STAGE_FOLDERS = [name for name in FOLDERS if name not in AROUND_FOLDERS]
VOCABULARY = ("grader.records", "grader.errors", "grader.traits.catalogue", "calib")
"""What a stage may know besides itself: the records, the errors, the names of measurements, the mat."""
MAY_USE_CV2_FILES = ("grader/capture/read.py", "grader/write/annotate.py")
BGR_WORDS = ("cv2.imread", "cv2.imwrite", "cv2.imdecode", "COLOR_BGR")
MOST_LINES, MOST_FUNCTION_LINES = 400, 60


def modules(*packages: str) -> list[Path]:
    return sorted(path for package in packages for path in (ROOT / package).rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Return the full names of everything that a file imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def is_below(name: str, package: str) -> bool:
    return name == package or name.startswith(package + ".")


def test_the_listing_of_folders_is_the_flow() -> None:
    assert tuple(STAGE_FOLDERS) == pipeline.STAGES


@pytest.mark.parametrize("path", modules("calib"), ids=lambda path: path.name)
def test_calibration_knows_nothing_of_grading(path: Path) -> None:
    assert not [name for name in imported(path) if is_below(name, "grader")]


@pytest.mark.parametrize("stage", STAGE_FOLDERS)
def test_a_stage_knows_only_the_vocabulary_and_itself(stage: str) -> None:
    allowed = (*VOCABULARY, f"grader.{stage}")
    for path in modules(f"grader/{stage}"):
        ours = [name for name in imported(path) if name.split(".")[0] in ("grader", "calib", "tests")]
        foreign = [name for name in ours if not any(is_below(name, known) for known in allowed)]
        assert not foreign, f"{path.relative_to(ROOT)} imports {foreign}"


@pytest.mark.parametrize("path", modules("grader", "calib"), ids=lambda p: str(p.relative_to(ROOT)))
def test_files_and_functions_stay_small_enough_to_read(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= MOST_LINES
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            doc = ast.get_docstring(node, clean=False) or ""
            lines = (node.end_lineno or node.lineno) - node.lineno + 1 - len(doc.splitlines())
            assert lines <= MOST_FUNCTION_LINES, f"{node.name}: {lines} lines"


def test_pictures_are_read_and_written_in_two_places_only() -> None:
    for path in modules("grader", "calib"):
        if str(path.relative_to(ROOT)) in MAY_USE_CV2_FILES:
            continue
        text = path.read_text(encoding="utf-8")
        assert not [
            word for word in ("cv2.imread", "cv2.imwrite", "cv2.imdecode", "COLOR_BGR") if word in text
        ], path


def test_no_catch_all_modules() -> None:
    assert not [
        path for path in modules("grader", "calib") if path.stem in ("utils", "helpers", "common", "manager")
    ]


def test_the_top_level_holds_what_it_should() -> None:
    expected = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "LICENSE",
        "grader",
        "calib",
        "tests",
        "demo_images",
    }
    tracked = {path.split("/")[0] for path in _tracked()}
    assert {name for name in tracked if not name.startswith(".")} <= expected


def _tracked() -> list[str]:

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    return listed.stdout.splitlines()
