"""The forms that a relation may have, fitted. Pure.

straight: least squares on y. power, arc: least squares on ln y, so that scatter is taken as a fraction of y and the
line is that of the median. Sources and formulas: docs/study.md.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from macrocheck.arrays import FloatArray
from macrocheck.errors import InputError
from macrocheck.study.least_squares import Line, f_test, fit_line
from macrocheck.study.relation import Band, Coefficient, Fit, Form, Point, Prediction
from macrocheck.study.values import CouponValue, Interval
from macrocheck.study.words import counted, listed, unit_text

ARC_SETTINGS: tuple[str, ...] = ("amps", "volts", "travel_speed")
ARC_POWERS: tuple[float, ...] = (4 / 3, -2 / 3, -1 / 3)
"""Exponents of current, volts and travel speed in the trade's relation for penetration (docs/study.md)."""
ARC_UNIT = "(A⁴/(mm/min·V²))^⅓"

STEPS = 61
"""Points of a drawn band."""

CHANCE = 0.01
"""A departure from a form is said where chance alone would bring it less often than this. Our choice."""


@dataclass(frozen=True, slots=True)
class Case:
    """One coupon with the numbers of its settings (in `numbers`), their u, and its words (in `words`)."""

    coupon: CouponValue
    numbers: Mapping[str, float]
    us: Mapping[str, float | None]
    words: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is fitted: y's key and unit, settings with their units, where to predict, confidence."""

    y: str
    y_unit: str
    settings: tuple[tuple[str, str], ...]
    places: tuple[Mapping[str, float | str], ...]
    confidence: float


class Refused(Exception):  # noqa: N818  (no error: a form that these data do not bear)
    """Why a form could not be fitted, in a clause."""


def fit_form(form: Form, cases: Sequence[Case], wanted: Wanted) -> Fit:
    """Fit one form to the cases; raises `Refused` with the reason where they do not bear it."""
    return _Fitting(form, cases, wanted).fit()


class _Columns:
    """Turns settings into columns: numbers (or their logarithms), and 0/1 for all but a setting's first word."""

    def __init__(self, form: Form, cases: Sequence[Case], settings: Sequence[tuple[str, str]]) -> None:
        self.logs = form != "straight"
        self.settings = settings
        self.words = {
            name: sorted({c.words[name] for c in cases}) for name, _ in settings if name not in cases[0].numbers
        }
        self.names = ["1"]
        for name, _ in settings:
            self.names += [f"{name}={w}" for w in self.words[name][1:]] if name in self.words else [name]

    def row(self, values: Mapping[str, float | str]) -> list[float]:
        made = [1.0]
        for name, _ in self.settings:
            value = values[name]
            if name in self.words:
                made += [1.0 if value == w else 0.0 for w in self.words[name][1:]]
            else:
                made.append(math.log(float(value)) if self.logs else float(value))
        return made


