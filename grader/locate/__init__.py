"""Photo -> the mat in true mm, seen from straight above."""

from grader.locate.flatten import FlatSettings, flatten
from grader.locate.pose import PoseSettings, find_mat

__all__ = ["FlatSettings", "PoseSettings", "find_mat", "flatten"]
