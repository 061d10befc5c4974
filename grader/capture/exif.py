"""What the camera wrote into the file: who made it, how long the lens, when."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from PIL import Image
from PIL.ExifTags import IFD, Base

FOCAL_35MM_RANGE = (6.0, 1000.0)
"""Real lenses, mm as 35 mm equivalent; anything else is a slip of the writing program."""
FIRST_YEAR = 1995
"""Before it there were no camera files: the clock was not set."""
CLOCK_SLACK = timedelta(days=1)
"""Camera clocks carry no zone: up to a day ahead of ours is possible."""
_DATE_FORMAT = "%Y:%m:%d %H:%M:%S"


@dataclass(frozen=True, slots=True)
class CameraData:
    """What is known of the camera."""

    camera: str = ""
    focal_35mm: float = math.nan
    taken_at: datetime | None = None


def camera_data(picture: Image.Image, now: datetime) -> CameraData:
    """Return the camera data of an opened picture; what is missing or absurd is left empty."""
    try:
        exif = picture.getexif()
        detail = exif.get_ifd(IFD.Exif)
    except Exception:  # Any damage to this side data must not cost the picture itself.
        return CameraData()
    names = (_text(exif.get(Base.Make)), _text(exif.get(Base.Model)), _text(detail.get(Base.LensModel)))
    date = detail.get(Base.DateTimeOriginal) or exif.get(Base.DateTime)
    return CameraData(
        camera=", ".join(_without_repeats([name for name in names if name])),
        focal_35mm=_focal(detail.get(Base.FocalLengthIn35mmFilm)),
        taken_at=believable_date(_text(date), now),
    )


def believable_date(text: str, now: datetime) -> datetime | None:
    """Return the date of an EXIF text, or None if it cannot be one.

    Examples
    --------
    >>> now = datetime(2026, 1, 1)
    >>> believable_date("2025:05:04 10:20:30", now)
    datetime.datetime(2025, 5, 4, 10, 20, 30)
    >>> believable_date("0000:00:00 00:00:00", now) is None
    True
    >>> believable_date("2099:01:01 00:00:00", now) is None
    True
    """
    try:
        date = datetime.strptime(text[:19], _DATE_FORMAT)
    except ValueError:
        return None
    return date if date.year >= FIRST_YEAR and date <= now + CLOCK_SLACK else None


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    if not isinstance(value, str):
        return ""
    return "".join(ch for ch in value if ch.isprintable()).strip()


def _focal(value: Any) -> float:
    try:
        focal = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return math.nan
    low, high = FOCAL_35MM_RANGE
    return focal if low <= focal <= high else math.nan


def _without_repeats(names: list[str]) -> list[str]:
    """Drop a maker's name that the model's name repeats."""
    kept: list[str] = []
    for k, name in enumerate(names):
        if not any(name.lower() in other.lower() for other in names[k + 1 :]):
            kept.append(name)
    return kept
