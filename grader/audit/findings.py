"""What is concluded: averages against the targets, shares of faults, differences from a reference cutter.

Every comparison of an audit belongs to one of two or three families (averages, faults, reference).  The 5 %
are divided among the families, and inside each Holm's correction is applied, so that an audit of people who
all work well names anybody in at most 5 of 100 cases.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from grader.audit.aims import (
    PRACTICAL,
    SIZES,
    TOLERATED_SHARE,
    Fault,
    Zone,
    evenness_of,
    faults_of,
    guard_of,
    zone_of,
)
from grader.audit.clusters import Likeness, Spread, likeness, spread
from grader.audit.corrected import COUNTED_BELOW, holm, holm_beyond
from grader.audit.enough import n_more
from grader.audit.mats import MatDoubt, doubtful_mats
from grader.audit.samples import Sample, grouped, trays_of
from grader.audit.shares import Share, design_effect, p_above, share
from grader.verdict.targets import Targets

AUDIT_LEVEL = 0.05
"""Chance that an audit of people who all work well names anything."""


@dataclass(frozen=True, slots=True)
class Average:
    """One trait of one cutter against the targets."""

    trait: str
    spread: Spread
    zone: Zone
    interval: tuple[float, float]
    """95 %, print scale included."""
    practical: float
    tool_sd: float
    """Root mean square of the stated uncertainties."""
    p: float
    """Corrected; nan where there is no comparison."""
    verdict: str
    """"off", "fits", "too few", "near" or "mat first"; "" where there is no zone."""
    n_more: int

    @property
    def distance(self) -> float:
        """How far outside the zone; below is negative."""
        return self.zone.distance(self.spread.mean)


@dataclass(frozen=True, slots=True)
class Missed:
    """How often one cutter misses one limit."""

    fault: Fault
    share: Share
    """Surely missed, of those measured."""
    typical: float
    """Median of how far beyond, among those missed; nan for none."""
    p: float
    is_finding: bool


@dataclass(frozen=True, slots=True)
class Difference:
    """One trait of one cutter less that of the reference."""

    trait: str
    value: float
    interval: tuple[float, float]
    practical: float
    p: float
    verdict: str
    """"differs", "alike", "too few", "near" or "mat first"."""
    n_more: int


@dataclass(frozen=True, slots=True, eq=False)
class CutterFound:
    """Everything found about one cutter."""

    cutter: str
    samples: tuple[Sample, ...]
    n_trays: int
    all_wanted: Share
    """Cuttings within all wanted limits by the measured values."""
    averages: Mapping[str, Average]
    missed: tuple[Missed, ...]
    """Most frequent first."""
    differences: Mapping[str, Difference]

    @property
    def has_findings(self) -> bool:
        """Whether anything is named."""
        return (
            any(a.verdict == "off" for a in self.averages.values())
            or any(m.is_finding for m in self.missed)
            or any(d.verdict == "differs" for d in self.differences.values())
        )


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What an audit concludes."""

    cutters: Mapping[str, CutterFound]
    mats: tuple[MatDoubt, ...]
    reference: str
    family_level: float
    n_compared: Mapping[str, int]
    """Comparisons in each family."""
    likeness: Mapping[str, Likeness]


def conclude(samples: Sequence[Sample], targets: Targets, reference: str = "") -> Found:
    """Return what can be said of every cutter.

    Parameters
    ----------
    samples : sequence of Sample
        All cuttings of the audit.
    targets : Targets
        What is asked.
    reference : str
        Cutter whom the others are compared with; none unless told.
    """
    by_cutter = grouped(samples, lambda s: s.shot.cutter)
    mats = tuple(doubtful_mats(samples))
    usable = _Usable(mats)
    traits = [trait for trait in PRACTICAL if trait in targets.limits]
    shared = {
        trait: likeness({c: trays_of(usable.of(group, trait), trait) for c, group in by_cutter.items()})
        for trait in traits
    }
    averages = {
        cutter: {trait: _average(usable, group, trait, targets, shared[trait]) for trait in traits}
        for cutter, group in by_cutter.items()
    }
    missed = _all_missed(by_cutter, usable, targets)
    differences = _differences(averages, by_cutter, usable, reference)
    # Averages and faults share alike; a reference takes half of it.
    level = AUDIT_LEVEL / (4.0 if differences else 2.0)
    averages, n_averages = _judge_averages(averages, level)
    missed, n_missed = _judge_missed(missed, level)
    differences, n_differences = _judge_differences(differences, AUDIT_LEVEL / 2.0)
    found = {
        cutter: CutterFound(
            cutter=cutter,
            samples=tuple(group),
            n_trays=len({s.shot.tray for s in group}),
            all_wanted=_all_wanted(group, by_cutter, targets),
            averages=averages[cutter],
            missed=tuple(sorted(missed[cutter], key=lambda m: (not m.is_finding, -_rate(m.share)))),
            differences=differences.get(cutter, {}),
        )
        for cutter, group in by_cutter.items()
    }
    counted = {"averages": n_averages, "faults": n_missed, "reference": n_differences}
    return Found(found, mats, reference if differences else "", level, counted, shared)


