"""What the stages hand to each other, in flow order.

Frames and units are those of :mod:`calib.frames`: px = upright photo, mm = true millimetres in the
mat plane; both x right, y down.  Arrays are read-only; points are (N, 2) float64 as (x, y).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.frames import PlaneMap
from calib.frames import Points as Points
from grader.flat import LIN_FROM_SRGB8 as LIN_FROM_SRGB8
from grader.flat import FlatView as FlatView
from grader.flat import PaperLight as PaperLight
from grader.flat import Window as Window
from grader.flat import linear_of as linear_of

RgbImage = NDArray[np.uint8]
"""(H, W, 3) sRGB."""
Values = NDArray[np.float64]
Mask = NDArray[np.bool_]


# ---- capture: photo file -> Photo -------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """One photo, decoded, upright, 8 bit sRGB."""

    path: Path
    sha256: str
    """Of the file: ties every result to its picture."""
    rgb: RgbImage
    camera: str
    """Make, model, lens as the file says; empty if it does not."""
    focal_35mm: float
    """Focal length as 35 mm equivalent, mm; nan if the file does not say."""
    taken_at: datetime | None
    """Camera clock, no zone."""
    warnings: tuple[str, ...] = ()
    """Sentences for the person: no camera data, converted from CMYK, ..."""


# ---- locate: Photo -> MatPose -> FlatView -----------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class MatPose:
    """Where the mat is in the photo, and how well that is known."""

    mat_id: str
    """Paper size and layout version, e.g. "A4-1"."""
    page_mm: tuple[float, float]
    """Width, height of the page in true mm."""
    lay_area_mm: tuple[float, float, float, float]
    """Left, top, right, bottom of the plain area where cuttings lie, true mm."""
    fiducials_mm: tuple[Points, ...]
    """Printed things inside which nothing can be measured: polygons in true mm."""
    plane: PlaneMap
    n_fiducials: int
    n_fiducials_expected: int
    residual_rms_px: float
    residual_rms_mm: float
    position_sigma_mm: float
    """Standard uncertainty of a position on the mat inside the lay area."""
    scale_sigma: float
    """Relative standard uncertainty of the printed scale."""
    print_scale: float
    """True mm per drawn mm that was applied."""
    print_scale_source: str
    """"assumed", "check bar typed", "card"."""
    tilt_deg: float
    """Between the optical axis and the mat normal, [0, 90)."""
    curl_mm: float
    """Estimated departure of the sheet from a plane; 0 when none is seen."""
    px_per_mm: float
    """At the middle of the lay area."""
    warnings: tuple[str, ...] = ()
    cell_edges_mm: tuple[tuple[float, ...], tuple[float, ...]] = ((), ())
    """Edges of the columns A, B, ... and rows 1, 2, ... named on the border; empty for foreign boards."""

    def cell_of(self, x_mm: float, y_mm: float) -> str:
        """Return the printed name of the cell at a place, such as "C2"; "" for foreign boards."""
        columns, rows = self.cell_edges_mm
        if len(columns) < 2 or len(rows) < 2:
            return ""
        column = int(np.clip(np.searchsorted(columns, x_mm) - 1, 0, len(columns) - 2))
        row = int(np.clip(np.searchsorted(rows, y_mm) - 1, 0, len(rows) - 2))
        return f"{chr(ord('A') + column)}{row + 1}"


# ---- outline: FlatView -> Silhouette ----------------------------------------------------------------


class SilhouetteKind(Enum):
    """What a dark patch on the paper turned out to be."""

    CUTTING = "cutting"
    OBJECT = "not a cutting"
    OVERLAP = "overlapping cuttings"
    OUTSIDE = "reaches outside the lay area"


Share = NDArray[np.float32]
"""(h, w) probability or covered share, 0 to 1."""


@dataclass(frozen=True, slots=True, eq=False)
class PlantMarks:
    """What each cell of a silhouette's crop probably is, (h/2, w/2); 0 outside the silhouette.

    Cells are squares of 2 x 2 pixels of the flat view, the first at the crop's first pixel.
    """

    plant: Share
    """Any part of the plant."""
    foliage: Share
    """Foliage: neither bare stem nor wood seen among leaves."""
    bare_axis: Share
    """The stem's centre line below the foliage."""
    leafy_axis: Share
    """The stem's centre line within the foliage, seen or hidden."""
    base: Share
    """Within 1 mm of the cut base."""
    tip: Share
    """Within 1 mm of the tip of the leader."""


@dataclass(frozen=True, slots=True, eq=False)
class Silhouette:
    """One thing on the paper, as seen (not yet corrected for its height)."""

    kind: SilhouetteKind
    reason: str
    """Why it is not graded, as a sentence with advice; empty for cuttings."""
    outline_mm: Points
    """Closed outer outline, first point not repeated, sub-pixel, as seen on the mat plane."""
    holes_mm: tuple[Points, ...]
    coverage: NDArray[np.float32]
    """(h, w) crop of the flat view: share of each pixel covered by this thing, 0 to 1."""
    corner_px: tuple[int, int]
    """(x, y) flat-view pixel of the crop's top-left pixel."""
    area_mm2: float
    base_mm: tuple[float, float]
    """Where the bare lower end seems to be, as seen; nan if none was found."""
    base_run_mm: float
    """Length of bare bar seen from that end."""
    base_half_width_mm: float
    base_score: float
    """Likelihood, 0 to 1, that this end is a cut base."""
    rival_score: float
    """The same for the most base-like end elsewhere on the silhouette."""
    edge_sigma_mm: float
    """Standard uncertainty of the edge position."""
    marks: PlantMarks
    """Of the same crop, half as fine."""


