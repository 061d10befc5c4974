"""Traits + targets -> grade, reason, advice."""

from grader.verdict.explain import explain_rule, find_rule
from grader.verdict.fit import note_on_targets
from grader.verdict.grade import grade_cutting
from grader.verdict.rules import RULES, Rule
from grader.verdict.targets import DOUBTFUL, Targets
from grader.verdict.targets_file import DEFAULT_NAME, load_targets, shipped_names, shipped_targets

__all__ = [
    "DEFAULT_NAME",
    "DOUBTFUL",
    "RULES",
    "Rule",
    "Targets",
    "explain_rule",
    "find_rule",
    "grade_cutting",
    "load_targets",
    "note_on_targets",
    "shipped_names",
    "shipped_targets",
]
