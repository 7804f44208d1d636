"""What a photo is measured with: mark, joint, limits, thicknesses, guard band, fusion threshold."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NoReturn

from macrocheck.calibrate import parse_mark, settle_height
from macrocheck.errors import InputError
from macrocheck.outline_features import is_number
from macrocheck.pipeline import FUSION_THRESHOLD_MM, JOINTS, JointChoice
from macrocheck.units import parse_length

if TYPE_CHECKING:
    from macrocheck.grade import LimitSet

_MOST_MARKS = 8
_MOST_TEXT = 200
_MOST_GUARD = 10.0
_NAMES = ("marks", "joint", "limits", "given", "guard", "fusion_threshold", "mark_offset", "camera_distance")


@dataclass(frozen=True, slots=True)
class Limits:
    """A limit set by its `id`: a shipped one's name, or one that was handed in, with its TOML text."""

    id: str
    text: str
    shipped: bool

    def read(self) -> "LimitSet":
        """Return the limits; InputError where the text cannot be used."""
        return _read(self)


@lru_cache(maxsize=64)
def _read(limits: Limits) -> "LimitSet":
    from macrocheck.grade import parse_limits

    where = f"shipped set {limits.id}" if limits.shipped else limits.id
    return parse_limits(limits.text, where=where, shipped=limits.shipped, fallback=limits.id)


@dataclass(frozen=True, slots=True)
class Choices:
    """What was chosen for one photo. `given`: (symbol, text) pairs, the text a length with its unit.

    `mark_offset`, `camera_distance`: how high the marks lie over the section, as `calibrate` takes them.
    """

    marks: tuple[str, ...] = ()
    joint: JointChoice = "auto"
    limits: Limits | None = None
    given: tuple[tuple[str, str], ...] = ()
    guard: float | None = None
    fusion_threshold: str = f"{FUSION_THRESHOLD_MM}mm"
    mark_offset: str | None = None
    camera_distance: str | None = None

    @property
    def fusion_threshold_mm(self) -> float:
        """Depth of fusion, mm, under which a stretch counts as unfused."""
        return parse_length(self.fusion_threshold)

    @property
    def given_mm(self) -> dict[str, float]:
        """Symbol -> mm."""
        from macrocheck.grade import parse_given

        return parse_given(f"{symbol}={text}" for symbol, text in self.given)

    def to_json(self) -> dict[str, Any]:
        """Return the choices as the page is given them."""
        return {
            "marks": list(self.marks),
            "joint": self.joint,
            "limits": None if self.limits is None else self.limits.id,
            "given": dict(self.given),
            "guard": self.guard,
            "fusion_threshold": self.fusion_threshold,
            "mark_offset": self.mark_offset,
            "camera_distance": self.camera_distance,
        }


def chosen(before: Choices, wish: Mapping[str, Any], shelf: Mapping[str, Limits]) -> Choices:
    """Return `before` with what `wish` changes; `shelf`: the limit sets there are, by id.

    Raises InputError, one sentence, for whatever cannot be chosen.
    """
    changes: dict[str, Any] = {}
    for name, value in wish.items():
        if name not in _NAMES:
            _refuse(f"{_short(name)} is no setting; the settings are {', '.join(_NAMES)}")
        changes[name] = _limits(value, shelf) if name == "limits" else _READERS[name](value)
    after = replace(before, **changes)
    settle_height(after.mark_offset, after.camera_distance)
    return after


def _marks(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or len(value) > _MOST_MARKS:
        _refuse(f"marks must be a list of at most {_MOST_MARKS} texts")
    texts = tuple(_text(v) for v in value)
    for text in texts:
        parse_mark(text)
    return texts


def _limits(value: object, shelf: Mapping[str, Limits]) -> Limits | None:
    if value is None:
        return None
    if not isinstance(value, str) or value not in shelf:
        _refuse(f"there are no limits {_short(value)}")
    return shelf[value]


def _given(value: object) -> tuple[tuple[str, str], ...]:
    from macrocheck.grade import parse_given

    if not isinstance(value, Mapping):
        _refuse("given must be an object of symbol and length")
    pairs = []
    for symbol, length in value.items():
        if length is None or length == "":
            continue
        text = f"{float(length)!r}mm" if isinstance(length, int | float) and is_number(length) else _text(length)
        parse_given([f"{symbol}={text}"])
        pairs.append((str(symbol), text))
    return tuple(pairs)


def _guard(value: object) -> float | None:
    if value is None:
        return None
    if not isinstance(value, int | float) or not is_number(value) or not 0 <= value <= _MOST_GUARD:
        _refuse(f"the guard band must be 0 to {_MOST_GUARD:g} times U95")
    return float(value)


def _joint(value: object) -> JointChoice:
    found = [joint for joint in JOINTS if joint == value]
    if not found:
        _refuse(f"{_short(value)} is not a kind of joint; use {', '.join(JOINTS)}")
    return found[0]


def _length(value: object) -> str:
    text = _text(value)
    parse_length(text)
    return text


def _length_or_none(value: object) -> str | None:
    return None if value is None or value == "" else _text(value)


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > _MOST_TEXT:
        _refuse(f"{_short(value)} is not a text of at most {_MOST_TEXT} characters")
    return value.strip()


def _short(value: object) -> str:
    return repr(value if isinstance(value, str) else str(value))[:60]


def _refuse(what: str) -> NoReturn:
    msg = f"This cannot be chosen: {what}."
    raise InputError(msg)


_READERS: dict[str, Callable[[object], Any]] = {
    "marks": _marks,
    "joint": _joint,
    "given": _given,
    "guard": _guard,
    "fusion_threshold": _length,
    "mark_offset": _length_or_none,
    "camera_distance": _length_or_none,
}
