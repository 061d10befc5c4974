"""What is known about how well one photo measures."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from grader.records import MatPose


@dataclass(frozen=True, slots=True)
class Light:
    """The light on the paper of the lay area."""

    darkest_share: float
    brightest_share: float
    """Linear light of the darkest and the brightest paper, 1 = the most that the camera can show."""
    red_cast: float
    blue_cast: float
    """By how much the paper is redder, bluer than green: ratio minus one, linear light."""
    clipped_share: float
    """Share of the lay area that is burnt out."""

    @property
    def evenness(self) -> float:
        """Darkest over brightest paper, 0 to 1."""
        return self.darkest_share / self.brightest_share if self.brightest_share > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Expected:
    """Standard uncertainties that the stages would state for a usual cutting on this photo."""

    length_mm: float
    """Of this length ..."""
    length_sigma_mm: float
    diameter_mm: float
    """... and this base diameter."""
    diameter_sigma_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class PhotoCheck:
    """One photo: every figure, and what would improve it most."""

    path: Path
    pose: MatPose
    edge_width_mm: float
    """Width of a printed edge: contrast over steepest slope; nan where none is seen."""
    light: Light
    expected: Expected
    improvement: str
    """One sentence: what would help most, or that nothing would."""
    warnings: tuple[str, ...] = ()

    @property
    def edge_width_px(self) -> float:
        """The same width in pixels."""
        return self.edge_width_mm * self.pose.px_per_mm


@dataclass(frozen=True, slots=True)
class NotChecked:
    """A photo that cannot be measured at all, and what to do."""

    path: Path
    reason: str
    message: str
    advice: str


CheckResult = PhotoCheck | NotChecked