@dataclass(frozen=True, slots=True)
class _Usable:
    """Leaves out sizes on a print that is in doubt."""

    mats: tuple[MatDoubt, ...]

    def of(self, samples: Sequence[Sample], trait: str) -> list[Sample]:
        if trait not in SIZES:
            return list(samples)
        doubtful = {name for doubt in self.mats for name in doubt.mats}
        return [s for s in samples if s.shot.mat not in doubtful]


def _rate(found: Share) -> float:
    return found.value if found.n else -1.0


def _scale_sigma(samples: Sequence[Sample], trait: str, mean: float) -> float:
    """Return what the print scale adds to an average: all photos of one print share it."""
    if trait not in SIZES or not samples or math.isnan(mean):
        return 0.0
    by_mat = grouped(samples, lambda s: s.shot.mat)
    parts = [max(s.shot.scale_sigma for s in g) * len(g) / len(samples) for g in by_mat.values()]
    return SIZES[trait] * abs(mean) * math.hypot(*parts)


def _average(
    usable: _Usable, group: Sequence[Sample], trait: str, targets: Targets, shared: Likeness
) -> Average:
    """Return an average, its p not yet corrected."""
    samples = usable.of(group, trait)
    found = spread(trays_of(samples, trait), shared)
    zone = zone_of(targets, trait)
    scale = _scale_sigma(samples, trait, found.mean)
    middle = next((x for x in zone.wanted if math.isfinite(x)), found.mean)
    practical = PRACTICAL[trait].at(middle)
    p = math.nan
    if zone.is_two_sided and not math.isnan(found.se):
        se = math.hypot(found.se, scale)
        if se > 0.0:
            below, above = (zone.low - found.mean) / se, (found.mean - zone.high) / se
            t, width = max(below, above), (zone.high - zone.low) / se
            # Largest when the truth is at an edge; then the far edge is a zone's width further away.
            p = min(1.0, float(stats.t.sf(t, found.df) + stats.t.sf(t + width, found.df)))
    sigmas = np.array([s.sigma(trait) for s in samples], dtype=np.float64)
    sigmas = sigmas[np.isfinite(sigmas)]
    tool = math.sqrt(float((sigmas**2).mean())) if len(sigmas) else math.nan
    verdict = "mat first" if group and not samples else ""
    low, high = found.interval(0.95, scale)
    interval = (low if math.isnan(low) else max(0.0, low), high)  # no trait is negative
    return Average(trait, found, zone, interval, practical, tool, p, verdict, n_more(found, practical))


def _judge_averages(
    averages: Mapping[str, Mapping[str, Average]], level: float
) -> tuple[dict[str, dict[str, Average]], int]:
    keys = [(cutter, trait) for cutter, own in averages.items() for trait in own]
    raw = [averages[cutter][trait].p for cutter, trait in keys]
    judged: dict[str, dict[str, Average]] = {cutter: {} for cutter in averages}
    for (cutter, trait), p in zip(keys, holm_beyond(raw), strict=True):
        average = averages[cutter][trait]
        verdict = average.verdict or _verdict_of(average, p, level)
        judged[cutter][trait] = replace(average, p=p, verdict=verdict)
    return judged, sum(p <= COUNTED_BELOW for p in raw)


def _verdict_of(average: Average, p: float, level: float) -> str:
    if average.spread.n == 0 or not math.isfinite(max(map(abs, (average.spread.mean,)))):
        return "too few"
    if p < level and abs(average.distance) >= average.practical:
        return "off"
    low, high = average.interval
    if math.isnan(low):
        return "too few"
    if low >= average.zone.low - average.practical and high <= average.zone.high + average.practical:
        return "fits"
    return "too few" if average.n_more else "near"


