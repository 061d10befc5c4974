"""Many photos in one go: found, told apart, shared out, kept as they are done, never lost."""

from grader.batch.photos import GROUPS_SUFFIX, PICTURE_SUFFIX, photos_in, picture_names

__all__ = ["GROUPS_SUFFIX", "PICTURE_SUFFIX", "photos_in", "picture_names"]
