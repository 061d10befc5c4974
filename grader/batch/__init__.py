"""Many photos in one go: found, told apart, shared out, kept as they are done, never lost."""

from grader.batch.photos import PICTURE_SUFFIX, photos_in, picture_names

__all__ = ["PICTURE_SUFFIX", "photos_in", "picture_names"]
