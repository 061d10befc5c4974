"""The pages: one a cutter, one that compares them. Pure functions from conclusions to HTML."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grader.audit.aims import PRACTICAL, Fault
from grader.audit.findings import Average, CutterFound, Found
from grader.audit.plots import averages_plot
from grader.audit.repeats import Repeated
from grader.audit.samples import Gathered
from grader.audit.sentences import frequent, short
from grader.audit.words import (
    average_verdict,
    difference_verdict,
    mat_words,
    mean_words,
    missed_verdict,
    range_words,
    share_words,
    signed,
    typical_words,
    zone_words,
)
from grader.traits.catalogue import TRAITS, metric_text
from grader.verdict.targets import Targets

PAGE_FOLDER = Path(__file__).parent / "page"
INDEX_NAME = "audit.html"


@dataclass(frozen=True, slots=True, eq=False)
class Whole:
    """Everything the pages need."""

    gathered: Gathered
    found: Found
    targets: Targets
    repeated: Repeated | None
    names: Mapping[str, str]
    """Cutter -> name on the pages: its own, or a code."""
    files: Mapping[str, str]
    """Cutter -> name of its page."""
    is_coded: bool


def html(template: str, values: Mapping[str, Any]) -> str:
    """Return a page; everything from files is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    engine = Environment(
        loader=FileSystemLoader(PAGE_FOLDER), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    css = Markup((PAGE_FOLDER / "audit.css").read_text(encoding="utf-8"))
    return engine.get_template(template).render(css=css, **values)


def index_page(whole: Whole) -> str:
    """Return the page that compares cutters."""
    found = whole.found
    people = list(found.cutters.values())
    traits = list(found.likeness)
    return html(
        "audit.html",
        {
            "title": "Technique audit",
            "counted": counted([s for p in people for s in p.samples]),
            "doubts": [mat_words(doubt) for doubt in found.mats],
            "links": [{"href": whole.files[p.cutter], "name": whole.names[p.cutter]} for p in people],
            "overview_caption": "Share within all wanted limits with Wilson's 95 % interval; what stands out "
            "after correction for many comparisons.",
            "overview_head": ["cutter", "cuttings", "trays", "within all wanted limits", "stands out"],
            "overview": [_overview(whole, person) for person in people],
            "plots": [_averages(whole, trait) for trait in traits],
            "reference": whole.names.get(found.reference, ""),
            **differences_table(whole, people),
            **gauge_table(whole.repeated),
            "facts": facts(whole, [s for p in people for s in p.samples]),
        },
    )


def counted(samples: Sequence[Any]) -> str:
    """Return how much was photographed, and when."""
    days = sorted({s.shot.day for s in samples if s.shot.day})
    when = "" if not days else f", {days[0]}" if len(days) == 1 else f", {days[0]} to {days[-1]}"
    trays = {(s.shot.cutter, s.shot.tray) for s in samples}
    return f"{plural(len(samples), 'cutting')} on {plural(len(trays), 'tray')}{when}"


def plural(n: int, word: str) -> str:
    """Return a number with its word.

    Examples
    --------
    >>> plural(1, "tray"), plural(2, "tray")
    ('1 tray', '2 trays')
    """
    return f"{n} {word}{'' if n == 1 else 's'}"


def _overview(whole: Whole, person: CutterFound) -> list[str]:
    named = [
        f"{TRAITS[a.trait].words} {'low' if a.distance < 0 else 'high'}"
        for a in person.averages.values()
        if a.verdict == "off"
    ]
    off = {a.trait for a in person.averages.values() if a.verdict == "off"}
    named += [missed.fault.flag for trait, missed in frequent(person).items() if trait not in off]
    return [
        whole.names[person.cutter],
        str(len(person.samples)),
        str(person.n_trays),
        share_words(person.all_wanted),
        ", ".join(dict.fromkeys(named)) or "nothing",
    ]


def _averages(whole: Whole, trait: str) -> dict[str, str]:
    rows = {}
    zone = None
    for person in whole.found.cutters.values():
        average = person.averages[trait]
        zone = average.zone
        rows[whole.names[person.cutter]] = (average.spread.mean, *average.interval)
    assert zone is not None
    told = "; ".join(
        f"{name} {metric_text(TRAITS[trait], mean)} ({range_words(trait, low, high)})"
        for name, (mean, low, high) in rows.items()
    )
    return {"source": averages_plot(trait, rows, zone), "alt": f"{TRAITS[trait].words}: {told}"}


def averages_table(person: CutterFound, repeated: Repeated | None) -> dict[str, Any]:
    """Return the table of averages of one cutter."""
    rows = []
    for trait, average in person.averages.items():
        spread = average.spread
        rows.append(
            [
                TRAITS[trait].words,
                f"{mean_words(trait, spread)}\n{range_words(trait, *average.interval)}",
                zone_words(trait, average.zone),
                f"{metric_text(TRAITS[trait], spread.sd)}\n{range_words(trait, *spread.sd_interval())}",
                str(spread.n),
                measuring(average, repeated),
                average_verdict(average),
            ]
        )
    return {
        "averages_caption": "Interval: 95 %, trays as clusters, print scale included. Averages belong in the "
        "middle half of what is wanted, so that there is room for spread.",
        "averages_head": [
            "measurement", "average, its interval", "averages belong", "spread (SD)", "n", "of it measuring",
            "what it says",
        ],
        "averages": rows,
    }  # fmt: skip


def measuring(average: Average, repeated: Repeated | None) -> str:
    """Return how much of the variance that is seen comes from measuring."""
    sd = average.spread.sd
    tool = average.tool_sd
    if repeated is not None and average.trait in repeated.shares:
        tool = repeated.shares[average.trait].by_anova.grr
    if not sd > 0.0 or not tool >= 0.0:
        return "–"
    part = min(1.0, (tool / sd) ** 2)
    return f"{100 * part:.0f} %" if part >= 0.005 else "under 1 %"


def missed_table(person: CutterFound) -> dict[str, Any]:
    """Return the table of limits that one cutter misses."""
    rows = [
        [
            missed.fault.flag,
            _limit(missed.fault),
            f"{missed.share.k} of {missed.share.n}",
            share_words(missed.share),
            typical_words(missed),
            missed_verdict(missed),
        ]
        for missed in person.missed
    ]
    return {
        "missed_caption": "Counted only where the limit is missed by more than the doubt of the measurement. "
        "Interval: Wilson, 95 %, widened where trays differ. Up to 1 in 10 is tolerated.",
        "missed_head": ["limit", "value", "missed", "share", "typically by", "what it says"],
        "missed": rows,
    }


def _limit(fault: Fault) -> str:
    trait = TRAITS[fault.rule.trait]
    if fault.is_either_side:
        return f"{fault.limit * trait.shown_per_stored:g} to {short(trait, fault.upper)}"
    return short(trait, fault.limit)


def differences_table(whole: Whole, people: Sequence[CutterFound]) -> dict[str, Any]:
    """Return the table of differences from the reference cutter."""
    rows = [
        [
            f"{whole.names[person.cutter]}: {TRAITS[trait].words}",
            signed(trait, difference.value),
            range_words(trait, *difference.interval),
            metric_text(TRAITS[trait], difference.practical),
            difference_verdict(difference) + _other_plants(whole, person, difference.verdict),
        ]
        for person in people
        for trait, difference in person.differences.items()
        if difference.verdict
    ]
    return {
        "differences_caption": "Average less that of the reference, 95 % interval. Other plants may be the "
        "reason as well as another hand: compare work on the same donor plants.",
        "differences_head": ["cutter", "difference", "interval", "matters from", "what it says"],
        "differences": rows,
    }


def _other_plants(whole: Whole, person: CutterFound, verdict: str) -> str:
    """Return a remark where no donor plant is shared: then the plants may be the reason."""
    groups = (person.samples, whole.found.cutters[whole.found.reference].samples)
    own, others = ({s.shot.donor for s in samples} for samples in groups)
    if verdict == "differs" and not (own & others) and "" not in own | others:
        return "; no donor plant in common, so it may be the plants"
    return ""


def gauge_table(repeated: Repeated | None) -> dict[str, Any]:
    """Return the table of the gauge study."""
    if repeated is None:
        note = (
            "No tray was photographed again, so the measuring's share is the tool's own statement. To "
            "know it, lay one tray out and photograph it again, and give --repeats."
        )
        return {"gauge": [], "gauge_caption": "", "gauge_head": [], "gauge_notes": [note]}
    rows = []
    for trait, share in repeated.shares.items():
        for gauge in (share.by_anova, share.by_range):
            unit = TRAITS[trait]
            rows.append(
                [
                    f"{unit.words}, {gauge.method}",
                    metric_text(unit, gauge.repeatability),
                    metric_text(unit, gauge.reproducibility) if gauge.n_persons > 1 else "one person",
                    f"{100 * gauge.grr_share:.1f} %",
                    f"{100 * gauge.variance_share:.1f} %",
                    str(gauge.categories),
                    f"{gauge.n_parts} × {gauge.n_persons} × {gauge.n_trials}",
                ]
            )
    return {
        "gauge_caption": "Standard deviations. %GRR is of the standard deviation seen (below 10 % good, to "
        "30 % may do, above poor), the share of variance is what measuring contributes; 5 classes told "
        "apart are wanted (AIAG, Measurement Systems Analysis, 2010).",
        "gauge_head": [
            "measurement, method", "same person again", "other person", "%GRR", "of the variance",
            "classes", "cuttings × people × photos",
        ],
        "gauge": rows,
        "gauge_notes": list(repeated.notes),
    }  # fmt: skip


def facts(whole: Whole, samples: Sequence[Any]) -> list[str]:
    """Return what a page is based on."""
    gathered, found = whole.gathered, whole.found
    shots = {s.shot.photo.sha256: s.shot for s in samples}.values()
    results = sorted({str(shot.results) for shot in shots})
    matter = ", ".join(
        f"{TRAITS[t].words} {100 * p.size:.0f} %"
        if p.is_relative
        else f"{TRAITS[t].words} {_plain(t, p.size)}"
        for t, p in PRACTICAL.items()
        if t in found.likeness
    )
    n_averages, n_faults, n_reference = (found.n_compared[k] for k in ("averages", "faults", "reference"))
    told = [
        plural(len(shots), "photo") + ("" if whole.is_coded else f" in {', '.join(results)}"),
        f"Targets: {whole.targets.id}",
        "Cuttings of one tray are alike, so trays are the clusters: an average weighs tray averages, its "
        "interval comes from how far trays lie apart.",
        f"Many comparisons: Holm's correction over {plural(n_averages, 'average')} beyond where averages "
        f"belong, {plural(n_faults, 'fault')} above the tolerated share"
        + (f", {plural(n_reference, 'difference')} from the reference" if n_reference else "")
        + ". People who all work well are named in at most 5 of 100 audits.",
        f"A difference is worth talking about from: {matter} (own starting values).",
        f"Prints of the mat: {', '.join(sorted({shot.mat for shot in shots}))}. With one print only, its "
        "scale cannot be checked here: measure its check bar.",
        "Made on this computer from files on it; nothing was sent anywhere."
        + (" Names are replaced by codes." if whole.is_coded else ""),
    ]
    if gathered.n_skipped:
        told.append(f"{plural(gathered.n_skipped, 'photo')} could not be graded and are not in it.")
    if gathered.n_twice:
        told.append(f"{plural(gathered.n_twice, 'photo')} stood in the results twice and counts once.")
    if len(gathered.targets) > 1:
        told.append("The photos were graded by different targets; here all are held against one.")
    return told + list(gathered.notes)


def _plain(trait: str, value: float) -> str:
    return short(TRAITS[trait], value)
