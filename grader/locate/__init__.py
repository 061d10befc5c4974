"""Photo -> the mat in true mm, seen from straight above."""

from grader.locate.flatten import FlatSettings, flatten
from grader.locate.pose import PoseSettings, find_mat
from grader.locate.scale import pose_at_scale, scaled_by_card

__all__ = ["FlatSettings", "PoseSettings", "find_mat", "flatten", "pose_at_scale", "scaled_by_card"]
