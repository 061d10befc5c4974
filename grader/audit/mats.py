"""A print of the mat that reads everything too large or too small, told apart from a person's habit.

A wrong print scale changes all lengths and widths by one factor; a habit changes one or two of them.  So the
averages of trays on one print are compared with those on the others, in logarithms, all sizes at once: by
the same cutters where they used both.  The best common factor is a weighted average with the covariance
between the sizes (Rao 1967, "Least squares theory using an estimated dispersion matrix", from memory);
whether one factor fits all sizes is Hotelling's test on what it leaves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from grader.audit.aims import SIZES
from grader.audit.corrected import holm
from grader.audit.samples import Sample, grouped

MAT_LEVEL = 0.05
"""Chance of naming any sound print, over all prints of an audit."""
LEAST_FACTOR = 0.02
"""Relative: "fit to page" prints are 3 % and more off; smaller ones are within a check bar's reach."""
MOST_FACTOR = 0.15
"""Relative: a sheet further off is seen by eye; such a difference is one of plants."""
LEAST_TRAYS = 2
"""On a print: one tray may just hold larger plants."""
LEAST_COMMON_P = 0.01
"""Below it one factor does not fit all sizes: then it is no print."""
SMALL_SHARE = 1.0 / 3.0
"""Of two prints the one with less than this share of the cuttings is the odd one; else both are in doubt."""
MEASURED_SIGMA = 0.0015
"""Relative: below it somebody measured the check bar, and the print is believed."""
_SPARE_DF = 3
"""Degrees of freedom beyond the number of sizes that the covariance needs."""


@dataclass(frozen=True, slots=True)
class MatDoubt:
    """A print that reads differently in all sizes alike."""

    mats: tuple[str, ...]
    """One print, or two where it cannot be told which is wrong."""
    factor: float
    """Of the first over the rest."""
    low: float
    high: float
    """95 % interval."""
    n: int
    """Cuttings on the first."""
    is_same_people: bool
    """Whether the same cutters used other prints too; else only the sizes tell person and print apart."""


def doubtful_mats(samples: Sequence[Sample]) -> list[MatDoubt]:
    """Return the prints that read all sizes differently from the others."""
    trays = _Trays.of(samples)
    doubts: list[MatDoubt] = []
    while trays is not None and len(set(trays.mats)) > 1:
        names = sorted(set(trays.mats))
        found = [_compare(trays, name) for name in names]
        corrected = holm([result.p if result else math.nan for result in found])
        hits = [
            result
            for result, p in zip(found, corrected, strict=True)
            if result and p < MAT_LEVEL and result.is_one_factor
        ]
        if not hits:
            break
        doubt = _named(trays, names, min(hits, key=lambda result: result.p))
        doubts.append(doubt)
        trays = trays.without(doubt.mats)
    return doubts


@dataclass(frozen=True, slots=True, eq=False)
class _Trays:
    """Averages of logarithms, one row a tray."""

    logs: NDArray[np.float64]
    """(T, sizes): logarithms of a length."""
    sizes: NDArray[np.float64]
    cutters: tuple[str, ...]
    mats: tuple[str, ...]
    scale_sigmas: tuple[float, ...]

    @classmethod
    def of(cls, samples: Sequence[Sample]) -> _Trays | None:
        rows, sizes, cutters, mats, sigmas = [], [], [], [], []
        for group in grouped(samples, lambda s: f"{s.shot.cutter}\0{s.shot.tray}\0{s.shot.mat}").values():
            values = np.array([[s.value(trait) for trait in SIZES] for s in group], dtype=np.float64)
            values = values[np.isfinite(values).all(axis=1) & (np.nan_to_num(values) > 0.0).all(axis=1)]
            if not len(values):
                continue
            rows.append((np.log(values) / np.array(list(SIZES.values()))).mean(axis=0))
            sizes.append(len(values))
            shot = group[0].shot
            cutters.append(shot.cutter)
            mats.append(shot.mat)
            sigmas.append(shot.scale_sigma)
        if not rows:
            return None
        return cls(
            np.array(rows), np.array(sizes, dtype=np.float64), tuple(cutters), tuple(mats), tuple(sigmas)
        )

    def without(self, mats: Sequence[str]) -> _Trays | None:
        keep = [i for i, mat in enumerate(self.mats) if mat not in mats]
        if not keep:
            return None
        pick = (tuple(column[i] for i in keep) for column in (self.cutters, self.mats))
        cutters, left = pick
        return _Trays(
            self.logs[keep], self.sizes[keep], cutters, left, tuple(self.scale_sigmas[i] for i in keep)
        )

    def is_measured(self, mat: str) -> bool:
        return all(s <= MEASURED_SIGMA for s, m in zip(self.scale_sigmas, self.mats, strict=True) if m == mat)


