"""The plots of a report: which there are, and what each shows in words."""

from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

from macrocheck.errors import InputError
from macrocheck.paths import shown
from macrocheck.report.numbers import LengthUnit
from macrocheck.report.pages.facts import CouponFacts
from macrocheck.report.pages.view import PictureView, PlotView
from macrocheck.report.pages.wording import plural
from macrocheck.report.plots.shapes import SectionShape, in_joint_frame
from macrocheck.study.comparison import Comparison
from macrocheck.study.relation import Relation
from macrocheck.study.values import CouponValue

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_PX_PER_IN = 116
"""CSS px that an inch of a figure gets on the screen."""
MOST_GROUPS_DRAWN = 6
"""More groups than this: profiles and sections of all coupons in one panel."""

FEWEST_DATED = 6
"""Fewer dated coupons than this make no control chart in a report. Our choice."""

ALL = "All coupons"


def section_shapes(coupons: Sequence[CouponFacts]) -> list[SectionShape]:
    """Return the shape of every weld of these coupons whose outline is on the record."""
    shapes = []
    for coupon in coupons:
        for section in coupon.sections:
            if section.result is None:
                continue
            pairs = zip(section.result.outline.welds, section.result.measurements, strict=True)
            for number, (weld, measured) in enumerate(pairs, start=1):
                framed = in_joint_frame(weld, section.result.scale)
                shapes.append(
                    SectionShape(
                        coupon.coupon,
                        section.section,
                        number,
                        weld.joint,
                        None if framed is None else framed[0],
                        None if framed is None else framed[1],
                        measured.profiles,
                    )
                )
    return shapes


def shapes_by_group(
    shapes: Sequence[SectionShape], groups: Sequence[tuple[str, Sequence[str]]]
) -> list[tuple[str, list[SectionShape]]]:
    """Put shapes under their groups; all together where there are too many groups or none."""
    if not groups or len(groups) > MOST_GROUPS_DRAWN:
        return [(ALL, list(shapes))]
    return [(label or ALL, [s for s in shapes if s.coupon in set(members)]) for label, members in groups]


def fusion_threshold(coupons: Sequence[CouponFacts]) -> float | None:
    """Return the fusion threshold, mm, where all sections were measured with the same one."""
    found = {s.body["fusion_threshold_mm"] for c in coupons for s in c.sections if s.document is not None}
    value = found.pop() if len(found) == 1 else None
    return None if value is None else float(value)


def coupon_values(comparison: Comparison, quantity: str) -> tuple[list[CouponValue], float | None, float | None]:
    """Return every coupon's value of a quantity, and its limits where all groups have the same."""
    found = [s for g in comparison.groups if (s := g.summary(quantity)) is not None]
    low, high = ({s.at_least for s in found}, {s.at_most for s in found})
    values = [c for s in found for c in s.coupons]
    return values, low.pop() if len(low) == 1 else None, high.pop() if len(high) == 1 else None


def plot_views(
    coupons: Sequence[CouponFacts],
    comparison: Comparison,
    groups: Sequence[tuple[str, Sequence[str]]],
    relations: Sequence[Relation],
    unit: LengthUnit,
    *,
    most_quantities: int = 3,
) -> list[PlotView]:
    """Draw the plots of a report; one that these coupons do not give is left out."""
    from macrocheck.report.plots.control import control_chart, in_order
    from macrocheck.report.plots.profile import profile_plot
    from macrocheck.report.plots.relation import relation_plot
    from macrocheck.report.plots.section import section_plot
    from macrocheck.report.plots.strip import strip_plot

    views: list[PlotView] = []
    quantities = [q for q in comparison.quantities if _has(comparison, q)][:most_quantities]
    views += [
        _view(strip_plot(comparison, q, unit), f"{_name(comparison, q)}: every coupon by group.")
        for q in quantities
    ]
    for relation in relations:
        if relation.fits:
            x = " and ".join(shown(name).replace("_", " ") for name, _ in relation.x)
            views.append(_view(relation_plot(relation, None, unit), f"{relation.y_name} over {x}."))
    grouped = shapes_by_group(section_shapes(coupons), groups)
    with suppress(InputError):  # beads have no legs
        figure = profile_plot(grouped, unit, threshold_mm=fusion_threshold(coupons))
        views.append(_view(figure, "Penetration along both legs."))
    with suppress(InputError):  # nor a joint root
        views.append(_view(section_plot(grouped, unit), "Sections laid on one another by their joint roots."))
    if quantities:
        values, low, high = coupon_values(comparison, quantities[0])
        name, kind = _name(comparison, quantities[0]), _unit(comparison, quantities[0])
        if len(in_order(values)[0]) >= FEWEST_DATED:
            chart = control_chart(values, name, kind, unit, at_least=low, at_most=high)
            views.append(_view(chart, f"{name} by date: control chart, {plural(len(values), 'coupon')}."))
    return views


def _has(comparison: Comparison, quantity: str) -> bool:
    return any(s is not None and s.coupons for s in (g.summary(quantity) for g in comparison.groups))


def _name(comparison: Comparison, quantity: str) -> str:
    return next((s.name for g in comparison.groups if (s := g.summary(quantity)) is not None), quantity)


def _unit(comparison: Comparison, quantity: str) -> str:
    return next((s.unit for g in comparison.groups if (s := g.summary(quantity)) is not None), "mm")


def _view(figure: "Figure", caption: str) -> PlotView:
    from macrocheck.report.plots.style import to_svg

    width, height = (round(v * _PX_PER_IN) for v in figure.get_size_inches())
    picture = PictureView(to_svg(figure), "svg", width, height, caption)
    return PlotView(picture, caption)
