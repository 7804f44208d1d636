"""Reading the edits that a page sends: every field checked, one sentence on what is wrong."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NoReturn, cast, get_args

import numpy as np

from macrocheck.arrays import FloatArray, Point, frozen
from macrocheck.errors import InputError
from macrocheck.outline import Joint
from macrocheck.outline_correction import CLICK_U_PX
from macrocheck.outline_features import is_number
from macrocheck.review.edits import (
    AddHint,
    AddIndication,
    AddVertex,
    AddVoid,
    Choose,
    Confirm,
    DrawWeld,
    Edit,
    HintKind,
    MarkSpan,
    Member,
    MovedPoint,
    MovePoint,
    MoveVertex,
    Plain,
    PlainKind,
    Redraw,
    Remove,
    RemoveHint,
    RemoveVertex,
    RemoveWeld,
    SetScale,
    SpanKind,
)

MOST_POINTS = 2000
"""Points of one stroke: a pen on a 4k screen gives fewer."""
_MOST_TEXT = 200
_MOST_RESOLUTION = 100.0
_OUTSIDE_SHARE = 0.1
"""How far outside the picture a point may lie, as a share of its longer side; as for outline files."""


def click_u(resolution: object) -> float:
    """Return the standard uncertainty of a click, px, at `resolution` photo px per px of the screen."""
    factor = 1.0 if resolution is None else _number("resolution", resolution)
    if not 0 < factor <= _MOST_RESOLUTION:
        _refuse("resolution must be a number over zero")
    return CLICK_U_PX * max(1.0, factor)


def read_edit(body: object, width: int, height: int) -> Edit:
    """Check one edit of the page; raises InputError with one sentence on what is wrong with it."""
    if not isinstance(body, Mapping):
        _refuse("it is not an object")
    kind = body.get("kind")
    reader = _READERS.get(kind) if isinstance(kind, str) else None
    if reader is None:
        _refuse(f"there is no edit of the kind {str(kind)[:40]!r}")
    return reader(_Taken(body, width, height))


@dataclass(frozen=True, slots=True)
class _Taken:
    """Fields of one edit, each checked as it is taken."""

    body: Mapping[str, Any]
    width: int
    height: int

    def word(self, name: str, words: Sequence[str]) -> str:
        value = self.body.get(name)
        if value not in words or not isinstance(value, str):
            _refuse(f"{name} must be one of {', '.join(words)}")
        return value

    def text(self, name: str) -> str:
        value = self.body.get(name)
        if not isinstance(value, str) or not value.strip() or len(value) > _MOST_TEXT:
            _refuse(f"{name} must be a text of at most {_MOST_TEXT} characters")
        return value

    def whole(self, name: str) -> int:
        value = self.body.get(name)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 1_000_000:
            _refuse(f"{name} must be a whole number")
        return value

    def table(self, name: str) -> dict[str, Any]:
        value = self.body.get(name)
        if not isinstance(value, Mapping):
            _refuse(f"{name} must be an object")
        return dict(value)

    def given(self, name: str) -> bool:
        return self.body.get(name) is not None

    def reach(self) -> float | None:
        return None if self.body.get("reach_px") is None else _number("reach_px", self.body.get("reach_px"))

    def point(self, name: str) -> Point:
        return self._xy(name, self.body.get(name))

    def points(self, name: str, fewest: int) -> FloatArray:
        rows = self.body.get(name)
        if not isinstance(rows, list) or not fewest <= len(rows) <= MOST_POINTS:
            _refuse(f"{name} must be {fewest} to {MOST_POINTS} points")
        return frozen([self._xy(name, row) for row in rows], columns=2)

    def circle(self) -> FloatArray:
        x, y = self.point("centre")
        radius = _number("radius_px", self.body.get("radius_px"))
        if not 0.5 <= radius <= max(self.width, self.height) / 2:
            _refuse("radius_px must be half a pixel to half the picture")
        turn = np.linspace(0, 2 * np.pi, max(12, min(120, round(3 * radius))), endpoint=False)
        return frozen(np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)]))

    def _xy(self, name: str, value: object) -> Point:
        if not isinstance(value, list) or len(value) != 2:
            _refuse(f"{name} must be x, y in pixels of the photo")
        x, y = (_number(name, v) for v in value)
        margin = _OUTSIDE_SHARE * max(self.width, self.height)
        if not (-margin <= x <= self.width + margin and -margin <= y <= self.height + margin):
            _refuse(f"{x:.0f},{y:.0f} lies outside the photo of {self.width} x {self.height} px")
        return x, y


def _number(name: str, value: object) -> float:
    if not isinstance(value, int | float) or not is_number(value) or abs(value) > 1e9:
        _refuse(f"{name} must be a number")
    return float(value)


def _refuse(what: str) -> NoReturn:
    msg = f"This change cannot be made: {what}."
    raise InputError(msg)


def _move_point(take: _Taken) -> Edit:
    point = cast("MovedPoint", take.word("point", get_args(MovedPoint)))
    return MovePoint(take.whole("weld"), point, take.point("to"), free=take.body.get("free") is True)


def _move_vertex(take: _Taken) -> Edit:
    return MoveVertex(take.text("feature"), take.whole("index"), take.point("to"), take.reach())


def _hint(take: _Taken) -> Edit:
    return AddHint(cast("HintKind", take.word("hint", get_args(HintKind))), take.point("at"))


def _mark_span(take: _Taken) -> Edit:
    member = cast("Member", take.word("member", get_args(Member))) if take.given("member") else None
    state = cast("SpanKind", take.word("state", get_args(SpanKind)))
    return MarkSpan(take.whole("weld"), state, take.point("start"), take.point("end"), member)


def _add_void(take: _Taken) -> Edit:
    return AddVoid(take.whole("weld"), take.points("points", 3) if take.given("points") else take.circle())


def _draw_weld(take: _Taken) -> Edit:
    joint = cast("Joint", take.word("joint", get_args(Joint)))
    root = None if joint == "bead" else take.point("joint_root")
    over = take.whole("replace") if take.given("replace") else None
    return DrawWeld(joint, take.point("toe_butting"), take.point("toe_nonbutting"), root, over)


def _set_scale(take: _Taken) -> Edit:
    ends = take.points("ends", 2)
    if len(ends) != 2:
        _refuse("ends must be two points")
    (a, b), (c, d) = ends.tolist()
    return SetScale(((a, b), (c, d)), take.text("length"))


def _plain(take: _Taken) -> Edit:
    return Plain(cast("PlainKind", take.word("kind", get_args(PlainKind))))


_READERS: dict[str, Callable[[_Taken], Edit]] = {
    "move_point": _move_point,
    "move_vertex": _move_vertex,
    "add_vertex": lambda take: AddVertex(take.text("feature"), take.whole("index"), take.point("at")),
    "remove_vertex": lambda take: RemoveVertex(take.text("feature"), take.whole("index"), take.reach()),
    "redraw": lambda take: Redraw(take.text("feature"), take.points("points", 2)),
    "pass_through": lambda take: AddHint("through", take.point("at")),
    "avoid": lambda take: AddHint("avoid", take.point("at")),
    "hint": _hint,
    "remove_hint": lambda take: RemoveHint(take.whole("index")),
    "mark_span": _mark_span,
    "add_void": _add_void,
    "add_indication": lambda take: AddIndication(take.whole("weld"), take.points("points", 2)),
    "remove": lambda take: Remove(take.text("feature")),
    "remove_weld": lambda take: RemoveWeld(take.whole("weld")),
    "confirm": lambda take: Confirm(take.whole("weld")),
    "draw_weld": _draw_weld,
    "set_scale": _set_scale,
    "settings": lambda take: Choose(take.table("settings")),
    "undo": _plain,
    "redo": _plain,
    "reset": _plain,
}
