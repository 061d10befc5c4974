"""Constants of control charts and gauge studies, computed from their definitions.

d2 and d3 are mean and standard deviation of the range of n values of the standard normal distribution
(Tippett 1925), c4 is the mean of their standard deviation; the rest follows from these (3 sigma limits).
d2* is the d2 of an average of g ranges, root of d2^2 + d3^2 / g (Duncan 1955, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import integrate, special

WIDTH_SIGMAS = 3.0
"""Shewhart's limits."""
LARGEST_N = 200
"""Values in one group: beyond it the integrals are not checked."""
_NODES = 160
"""Of Gauss and Legendre's rule: d3 is good to 1e-6 up to the largest n."""
_REACH = 8.5
"""The normal distribution beyond it is less than 1e-16."""


@dataclass(frozen=True, slots=True)
class Constants:
    """Of groups of n values."""

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def a2(self) -> float:
        """Limits of averages from the mean range."""
        return WIDTH_SIGMAS / (self.d2 * math.sqrt(self.n))

    @property
    def a3(self) -> float:
        """Limits of averages from the mean standard deviation."""
        return WIDTH_SIGMAS / (self.c4 * math.sqrt(self.n))

    @property
    def b3_b4(self) -> tuple[float, float]:
        """Limits of standard deviations over their mean."""
        reach = WIDTH_SIGMAS * math.sqrt(1.0 - self.c4**2) / self.c4
        return (max(0.0, 1.0 - reach), 1.0 + reach)

    @property
    def d3_d4(self) -> tuple[float, float]:
        """Limits of ranges over their mean, in the tables D3 and D4."""
        reach = WIDTH_SIGMAS * self.d3 / self.d2
        return (max(0.0, 1.0 - reach), 1.0 + reach)


@lru_cache(maxsize=LARGEST_N)
def constants(n: int) -> Constants:
    """Return the constants for groups of n values, 2 <= n <= 200.

    Examples
    --------
    >>> five = constants(5)
    >>> round(five.d2, 3), round(five.c4, 4), round(five.a2, 3)
    (2.326, 0.94, 0.577)
    """
    if not 2 <= n <= LARGEST_N:
        raise ValueError(f"groups of 2 to {LARGEST_N} values, not {n}")
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))
    d2, square = _range_moments(n)
    return Constants(n, d2, math.sqrt(square - d2**2), c4)


def d2_star(n: int, groups: int) -> float:
    """Return d2* for the average of the ranges of so many groups of n.

    Examples
    --------
    >>> round(1 / d2_star(3, 1), 4), round(1 / d2_star(10, 1), 4)
    (0.5231, 0.3146)
    """
    if groups > MANY_GROUPS:
        return constants(n).d2
    return math.sqrt(constants(n).d2 ** 2 + constants(n).d3 ** 2 / groups)


def k_factor(n: int, groups: int) -> float:
    """Return 1 / d2* with the four digits of the printed tables of K1, K2, K3 (AIAG 2010).

    Examples
    --------
    >>> k_factor(3, 30), k_factor(3, 1), k_factor(10, 1)
    (0.5908, 0.5231, 0.3146)
    """
    return round(1.0 / d2_star(n, groups), 4)


MANY_GROUPS = 15
"""Above it tables print d2 itself (AIAG, table of d2*)."""


def _range_moments(n: int) -> tuple[float, float]:
    """Return mean and mean square of the range of n standard normal values.

    E W = integral of 1 - F^n - (1 - F)^n; E W^2 = 2 times the double integral over x < y of
    1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n (Tippett 1925).
    """
    mean, _ = integrate.quad(
        lambda x: 1.0 - special.ndtr(x) ** n - special.ndtr(-x) ** n, -_REACH, _REACH, limit=200
    )
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    y = nodes * _REACH
    # Over x < y only: the triangle is integrated by mapping x to [-reach, y].
    half = (y + _REACH)[:, None] / 2.0
    x = (nodes[None, :] + 1.0) * half - _REACH
    fy, fx = special.ndtr(y)[:, None], special.ndtr(x)
    inside = 1.0 - fy**n - (1.0 - fx) ** n + (fy - fx) ** n
    square = float((weights * _REACH * half[:, 0]) @ (inside @ weights))
    return float(mean), 2.0 * square
