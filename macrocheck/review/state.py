"""The state of one photo under review, and what one edit makes of it. Pure: no file, no clock, no screen.

`reduced` takes a state and an edit and returns the next state; what must be looked up in the picture (a search with
other hints) it asks of a `Solver`. `History` keeps every state, so that undo and redo have no end.
"""

from dataclasses import dataclass, replace
from typing import Any, Protocol

from macrocheck.arrays import FloatArray, Point
from macrocheck.errors import InputError, NotFoundError
from macrocheck.flags import Flag
from macrocheck.outline import Outline, WeldOutline
from macrocheck.outline_features import PARTS
from macrocheck.pipeline import JointChoice
from macrocheck.review.choices import Choices
from macrocheck.review.edits import HintKind
from macrocheck.review.hand import HandWeld


@dataclass(frozen=True, slots=True)
class Hint:
    """A point that steers the solver."""

    hint: HintKind
    at: Point


class Solver(Protocol):
    """What looks into the picture for a state: the same question gives the same answer."""

    def find(self, joint: JointChoice, hints: tuple[Hint, ...]) -> Outline:
        """Return the outline of the photo; NotFoundError where no weld can be seen."""
        ...

    def refitted(self, weld: WeldOutline, hints: tuple[Hint, ...]) -> WeldOutline | None:
        """Return a found weld fitted anew with its own hints; None where it was not found here, or cannot."""
        ...

    def bare_boundary(self, weld: WeldOutline) -> FloatArray | None:
        """Return a found weld's fusion boundary before anything is laid on a surface, (n, 2) px."""
        ...

    def px_per_mm(self, choices: Choices) -> float | None:
        """Return the scale in px per mm; None where there is none."""
        ...


@dataclass(frozen=True, eq=False, slots=True)
class State:
    """One photo as it stands: what was chosen, the hints, and each weld with what the hand did to it.

    `found`: the welds as the machine found them, without hint or hand; `made_by`: of that outline. `flags`: of the
    outline as a whole. `problem`: why there is no outline. `removed`: how many welds the hand took away.
    """

    width: int
    height: int
    choices: Choices
    hints: tuple[Hint, ...] = ()
    welds: tuple[HandWeld, ...] = ()
    found: tuple[WeldOutline, ...] = ()
    made_by: str = "found"
    flags: tuple[Flag, ...] = ()
    problem: str | None = None
    removed: int = 0


@dataclass(frozen=True, slots=True)
class Change:
    """One thing a person did: its kind, a sentence, the points (x, y) px it set, who and when (UTC, ISO 8601)."""

    kind: str
    text: str
    points: tuple[Point, ...] = ()
    who: str = ""
    at: str = ""


@dataclass(frozen=True, eq=False, slots=True)
class Step:
    """A state and the change that led to it; None for the first."""

    state: State
    change: Change | None = None
    revision: int = 0


@dataclass(frozen=True, eq=False, slots=True)
class History:
    """Every step, and which of them stands now. `revision` counts every edit, undo and redo too."""

    steps: tuple[Step, ...]
    place: int = 0
    revision: int = 0

    @property
    def now(self) -> State:
        """The state as it stands."""
        return self.steps[self.place].state

    @property
    def changes(self) -> tuple[Step, ...]:
        """The steps that stand, oldest first; none that was undone."""
        return self.steps[1 : self.place + 1]

    @property
    def undone(self) -> Step | None:
        """The step that redo would take."""
        return self.steps[self.place + 1] if self.place + 1 < len(self.steps) else None

    def after(self, state: State, change: Change) -> "History":
        """Return the history with one more step; what was undone before it can no longer be redone."""
        step = Step(state, change, self.revision + 1)
        return History((*self.steps[: self.place + 1], step), self.place + 1, self.revision + 1)

    def moved(self, by: int) -> "History":
        """Return the history one step back (-1) or on (1); itself where there is none."""
        place = self.place + by
        if not 0 <= place < len(self.steps):
            return self
        return replace(self, place=place, revision=self.revision + 1)


def begun(width: int, height: int, choices: Choices, outline: Outline | None, solver: Solver) -> State:
    """Return the state a photo begins with: of an outline that was measured before, or as the machine finds it.

    Raises InputError where the outline is of a photo of another size.
    """
    if outline is None:
        return first_state(width, height, choices, solver)
    if (outline.width, outline.height) != (width, height):
        msg = f"The outline is for a photo of {outline.width} x {outline.height} px; open the photo it was made on."
        raise InputError(msg)
    by_hand = outline.made_by in {"corrected by hand", "drawn by hand"}
    touched = frozenset(PARTS) if by_hand else frozenset[Any]()
    return State(
        width,
        height,
        choices,
        welds=tuple(HandWeld(w, w, touched=touched) for w in outline.welds),
        found=outline.welds,
        made_by=outline.made_by,
        flags=outline.flags,
    )


def first_state(width: int, height: int, choices: Choices, solver: Solver) -> State:
    """Return what the machine finds in a photo, before any hint or hand."""
    return found_anew(State(width, height, choices), solver)


def found_anew(state: State, solver: Solver) -> State:
    """Return the state with its outline found anew for the joint chosen, hints kept, nothing of the hand."""
    found: tuple[WeldOutline, ...] = ()
    try:
        found = solver.find(state.choices.joint, ()).welds
    except NotFoundError as error:
        if not state.hints:
            return _empty(state, str(error))
    try:
        outline = solver.find(state.choices.joint, state.hints)
    except NotFoundError as error:
        return _empty(state, str(error))
    return replace(
        state,
        welds=tuple(HandWeld(w, w) for w in outline.welds),
        found=found,
        made_by=outline.made_by,
        flags=outline.flags,
        problem=None,
        removed=0,
    )


def _empty(state: State, problem: str) -> State:
    return replace(state, welds=(), found=(), flags=(), made_by="found", problem=problem, removed=0)
