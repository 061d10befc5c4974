"""Take against one measurement: a quasi-binomial regression with containers as the units.

Only the count of a container is known, not which cutting rooted. So each container enters with the mean of
the measurement and the mean of its square over its own cuttings: a curve with one optimum, or none.
Containers under different conditions (plant, date, hormone, ...) get a level each, so that sizes are compared
under like ones. The excess scatter of containers (Pearson chi-square over degrees of freedom, at least 1)
widens everything. Quasi-likelihood: McCullagh and Nelder 1989, Generalized Linear Models, 2nd ed., chapter 9,
from memory.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grader.record.learn.shares import CONFIDENCE, Spread
from grader.record.learn.units import Unit
from grader.records import Values

LEAST_UNITS = 6
LEAST_DF = 3
"""Below it the spread of containers is hardly known."""
LEAST_UNITS_CURVED = 8
"""From it on the curve may bend."""
STEEPEST = 12.0
"""Logits beyond it mean that some sizes all rooted or all failed: no curve can be fitted."""


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A fitted curve. The measurement enters as z = (x - centre) / scale."""

    trait: str
    centre: float
    scale: float
    shape: Values
    """(q,) coefficients of z, or of z and z squared."""
    levels: Values
    """(B,) logit at z = 0 under each set of conditions."""
    weights: Values
    """(B,) share of all cuttings stuck under each."""
    covariance: NDArray[np.float64]
    """(q + B, q + B) of shape and levels, spread included."""
    spread: Spread
    sizes: Values
    """All cuttings measured, weighted as they were stuck."""
    seen: tuple[float, float]
    """Smallest and largest mean size of a container: beyond them the curve is a guess and is not read."""
    n_units: int
    n_stuck: int

    @property
    def evidence(self) -> float:
        """Wald's F of the shape: how far the curve is from flat, against its spread."""
        q = len(self.shape)
        return float(self.shape @ np.linalg.solve(self.covariance[:q, :q], self.shape)) / q

    def is_shown(self, confidence: float) -> bool:
        """Return whether the curve surely is not flat."""
        return self.evidence > scheffe(len(self.shape), self.spread.df, confidence) ** 2 / len(self.shape)

    def take(self, x: Values) -> tuple[Values, NDArray[np.float64]]:
        """Return the take at sizes ``x`` under the mean conditions, and its gradient (len(x), q + B)."""
        z = (np.asarray(x, dtype=np.float64) - self.centre) / self.scale
        powers = np.column_stack([z ** (k + 1) for k in range(len(self.shape))])
        logits = (powers @ self.shape)[:, None] + self.levels[None, :]
        shares = 1.0 / (1.0 + np.exp(-logits))
        slopes = shares * (1.0 - shares) * self.weights[None, :]
        gradient = np.hstack([powers * slopes.sum(axis=1)[:, None], slopes])
        return shares @ self.weights, gradient

    def band(self, x: Values, confidence: float = CONFIDENCE) -> tuple[Values, Values, Values]:
        """Return take, lower and upper end at each size; each interval for itself, on the logit scale."""
        share, gradient = self.take(x)
        inner = np.clip(share * (1.0 - share), 1e-9, None)
        logit = np.log(share / (1.0 - share))
        error = np.sqrt(np.einsum("ij,jk,ik->i", gradient, self.covariance, gradient)) / inner
        reach = self.spread.quantile(confidence) * error
        low, high = (1.0 / (1.0 + np.exp(-(logit + sign * reach))) for sign in (-1.0, 1.0))
        return share, low, high

    def gain(self, inside: NDArray[np.bool_], confidence: float) -> tuple[float, float, float]:
        """Return how much more chosen sizes take on average than all do, and its interval.

        The interval holds for all choices at once (Scheffe's, over the coefficients of the shape): a choice
        made by looking at the curve is covered. Sizes beyond those seen count as the outermost seen.
        """
        share, gradient = self.take(np.clip(self.sizes, *self.seen))
        value = float(share[inside].mean() - share.mean())
        slope = gradient[inside].mean(axis=0) - gradient.mean(axis=0)
        error = float(np.sqrt(slope @ self.covariance @ slope))
        reach = error * scheffe(len(self.shape), self.spread.df, confidence)
        return value, value - reach, value + reach


