"""Photo file -> Photo."""

from grader.capture.checks import check_blur, check_exposure, check_photo
from grader.capture.read import SUFFIXES, format_of, read_photo

__all__ = ["SUFFIXES", "check_blur", "check_exposure", "check_photo", "format_of", "read_photo"]
