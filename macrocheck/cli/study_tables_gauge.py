"""A gauge study as lines of text."""

from typing import TYPE_CHECKING

from macrocheck.cli.study_tables import p_text, table
from macrocheck.paths import shown
from macrocheck.study.words import amount, counted, listed, number, percent, unit_text

if TYPE_CHECKING:
    from macrocheck.study.gauge import Component, GaugeStudy, Repeatability


def gauge_lines(found: "Repeatability") -> list[str]:
    """Return the studies of a record: per quantity sources, sums, table of variance, notes; then the cautions."""
    lines = [found.record + (f", where {' and '.join(found.where)}" if found.where else "")]
    if len(found.studies) > 1:
        rows = [
            (
                s.quantity, *(number(v, s.unit, fine=True) for v in (s.gauge, s.parts, s.stated_u)),
                unit_text(s.unit), "-" if s.percent_gauge is None else f"{s.percent_gauge:.0f}",
                "-" if s.categories is None else str(s.categories),
            )
            for s in found.studies
        ]  # fmt: skip
        lines += [
            "",
            *table(("quantity", "measuring", "parts", "stated u", "unit", "% of study", "categories"), rows),
        ]
    for study in found.studies:
        lines += ["", *_study_lines(study, found.confidence)]
    lines += ["", *(f"Note: {note}" for note in found.notes)]
    return [*lines, "", *(f"Caution: {c}" for c in found.cautions)]


def _study_lines(s: "GaugeStudy", confidence: float) -> list[str]:
    unit = unit_text(s.unit)
    lines = [
        f"{s.name} ({s.quantity}){f', {unit}' if unit else ''}: {counted(len(s.readings), 'reading')}, "
        f"{counted(s.n_coupons, 'coupon')}, {counted(s.n_sections, 'section')}, {counted(s.n_photos, 'photo')}, "
        f"by {shown(listed(s.people))}"
    ]
    if s.components:
        head = (
            "source",
            "standard deviation",
            f"{percent(confidence)} interval",
            "% of study",
            "% of variance",
            "levels",
        )
        lines += table(head, [_row(c, s.unit) for c in s.components])
    sums = (
        ("repeatability", s.repeatability),
        ("reproducibility", s.reproducibility),
        ("measuring, both", s.gauge),
        ("parts", s.parts),
        ("total", s.total),
    )
    said = [f"{name} {amount(value, s.unit, fine=True)}" for name, value in sums if value is not None]
    if said:
        lines.append("; ".join(said) + f" (by {s.method})")
    lines.append(s.text)
    if s.anova:
        rows = [
            (
                r.name, str(r.df), f"{r.sum_squares:.5g}", f"{r.mean_square:.5g}",
                "-" if r.f is None else f"{r.f:.2f}", p_text(r.p),
            )
            for r in s.anova
        ]  # fmt: skip
        lines += ["", *table(("analysis of variance", "df", "squares", "mean square", "F", "p"), rows)]
    return lines + [shown(note) for note in s.notes]


def _row(c: "Component", unit: str) -> tuple[str, ...]:
    name = c.source + (f" (and {listed(c.also)})" if c.also else "")
    interval = (
        "-"
        if c.interval is None
        else f"{number(c.interval.low, unit, fine=True)} to {number(c.interval.high, unit, fine=True)}"
    )
    return (
        name,
        number(c.sd, unit, fine=True),
        interval,
        f"{c.percent_study:.0f}",
        f"{c.percent_variance:.0f}",
        str(c.levels),
    )
