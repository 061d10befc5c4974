"""report.html: one page for people about a whole batch, made from results.json and the marked pictures."""

from __future__ import annotations

from grader.report.make import ReportMade, report_after_grading, write_report

__all__ = ["ReportMade", "report_after_grading", "write_report"]