def _all_missed(
    by_cutter: Mapping[str, Sequence[Sample]], usable: _Usable, targets: Targets
) -> dict[str, list[Missed]]:
    guard = guard_of(targets)
    all_missed: dict[str, list[Missed]] = {cutter: [] for cutter in by_cutter}
    for fault in [*faults_of(targets), *evenness_of(targets)]:
        trait = fault.rule.trait
        counts: dict[str, list[tuple[int, int]]] = {}
        typical: dict[str, float] = {}
        for cutter, group in by_cutter.items():
            beyond: list[float] = []
            counts[cutter] = []
            for tray in grouped(usable.of(group, trait), lambda s: s.shot.tray).values():
                told = [(s.value(trait), s.sigma(trait)) for s in tray]
                told = [(value, sigma) for value, sigma in told if math.isfinite(value)]
                over = [fault.beyond(v) for v, sigma in told if fault.is_missed(v, sigma, guard)]
                counts[cutter].append((len(over), len(told)))
                beyond += over
            typical[cutter] = float(np.median(beyond)) if beyond else math.nan
        effect = design_effect(list(counts.values()))
        for cutter in by_cutter:
            found = share(counts[cutter], effect)
            all_missed[cutter].append(
                Missed(fault, found, typical[cutter], p_above(found, TOLERATED_SHARE), False)
            )
    return all_missed


def _judge_missed(
    missed: Mapping[str, Sequence[Missed]], level: float
) -> tuple[dict[str, list[Missed]], int]:
    keys = [(cutter, i) for cutter, own in missed.items() for i in range(len(own))]
    raw = [missed[cutter][i].p for cutter, i in keys]
    judged: dict[str, list[Missed]] = {cutter: [] for cutter in missed}
    for (cutter, i), p in zip(keys, holm_beyond(raw), strict=True):
        judged[cutter].append(replace(missed[cutter][i], p=p, is_finding=bool(p < level)))
    return judged, sum(p <= COUNTED_BELOW for p in raw)


def _all_wanted(
    group: Sequence[Sample], by_cutter: Mapping[str, Sequence[Sample]], targets: Targets
) -> Share:
    faults = faults_of(targets)

    def counts(samples: Sequence[Sample]) -> list[tuple[int, int]]:
        return [
            (sum(all(not f.beyond(s.value(f.rule.trait)) > 0.0 for f in faults) for s in tray), len(tray))
            for tray in grouped(samples, lambda s: s.shot.tray).values()
        ]

    return share(counts(group), design_effect([counts(g) for g in by_cutter.values()]))


def _differences(
    averages: Mapping[str, Mapping[str, Average]],
    by_cutter: Mapping[str, Sequence[Sample]],
    usable: _Usable,
    reference: str,
) -> dict[str, dict[str, Difference]]:
    if reference not in by_cutter:
        return {}
    return {
        cutter: {
            trait: _difference(own, averages[reference][trait], by_cutter[cutter], by_cutter[reference])
            for trait, own in traits.items()
            if own.zone.is_two_sided
        }
        for cutter, traits in averages.items()
        if cutter != reference
    }


def _difference(
    own: Average, other: Average, samples: Sequence[Sample], others: Sequence[Sample]
) -> Difference:
    value = own.spread.mean - other.spread.mean
    variances = [(x.spread.se**2, x.spread.df) for x in (own, other)]
    total = sum(variance for variance, _ in variances)
    if math.isnan(total) or total == 0.0:
        verdict = "mat first" if "mat first" in (own.verdict, other.verdict) else ""
        return Difference(
            own.trait, value, (math.nan, math.nan), own.practical, math.nan, verdict, own.n_more
        )
    df = total**2 / sum(variance**2 / df for variance, df in variances)
    prints = [{s.shot.mat for s in group} for group in (samples, others)]
    # The same prints on both sides: their scale cancels.
    shares = [] if prints[0] == prints[1] else [(own, samples), (other, others)]
    scale = math.hypot(0.0, *(_scale_sigma(group, x.trait, x.spread.mean) for x, group in shares))
    se = math.hypot(math.sqrt(total), scale)
    half = float(stats.t.ppf(0.975, df)) * se
    p = 2.0 * float(stats.t.sf(abs(value) / se, df))
    more = n_more(replace(own.spread, se=math.sqrt(total), df=df), own.practical)
    return Difference(own.trait, value, (value - half, value + half), own.practical, p, "", more)


def _judge_differences(
    differences: Mapping[str, Mapping[str, Difference]], level: float
) -> tuple[dict[str, dict[str, Difference]], int]:
    keys = [(cutter, trait) for cutter, own in differences.items() for trait in own]
    raw = [differences[cutter][trait].p for cutter, trait in keys]
    judged: dict[str, dict[str, Difference]] = {cutter: {} for cutter in differences}
    for (cutter, trait), p in zip(keys, holm(raw), strict=True):
        found = differences[cutter][trait]
        low, high = found.interval
        if found.verdict:
            verdict = found.verdict
        elif p < level and abs(found.value) >= found.practical:
            verdict = "differs"
        elif -found.practical <= low and high <= found.practical:
            verdict = "alike"
        else:
            verdict = "too few" if found.n_more or math.isnan(low) else "near"
        judged[cutter][trait] = replace(found, p=p, verdict=verdict)
    return judged, sum(not math.isnan(p) for p in raw)
