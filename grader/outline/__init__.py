"""FlatView -> silhouettes: what is plant, what is paper, one outline per thing."""

from grader.outline.separate import OutlineSettings, find_silhouettes

__all__ = ["OutlineSettings", "find_silhouettes"]
