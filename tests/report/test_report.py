"""report.html as text: everything is in it, everything from files is escaped, bad input is said in words."""

from __future__ import annotations

import itertools
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from grader.errors import OutputProblem
from grader.records import SkippedPhoto
from grader.report import report_after_grading, write_report
from grader.report.reading import ReportProblem
from grader.verdict import RULES
from grader.write import write_results
from grader.write.listing import KEY
from tests.report.folders import SETTINGS, draw, invented_photos, results_folder

EVIL = "<script>alert(1)</script>\"'&amp; ${7*7} {{7*7}} javascript:x"
VOID = (
    "area",
    "base",
    "br",
    "col",
    "hr",
    "img",
    "input",
    "link",
    "meta",
    "wbr",
    "rect",
    "path",
    "circle",
    "use",
)


class Page(HTMLParser):
    """Elements with their attributes, and the text outside script and style."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag, f"</{tag}> at {self.getpos()}"
        if tag in ("td", "th", "dt", "dd"):
            self.words.append(" ")

    def handle_data(self, data: str) -> None:
        if not {"script", "style"} & set(self.open):
            self.words.append(data)

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attrs for name, attrs in self.elements if name == tag]

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())


def page_of(folder: Path, **options: Any) -> Page:
    return Page(write_report(folder, **options).page.read_text(encoding="utf-8"))


def test_everything_is_in_it(tmp_path: Path) -> None:
    skipped = SkippedPhoto(Path("day/dark.jpg"), "too dark", "The photo is too dark.", "Switch the lamp on.")
    page = page_of(results_folder(tmp_path, 2, (skipped,)))
    assert page.open == []
    for words in ("2 graded, 1 that could not be used", "tray_1.jpg", "Switch the lamp on.", "Ann, Bo", KEY):
        assert words in page.text
    # One cutting of each grade a tray; the sizes are those of the invented shapes.
    assert "66.0 mm ± 0.4 mm 2.60 in" in page.text
    assert (
        "Do: stick: grade 2.Today grade 2: "
        "too short: total length 66.0 ± 0.4 mm (2.60 in), wanted at least 75.0 mm (2.95 in)."
    ) in page.text
    assert "Set aside (not a cutting): This is not a cutting: take it off." in page.text
    assert "grade 1 2 25 %" in page.text
    assert [row["id"] for row in page.all("tr") if "id" in row] == [
        f"p{p}c{c}" for p in (1, 2) for c in (1, 2, 3, 4)
    ]
    assert (tmp_path / "report.html").is_file() and not (tmp_path / "report_files").exists()


def test_links_lead_somewhere_and_names_are_given_once(tmp_path: Path) -> None:
    page = page_of(results_folder(tmp_path, 2))
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    places = [a["href"][1:] for a in page.all("a") if a["href"].startswith("#") and a["href"][1] != "?"]
    assert places and set(places) <= set(ids)
    assert {f"rule-{code}" for code in ("L01", "D02")} <= set(ids)
    assert not {place for place in places if place.startswith("rule-")} - {f"rule-{c}" for c in RULES}


def test_what_helps_those_who_do_not_see_is_there(tmp_path: Path) -> None:
    page = page_of(results_folder(tmp_path))
    assert page.all("html")[0]["lang"] == "en"
    assert all(image["alt"] and image["width"] and image["height"] for image in page.all("img"))
    assert len(page.all("caption")) == len(page.all("table"))
    assert all(head.get("scope") in ("col", "row") for head in page.all("th"))
    headings = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert headings[0] == 1 and headings.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(headings))
    signs = [svg for svg in page.all("svg") if "class" in svg]
    assert signs and all(svg["aria-hidden"] == "true" for svg in signs)


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours (WCAG 2.2, definitions of relative luminance and contrast ratio)."""

    def luminance(colour: str) -> float:
        digits = colour.removeprefix("#")
        whole = "".join(digit * 2 for digit in digits) if len(digits) == 3 else digits
        parts = [int(whole[k : k + 2], 16) / 255 for k in (0, 2, 4)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_text_stands_out_from_its_ground() -> None:
    # WCAG 2.2, example of the greatest contrast: black on white is 21:1.
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    css = (Path(write_report.__code__.co_filename).parent / "page" / "report.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", css))
    for ink in ("ink", "muted", "link"):
        for ground in ("#ffffff", colours["soft"], "#fdf3d0"):
            assert contrast(colours[ink], ground) >= 7.0, (ink, ground)


