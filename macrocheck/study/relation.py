"""Relation: how one measured quantity follows the settings."""

from dataclasses import dataclass
from typing import Literal

from macrocheck.study.values import CONFIDENCE, CouponValue, Interval, plain

FORMAT = "macrocheck-relation"
FORMAT_VERSION = 1

Form = Literal["straight", "power", "arc"]
"""straight: y = a + b x; power: y = a x^b; arc: y = K (I^4 / (S V^2))^(1/3), current I, volts V, travel speed S."""

FORMS: tuple[Form, ...] = ("straight", "power", "arc")


@dataclass(frozen=True, slots=True)
class Point:
    """One coupon: `x` and `y` in their units, `u_x` where the setting has one, `coupon` with its sections."""

    x: float
    y: float
    u_x: float | None
    coupon: CouponValue


@dataclass(frozen=True, slots=True)
class Coefficient:
    """A fitted number: value, standard error, interval; `unit` as text."""

    name: str
    value: float
    u: float
    interval: Interval
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Band:
    """The fitted line over the data's own range, never beyond: all tuples have the same length.

    `confidence_*`: where the line itself may run; `prediction_*`: where one more coupon is to be expected.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    confidence_low: tuple[float, ...]
    confidence_high: tuple[float, ...]
    prediction_low: tuple[float, ...]
    prediction_high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the relation gives at one place; `beyond` says so where that lies outside the data, else None."""

    at: tuple[tuple[str, float], ...]
    y: float
    confidence: Interval
    prediction: Interval
    beyond: str | None


@dataclass(frozen=True, slots=True)
class Fit:
    """One form fitted to the coupons.

    `formula`: with its numbers, in the units of the record. `residual_sd`: scatter about the line in y's unit
    (`residual_relative`: as a fraction, for forms fitted in logarithms). `r2`: share of y's variance explained, in
    y's own unit for every form. `left_out_rms`: root mean square error when each coupon is predicted from the
    others, y's unit, which makes forms comparable. `band`: None where y follows several settings and x is not one
    of them. `x`, `x_name`, `x_unit` of the band: for the arc form, the parameter (I^4 / (S V^2))^(1/3).
    `points` are those it rests on.
    """

    form: Form
    formula: str
    coefficients: tuple[Coefficient, ...]
    n_coupons: int
    df: int
    residual_sd: float
    residual_relative: float | None
    r2: float
    left_out_rms: float | None
    x_name: str
    x_unit: str
    points: tuple[Point, ...]
    band: Band | None
    predictions: tuple[Prediction, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Explained:
    """How much one setting explains of what the others leave: its partial R2, with the p of no effect.

    `slope`: change of y for one unit of the setting, the other settings held (None for a setting of words), with
    its interval. `alone`: R2 of this setting alone. `tied_to`: settings that moved together with it so that they
    can hardly be told apart (variance inflation over 5), else empty.
    """

    setting: str
    unit: str
    df: int
    partial_r2: float | None
    p: float | None
    alone: float
    slope: float | None
    interval: Interval | None
    tied_to: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Relation:
    """All forms that could be fitted for one quantity, and what explains it.

    `x`: the settings asked for, (name, unit); `best`: the form with the least error on coupons left out, None where
    none was fitted or two are as good. `refused`: (form, why) for those that could not be fitted. `explained` is
    empty where only one setting was asked for; `r2_all`: R2 of all settings together. `left_out`: (coupon, why).
    """

    record: str
    x: tuple[tuple[str, str], ...]
    y: str
    y_name: str
    y_unit: str
    where: tuple[str, ...]
    points: tuple[Point, ...]
    fits: tuple[Fit, ...]
    refused: tuple[tuple[str, str], ...]
    best: Form | None
    explained: tuple[Explained, ...] = ()
    r2_all: float | None = None
    left_out: tuple[tuple[str, str], ...] = ()
    confidence: float = CONFIDENCE
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def fit(self, form: Form) -> Fit | None:
        """Return one form's fit."""
        return next((f for f in self.fits if f.form == form), None)

    def to_json(self) -> dict[str, object]:
        """Return the relation as a document of plain values."""
        body = plain(self)
        return {"format": FORMAT, "format_version": FORMAT_VERSION, **(body if isinstance(body, dict) else {})}
