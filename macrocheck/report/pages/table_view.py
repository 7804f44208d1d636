"""The run's table: a row a weld, groups under headings."""

from collections.abc import Mapping, Sequence

from macrocheck.paths import shown
from macrocheck.quantities import BY_KEY
from macrocheck.report.numbers import LengthUnit, shown_unit, written
from macrocheck.report.pages.coupon_view import coupon_grade, quantity_of, section_grade
from macrocheck.report.pages.facts import CouponFacts, SectionFacts
from macrocheck.report.pages.view import Pair, TableRow
from macrocheck.report.pages.wording import plural

USUAL: tuple[str, ...] = (
    "leg_butting", "leg_nonbutting", "theoretical_throat", "root_penetration", "depth_of_fusion_butting",
    "depth_of_fusion_nonbutting", "bead_width", "reinforcement_height", "depth_of_fusion",
)  # fmt: skip
"""Columns where nothing is named: of these, those that were measured; at most `MOST_COLUMNS`."""

MOST_COLUMNS = 6

_SHORT = {
    "leg_butting": "Leg, butting",
    "leg_nonbutting": "Leg, nonbutting",
    "theoretical_throat": "Throat, theoretical",
    "actual_throat": "Throat, actual",
    "root_penetration": "Root penetration",
    "depth_of_fusion_butting": "Fusion, butting",
    "depth_of_fusion_nonbutting": "Fusion, nonbutting",
}

UNGROUPED = "Not in a group"


def table_columns(coupons: Sequence[CouponFacts], wanted: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the quantities of the table: those wanted, else the usual ones that any weld has a value of."""
    if wanted:
        return tuple(wanted[:MOST_COLUMNS])
    there = {
        key
        for c in coupons
        for s in c.sections
        if s.document is not None
        for w in s.document["welds"]
        for key, q in w["quantities"].items()
        if q["value"] is not None
    }
    return tuple(k for k in USUAL if k in there)[:MOST_COLUMNS]


def table_headings(columns: Sequence[str], unit: LengthUnit) -> list[Pair]:
    """Return (heading, unit) of each column."""
    kinds = [BY_KEY.get(key) for key in columns]
    return [
        (_SHORT.get(key, kind.name if kind else key), "" if kind is None else shown_unit(kind.unit, unit))
        for key, kind in zip(columns, kinds, strict=True)
    ]


def table_rows(
    coupons: Sequence[CouponFacts],
    anchors: Mapping[str, str],
    columns: Sequence[str],
    groups: Sequence[tuple[str, Sequence[str]]],
    unit: LengthUnit,
) -> list[TableRow]:
    """Return the rows; with more than one group (label, coupons), under a heading each, the rest at the end."""
    by_name = {c.coupon: c for c in coupons}
    if len(groups) < 2:
        return [row for c in coupons for row in _coupon_rows(c, anchors[c.coupon], columns, unit)]
    rows, told = [], set()
    for label, members in groups:
        there = [by_name[m] for m in members if m in by_name]
        if not there:
            continue
        rows.append(TableRow(heading=f"{shown(label)}: {plural(len(there), 'coupon')}"))
        for coupon in there:
            told.add(coupon.coupon)
            rows += _coupon_rows(coupon, anchors[coupon.coupon], columns, unit)
    rest = [c for c in coupons if c.coupon not in told]
    if rest:
        rows.append(TableRow(heading=f"{UNGROUPED}: {plural(len(rest), 'coupon')}"))
        rows += [row for c in rest for row in _coupon_rows(c, anchors[c.coupon], columns, unit)]
    return rows


def _coupon_rows(coupon: CouponFacts, anchor: str, columns: Sequence[str], unit: LengthUnit) -> list[TableRow]:
    if not coupon.sections:
        blank = [("", "") for _ in columns]
        name = shown(coupon.coupon)
        return [TableRow("", anchor, name, "–", blank, coupon_grade(coupon), "no section on the record")]
    rows: list[TableRow] = []
    for section in coupon.sections:
        rows += _section_rows(coupon, section, anchor, columns, unit, first=not rows)
    return rows


def _section_rows(
    coupon: CouponFacts,
    section: SectionFacts,
    anchor: str,
    columns: Sequence[str],
    unit: LengthUnit,
    *,
    first: bool,
) -> list[TableRow]:
    name = shown(coupon.coupon) if first else ""
    title = shown(section.section)
    grade = section_grade(section)
    if section.document is None:
        blank = [("", "") for _ in columns]
        return [TableRow("", anchor, name, title, blank, grade, shown(section.body["failure"] or ""))]
    welds = section.document["welds"]
    rows = []
    for i, weld in enumerate(welds):
        cells = []
        for key in columns:
            q = weld["quantities"].get(key)
            text = None if q is None else written(quantity_of(q), unit)
            cells.append((text.value, text.u95) if text is not None else ("", ""))
        label = title if len(welds) == 1 else f"{title}, weld {i + 1}"
        rows.append(TableRow("", anchor, name if i == 0 else "", label, cells, grade if i == 0 else "", ""))
    return rows
