"""One measurement of one cutting beside its truth."""

from __future__ import annotations

from dataclasses import dataclass

from tests.accuracy.goals import RELATIVE


@dataclass(frozen=True, slots=True)
class Reading:
    """One measurement of one cutting."""

    photo: str
    cutting_id: int
    number: int
    trait: str
    truth: float
    found: float
    """nan: the program cannot tell, or says there is none."""
    sigma: float
    says_none: bool
    """The program says that the cutting has no such thing."""

    @property
    def error(self) -> float:
        """Found minus true, in % of the truth for relative traits."""
        return (self.found - self.truth) * self._factor

    @property
    def error_sigma(self) -> float:
        """The stated uncertainty in the unit of the error."""
        return self.sigma * self._factor

    @property
    def _factor(self) -> float:
        return 100.0 / self.truth if self.trait in RELATIVE else 1.0
