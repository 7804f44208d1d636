"""The kinds of marks there are: how each is written, where its finder lives, how true such a mark is by default.

Light on purpose: reading a mark's text loads no image library. A new kind is one entry here and one module with
`find(photo, mark) -> tuple[Candidate, ...]` beside it.
"""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NoReturn

from macrocheck.calibrate.card_board import CHECK_MM
from macrocheck.calibrate.mark import Mark
from macrocheck.errors import InputError
from macrocheck.units import parse_length, parse_pixel_point

if TYPE_CHECKING:
    from macrocheck.arrays import Point

WIDEST_TOLERANCE = 0.2
"""Relative limits of error above which a mark is no measure."""
CALIPER_MM = 0.1
"""Limits of error of a caliper's reading on the card's check lines, mm."""
PLATE_MM = 0.05
"""Limits of error of a plate's thickness by caliper, mm: 0.03 mm the caliper's, the rest burr and scale."""
FURTHEST_PRINT = 0.3
"""A print further than this from its drawn size (relative) is a misread caliper."""


@dataclass(frozen=True, slots=True)
class MarkKind:
    """One kind of mark.

    `form`: as the user writes it; `meaning`: half a sentence; `module`: its finder under `macrocheck.calibrate`;
    `tolerance`: default relative limits of error of the mark itself with its `source`; `in_picture`: whether it is
    something to be found in the picture (and so tilts with the camera); `laid`: whether it is laid beside the
    section, and so may lie over or under its plane; `height_unknown`: whether that is taken to be so unless stated.
    """

    name: str
    form: str
    meaning: str
    module: str
    tolerance: float
    source: str
    read: Callable[["MarkKind", str, str], Mark]
    in_picture: bool = True
    laid: bool = False
    height_unknown: bool = False


def _with_length(kind: MarkKind, text: str, rest: str) -> Mark:
    if not rest:
        _refuse(text, f"needs its length: {kind.form}")
    return Mark(kind.name, text, length_mm=_length(text, rest), tolerance=kind.tolerance)


def _ruler(kind: MarkKind, text: str, rest: str) -> Mark:
    return _with_length(kind, text, rest) if rest else Mark(kind.name, text, tolerance=kind.tolerance)


def _points(kind: MarkKind, text: str, rest: str) -> Mark:
    match = re.fullmatch(r"\s*([^,=]+,[^,=]+),([^,=]+,[^,=]+)=(.+)", rest)
    if match is None:
        _refuse(text, f"is not two points and their distance: {kind.form}")
    try:
        first, second = parse_pixel_point(match[1]), parse_pixel_point(match[2])
    except InputError as error:
        _refuse(text, f"has a point that cannot be read ({error}) {kind.form}")
    if math.dist(first, second) < 2.0:
        _refuse(text, "has its two points less than 2 px apart, so it says nothing of the scale")
    return Mark(
        kind.name,
        text,
        length_mm=_length(text, match[3]),
        points_px=(first, second),
        tolerance=kind.tolerance,
    )


def _pixel_size(kind: MarkKind, text: str, rest: str) -> Mark:
    mark = _with_length(kind, text, rest)
    # what was written holds to half a unit of its last digit, unless the user says otherwise with +-
    match = re.match(r"\s*([\d]*)(?:[.,](\d+))?", rest)
    digits = f"{match[1]}{match[2] or ''}".lstrip("0") if match else ""
    rounding = 0.5 / max(int(digits), 1) if digits else kind.tolerance
    return replace(mark, tolerance=min(rounding, kind.tolerance))


def _card(kind: MarkKind, text: str, rest: str) -> Mark:
    if not rest:
        return Mark(kind.name, text, tolerance=kind.tolerance)
    said = _length(text, rest)
    if abs(said / CHECK_MM - 1) > FURTHEST_PRINT:
        nominal = f"{CHECK_MM:g} mm"
        _refuse(
            text, f"says that the card's check lines of {nominal} came out {said:g} mm long; measure them again"
        )
    return Mark(kind.name, text, length_mm=said, tolerance=CALIPER_MM / said)


def _disc(kind: MarkKind, text: str, rest: str) -> Mark:
    from macrocheck.calibrate.coins import COINS, WEAR_MM, coin_named

    if not rest:
        _refuse(text, f"needs its diameter, like {kind.form}, or a coin's name: {', '.join(COINS)}")
    if rest[0].isdigit() or rest[0] in "+-.":
        return _with_length(kind, text, rest)
    named = coin_named(rest)
    if named is None:
        _refuse(text, f"has no diameter, and no coin of that name is known; the coins are: {', '.join(COINS)}")
    name, coin = named
    tolerance = WEAR_MM / coin.diameter_mm
    return Mark(kind.name, text, length_mm=coin.diameter_mm, name=name, tolerance=tolerance)


def _plate(kind: MarkKind, text: str, rest: str) -> Mark:
    thickness, at, place = rest.partition("@")
    mark = _with_length(kind, text, thickness.strip())
    if mark.length_mm is None:
        return mark
    point: tuple[Point, ...] = ()
    if at:
        try:
            point = (parse_pixel_point(place),)
        except InputError as error:
            _refuse(text, f"has a point that cannot be read ({error}) {kind.form} or {kind.form}@x,y")
    return replace(mark, points_px=point, tolerance=PLATE_MM / mark.length_mm)


