"""How a measured quantity follows the settings. Pure."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from macrocheck.errors import InputError
from macrocheck.results import CAUTIONS
from macrocheck.study.data import Coupon, coupon_value, in_lengths, name_and_unit
from macrocheck.study.explain import explained_by
from macrocheck.study.fits import ARC_SETTINGS, Case, Refused, Wanted, fit_form
from macrocheck.study.relation import FORMS, Fit, Form, Point, Relation
from macrocheck.study.values import CONFIDENCE, Lengths
from macrocheck.study.words import listed

FEWEST = 3
"""Fewer coupons bear no relation at all."""

AS_GOOD = 1.05
"""Forms whose left-out errors differ by less than this factor are taken as equally good. Our choice."""


def relate(
    coupons: Sequence[Coupon],
    *,
    x: Sequence[str],
    y: str,
    forms: Sequence[Form] = FORMS,
    places: Sequence[Mapping[str, float | str]] = (),
    record: str = "",
    where: Sequence[str] = (),
    confidence: float = CONFIDENCE,
    lengths: Lengths = "mm",
) -> Relation:
    """Fit how quantity `y` follows the settings `x`, coupon by coupon.

    `forms`: which to try; the arc form rests on amps, volts and travel_speed whatever `x` is. `places`: where to
    predict, setting -> number in the record's unit, or word. `lengths`: the unit of a measured length.

    Raises:
        InputError: where too few coupons have what is asked for, or a setting is noted in several units.
    """
    y_name, y_unit = name_and_unit(y, lengths)
    coupons = in_lengths(coupons, lengths)
    settings = tuple((name, _unit(coupons, name)) for name in x)
    cases, left_out = _cases(coupons, settings, y)
    if len(cases) < FEWEST:
        why = f"; {left_out[0][0]}: {left_out[0][1]}" if left_out else ""
        msg = (
            f"A relation needs {FEWEST} coupons at the least with {listed([*x, y])}; of {len(coupons)} there "
            f"{'is' if len(cases) == 1 else 'are'} {len(cases)}{why}."
        )
        raise InputError(msg)
    wanted = Wanted(y, y_unit, settings, tuple(places), confidence)
    fits: list[Fit] = []
    refused: list[tuple[str, str]] = []
    for form in forms:
        try:
            fits.append(fit_form(form, cases, wanted))
        except Refused as why:
            refused.append((form, str(why)))
    explained, r2_all = explained_by(cases, settings, y_unit, confidence) if len(settings) > 1 else ((), None)
    first = settings[0][0]
    points = tuple(Point(c.numbers.get(first, math.nan), c.coupon.value, c.us.get(first), c.coupon) for c in cases)
    return Relation(
        record=record,
        x=settings,
        y=y,
        y_name=y_name,
        y_unit=y_unit,
        where=tuple(where),
        points=points,
        fits=tuple(fits),
        refused=tuple(refused),
        best=_best(fits),
        explained=explained,
        r2_all=r2_all,
        left_out=tuple(left_out),
        confidence=confidence,
        notes=_notes(cases, settings),
        cautions=CAUTIONS,
    )


def _unit(coupons: Sequence[Coupon], name: str) -> str:
    """Return a setting's unit; InputError where it is noted in several."""
    noted = [s for c in coupons if (s := c.settings.get(name)) is not None]
    units = sorted({s.unit for s in noted if s.value is not None})
    if len(units) > 1:
        msg = f"{name} is noted in different units ({listed(units)}); note it in one, or choose with --where."
        raise InputError(msg)
    return units[0] if units else ""


def _cases(
    coupons: Sequence[Coupon], settings: Sequence[tuple[str, str]], y: str
) -> tuple[list[Case], list[tuple[str, str]]]:
    words = {name for name, _ in settings if _is_words(coupons, name)}
    if words and len(settings) == 1:
        msg = (
            f"{next(iter(words))} is noted in words, not numbers; use macrocheck compare --by {next(iter(words))}."
        )
        raise InputError(msg)
    cases, left_out = [], []
    for coupon in coupons:
        value, _ = coupon_value(coupon, y)
        why = [] if value is not None else [f"no {y}"]
        numbers: dict[str, float] = {}
        us: dict[str, float | None] = {}
        said: dict[str, str] = {}
        for name in dict.fromkeys([*(n for n, _ in settings), *ARC_SETTINGS]):
            noted = coupon.settings.get(name)
            asked = any(name == n for n, _ in settings)
            if name in words:
                if noted is None or not noted.text.strip():
                    why.append(f"{name} not noted")
                else:
                    said[name] = " ".join(noted.text.split()).casefold()
            elif noted is not None and noted.value is not None:
                numbers[name], us[name] = noted.value, noted.u
            elif asked:
                why.append(f"{name} not noted" if noted is None else f"{name} is words")
        if why or value is None:
            left_out.append((coupon.coupon, ", ".join(why)))
        else:
            cases.append(Case(value, numbers, us, said))
    return cases, left_out


def _is_words(coupons: Sequence[Coupon], name: str) -> bool:
    noted = [s for c in coupons if (s := c.settings.get(name)) is not None]
    return bool(noted) and all(s.value is None for s in noted)


def _best(fits: Sequence[Fit]) -> Form | None:
    """Return the form with the least left-out error of those that rest on the most coupons."""
    most = max((f.n_coupons for f in fits), default=0)
    found = sorted(
        ((f.left_out_rms, f.form) for f in fits if f.n_coupons == most and f.left_out_rms is not None),
    )
    if not found or (len(found) > 1 and found[1][0] <= AS_GOOD * found[0][0]):
        return None
    return found[0][1]


def _notes(cases: Sequence[Case], settings: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    notes = ["Each coupon counts once, with the mean of its sections."]
    if len({c.coupon.section_count for c in cases}) > 1:
        notes.append("Coupons have different numbers of sections; those with fewer scatter a little more.")
    for name, unit in settings:
        values = np.array([c.numbers[name] for c in cases if name in c.numbers])
        if len(values):
            notes.append(f"The coupons' {name}: {values.min():.4g} to {values.max():.4g} {unit}".rstrip() + ".")
    notes.append("What moved together in these coupons cannot be told apart by a fit: it shows no cause.")
    return tuple(notes)