def evil_folder(folder: Path) -> Path:
    """Return results in which every text that a file or person can choose is an attack."""
    (photo,) = invented_photos(1)
    batch = {"cutter": EVIL, "donor": EVIL, EVIL: EVIL}
    other = replace(photo, path=Path("b.jpg"), sha256="b" * 64, batch={"cutter": "Bo"})
    photo = replace(
        photo, path=Path(f"{EVIL.replace('/', '_')}.jpg"), batch=batch, camera=EVIL, warnings=(EVIL,)
    )
    skipped = SkippedPhoto(Path(EVIL), EVIL, EVIL, EVIL)
    write_results(folder / "results.json", [photo, other, skipped], SETTINGS, datetime(2026, 3, 2))
    draw(folder, replace(photo, path=Path("x.jpg")))
    whole = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    whole["program"]["version"] = whole["made_at"] = EVIL
    cutting = whole["photos"][0]["cuttings"][0]
    for name in ("reason", "advice", "cell", "targets"):
        cutting[name] = EVIL
    cutting["rules"][0] |= {"rule": EVIL, "flag": EVIL, "outcome": "fail"}
    cutting["warnings"] = cutting["flags"] = [EVIL]
    whole["photos"][0]["set_aside"][0] |= {"kind": EVIL, "reason": EVIL}
    whole["photos"][0]["mat"] |= {"mat_id": EVIL, "print_scale_source": EVIL}
    (folder / "results.json").write_text(json.dumps(whole), encoding="utf-8")
    return folder


def test_texts_from_files_stay_texts(tmp_path: Path) -> None:
    html = write_report(evil_folder(tmp_path)).page.read_text(encoding="utf-8")
    page = Page(html)
    assert page.open == []
    assert len(page.all("script")) == 1 and html.count("<script") == 1
    for _, attrs in page.elements:
        assert not [name for name in attrs if name.startswith("on") or name == "style"]
        assert not re.match(r"\s*(javascript|https?|//)", attrs.get("href", "") + attrs.get("src", ""))
    assert page.text.count("<script>alert(1)</script>") >= 15
    assert "49" not in re.findall(r"\$\{.*?\}|\{\{.*?\}\}", html)


def test_nothing_is_fetched_and_only_its_own_script_may_run(tmp_path: Path) -> None:
    html = write_report(results_folder(tmp_path)).page.read_text(encoding="utf-8")
    policy = next(m["content"] for m in Page(html).all("meta") if "http-equiv" in m)
    assert "default-src 'none'" in policy and "unsafe" not in policy
    assert not re.findall(r"(?:src|href|url)\s*[=(]\s*[\"']?(?:https?:)?//", html)


def test_without_marked_pictures_the_figures_are_there(tmp_path: Path) -> None:
    results_folder(tmp_path, 2)
    for picture in tmp_path.glob("*.jpg"):
        picture.unlink()
    made = write_report(tmp_path / "results.json", tmp_path / "elsewhere" / "page.html")
    assert made.n_without_picture == 2
    text = Page(made.page.read_text(encoding="utf-8")).text
    assert text.count("Its marked picture was not found") == 2 and "66.0 mm" in text


def damage_cut(picture: Path) -> None:
    picture.write_bytes(picture.read_bytes()[:5000])


def damage_smaller(picture: Path) -> None:
    with Image.open(picture) as image:
        image.resize((240, 200)).save(picture, comment=image.info["comment"])


def damage_other(picture: Path) -> None:
    Image.new("RGB", (50, 50)).save(picture)


@pytest.mark.parametrize("damage", [damage_cut, damage_smaller, damage_other])
def test_damaged_pictures_cost_only_themselves(tmp_path: Path, damage: Callable[[Path], None]) -> None:
    results_folder(tmp_path, 2)
    damage(tmp_path / "tray_1.graded.jpg")
    made = write_report(tmp_path)
    assert made.n_without_picture == 1
    page = Page(made.page.read_text(encoding="utf-8"))
    assert len([image for image in page.all("img") if "tray_2" in image["alt"]]) == 4


def test_pictures_are_found_whatever_they_are_called(tmp_path: Path) -> None:
    results_folder(tmp_path)
    (tmp_path / "sub").mkdir()
    shutil.move(tmp_path / "tray_1.graded.jpg", tmp_path / "sub" / "renamed.graded.jpg")
    assert write_report(tmp_path).n_without_picture == 0


def test_a_folder_beside_the_page_holds_what_the_page_names_and_no_more(tmp_path: Path) -> None:
    results_folder(tmp_path, 2)
    made = write_report(tmp_path, one_file=False)
    files = tmp_path / "report_files"
    assert made.folder == files
    page = Page(made.page.read_text(encoding="utf-8"))
    named = {image["src"] for image in page.all("img") if not image["src"].startswith("data:")}
    assert named == {f"report_files/{file.name}" for file in files.iterdir()} and len(named) == 2 + 8
    sizes = sum(file.stat().st_size for file in files.iterdir())
    assert made.n_bytes == sizes + made.page.stat().st_size
    assert any(a["href"] == "tray_1.graded.jpg" for a in page.all("a"))
    # A folder with results in it may be graded again: the finder of photos leaves this ending out.
    assert all(file.name.endswith(".graded.jpg") for file in files.iterdir())
    # Made again of fewer photos: what is not shown any more goes, what is not ours stays.
    (files / "mine.jpg").write_bytes(b"")
    results_folder(tmp_path, 1)
    write_report(tmp_path, one_file=False)
    assert len(list(files.iterdir())) == 1 + 4 + 1
    write_report(tmp_path, one_file=True)
    assert [file.name for file in files.iterdir()] == ["mine.jpg"]


