"""Edits as values: what a person did, checked. Made of the page's JSON by `edit_reading`."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from macrocheck.arrays import FloatArray, Point
from macrocheck.outline import Joint

HintKind = Literal["through", "avoid", "root", "toe", "edge", "butting"]
Member = Literal["butting", "nonbutting"]
SpanKind = Literal["unfused", "fused"]
PlainKind = Literal["undo", "redo", "reset"]
MovedPoint = Literal["joint_root", "toe_butting", "toe_nonbutting", "seam_end"]


@dataclass(frozen=True, slots=True)
class MovePoint:
    """Drag the joint root, a toe or the end of the unfused land."""

    weld: int
    point: MovedPoint
    to: Point
    free: bool = False


@dataclass(frozen=True, slots=True)
class MoveVertex:
    """Drag one vertex; neighbours within `reach_px` follow (None: as far as the next handles)."""

    feature: str
    index: int
    to: Point
    reach_px: float | None = None


@dataclass(frozen=True, slots=True)
class AddVertex:
    """Put a vertex after vertex `index`."""

    feature: str
    index: int
    at: Point


@dataclass(frozen=True, slots=True)
class RemoveVertex:
    """Take a vertex out."""

    feature: str
    index: int
    reach_px: float | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Redraw:
    """Replace a stretch of a curve by a stroke, (n, 2) px."""

    feature: str
    points: FloatArray


@dataclass(frozen=True, slots=True)
class AddHint:
    """Steer the solver."""

    hint: HintKind
    at: Point


@dataclass(frozen=True, slots=True)
class RemoveHint:
    """Take a hint back."""

    index: int


@dataclass(frozen=True, slots=True)
class MarkSpan:
    """Mark a stretch of a leg as unfused or fused; `member` None: the surface nearer to the two points."""

    weld: int
    state: SpanKind
    start: Point
    end: Point
    member: Member | None = None


@dataclass(frozen=True, eq=False, slots=True)
class AddVoid:
    """Mark a void: its ring, (n, 2) px."""

    weld: int
    points: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class AddIndication:
    """Mark a linear indication, (n, 2) px."""

    weld: int
    points: FloatArray


@dataclass(frozen=True, slots=True)
class Remove:
    """Take a feature away."""

    feature: str


@dataclass(frozen=True, slots=True)
class RemoveWeld:
    """Take away a weld that is none."""

    weld: int


@dataclass(frozen=True, slots=True)
class Confirm:
    """Take a weld's outline as right as it stands: its doubts are answered, what they withheld is given."""

    weld: int


@dataclass(frozen=True, slots=True)
class DrawWeld:
    """Draw a weld where none was found, or in the place of one."""

    joint: Joint
    toe_butting: Point
    toe_nonbutting: Point
    joint_root: Point | None = None
    replace: int | None = None


@dataclass(frozen=True, slots=True)
class SetScale:
    """Two ends and the length between them as text."""

    ends: tuple[Point, Point]
    length: str


@dataclass(frozen=True, slots=True)
class Choose:
    """Change some settings; checked where they are read (`choices.py`)."""

    settings: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Plain:
    """Undo, redo, or back to what the machine found."""

    kind: PlainKind


Edit = (
    MovePoint | MoveVertex | AddVertex | RemoveVertex | Redraw | AddHint | RemoveHint | MarkSpan | AddVoid
    | AddIndication | Remove | RemoveWeld | Confirm | DrawWeld | SetScale | Choose | Plain
)  # fmt: skip
