"""A tee of plain geometry, whose numbers anyone can check: legs 160 and 120 px, and a solver that finds it."""

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from macrocheck.arrays import FloatArray, Point, frozen
from macrocheck.errors import NotFoundError
from macrocheck.flags import Flag
from macrocheck.measure import measure_weld
from macrocheck.outline import Outline, SurfaceLine, WeldOutline
from macrocheck.outline_correction import CLICK_U_PX
from macrocheck.pipeline import JointChoice
from macrocheck.results import Quantity
from macrocheck.review import edits as e
from macrocheck.review.choices import Choices
from macrocheck.review.reduce import reduced
from macrocheck.review.state import Change, Hint, State, first_state
from macrocheck.scale import Scale

WIDTH, HEIGHT = 800, 600


def off(point: FloatArray, dx: float, dy: float) -> FloatArray:
    """A point (or points) moved by (dx, dy)."""
    return np.asarray(point + np.array([dx, dy]))


ROOT = np.array([300.0, 400.0])
"""The nonbutting member's surface runs right from here, the butting member's up; the weld lies between."""
LEG_BUTTING, LEG_NONBUTTING = 120.0, 160.0
TOE_BUTTING = off(ROOT, 0, -LEG_BUTTING)
TOE_NONBUTTING = off(ROOT, LEG_NONBUTTING, 0)
DEPTH = 20.0
"""Depth of fusion in both members over the middle of the legs, px."""
MM_PER_PX = 0.05
MARK = f"px:{MM_PER_PX}mm"


def straight(*corners: FloatArray | list[float], step: float = 2.0) -> FloatArray:
    """A polyline through corners with a vertex about every `step` px."""
    parts = []
    for a, b in pairwise(corners):
        n = max(1, round(float(np.hypot(*(np.asarray(b) - a))) / step))
        parts.append(np.asarray(a) + np.linspace(0, 1, n, endpoint=False)[:, None] * (np.asarray(b) - a))
    return np.vstack([*parts, np.asarray(corners[-1])[None]])


def tee(*, flags: tuple[Flag, ...] = (), withheld: dict[str, str] | None = None) -> WeldOutline:
    """A straight face, and a boundary `DEPTH` deep in each member, tapering over 20 px at the toes."""
    face = straight(TOE_BUTTING, TOE_NONBUTTING)
    fusion = straight(
        TOE_NONBUTTING,
        off(TOE_NONBUTTING, -20, DEPTH),
        off(ROOT, -DEPTH, DEPTH),
        off(TOE_BUTTING, -DEPTH, 20),
        TOE_BUTTING,
    )
    return WeldOutline(
        joint="tee",
        surface_butting=SurfaceLine((300.0, 200.0), (0.0, -1.0), 0.4, 0.002, 120.0),
        surface_nonbutting=SurfaceLine((540.0, 400.0), (1.0, 0.0), 0.4, 0.002, 120.0),
        face=frozen(face),
        fusion=frozen(fusion),
        u_face=frozen(np.full(len(face), 0.5)),
        u_fusion=frozen(np.full(len(fusion), 0.5)),
        correlation_px=20.0,
        flags=flags,
        withheld=withheld or {},
    )


@dataclass
class FakeSolver:
    """Finds the tee; a `through` hint bulges the boundary out to the point, as far as 15 px along it."""

    welds: tuple[WeldOutline, ...] = field(default_factory=lambda: (tee(),))
    bare: FloatArray | None = None
    quick: bool = False
    asked: list[tuple[JointChoice, tuple[Hint, ...]]] = field(default_factory=list)

    def find(self, joint: JointChoice, hints: tuple[Hint, ...]) -> Outline:
        self.asked.append((joint, hints))
        if not self.welds:
            msg = "no weld was found"
            raise NotFoundError(msg)
        welds = self.welds
        for hint in hints:
            if hint.hint == "through":
                welds = (_bulged(welds[0], np.asarray(hint.at)), *welds[1:])
        return Outline(WIDTH, HEIGHT, welds, "found with hints" if hints else "found")

    def refitted(self, weld: WeldOutline, hints: tuple[Hint, ...]) -> WeldOutline | None:
        """Nothing quicker than finding anew, unless `quick`."""
        if not self.quick or not np.array_equal(weld.face, self.welds[0].face):
            return None
        return self.find("tee", hints).welds[0]

    def bare_boundary(self, weld: WeldOutline) -> FloatArray | None:
        assert weld.joint
        return self.bare

    def px_per_mm(self, choices: Choices) -> float | None:
        return 1 / MM_PER_PX if choices.marks else None


def _bulged(weld: WeldOutline, at: FloatArray) -> WeldOutline:
    points = weld.fusion
    foot = points[int(np.argmin(np.hypot(*(points - at).T)))]
    away = np.hypot(*(points - foot).T)
    weight = np.clip(1 - away / 15.0, 0, 1)
    weight[[0, -1]] = 0
    return replace(weld, fusion=frozen(points + weight[:, None] * (at - foot)))


def begun(solver: FakeSolver | None = None, *, joint: JointChoice = "tee") -> tuple[State, FakeSolver]:
    """The tee as it is found, with its scale stated."""
    solver = solver or FakeSolver()
    return first_state(WIDTH, HEIGHT, Choices(marks=(MARK,), joint=joint), solver), solver


SCALE = Scale(MM_PER_PX, 0.0, "stated")


def edited(state: State, edit: e.Edit, solver: FakeSolver, u: float = CLICK_U_PX) -> tuple[State, Change]:
    return reduced(state, edit, u, solver, {})


def quantity(state: State, key: str, weld: int = 0) -> Quantity:
    # As the page does where a hand took part.
    return measure_weld(state.welds[weld].now, SCALE, all_lengths=True).quantities[key]


def value(state: State, key: str) -> float:
    found = quantity(state, key).value
    assert isinstance(found, float), key
    return found


def at(*xy: float) -> Point:
    x, y = xy
    return float(x), float(y)
