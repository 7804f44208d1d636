"""The fixed words of a report, each once: the templates of the page and of the PDF take them from here."""

from collections.abc import Mapping

WORDS: Mapping[str, str] = {
    "kind": "Weld sections, measured and graded",
    "foot": "A measurement, not a qualification",
    "of_pages": "of",
    "caution": "Caution.",
    "changed": "This record was changed or is damaged.",
    "changed_so": "What follows may not be what was measured.",
    # the run's table
    "coupons": "The coupons",
    "as_measured": "Each section as measured, ± U95",
    "coupon": "Coupon",
    "section": "Section",
    "grade": "Grade",
    # comparisons and plots
    "compared": "What the settings did",
    "group": "Group",
    "counted": "Coupons",
    "counted_sections": "(sections)",
    "mean": "Mean",
    "interval": "its 95 % interval",
    "deviation": "Standard deviation",
    "worst": "Worst",
    "worst_coupon": "(coupon)",
    "accepted": "Accepted; 95 % interval",
    "between": "Between groups",
    "difference": "Difference (95 % interval)",
    "stands_out": "Stands out?",
    "plots": "Plots",
    # a coupon
    "run": "Run",
    "worked_out": "Worked out from them:",
    "examination": "Examination",
    "not_noted": "Not noted on the sheet:",
    "no_section": "No section of this coupon is on the record.",
    "not_measured": "Not measured.",
    "lines": "Orange: fusion boundary. Blue: weld face. Dashed: member surfaces, extended. Dotted: edge of the "
    "heat-affected zone, where seen.",
    "flags": "Flags",
    # its quantities and limits
    "whole_weld": "The weld as a whole",
    "value": "Value",
    "u95": "± U95",
    "unit": "Unit",
    "verdict": "Verdict",
    "limit": "Limit",
    "on": "on",
    "requirement": "Requirement",
    "measured_guard": "Measured ± guard",
    "source": "Source",
    # its revisions
    "on_record": "On the record",
    "revision_of": "Revision of",
    "when": "When",
    "who": "Who",
    "why": "Why",
    "with": "With",
    "hash": "Chain hash",
    # the end
    "reading": "Sources and how to read this report",
    "sources": "Sources of the limits",
    "formulas": "Worked out from the settings",
    "how_to_read": "How to read it",
}
