"""The page's text: templates filled with what was read; every text from files is escaped."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any

from grader.report.images import PhotoImages
from grader.report.plots import spread_svg
from grader.report.rows import COLUMNS, PhotoRows, Row, Skipped
from grader.report.rules_told import RuleTold
from grader.report.summary import GRADES, Spread, fault_counts, grade_counts
from grader.traits.catalogue import TRAITS
from grader.write.listing import KEY

if TYPE_CHECKING:
    from markupsafe import Markup

GRADE_WORDS = {"1": "grade 1", "2": "grade 2", "cull": "cull", "unsure": "unsure"}
CHOOSABLE = ("cutter", "donor", "species")
"""What the table can be filtered by when the photos differ in it."""
MOST_NAMED = 6
"""Values told at the top; more are counted."""


@dataclass(frozen=True, slots=True, eq=False)
class PageContent:
    """Everything the page shows."""

    photos: Sequence[PhotoRows]
    skipped: Sequence[Skipped]
    spreads: Sequence[Spread]
    rules: Sequence[RuleTold]
    images: Mapping[int, PhotoImages | None]
    """By index of the photo."""
    version: str
    made_at: str


def page_text(content: PageContent) -> str:
    """Return the page.

    The template engine escapes all texts. The style and the script go in as they are, and the page's
    security policy names them by their hashes: nothing else can run, and nothing is fetched from the net.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    loader = PackageLoader("grader.report", "page")
    engine = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    rows = [row for photo in content.photos for row in photo.rows]
    css, script = _file("report.css"), _file("report.js")
    shared: dict[str, Any] = {
        "columns": COLUMNS,
        "grade_words": GRADE_WORDS,
        "grade_ranks": {grade: rank for rank, grade in enumerate(GRADES)},
        "batch_choices": _choices(content.photos),
    }
    engine.globals.update(shared)
    row_template = engine.get_template("cutting.html")

    def cutting(photo: PhotoRows, row: Row, order: int) -> Markup:
        images = content.images.get(photo.index)
        crop = images.crops.get(row.number) if images else None
        return Markup(row_template.render(photo=photo, row=row, order=order, crop=crop))

    return engine.get_template("report.html").render(
        title=_title(content),
        policy=_policy(css, script),
        key=KEY,
        css=Markup(css),
        script=Markup(script),
        cutting=cutting,
        images=content.images,
        photos=content.photos,
        skipped=content.skipped,
        rules=content.rules,
        rule_choices=sorted({(fault.code, fault.flag) for row in rows for fault in row.faults}),
        words={name: TRAITS[name].words for name in COLUMNS},
        counts=grade_counts(rows),
        faults=fault_counts(rows),
        spreads=[_spread(spread) for spread in content.spreads],
        n_cuttings=len(rows),
        n_set_aside=sum(len(photo.set_aside) for photo in content.photos),
        targets=list(dict.fromkeys(name for photo in content.photos for name in photo.targets)),
        batch_told=list(_batch_told(content.photos)),
        version=content.version,
        made_at=content.made_at,
    )


def _file(name: str) -> str:
    return resources.files("grader.report").joinpath("page", name).read_text(encoding="utf-8")


def _policy(css: str, script: str) -> str:
    """Return the Content-Security-Policy: the page's own style and script, local images, nothing else."""

    def allowed(text: str) -> str:
        digest = hashlib.sha256(text.encode("utf-8")).digest()
        return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"

    return (
        f"default-src 'none'; img-src 'self' file: data:; style-src {allowed(css)}; "
        f"script-src {allowed(script)}; base-uri 'none'; form-action 'none'"
    )


def _title(content: PageContent) -> str:
    if len(content.photos) == 1 and not content.skipped:
        return f"Cuttings on {content.photos[0].name}"
    n = len(content.photos) + len(content.skipped)
    return f"Cuttings on {n} photo{'' if n == 1 else 's'}"


def _values(photos: Sequence[PhotoRows], key: str) -> list[str]:
    return sorted({photo.batch[key] for photo in photos if photo.batch.get(key)})


def _choices(photos: Sequence[PhotoRows]) -> dict[str, list[str]]:
    """Return what the photos differ in, with the values."""
    choices = {key: _values(photos, key) for key in CHOOSABLE}
    return {
        key: values
        for key, values in choices.items()
        if len({photo.batch.get(key, "") for photo in photos}) > 1
    }


def _batch_told(photos: Sequence[PhotoRows]) -> Iterator[tuple[str, str]]:
    for key in dict.fromkeys(key for photo in photos for key in photo.batch):
        values = _values(photos, key)
        more = f" and {len(values) - MOST_NAMED} more" if len(values) > MOST_NAMED else ""
        yield key, ", ".join(values[:MOST_NAMED]) + more


def _spread(spread: Spread) -> dict[str, Any]:
    return {
        "svg": spread_svg(spread),
        "words": TRAITS[spread.trait].words,
        "targets": spread.targets,
        "facts": spread.facts(),
    }