# ---- shape: Silhouette -> CuttingShape --------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Heel:
    """A short piece of older wood at the lower end."""

    length_mm: float
    width_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class CuttingShape:
    """Axis, widths and parts of one cutting, corrected for height: positions straight below."""

    axis_mm: Points
    """(K, 2) centre line of the stem, base -> tip of the leader."""
    arc_mm: Values
    """(K,) distance along the axis from the base."""
    axis_sigma_mm: Values
    """(K,) standard uncertainty of the axis across itself; grows under foliage."""
    width_mm: Values
    """(K,) stem width at right angles to the axis; nan where foliage hides it."""
    width_sigma_mm: Values
    """(K,) standard uncertainty of one width."""
    foliage_from_mm: float
    """Distance along the axis where the foliage mass is attached; nan if it cannot be told."""
    foliage_from_sigma_mm: float
    tip_sigma_mm: float
    base_sigma_mm: float
    base_doubt: float
    """Probability that base and tip are confused."""
    foliage_area_mm2: float
    foliage_area_sigma_mm2: float
    browned_share: float
    browned_share_sigma: float
    side_tips_mm: tuple[Points, ...]
    """One (2, 2) array per counted side shoot: where it springs from, its tip."""
    strays_mm: Points
    """(S, 2) where stray needles, leaves or stubs sit on the stripped stem."""
    heel: Heel | None
    base_width_sigma_mm: float
    """Standard uncertainty of the mean base width, common edge bias included."""
    warnings: tuple[str, ...] = ()


# ---- traits: CuttingShape -> Traits -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard uncertainty (k = 1), same unit; nan with a note when not measurable."""

    value: float
    sigma: float
    note: str = ""
    """Why it is nan, or why sigma is large; a sentence for the person."""


Traits = Mapping[str, Measured]
"""Name of the trait (see traits/catalogue.py) -> value in the unit of its suffix."""


# ---- verdict: Traits + targets -> Grade -------------------------------------------------------------


class Outcome(Enum):
    """Outcome of one rule."""

    PASS = "pass"
    FAIL = "fail"
    UNSURE = "unsure"


@dataclass(frozen=True, slots=True)
class RuleOutcome:
    """One rule applied to one cutting."""

    rule: str
    """Stable code, e.g. "L01"."""
    flag: str
    """Short name in the trade's words, e.g. "too short"."""
    trait: str
    """Name of the measurement, see traits/catalogue.py."""
    outcome: Outcome
    grade_if_failed: str
    """Grade that failing leads to: "2" or "cull"; "" if it only advises."""
    measured: Measured
    limit: float
    unit: str
    p_fail: float
    """Probability that the true value is beyond the limit."""
    sentence: str
    """Measured value, limit and rule in words, mm and inches."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One cutting that the advice makes of what lies on the mat, with what is predicted of it.

    Distances run along the axis from the present base.
    """

    from_mm: float
    """Cut here; 0 keeps the present base."""
    to_mm: float
    """Cut here; the whole length keeps the tip."""
    strip_to_mm: float
    """Foliage below this comes off; 0: nothing to strip."""
    grade: str
    """Grade it has at least, all uncertainty of the cut allowed for: "1" or "2"."""
    traits: Traits
    """Predicted measurements after cutting and stripping."""


@dataclass(frozen=True, slots=True)
class Grade:
    """Verdict on one cutting."""

    grade: str
    """"1", "2", "cull" or "unsure"."""
    outcomes: tuple[RuleOutcome, ...]
    """All of them, deciding ones first."""
    reason: str
    """One line: why this grade."""
    advice: str
    """One line: what to do now."""
    targets_id: str
    """Name, version and hash of the target file."""
    decided_by: str = ""
    """Code of the rule that decided; "" for grade 1, "ends" where base and tip cannot be told apart."""
    doubt: str = ""
    """What was done with a doubtful cutting on the person's wish; "" if nothing."""
    pieces: tuple[Piece, ...] = ()
    """What cutting or stripping would make of it, base first; empty where nothing is to be done."""
    steps: tuple[str, ...] = ()
    """What to do now in the few words that fit beside the cutting, one step each, in order."""
    afterwards: str = ""
    """Which grade comes of it: "after stripping: grade 1"; empty where that of today stays."""


@dataclass(frozen=True, slots=True, eq=False)
class Cutting:
    """One graded cutting; holds no pixels."""

    number: int
    """1, 2, ... in reading order; the number painted on the picture."""
    cell: str
    """Where it lies by the names printed on the mat's border, e.g. "C2"; empty for foreign boards."""
    outline_mm: Points
    shape: CuttingShape
    traits: Traits
    grade: Grade


@dataclass(frozen=True, slots=True, eq=False)
class SetAside:
    """Something on the mat that was not graded, and why."""

    kind: SilhouetteKind
    reason: str
    outline_mm: Points
    area_mm2: float


@dataclass(frozen=True, slots=True, eq=False)
class GradedPhoto:
    """Everything known about one photo; holds no pixels, so a batch fits in memory."""

    path: Path
    sha256: str
    taken_at: datetime | None
    camera: str
    image_size_px: tuple[int, int]
    """Width, height of the upright photo."""
    pose: MatPose
    cuttings: tuple[Cutting, ...]
    """May be empty: "no cutting on the mat" is an answer."""
    set_aside: tuple[SetAside, ...]
    warnings: tuple[str, ...] = ()
    batch: Mapping[str, str] = field(default_factory=dict)
    """Cutter, donor plant, species, as far as given."""


@dataclass(frozen=True, slots=True)
class SkippedPhoto:
    """A photo that could not be used, as a value: the batch goes on."""

    path: Path
    reason: str
    """Short stable word, e.g. "no mat"."""
    message: str
    """What is wrong with this photo, a sentence."""
    advice: str
    """What to do."""


PhotoResult = GradedPhoto | SkippedPhoto
