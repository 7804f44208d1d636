"""A relation as lines of text."""

from typing import TYPE_CHECKING

from macrocheck.cli.study_tables import left_out_lines, p_text, table
from macrocheck.paths import shown
from macrocheck.study.words import amount, counted, listed, number, percent, unit_text

if TYPE_CHECKING:
    from macrocheck.study.relation import Explained, Fit, Prediction, Relation
    from macrocheck.study.values import Interval


def relation_lines(found: "Relation") -> list[str]:
    """Return a relation: its fits, predictions, what explains it, notes, cautions."""
    unit = unit_text(found.y_unit)
    names = [f"{n} ({u})" if u else n for n, u in found.x]
    lines = [
        f"{found.record}: {found.y_name} ({found.y}){f', {unit}' if unit else ''} against {listed(names)}, "
        f"{counted(len(found.points), 'coupon')}" + (f", where {' and '.join(found.where)}" if found.where else "")
    ]
    if found.fits:
        lines += ["", *_fit_table(found), *_best_line(found)]
    for fit in found.fits:
        lines += ["", *_fit_lines(fit, found.y_unit, found.confidence)]
    if found.refused:
        lines += ["", *(f"Not fitted: {form}, {why}." for form, why in found.refused)]
    if found.explained:
        lines += ["", *_explained_lines(found)]
    lines += left_out_lines(found.left_out)
    lines += ["", *(f"Note: {shown(note)}" for note in found.notes)]
    return [*lines, "", *(f"Caution: {c}" for c in found.cautions)]


def _fit_table(found: "Relation") -> list[str]:
    u = found.y_unit
    rows = [
        (
            f.form, str(f.n_coupons), number(f.residual_sd, u), f"{f.r2:.3f}",
            number(f.left_out_rms, u), shown(f.formula),
        )
        for f in found.fits
    ]  # fmt: skip
    return table(("form", "coupons", "scatter", "R²", "left out", "formula"), rows, last_left=True)


def _best_line(found: "Relation") -> list[str]:
    if len(found.fits) < 2:
        return []
    if found.best is None:
        return ["No form predicts coupons left out clearly better than the others."]
    return [f"{found.best.capitalize()} predicts coupons left out of the fit best ('left out': its error on them)."]


def _fit_lines(fit: "Fit", y_unit: str, confidence: float) -> list[str]:
    lines = [f"{fit.form}: {shown(fit.formula)}"]
    for c in fit.coefficients:
        unit = f" {c.unit}" if c.unit else ""
        lines.append(
            f"  {shown(c.name)} {c.value:.4g}{unit} ({percent(confidence)}: {_span(c.interval)}), "
            f"standard error {c.u:.2g}"
        )
    if fit.residual_relative is not None:
        lines.append(f"  scatter about the line {percent(fit.residual_relative)} of the value")
    lines += [f"  {_prediction(p, y_unit, confidence)}" for p in fit.predictions]
    return lines + [f"  {shown(note)}" for note in fit.notes]


def _span(interval: "Interval") -> str:
    return f"{interval.low:.4g} to {interval.high:.4g}"


def _prediction(p: "Prediction", unit: str, confidence: float) -> str:
    at = ", ".join(f"{name} {value:.4g}" for name, value in p.at)
    text = (
        f"at {at}: {amount(p.y, unit)}; the line {_range(p.confidence, unit)}, one more coupon "
        f"{_range(p.prediction, unit)} ({percent(confidence)})"
    )
    return text + (f". Beyond the data: {p.beyond}" if p.beyond else "")


def _range(interval: "Interval", unit: str) -> str:
    return f"{number(interval.low, unit)} to {amount(interval.high, unit)}"


def _explained_lines(found: "Relation") -> list[str]:
    rows = [_explained_row(e) for e in found.explained]
    share = "" if found.r2_all is None else f": together {percent(found.r2_all)} of the variance"
    lines = [f"What explains {found.y}{share}"]
    lines += table(("setting", "alone R²", "partial R²", "p"), rows)
    return lines + [shown(e.text) for e in found.explained]


def _explained_row(e: "Explained") -> tuple[str, ...]:
    partial = "-" if e.partial_r2 is None else f"{e.partial_r2:.3f}"
    return shown(e.setting), f"{e.alone:.3f}", partial, p_text(e.p)