@dataclass(frozen=True, slots=True)
class _Compared:
    mat: str
    log_factor: float
    half: float
    p: float
    is_one_factor: bool
    is_same_people: bool


def _compare(trays: _Trays, mat: str) -> _Compared | None:
    """Return how one print reads against the others; None if there are too few trays."""
    on = np.array([m == mat for m in trays.mats], dtype=np.float64)
    people = sorted(set(trays.cutters))
    dummies = np.array([[c == name for name in people] for c in trays.cutters], dtype=np.float64)
    root = np.sqrt(trays.sizes)[:, None]
    designs = [np.column_stack([on, others]) * root for others in (dummies, np.ones((len(on), 1)))]
    design = next((d for d in designs if np.linalg.matrix_rank(d) == d.shape[1]), None)
    if design is None:
        return None
    q, df = trays.logs.shape[1], len(on) - design.shape[1]
    if df < q + _SPARE_DF or on.sum() < LEAST_TRAYS:
        return None
    target = trays.logs * root
    solved, *_ = np.linalg.lstsq(design, target, rcond=None)
    left = target - design @ solved
    covariance = left.T @ left / df
    per_unit = float(np.linalg.inv(design.T @ design)[0, 0])
    effect, ones = solved[0], np.ones(q)
    try:
        inverse = np.linalg.inv(covariance)
    except np.linalg.LinAlgError:
        return None
    factor = float(ones @ inverse @ effect) / float(ones @ inverse @ ones)
    rest = effect - factor
    unexplained = float(rest @ inverse @ rest) / per_unit
    f = unexplained * (df - q + 2) / (df * (q - 1))
    t_df = df - q + 1
    variance = per_unit / float(ones @ inverse @ ones) * (1.0 + unexplained / df) * df / t_df
    return _Compared(
        mat=mat,
        log_factor=factor,
        half=float(stats.t.ppf(0.975, t_df)) * math.sqrt(variance),
        p=2.0 * float(stats.t.sf(abs(factor) / math.sqrt(variance), t_df)),
        is_one_factor=LEAST_FACTOR <= abs(math.expm1(factor)) <= MOST_FACTOR
        and float(stats.f.sf(f, q - 1, df - q + 2)) >= LEAST_COMMON_P,
        is_same_people=design is designs[0],
    )


def _named(trays: _Trays, names: Sequence[str], hit: _Compared) -> MatDoubt:
    """Return which print is in doubt; of two, the small or the unmeasured one, else both."""
    count = {
        name: float(sum(n for n, m in zip(trays.sizes, trays.mats, strict=True) if m == name))
        for name in names
    }
    mats: tuple[str, ...] = (hit.mat,)
    sign = 1.0
    if len(names) == 2:
        other = next(name for name in names if name != hit.mat)
        unmeasured = [name for name in names if not trays.is_measured(name)]
        if len(unmeasured) == 1:
            mats = (unmeasured[0],)
        elif min(count.values()) < SMALL_SHARE * sum(count.values()):
            mats = (min(names, key=lambda name: count[name]),)
        else:
            mats = (hit.mat, other)
        sign = 1.0 if mats[0] == hit.mat else -1.0
    centre = sign * hit.log_factor
    return MatDoubt(
        mats, math.exp(centre), math.exp(centre - hit.half), math.exp(centre + hit.half),
        int(count[mats[0]]), hit.is_same_people,
    )  # fmt: skip