class _Fitting:
    def __init__(self, form: Form, cases: Sequence[Case], wanted: Wanted) -> None:
        self.form, self.wanted, self.notes = form, wanted, list[str]()
        self.logs = form != "straight"
        used = list(cases)
        if form == "arc":
            used = [c for c in used if all(name in c.numbers for name in ARC_SETTINGS)]
            if not used:
                msg = f"needs {listed(ARC_SETTINGS)} noted on the same coupons"
                raise Refused(msg)
        if self.logs:
            used = self._positive(used)
        if len(used) < len(cases):
            self.notes.append(f"rests on {len(used)} of {counted(len(cases), 'coupon')}")
        self.cases = used
        settings = tuple((s, "") for s in ARC_SETTINGS) if form == "arc" else wanted.settings
        self.one = form == "arc" or (len(settings) == 1 and settings[0][0] in used[0].numbers)
        self.columns = _Columns(form, used, settings)
        self.y = np.array([c.coupon.value for c in used])

    def _positive(self, cases: list[Case]) -> list[Case]:
        kept = [c for c in cases if c.coupon.value > 0 and all(v > 0 for v in c.numbers.values())]
        if len(kept) < len(cases):
            self.notes.append(
                f"a form in logarithms has no place for {counted(len(cases) - len(kept), 'coupon')} with 0 or "
                f"less: it holds only where there is any {self.wanted.y}"
            )
        if not kept:
            msg = f"no coupon has {self.wanted.y} and settings over 0"
            raise Refused(msg)
        return kept

    def fit(self) -> Fit:
        x = np.array([self.columns.row({**c.numbers, **c.words}) for c in self.cases])
        target = np.log(self.y) if self.logs else self.y
        if self.form == "arc":
            design, target = np.ones((len(x), 1)), target - self._arc(x)
        else:
            design = x
        least = design.shape[1] + 1
        if len(self.cases) < least:
            msg = f"needs at least {counted(least, 'coupon')}, {len(self.cases)} have what it takes"
            raise Refused(msg)
        line = fit_line(design, target)
        if line.rank < design.shape[1]:
            same = [n for n, c in zip(self.columns.names[1:], design.T[1:], strict=True) if np.ptp(c) == 0]
            why = f"{listed(same)} never changes" if same else "some of its settings always moved together"
            raise Refused(why)
        fitted = self.y - line.residual if not self.logs else np.exp(np.log(self.y) - line.residual)
        left_out = self.y - (np.exp(np.log(self.y) - line.left_out()) if self.logs else self.y - line.left_out())
        spread = float(((self.y - self.y.mean()) ** 2).sum())
        square = float(((self.y - fitted) ** 2).sum())
        self._doubts(line, x, target)
        return Fit(
            form=self.form,
            formula=self._formula(line),
            coefficients=self._coefficients(line),
            n_coupons=len(self.cases),
            df=line.df,
            residual_sd=math.sqrt(square / line.df),
            residual_relative=math.expm1(line.sd) if self.logs else None,
            r2=1 - square / spread if spread > 0 else 0.0,
            left_out_rms=float(np.sqrt((left_out**2).mean())),
            x_name=self._x_name(),
            x_unit=ARC_UNIT if self.form == "arc" else self.wanted.settings[0][1],
            points=self._points(x),
            band=self._band(line, x) if self.one else None,
            predictions=self._predictions(line, x),
            notes=tuple(f"{n[0].upper()}{n[1:]}." for n in self.notes),
        )

    def _arc(self, rows: FloatArray) -> FloatArray:
        """Return the logarithm of the arc parameter from rows of (1, ln I, ln V, ln S)."""
        return np.asarray(np.atleast_2d(rows)[:, 1:] @ np.array(ARC_POWERS))

    def _x_name(self) -> str:
        if self.form == "arc":
            return "(amps⁴/(travel_speed·volts²))^⅓"
        return listed([s for s, _ in self.wanted.settings])

    def _points(self, x: FloatArray) -> tuple[Point, ...]:
        if self.form == "arc":
            at = np.exp(self._arc(x))
            return tuple(
                Point(float(a), c.coupon.value, None, c.coupon) for a, c in zip(at, self.cases, strict=True)
            )
        name = self.wanted.settings[0][0]
        return tuple(
            Point(c.numbers.get(name, math.nan), c.coupon.value, c.us.get(name), c.coupon) for c in self.cases
        )

    def _coefficients(self, line: Line) -> tuple[Coefficient, ...]:
        t = float(stats.t.ppf(0.5 + self.wanted.confidence / 2, line.df))
        made = []
        names = ["ln K"] if self.form == "arc" else self.columns.names
        for name, b, u in zip(names, line.beta, line.standard_errors(), strict=True):
            value, error, low, high = float(b), float(u), float(b - t * u), float(b + t * u)
            label, unit = ("constant", unit_text(self.wanted.y_unit)) if name == "1" else (name, "")
            if self.logs and name in {"1", "ln K"}:
                value, low, high = math.exp(value), math.exp(low), math.exp(high)
                label, unit, error = ("K" if name == "ln K" else "factor"), "", value * error
            elif self.logs:
                label = f"exponent of {name}" if "=" not in name else f"ln factor of {name}"
            elif "=" not in name:
                own = dict(self.wanted.settings).get(name)
                unit = unit if own is None else f"{unit_text(self.wanted.y_unit)} per {own}" if own else unit
            made.append(Coefficient(label, value, error, Interval(low, high, self.wanted.confidence), unit))
        return tuple(made)

    def _formula(self, line: Line) -> str:
        first = float(line.beta[0])
        if self.form == "arc":
            return f"{self.wanted.y} = {math.exp(first):.4g} × (amps⁴ / (travel_speed × volts²))^⅓"
        rest = list(zip(self.columns.names[1:], line.beta[1:], strict=True))
        if self.form == "power":
            parts = [f" × {n}^{b:.3f}" if "=" not in n else f" × {math.exp(b):.4g} [{n}]" for n, b in rest]
            return f"{self.wanted.y} = {math.exp(first):.4g}{''.join(parts)}"
        parts = [
            f" {'-' if b < 0 else '+'} {abs(b):.4g}{' × ' + n if '=' not in n else f' [{n}]'}" for n, b in rest
        ]
        return f"{self.wanted.y} = {first:.4g}{''.join(parts)}"

    def _at(self, line: Line, rows: FloatArray) -> tuple[FloatArray, ...]:
        """Return y, confidence low and high, prediction low and high at rows of the columns."""
        design = np.ones((len(rows), 1)) if self.form == "arc" else rows
        middle, confidence, prediction = line.at(design, self.wanted.confidence)
        if self.form == "arc":
            middle = middle + self._arc(rows)
        ends = (middle, middle - confidence, middle + confidence, middle - prediction, middle + prediction)
        return tuple(np.exp(e) for e in ends) if self.logs else ends

    def _band(self, line: Line, x: FloatArray) -> Band:
        if self.form == "arc":
            at = self._arc(x)
            grid = np.linspace(float(np.exp(at.min())), float(np.exp(at.max())), STEPS)
            rows = np.zeros((STEPS, 4))
            rows[:, 1] = np.log(grid) / ARC_POWERS[0]
        else:
            name = self.wanted.settings[0][0]
            values = [c.numbers[name] for c in self.cases]
            grid = np.linspace(min(values), max(values), STEPS)
            rows = np.array([self.columns.row({name: float(g)}) for g in grid])
        ends = [tuple(float(v) for v in e) for e in self._at(line, rows)]
        return Band(tuple(float(g) for g in grid), *ends)

    def _predictions(self, line: Line, x: FloatArray) -> tuple[Prediction, ...]:
        made = []
        names = [s for s, _ in self.columns.settings]
        for place in self.wanted.places:
            lacking = [n for n in names if n not in place]
            if lacking:
                self.notes.append(f"no prediction: --at does not say {listed(lacking)}")
                continue
            self._check_words(place)
            row = np.array([self.columns.row(place)])
            y, low, high, least, most = (float(v[0]) for v in self._at(line, row))
            sure = self.wanted.confidence
            at = tuple((n, float(v)) for n in names if not isinstance(v := place[n], str))
            made.append(
                Prediction(
                    at,
                    y,
                    Interval(low, high, sure),
                    Interval(least, most, sure),
                    self._beyond(place, row, x, names),
                )
            )
        return tuple(made)

    def _check_words(self, place: Mapping[str, float | str]) -> None:
        for name, known in self.columns.words.items():
            if place[name] not in known:
                msg = f"No coupon has {name} '{place[name]}'; there are {listed(known)}."
                raise InputError(msg)
        for name, value in place.items():
            if self.logs and not isinstance(value, str) and value <= 0:
                msg = f"--at {name} has to be over 0."
                raise InputError(msg)

    def _beyond(
        self, place: Mapping[str, float | str], row: FloatArray, x: FloatArray, names: Sequence[str]
    ) -> str | None:
        said = []
        for name in names:
            value = place[name]
            if isinstance(value, str):
                continue
            have = [c.numbers[name] for c in self.cases]
            low, high = min(have), max(have)
            if not low - 1e-9 * abs(low) <= value <= high + 1e-9 * abs(high):
                said.append(f"{name} {value:.4g} lies beyond the coupons' {low:.4g} to {high:.4g}")
        if said:
            return f"{'; '.join(said)}: nothing measured stands behind this."
        spread = fit_line(x, np.zeros(len(x)))
        h = float((row @ spread.inverse @ row.T)[0, 0])
        if len(names) > 1 and h > float(spread.leverage.max()) + 1e-9:
            return "No coupon was welded near this combination of settings: nothing measured stands behind this."
        return None

    def _doubts(self, line: Line, x: FloatArray, target: FloatArray) -> None:
        if line.df < 5:
            self.notes.append(
                f"{counted(len(self.cases), 'coupon')} are few for this form: the bands are wide for that"
            )
        if self.form == "arc":
            self._own_exponents(x)
            return
        if not self.one:
            return
        name = self.wanted.settings[0][0]
        values = np.array([c.numbers[name] for c in self.cases])
        if len(np.unique(values)) < 3:
            self.notes.append(f"{name} has only 2 different values: whether the relation bends cannot be seen")
        elif len(values) > 4:
            centred = x[:, 1] - x[:, 1].mean()
            bent = fit_line(np.column_stack([x, centred**2]), target)
            p = f_test(bent, line)
            if p is not None and p < CHANCE:
                self.notes.append(f"the coupons bend away from this form more than chance would (p = {p:.2g})")
        self._measured_x(name, values)

    def _measured_x(self, name: str, values: FloatArray) -> None:
        us = [u for c in self.cases if (u := c.us.get(name)) is not None]
        if len(us) < len(values) or len(values) < 2:
            return
        share = float(np.mean(np.square(us)) / values.var(ddof=1))
        if share > 0.05:
            flat = f"{100 * min(share, 1):.0f} %"
            self.notes.append(
                f"{name} itself was read with an uncertainty that makes the line about {flat} too flat"
            )

    def _own_exponents(self, x: FloatArray) -> None:
        free = fit_line(x, np.log(self.y))
        if free.rank < 4 or free.df < 3:
            self.notes.append(
                "the settings changed too little, or together, to tell whether these exponents are the coupons' own"
            )
            return
        fixed = fit_line(np.ones((len(x), 1)), np.log(self.y) - self._arc(x))
        p = f_test(free, fixed)
        errors = free.standard_errors()
        own = listed(
            [f"{n} {b:+.2f} ± {u:.2f}" for n, b, u in zip(ARC_SETTINGS, free.beta[1:], errors[1:], strict=True)]
        )
        verdict = "differ more than chance would" if p is not None and p < 0.05 else "agree within chance"
        self.notes.append(
            f"left free, the coupons' own exponents are {own} (standard errors); with +1.33, -0.67 and -0.33 they "
            f"{verdict}"
        )
