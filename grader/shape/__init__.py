"""Silhouette -> the shape of one cutting."""

from grader.shape.trace import ShapeSettings, trace_cutting

__all__ = ["ShapeSettings", "trace_cutting"]
