"""Silhouette -> the shape of one cutting."""

from grader.shape.trace import ShapeSettings, trace_cuttings

__all__ = ["ShapeSettings", "trace_cuttings"]