def scheffe(q: int, df: int, confidence: float) -> float:
    """Return the reach, in standard errors, of intervals that hold for all contrasts of ``q`` coefficients.

    Examples
    --------
    One coefficient: Student's t.

    >>> round(scheffe(1, 10, 0.95), 3)
    2.228
    """
    from scipy import stats

    return float(np.sqrt(q * stats.f.ppf(confidence, q, df)))


def usable(units: Sequence[Unit], trait: str) -> list[Unit]:
    """Return the units with enough cuttings measured: at least half."""
    return [unit for unit in units if 2 * len(unit.sizes.get(trait, ())) >= unit.n_stuck]


def fit_curve(units: Sequence[Unit], trait: str) -> Curve | str:
    """Return the curve, or why there is none, as the end of a sentence."""
    chosen = usable(units, trait)
    if len(chosen) < LEAST_UNITS:
        return (
            f"{len(chosen)} containers with measured cuttings are too few for a curve (least {LEAST_UNITS})"
        )
    means = np.array([unit.sizes[trait].mean() for unit in chosen])
    centre, scale = float(means.mean()), float(np.concatenate([u.sizes[trait] for u in chosen]).std())
    if scale <= 0.0 or np.ptp(means) < 1e-9 * max(1.0, abs(centre)):
        return "all containers hold the same sizes"
    q = 2 if len(chosen) >= LEAST_UNITS_CURVED else 1
    powers = np.array(
        [[(((u.sizes[trait] - centre) / scale) ** (k + 1)).mean() for k in range(q)] for u in chosen]
    )
    blocks = sorted({unit.conditions for unit in chosen})
    levels = np.array([[unit.conditions == block for block in blocks] for unit in chosen], dtype=np.float64)
    design = np.hstack([powers, levels])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return (
            "sizes and conditions (plant, date, hormone, ...) changed together: nobody can tell which it was"
        )
    if len(chosen) - design.shape[1] < LEAST_DF:
        return "too few containers for so many different conditions (plant, date, hormone, ...)"
    return _fitted(chosen, trait, design, levels, (centre, scale), q)


def _fitted(
    chosen: Sequence[Unit],
    trait: str,
    design: NDArray[np.float64],
    levels: NDArray[np.float64],
    place: tuple[float, float],
    q: int,
) -> Curve | str:
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM

    n = np.array([unit.n_stuck for unit in chosen], dtype=np.float64)
    rooted = np.array([unit.n_rooted for unit in chosen], dtype=np.float64)
    if rooted.sum() in (0.0, n.sum()):
        return "all rooted, or none: there is nothing to tell apart"
    with warnings.catch_warnings():
        # Separation is looked for below; it is no error here.
        warnings.simplefilter("ignore")
        fit = GLM(rooted / n, design, family=families.Binomial(), var_weights=n).fit(scale="X2")
    beta = np.asarray(fit.params, dtype=np.float64)
    logits = design @ beta
    if not np.isfinite(beta).all() or float(np.abs(logits).max()) > STEEPEST:
        return "under some conditions all rooted, or none: no curve can be fitted"
    df = len(chosen) - design.shape[1]
    factor = max(1.0, float(fit.scale))
    means = [float(unit.sizes[trait].mean()) for unit in chosen]
    return Curve(
        trait=trait,
        centre=place[0],
        scale=place[1],
        shape=beta[:q],
        levels=beta[q:],
        weights=(levels * n[:, None]).sum(axis=0) / n.sum(),
        covariance=np.asarray(fit.cov_params(), dtype=np.float64) * (factor / float(fit.scale)),
        spread=Spread(factor, df),
        sizes=np.concatenate([unit.sizes[trait] for unit in chosen]),
        seen=(min(means), max(means)),
        n_units=len(chosen),
        n_stuck=int(n.sum()),
    )
