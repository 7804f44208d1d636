"""From a state to numbers: scale, outline as it stands, measurements and verdicts; nothing worked out twice."""

import threading
import time
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import TypeVar

from macrocheck import __version__
from macrocheck.arrays import FloatArray
from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.errors import MacrocheckError
from macrocheck.flags import Flag
from macrocheck.grade import grade
from macrocheck.measure import measure_weld
from macrocheck.outline import Outline, WeldOutline
from macrocheck.outline_correction import CORRECTED
from macrocheck.photo import Photo
from macrocheck.pipeline import JointChoice
from macrocheck.results import Measurements, PhotoFacts, Result, Verdicts
from macrocheck.review.choices import Choices
from macrocheck.review.state import Hint, State
from macrocheck.scale import Scale
from macrocheck.segment import Hints, Looks, find_outline

NO_MARK = "Choose the reference mark that lies in the picture, or drag a line over a known length."
_K = TypeVar("_K", bound=Hashable)
_V = TypeVar("_V")


@dataclass(frozen=True, eq=False, slots=True)
class Figures:
    """The numbers of one state. `scale` None: `problem` says why; then nothing is measured.

    `measurements`: one a weld, () without a scale. `ms`: how long each part took.
    """

    scale: Scale | None
    problem: str | None
    outline: Outline
    measurements: tuple[Measurements, ...]
    verdicts: Verdicts
    ms: dict[str, float] = field(default_factory=dict)


def outline_of(state: State) -> Outline:
    """Return the outline as it stands, saying whose it is."""
    welds = tuple(h.now for h in state.welds)
    by_hand = [any(f.code == CORRECTED for f in w.flags) for w in welds]
    flags = state.flags
    made_by = state.made_by
    if welds and all(h.base is None for h in state.welds):
        made_by = "drawn by hand"
    elif any(by_hand) or state.removed:
        made_by = "corrected by hand"
    if state.removed:
        flags = (*flags, Flag(CORRECTED, "A weld was removed by hand."))
    return Outline(state.width, state.height, welds, made_by, flags)


