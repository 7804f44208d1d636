"""Having the solver draw a boundary anew through a clicked point, while what the hand did elsewhere stays."""

from dataclasses import replace
from typing import Any

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.errors import InputError, NotFoundError
from macrocheck.outline import WeldOutline
from macrocheck.outline_features import Part
from macrocheck.review.curves import Curve, dragged, nearest, spliced, with_end
from macrocheck.review.hand import HandWeld, curve_of, with_part
from macrocheck.review.spans import laid
from macrocheck.review.state import Hint, Solver, State

_MISSED = 2.5
"""A boundary that passes a point at more than this many standard uncertainties of the click misses it."""
_FAR_SHARE = 0.6
"""Two outlines are of one weld where their middles lie within this share of its face width."""


def resolved(state: State, hint: Hint, u: float, solver: Solver, threshold_px: float) -> State:
    """Return the state with one more hint; NotFoundError where nothing can be found with it."""
    hints = (*state.hints, hint)
    if not state.welds:
        return _begun(replace(state, hints=hints), solver)
    about = hint.at if hint.hint in {"through", "avoid"} else None
    after = _again(state, hints, about, solver, threshold_px)
    if hint.hint == "through":
        after = _through(after, hint.at, u)
    return after


def resolved_without(state: State, index: int, solver: Solver, threshold_px: float) -> State:
    """Return the state with one hint less."""
    gone = state.hints[index]
    hints = (*state.hints[:index], *state.hints[index + 1 :])
    about = gone.at if gone.hint in {"through", "avoid"} else None
    return _again(state, hints, about, solver, threshold_px)


def _begun(state: State, solver: Solver) -> State:
    """Find a weld where none was found before."""
    outline = solver.find(state.choices.joint, state.hints)
    welds = tuple(HandWeld(w, w) for w in outline.welds)
    return replace(state, welds=welds, made_by=outline.made_by, flags=outline.flags, problem=None)


def _again(
    state: State, hints: tuple[Hint, ...], about: Point | None, solver: Solver, threshold_px: float
) -> State:
    if all(h.base is None for h in state.welds):
        return replace(state, hints=hints)
    if about is not None:
        quick = _one_again(state, hints, about, solver, threshold_px)
        if quick is not None:
            return quick
    new = solver.find(state.choices.joint, hints)
    near = None if about is None else _nearest_weld(state, about)
    # Against what the solver gave before: what the hand or an outline file changed is not its doing.
    try:
        before: tuple[WeldOutline, ...] = solver.find(state.choices.joint, state.hints).welds
    except NotFoundError:
        before = ()
    welds = []
    for k, hand in enumerate(state.welds):
        match = None if hand.base is None else _same(hand.base, new.welds)
        if match is None:
            welds.append(hand)
            continue
        old = _same(match, before)
        was = hand.now.fusion if old is None else old.fusion
        welds.append(_merged(hand, match, was, about if k == near else None, solver, threshold_px))
    return replace(state, hints=hints, welds=tuple(welds), made_by=new.made_by, flags=new.flags, problem=None)


def _one_again(
    state: State, hints: tuple[Hint, ...], about: Point, solver: Solver, threshold_px: float
) -> State | None:
    """Have the one weld that a point is about drawn anew, where the solver had found it: the quickest way."""
    near = _nearest_weld(state, about)
    hand = state.welds[near]
    if hand.base is None:
        return None
    own = tuple(h for h in hints if _nearest_weld(state, h.at) == near)
    base = solver.refitted(hand.base, own)
    if base is None:
        return None
    # Where the unfused land ends is told from all welds together, not from this fit.
    base = replace(base, seam_end=hand.base.seam_end, u_seam_end=hand.base.u_seam_end)
    merged = _merged(hand, base, hand.base.fusion, about, solver, threshold_px)
    welds = (*state.welds[:near], merged, *state.welds[near + 1 :])
    return replace(state, hints=hints, welds=welds, made_by="found with hints" if hints else "found", problem=None)


def _nearest_weld(state: State, at: Point) -> int:
    away = [float(np.hypot(*(h.now.fusion - np.asarray(at)).T).min()) for h in state.welds]
    return int(np.argmin(away))


def _same(weld: WeldOutline, others: tuple[WeldOutline, ...]) -> WeldOutline | None:
    """Return the outline of the same weld among `others`."""
    middle = weld.polygon.mean(axis=0)
    width = float(np.hypot(*(weld.face[-1] - weld.face[0])))
    away = [float(np.hypot(*(o.polygon.mean(axis=0) - middle))) for o in others]
    if not away or min(away) > _FAR_SHARE * width:
        return None
    return others[int(np.argmin(away))]


def _merged(
    hand: HandWeld, base: WeldOutline, was: FloatArray, about: Point | None, solver: Solver, threshold_px: float
) -> HandWeld:
    """Return a weld on a new base: untouched parts are the solver's, touched ones the hand's.

    Of a boundary that the hand touched, what the solver moved about the clicked point is taken over.
    """
    if not hand.touched:
        return HandWeld(base, base)
    changes: dict[str, Any] = {}
    for part in ("surface_butting", "surface_nonbutting", "surface_top", "haz_butting", "haz_nonbutting"):
        if part not in hand.touched:
            changes[part] = getattr(base, part)
    for part, names in _TOGETHER.items():
        if part not in hand.touched:
            changes |= {name: getattr(base, name) for name in names}
    now = replace(hand.now, **changes)
    merged = replace(hand, base=base, now=now)
    if "fusion" in hand.touched and about is not None:
        new = Curve.of(base.fusion, base.u_fusion)
        if len(base.fusion) != len(was) or not np.array_equal(base.fusion, was):
            merged = with_part(merged, "fusion", spliced(curve_of(merged, "fusion"), was, new, about))
    merged = _ends_met(merged)
    for span in hand.spans if about is not None else ():
        bare = solver.bare_boundary(base) if span.state == "fused" else None
        merged = laid(merged, span, bare, threshold_px)
    return merged


_TOGETHER: dict[Part, tuple[str, ...]] = {
    "face": ("face", "u_face"),
    "fusion": ("fusion", "u_fusion"),
    "void": ("voids", "u_voids"),
    "indication": ("indications",),
    "seam_end": ("seam_end", "u_seam_end"),
    "groove_butting": ("groove_butting",),
    "groove_nonbutting": ("groove_nonbutting",),
}


def _ends_met(hand: HandWeld) -> HandWeld:
    """Let the fusion boundary end at the toes of the face."""
    weld = hand.now
    fusion = curve_of(hand, "fusion")
    for toe, at_start in ((weld.toe_nonbutting, True), (weld.toe_butting, False)):
        fusion = with_end(fusion, toe, 0.0, at_start=at_start)
    if np.array_equal(fusion.points, weld.fusion):
        return hand
    return with_part(hand, "fusion", fusion, decided=False)


def _through(state: State, at: Point, u: float) -> State:
    """Drag the boundary onto a point that the solver passed by: the hand has the last word."""
    k = _nearest_weld(state, at)
    hand = state.welds[k]
    curve = curve_of(hand, "fusion")
    i = nearest(curve.points, at)
    away = float(np.hypot(*(curve.points[i] - np.asarray(at))))
    if away <= _MISSED * u:
        return state
    if i in (0, len(curve.points) - 1):
        msg = "The boundary ends at the toe here; drag the toe first."
        raise InputError(msg)
    moved = dragged(curve, i, at, u, reach=max(3.0 * away, 24.0))
    dragged_on = with_part(hand, "fusion", moved, click=u)
    return replace(state, welds=(*state.welds[:k], dragged_on, *state.welds[k + 1 :]))
