"""Values for plots, made by hand."""

import numpy as np

from macrocheck.report.plots.shapes import SectionShape
from macrocheck.results import Profile
from macrocheck.study.comparison import Comparison, Group, Share, Summary, ToleranceBound
from macrocheck.study.relation import Band, Fit, Point, Relation
from macrocheck.study.values import CouponValue, Interval, SectionValue

SHARE = Share(0, 0, 0, 0, None, None, None, "")


def coupon(name: str, value: float, *, date: str | None = None, u: float | None = 0.02) -> CouponValue:
    """Return a coupon with two sections 0.04 apart."""
    sections = tuple(SectionValue(s, 1, value + d, u, None) for s, d in (("a", -0.02), ("b", 0.02)))
    return CouponValue(name, value, u, sections, date=date)


def summary(coupons: tuple[CouponValue, ...], *, at_least: float | None = None) -> Summary:
    values = [c.value for c in coupons]
    mean, sd = float(np.mean(values)), float(np.std(values))
    bound = ToleranceBound("at least", mean - 2 * sd, 0.9, 0.95, 2.0, "", "")
    return Summary(
        "root_penetration", "Root penetration", "mm", coupons, len(coupons), 2 * len(coupons), 0, mean,
        Interval(mean - sd, mean + sd), sd, None, min(values), max(values), "at least", None, None, bound, None,
        None, at_least,
    )  # fmt: skip


def comparison(*groups: tuple[str, tuple[CouponValue, ...]], at_least: float | None = 0.5) -> Comparison:
    made = tuple(
        Group(label, (), len(cs), 2 * len(cs), 0, SHARE, (summary(cs, at_least=at_least),)) for label, cs in groups
    )
    return Comparison("bench.db", ("gas",), ("root_penetration",), (), made, ())


def relation() -> Relation:
    """Return depth = 0.01 (amps - 110) over 150 to 230 A, twelve coupons on the line."""
    x = np.linspace(150, 230, 12)
    points = tuple(
        Point(float(a), 0.01 * float(a - 110), 2.0, coupon(f"c{a:.0f}", 0.01 * float(a - 110))) for a in x
    )
    line = 0.01 * (x - 110)
    band = Band(*(tuple(map(float, v)) for v in (x, line, line - 0.05, line + 0.05, line - 0.2, line + 0.2)))
    fit = Fit("straight", "y = -1.1 + 0.01 amps", (), 12, 10, 0.0, None, 1.0, 0.0, "amps", "A", points, band)
    return Relation(
        "bench.db", (("amps", "A"),), "depth_of_fusion_nonbutting", "Depth of fusion, nonbutting", "mm", (), points,
        (fit,), (("arc", "no volts noted"),), "straight",
    )  # fmt: skip


def shape(name: str, leg: float, depth: float) -> SectionShape:
    """Return a right-angled fillet with both legs `leg` mm and a rectangle of `depth` mm melted under the lower."""
    s = np.linspace(0, leg, 21)
    profile = Profile(s, np.full(21, depth), np.full(21, 0.01))
    polygon = np.array([[0, leg], [leg, 0], [leg, -depth], [0, -depth]], dtype=np.float64)
    return SectionShape(name, "a", 1, "tee", polygon, 90.0, {"nonbutting": profile, "butting": profile})