class Workbench:
    """One photo with all that was worked out on it: answers a state's questions (as its `Solver`) and measures it.

    The same question is worked out once. Safe to ask from several threads.
    """

    def __init__(self, photo: Photo, *, stated: Scale | None = None) -> None:
        """`stated`: the scale that stands while no mark is chosen (of a result that was opened)."""
        self.photo = photo
        self._stated = stated
        self._looks = Looks(photo)
        self._scales: dict[tuple[object, ...], Scale | MacrocheckError] = {}
        self._outlines: dict[tuple[JointChoice, tuple[Hint, ...]], Outline | MacrocheckError] = {}
        self._measured: dict[tuple[int, int, float, bool], tuple[WeldOutline, Scale, Measurements]] = {}
        self._lock = threading.RLock()
        self._finding, self._scaling = threading.RLock(), threading.RLock()

    @property
    def seen(self) -> bool:
        """Whether the picture was looked into yet."""
        return bool(self._outlines)

    def find(self, joint: JointChoice, hints: tuple[Hint, ...]) -> Outline:
        """Return the outline of the photo; NotFoundError where no weld can be seen."""
        with self._finding:
            return _known(
                self._outlines,
                (joint, hints),
                lambda: find_outline(self.photo, joint=joint, hints=_as_hints(hints), looks=self._looks),
            )

    def refitted(self, weld: WeldOutline, hints: tuple[Hint, ...]) -> WeldOutline | None:
        """Return a found weld fitted anew with its own hints; None where it was not found here, or cannot."""
        with self._finding:
            return self._looks.refitted(weld, _as_hints(hints))

    def bare_boundary(self, weld: WeldOutline) -> FloatArray | None:
        """Return a found weld's fusion boundary before anything is laid on a surface, (n, 2) px."""
        with self._finding:
            return self._looks.bare_boundary(weld)

    def px_per_mm(self, choices: Choices) -> float | None:
        """Return the scale in px per mm; None where there is none."""
        try:
            return 1.0 / self.scale(choices).mm_per_px
        except MacrocheckError:
            return None

    def scale(self, choices: Choices) -> Scale:
        """Return the scale that the marks chosen give; NotFoundError or InputError where they give none."""
        if not choices.marks and self._stated is not None:
            return self._stated
        if not choices.marks:
            raise MacrocheckError(NO_MARK)
        marks, height = choices.marks, (choices.mark_offset, choices.camera_distance)

        def found() -> Scale:
            parsed = [parse_mark(text) for text in marks]
            return calibrate(self.photo, parsed, mark_offset=height[0], camera_distance=height[1])

        with self._scaling:
            return _known(self._scales, (marks, height), found)

    def figures(self, state: State) -> Figures:
        """Measure and grade a state."""
        ms: dict[str, float] = {}
        outline = outline_of(state)
        started = time.perf_counter()
        try:
            scale: Scale | None = self.scale(state.choices)
            problem = None
        except MacrocheckError as error:
            scale, problem = None, str(error)
        ms["scale"] = _since(started)
        started = time.perf_counter()
        measurements: tuple[Measurements, ...] = ()
        if scale is not None:
            try:
                threshold = state.choices.fusion_threshold_mm
                alone = not outline.by_a_person
                measurements = tuple(self._measure(w, scale, threshold, alone=alone) for w in outline.welds)
            except MacrocheckError as error:
                problem = str(error)
            except Exception as error:  # noqa: BLE001  whatever a hand drew, the next undo must still work
                kind = type(error).__name__
                problem = f"The outline cannot be measured as it stands ({kind}); undo the last change."
        ms["measure"] = _since(started)
        started = time.perf_counter()
        verdicts = graded(measurements, outline, state.choices)
        ms["grade"] = _since(started)
        return Figures(scale, problem, outline, measurements, verdicts, ms)

    def _measure(self, weld: WeldOutline, scale: Scale, threshold: float, *, alone: bool) -> Measurements:
        key = (id(weld), id(scale), threshold, alone)
        with self._lock:
            known = self._measured.get(key)
            if known is not None and known[0] is weld and known[1] is scale:
                return known[2]
        measured = measure_weld(weld, scale, fusion_threshold_mm=threshold, all_lengths=not alone)
        with self._lock:
            self._measured[key] = (weld, scale, measured)
            while len(self._measured) > 256:
                self._measured.pop(next(iter(self._measured)))
        return measured


def _known(store: dict[_K, _V | MacrocheckError], key: _K, make: Callable[[], _V]) -> _V:
    """Return what is kept for a question, worked out where it is not; a refusal is kept too."""
    if key not in store:
        try:
            store[key] = make()
        except MacrocheckError as error:
            store[key] = error
    found = store[key]
    if isinstance(found, MacrocheckError):
        raise found
    return found


def graded(measurements: tuple[Measurements, ...], outline: Outline, choices: Choices) -> Verdicts:
    """Judge measurements by the limits chosen; no verdicts where there are none of either."""
    if choices.limits is None or not measurements:
        return Verdicts(per_weld=(), grade=None)
    joints = [weld.joint for weld in outline.welds]
    limits = choices.limits.read()
    return grade(measurements, limits, joints=joints, given=choices.given_mm, guard=choices.guard)


def result_of(photo: Photo, figures: Figures) -> Result | None:
    """Return the result of a photo as `measure` would give it; None where nothing could be measured."""
    if figures.scale is None or len(figures.measurements) != len(figures.outline.welds) or not figures.measurements:
        return None
    return Result(
        photo=PhotoFacts(photo.path, photo.sha256, photo.width, photo.height, photo.notes),
        scale=figures.scale,
        outline=figures.outline,
        measurements=figures.measurements,
        verdicts=figures.verdicts,
        version=__version__,
    )


def _as_hints(hints: tuple[Hint, ...]) -> Hints | None:
    if not hints:
        return None

    def of(kind: str) -> tuple[tuple[float, float], ...]:
        return tuple(h.at for h in hints if h.hint == kind)

    return Hints(of("root"), of("toe"), of("through"), of("avoid"), of("edge"), of("butting"))


def _since(started: float) -> float:
    return round(1000 * (time.perf_counter() - started), 2)
