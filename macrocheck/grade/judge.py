"""Measurements and limits into verdicts, with a guard band.

Decision rule (JCGM 106:2012 8.3, guarded acceptance and guarded rejection; ISO 14253-1:2017): a value inside its
limit by more than the guard band w is accepted, outside by more than w rejected, anything between undecided. w is
a multiple (1 unless the user says otherwise) of the expanded uncertainty U95. Where the limit itself is worked out
from a measured value (such as the face width b), its own uncertainty joins in w as the root of the squares.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from macrocheck.grade.formula import Condition, Formula, FormulaError
from macrocheck.grade.limits import CHECK_YOUR_COPY, Limit, LimitSet
from macrocheck.quantities import BY_KEY
from macrocheck.results import Measurements, Quantity, Verdict, Verdicts, VerdictWord

ORDER: tuple[VerdictWord, ...] = ("accept", "undecided", "reject")
"""From best to worst."""

_TIE = 1e-9
"""Values nearer than this (mm, deg or 1) are the same: rounding of decimal input, far below any uncertainty."""


@dataclass(frozen=True, slots=True)
class _Known:
    """Values of the symbols (mm) for one weld: `u95` of those that were measured; `missing` symbol -> reason."""

    values: dict[str, float]
    u95: dict[str, float]
    missing: dict[str, str]


def grade(
    measurements: Sequence[Measurements],
    limits: LimitSet,
    *,
    joints: Sequence[str] | None = None,
    given: Mapping[str, float] | None = None,
    guard: float | None = None,
) -> Verdicts:
    """Judge every weld of one photograph against `limits`.

    `joints`: kind of joint of each weld ("tee", "lap", "bead"), where known. `given`: symbol -> mm, going before
    what the file gives or measures. `guard`: multiple of U95 to use instead of the file's own; 0 is simple
    acceptance. The grade is the worst verdict of all welds; None only where nothing was measured at all.
    """
    settled = _settle(limits, given or {}, guard)
    per_weld = []
    notes = list(_notes(settled, given or {}, limits))
    for i, measured in enumerate(measurements):
        verdicts = _judge_weld(measured, settled, joints[i] if joints else None)
        if not verdicts:
            notes.append(f"Weld {i + 1}: none of the limits applies to it, so nothing was decided.")
        per_weld.append(verdicts)
    words: list[VerdictWord] = [v.word for verdicts in per_weld for v in verdicts]
    words += ["undecided" for verdicts in per_weld if not verdicts]
    return Verdicts(
        per_weld=tuple(per_weld),
        grade=max(words, key=ORDER.index) if words else None,
        limits_name=settled.name,
        rule=rule_text(settled),
        notes=tuple(notes),
        given=dict(given or {}),
        guard=guard,
    )


def rule_text(limits: LimitSet) -> str:
    """Return the decision rule in one sentence."""
    if limits.rule == "simple":
        return (
            "Simple acceptance, no guard band (w = 0): a value on the limit is accepted, "
            "and a verdict near the limit may be wrong as often as not."
        )
    return (
        f"Guard band w = {limits.guard:g} x U95 (JCGM 106:2012, ISO 14253-1:2017): accepted inside the limit by "
        "more than w, rejected outside it by more than w, otherwise undecided."
    )


def _settle(limits: LimitSet, given: Mapping[str, float], guard: float | None) -> LimitSet:
    measured = {k: v for k, v in limits.measured.items() if k not in given}
    settled = replace(limits, given={**limits.given, **given}, measured=measured)
    if guard is None:
        return settled
    if not (math.isfinite(guard) and guard >= 0):
        msg = f"The guard band must be 0 or a positive multiple of U95, not {guard}."
        raise FormulaError(msg)
    return replace(settled, rule="simple" if guard == 0 else "guard band", guard=guard or 1.0)


def _notes(limits: LimitSet, given: Mapping[str, float], before: LimitSet) -> list[str]:
    notes = [limits.note] if limits.note else []
    notes += [f"{s} is the measured {BY_KEY[k].name.lower()} ({k})." for s, k in limits.measured.items()]
    overridden = sorted(set(given) & set(before.measured))
    notes += [f"{s} was given, so the measured value was not used for it." for s in overridden]
    notes += [f"By eye: {rule}" for rule in limits.by_eye]
    remembered = sum(limit.mark == "from memory" for limit in limits.limits)
    if limits.shipped or remembered or any(limit.mark == "read" for limit in limits.limits):
        notes.append(CHECK_YOUR_COPY)
    if remembered:
        notes.append(f"{remembered} of {len(limits.limits)} limits are from memory, not read anywhere.")
    return notes


def _judge_weld(measured: Measurements, limits: LimitSet, joint: str | None) -> tuple[Verdict, ...]:
    known = _known(measured, limits)
    verdicts = []
    for limit in limits.limits:
        if joint is not None and limit.joints and joint not in limit.joints:
            continue
        if limit.only_if_given and limit.symbols - known.values.keys() - known.missing.keys():
            continue
        holds = _holds(limit.when, known) if limit.when else True
        if holds is False:
            continue
        keys = [k for k in limit.quantities if k in measured.quantities] or list(limit.quantities[:1])
        verdicts += [_judge(limit, key, measured.quantities.get(key), known, limits, holds) for key in keys]
    return tuple(verdicts)


def _known(measured: Measurements, limits: LimitSet) -> _Known:
    known = _Known(dict(limits.given), {}, {})
    for symbol, key in limits.measured.items():
        quantity = measured.quantities.get(key)
        if quantity is None or not isinstance(quantity.value, float | int):
            reason = quantity.reason if quantity is not None and quantity.reason else "it was not measured"
            known.missing[symbol] = f"{key} has no value ({reason.rstrip('.')})"
            continue
        known.values[symbol] = float(quantity.value)
        known.u95[symbol] = float(quantity.U95 or 0.0)
    return known


def _lacking(symbols: frozenset[str], known: _Known) -> str | None:
    """Return the reason why a formula with `symbols` cannot be worked out, or None."""
    for symbol in sorted(symbols - known.values.keys()):
        return known.missing.get(
            symbol, f"{symbol} is not given; state it with --given {symbol}=LENGTH or in [given]"
        )
    return None


def _holds(condition: Condition, known: _Known) -> bool | None:
    """Tell whether a condition holds; None where a symbol is missing or its uncertainty straddles the border."""
    if _lacking(condition.symbols, known):
        return None
    names = sorted(condition.symbols)
    spans = [{known.values[n] + f * known.u95.get(n, 0.0) for f in (-1, 0, 1)} for n in names]
    answers = {condition.holds(dict(zip(names, corner, strict=True))) for corner in product(*spans)}
    return answers.pop() if len(answers) == 1 else None


def _bound(formula: Formula | None, known: _Known) -> tuple[float | None, float]:
    """Return a bound and its expanded uncertainty from the measured symbols in it."""
    if formula is None:
        return None, 0.0
    value = formula.value(known.values)
    total = 0.0
    for symbol in formula.symbols & known.u95.keys():
        steps = (known.values[symbol] + f * known.u95[symbol] for f in (-1, 1))
        total += max(abs(formula.value({**known.values, symbol: s}) - value) for s in steps) ** 2
    return value, math.sqrt(total)


@dataclass(frozen=True, slots=True)
class _Zone:
    """Where a value lies: `word`, and the bounds and guard band that said so."""

    word: VerdictWord
    at_least: float | None
    at_most: float | None
    guard: float


def _zone(
    value: float,
    u95: float,
    least: Formula | None,
    most: Formula | None,
    floor: float | None,
    known: _Known,
    limits: LimitSet,
) -> _Zone:
    """Place a value between its bounds; `floor` is the size from which an imperfection counts."""
    factor = 0.0 if limits.rule == "simple" else limits.guard
    low, u_low = _bound(least, known)
    high, u_high = _bound(most, known)
    if floor is not None and high is not None and high < floor:
        high, u_high = floor, 0.0
    sides = [] if low is None else [(value - low, factor * math.hypot(u95, u_low))]
    sides += [] if high is None else [(high - value, factor * math.hypot(u95, u_high))]
    guard = max((w for _, w in sides), default=0.0)
    # A side is (distance inside the bound, its guard band); on the bound counts as inside where there is no band.
    if any(-inside - w > _TIE for inside, w in sides):
        return _Zone("reject", low, high, guard)
    if all(inside - w > _TIE or (w == 0 and inside >= -_TIE) for inside, w in sides):
        return _Zone("accept", low, high, guard)
    return _Zone("undecided", low, high, guard)


def _judge(
    limit: Limit, key: str, quantity: Quantity | None, known: _Known, limits: LimitSet, holds: bool | None
) -> Verdict:
    blank = Verdict(
        limit=limit.name, quantity=key, word="undecided", at_least=None, at_most=None, unit=limit.unit, value=None,
        guard=0.0, source=limit.source, mark=limit.mark, text="",
    )  # fmt: skip
    value = quantity.value if quantity is not None else None
    if isinstance(value, float | int):
        blank = replace(blank, value=float(value))
    obstacle = _obstacle(limit, quantity, known, limits)
    if obstacle or quantity is None or blank.value is None:
        return replace(blank, text=f"{obstacle}.")
    try:
        verdict = _decide(limit, blank.value, float(quantity.U95 or 0.0), known, limits, blank)
    except FormulaError as error:
        return replace(blank, text=f"{error}.")
    if holds is None and verdict.word != "accept" and limit.when is not None:
        text = f"Whether this limit applies ({limit.when.text}) is within the uncertainty."
        return replace(verdict, word="undecided", text=text)
    return verdict


def _obstacle(limit: Limit, quantity: Quantity | None, known: _Known, limits: LimitSet) -> str | None:
    """Return why a limit cannot be decided before any number is compared, or None."""
    if reason := _lacking(limit.symbols, known):
        return reason
    if quantity is None:
        return "This joint has no such quantity"
    if not isinstance(quantity.value, float | int):
        return f"No value ({(quantity.reason or 'it was not measured').rstrip('.')})"
    if quantity.U95 is None and limits.rule != "simple":
        return "The value has no stated uncertainty, so no guard band can be drawn"
    return None


def _decide(limit: Limit, value: float, u95: float, known: _Known, limits: LimitSet, blank: Verdict) -> Verdict:
    floor = limit.counts_from.value(known.values) if limit.counts_from else None
    zone = _zone(value, u95, limit.at_least, limit.at_most, floor, known, limits)
    verdict = replace(blank, word=zone.word, at_least=zone.at_least, at_most=zone.at_most, guard=zone.guard)
    if limit.length_rule is None:
        return replace(verdict, text=_sentence(verdict, floor, limits))
    cannot = f"{limit.length_rule.rstrip('.')}; a rule on length cannot be decided from one section."
    if limit.free_at_least is None and limit.free_at_most is None:
        return replace(verdict, word="undecided", text=cannot)
    free = _zone(value, u95, limit.free_at_least, limit.free_at_most, floor, known, limits)
    if free.word == "accept":
        verdict = replace(verdict, word="accept", at_least=free.at_least, at_most=free.at_most, guard=free.guard)
        return replace(verdict, text=_sentence(verdict, floor, limits))
    if zone.word == "reject":
        text = f"{_sentence(verdict, floor, limits)[:-1]}, more than is allowed on any length."
        return replace(verdict, text=text)
    return replace(verdict, word="undecided", text=cannot)


def _sentence(verdict: Verdict, floor: float | None, limits: LimitSet) -> str:
    bounds = []
    if verdict.at_least is not None:
        bounds.append(f"at least {_number(verdict.at_least, verdict.unit)}")
    if verdict.at_most is not None:
        bounds.append(f"at most {_number(verdict.at_most, verdict.unit)}")
    wanted = " and ".join(bounds)
    if floor is not None and verdict.at_most == floor:
        wanted += " (smaller is not counted, a setting of the limits file)"
    value = _number(verdict.value or 0.0, verdict.unit)
    if limits.rule == "simple":
        where = "inside" if verdict.word == "accept" else "outside"
        return f"{value} is {where} {wanted}; simple acceptance, no guard band."
    w = f"w = {limits.guard:g} x U95 = {_number(verdict.guard, verdict.unit)}"
    match verdict.word:
        case "accept":
            return f"{value} is inside {wanted} by more than {w}."
        case "reject":
            return f"{value} is outside {wanted} by more than {w}."
        case _:
            return f"{value} is within {w} of the limit, {wanted}."


def _number(value: float, unit: str) -> str:
    """Write a value for a sentence: thousandths of a mm, tenths of a degree, hundredths of a percent."""
    factor, places, shown = {"1": (100, 2, "%"), "deg": (1, 1, "deg"), "mm2": (1, 2, "mm2")}.get(unit, (1, 3, "mm"))
    text = f"{value * factor:.{places}f}"
    return f"{text.removeprefix('-') if not float(text) else text} {shown}"
