"""Grading: measurements and the user's limits into verdicts."""

from macrocheck.grade.judge import ORDER, grade, rule_text
from macrocheck.grade.limits import CHECK_YOUR_COPY, Limit, LimitSet
from macrocheck.grade.load import (
    load_limits,
    parse_given,
    parse_limits,
    shipped_names,
    shipped_text,
    template_text,
)

__all__ = [
    "CHECK_YOUR_COPY",
    "ORDER",
    "Limit",
    "LimitSet",
    "grade",
    "load_limits",
    "parse_given",
    "parse_limits",
    "rule_text",
    "shipped_names",
    "shipped_text",
    "template_text",
]