def _alone(kind: MarkKind, text: str, rest: str) -> Mark:
    if rest:
        _refuse(text, f"takes nothing after it; write {kind.form}")
    return Mark(kind.name, text, tolerance=kind.tolerance)


KINDS: tuple[MarkKind, ...] = (
    MarkKind(
        "bar",
        "bar:10mm",
        "a bar of known length",
        "bar",
        0.001,
        "half a pixel, to which software rounds a bar's ends, 0.1 % at least; common practice, no source",
        _with_length,
    ),
    MarkKind(
        "ruler",
        "ruler:1mm",
        "a rule with that much between its ticks",
        "ruler",
        0.0005,
        "0.5 mm on 1 m, accuracy class II of Directive 2014/32/EU, annex X; from memory",
        _ruler,
        laid=True,
        height_unknown=True,
    ),
    MarkKind(
        "disc",
        "disc:20mm",
        "a disc of known diameter",
        "disc",
        0.001,
        "0.02 mm of a caliper on 20 mm; coins 0.05 mm for striking and wear; common practice, no source",
        _disc,
        laid=True,
        height_unknown=True,
    ),
    MarkKind(
        "plate",
        "plate:8mm",
        "a plate of known thickness",
        "plate",
        0.01,
        "0.05 mm: 0.03 mm of a caliper and 0.02 mm of burr, scale and rolling; common practice, no source",
        _plate,
    ),
    MarkKind(
        "points",
        "points:x1,y1,x2,y2=10mm",
        "two points (px) and their distance",
        "stated",
        0.0,
        "as stated by the user",
        _points,
        laid=True,
    ),
    MarkKind(
        "px",
        "px:0.0212mm",
        "the size of one pixel",
        "stated",
        0.005,
        "half a unit of the last digit written, 0.5 % at most; common practice, no source",
        _pixel_size,
        in_picture=False,
    ),
    MarkKind(
        "density",
        "density",
        "the density that a scanner wrote into the file",
        "density",
        0.003,
        "a flatbed's own error of scale, some tenths of a percent; common practice, no source",
        _alone,
        in_picture=False,
    ),
    MarkKind(
        "card",
        "card:49.7mm",
        "the printed card",
        "card",
        0.005,
        "0.5 % for a print that nobody measured; with a caliper's reading 0.1 mm on the check lines, half of it "
        "the caliper's and half setting it on a printed line; common practice, no source",
        _card,
        laid=True,
        height_unknown=True,
    ),
)
BY_NAME: dict[str, MarkKind] = {kind.name: kind for kind in KINDS}


def parse_mark(text: str) -> Mark:
    """Read a mark as people write it: `bar:10mm`, `ruler:1mm`, `points:x1,y1,x2,y2=10mm`, `px:0.0212mm`.

    `+-` and a length or a percentage at the end state the mark's own limits of error: `bar:10mm+-0.02mm`,
    `ruler:1mm+-0.1%`. Raises InputError with a sentence that lists the marks there are.
    """
    plain = text.strip()
    head, colon, rest = plain.partition(":")
    kind = BY_NAME.get(head.strip().lower())
    if kind is None:
        what = f"{head.strip()!r} is no kind of mark" if plain else "The mark is empty"
        msg = f"{what}; the marks are: {forms()}."
        raise InputError(msg)
    stated, sign, limits = rest.replace("±", "+-").partition("+-")
    if sign and not colon:
        _refuse(text, f"is not written like {kind.form}")
    mark = kind.read(kind, plain, stated.strip())
    return replace(mark, tolerance=_tolerance(plain, limits.strip(), mark), limits_stated=True) if sign else mark


def ask_for_mark() -> str:
    """The sentence that asks for a mark where none was named."""
    others = forms("bar")
    return f"Say what in the picture gives the scale: --mark bar:10mm for a bar of 10 mm, or one of {others}."


def forms(leave_out: str = "") -> str:
    """List how the marks are written, without the kind `leave_out`."""
    return ", ".join(kind.form for kind in KINDS if kind.name != leave_out)


def _length(text: str, rest: str) -> float:
    try:
        return parse_length(rest.strip())
    except InputError as error:
        _refuse(text, f"has a length that cannot be read: {error}")


def _tolerance(text: str, limits: str, mark: Mark) -> float:
    percent = re.fullmatch(r"(\d+(?:\.\d+)?)\s*%", limits)
    if percent is not None:
        value = float(percent[1]) / 100
    elif mark.length_mm is None or mark.kind == "ruler":
        _refuse(text, "has limits of error that cannot be read; write them as a percentage, like +-0.1%")
    else:
        value = _length(text, limits) / mark.length_mm
    if value > WIDEST_TOLERANCE:
        _refuse(text, f"has limits of error of {value:.0%}, too wide for a measure; check the two lengths")
    return value


def _refuse(text: str, fault: str) -> NoReturn:
    msg = f"The mark {text!r} {fault}"
    raise InputError(msg if msg.endswith(".") else msg + ".")
