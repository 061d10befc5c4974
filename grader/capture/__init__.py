"""Photo file -> Photo."""

from grader.capture.checks import check_blur, check_exposure, check_photo
from grader.capture.read import SUFFIXES, read_photo

__all__ = ["SUFFIXES", "check_blur", "check_exposure", "check_photo", "read_photo"]