def test_a_small_batch_is_one_file_and_a_large_one_is_not(tmp_path: Path) -> None:
    photos = invented_photos(13)
    draw(tmp_path, photos[0])
    for n_photos, folder in ((12, None), (13, tmp_path / "report_files")):
        write_results(tmp_path / "results.json", photos[:n_photos], SETTINGS, datetime(2026, 3, 2))
        assert write_report(tmp_path).folder == folder


def test_the_same_results_make_the_same_bytes(tmp_path: Path) -> None:
    results_folder(tmp_path)
    first, second = (write_report(tmp_path).page.read_bytes() for _ in range(2))
    assert first == second


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("", "empty, damaged"),
        ("{", "damaged or cut short"),
        ("[]", "no results of this program"),
        ('{"schema": "other"}', "no results of this program"),
        ('{"schema": "cutting-grader/results-9"}', "results-9"),
        ('{"schema": "cutting-grader/results-1"}', "'program' is missing"),
        ("[" * 100_000, "damaged"),
    ],
)
def test_what_is_no_results_is_said(tmp_path: Path, text: str, hint: str) -> None:
    (tmp_path / "results.json").write_text(text)
    with pytest.raises(ReportProblem, match=re.escape(hint)) as caught:
        write_report(tmp_path)
    assert "results.json" in caught.value.message and caught.value.advice
    assert not (tmp_path / "report.html").exists()


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("photos",), None),
        (("photos", 0, "cuttings", 0, "grade"), "3"),
        (("photos", 0, "cuttings", 0, "number"), True),
        (("photos", 0, "cuttings", 1, "number"), 1),
        (("photos", 0, "cuttings", 0, "traits", "total_length_mm"), 90.0),
        (("photos", 0, "cuttings", 0, "traits", "total_length_mm", "value"), "90"),
        (("photos", 0, "cuttings", 0, "rules", 0, "outcome"), "perhaps"),
        (("photos", 0, "warnings"), [1]),
        (("photos", 0), "a.jpg"),
        (("settings",), []),
    ],
)
def test_results_with_something_wrong_inside_are_said(
    tmp_path: Path, path: tuple[Any, ...], value: Any
) -> None:
    results_folder(tmp_path)
    whole = json.loads((tmp_path / "results.json").read_text(encoding="utf-8"))
    inside = whole
    for step in path[:-1]:
        inside = inside[step]
    inside[path[-1]] = value
    (tmp_path / "results.json").write_text(json.dumps(whole), encoding="utf-8")
    with pytest.raises(ReportProblem, match="damaged"):
        write_report(tmp_path)


def test_missing_results_and_places_that_cannot_be_written_are_said(tmp_path: Path) -> None:
    with pytest.raises(ReportProblem, match="cannot be read"):
        write_report(tmp_path)
    results_folder(tmp_path)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputProblem):
        write_report(tmp_path, tmp_path / "file" / "report.html")


def test_no_photo_at_all_and_a_tray_without_cuttings(tmp_path: Path) -> None:
    write_results(tmp_path / "results.json", [], SETTINGS, datetime(2026, 3, 2))
    assert "No cutting was graded." in page_of(tmp_path).text
    (photo,) = invented_photos(1)
    write_results(tmp_path / "results.json", [replace(photo, cuttings=())], SETTINGS, datetime(2026, 3, 2))
    assert "There is no cutting on the mat." in page_of(tmp_path).text


def test_a_target_file_that_is_gone_leaves_the_limits(tmp_path: Path) -> None:
    results_folder(tmp_path)
    text = (tmp_path / "results.json").read_text(encoding="utf-8")
    own = re.sub(r'"targets": "[^"]*"', '"targets": "mine 3 (0123456789ab)"', text)
    (tmp_path / "results.json").write_text(own, encoding="utf-8")
    shown = page_of(tmp_path).text
    assert "Targets mine 3 (0123456789ab): 50 mm (beyond it: cull); 75 mm (beyond it: grade 2)." in shown
    assert "its sources cannot be told" in shown


def test_after_grading_a_failure_is_told_and_costs_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    results_folder(tmp_path)
    (tmp_path / "report.html").mkdir()
    report_after_grading(tmp_path)
    err = capsys.readouterr().err
    assert "report could not be made" in err and f"grader report {tmp_path}" in err
    (tmp_path / "report.html").rmdir()
    report_after_grading(tmp_path)
    assert "report.html" in capsys.readouterr().err
