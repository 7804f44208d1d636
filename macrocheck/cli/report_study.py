"""What `macrocheck report` and `macrocheck plot` read off a record for their comparisons and relations."""

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from macrocheck.errors import InputError

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from macrocheck.study.comparison import Comparison
    from macrocheck.study.relation import Relation
    from macrocheck.units import LengthUnit

FIRST_LOOKED_AT = ("root_penetration", "depth_of_fusion_nonbutting", "depth_of_fusion_butting")
"""What is compared where nothing is named: whether the root fused, and how deep; else the usual ones."""


def listed(text: str | None) -> tuple[str, ...]:
    """Return the names in a list parted by commas."""
    return tuple(part.strip() for part in (text or "").split(",") if part.strip())


def quantities_of(conn: "Connection", wanted: Sequence[str]) -> tuple[str, ...]:
    """Return the quantities to compare; InputError where one is not known or nothing was measured."""
    from macrocheck.record.query import measured_names
    from macrocheck.study.gather import settled_quantities, usual_quantities

    if wanted:
        return settled_quantities(conn, wanted)
    measured = set(measured_names(conn))
    return tuple(q for q in FIRST_LOOKED_AT if q in measured) or usual_quantities(conn)[:3]


def comparison_of(
    conn: "Connection",
    record: str,
    *,
    by: str | None,
    quantities: Sequence[str],
    conditions: Sequence[str],
    coupons: Collection[str] | None = None,
    lengths: "LengthUnit" = "mm",
) -> "tuple[Comparison, list[tuple[str, list[str]]]]":
    """Compare the groups that `by` makes of the coupons that fit (and are named, where any are).

    Returns the comparison, and (label, coupons) of each group, those without a measured value included.
    """
    from macrocheck.record.query import parse_filter
    from macrocheck.study.compare import By, compare, parse_by
    from macrocheck.study.gather import coupons_of, settled_settings

    wanted = parse_by(by) if by else ()
    names = [settled_settings(conn, [b.name])[0] for b in wanted]
    settings = [By(name, b.step) for name, b in zip(names, wanted, strict=True)]
    found = coupons_of(conn, quantities, [parse_filter(c) for c in conditions])
    kept = [c for c in found if coupons is None or c.coupon in coupons]
    comparison = compare(kept, by=settings, quantities=quantities, record=record, where=conditions, lengths=lengths)
    members: dict[str, list[str]] = {g.label: [] for g in comparison.groups}
    outside = {name for name, _ in comparison.left_out}
    there = {c.coupon: g.label for g in comparison.groups for s in g.summaries for c in s.coupons}
    for coupon in kept:
        if coupon.coupon in outside:
            continue
        label = there.get(coupon.coupon)
        if label is None:  # nothing was measured on it: the group is known by its settings alone
            label = compare([coupon], by=settings, quantities=quantities).groups[0].label
        members.setdefault(label, []).append(coupon.coupon)
    return comparison, list(members.items())


def relation_of(
    conn: "Connection",
    record: str,
    *,
    x: Sequence[str],
    y: str,
    conditions: Sequence[str],
    coupons: Collection[str] | None = None,
) -> "Relation":
    """Fit how a quantity follows the settings `x`; InputError where a setting was never noted."""
    from macrocheck.record.query import parse_filter
    from macrocheck.study.gather import coupons_of, settled_settings
    from macrocheck.study.relate import relate
    from macrocheck.study.relation import FORMS

    names = settled_settings(conn, x)
    if "run" in names:
        msg = "A run is a name, no number; group by it instead: --by run."
        raise InputError(msg)
    found = coupons_of(conn, [y], [parse_filter(c) for c in conditions])
    kept = [c for c in found if coupons is None or c.coupon in coupons]
    return relate(kept, x=names, y=y, forms=FORMS, places=[], record=record, where=conditions)
