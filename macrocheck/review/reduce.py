"""What one edit makes of a state: a table of edits, each a pure function."""

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, NoReturn

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.errors import InputError, NotFoundError
from macrocheck.outline_features import MANY, Part
from macrocheck.review import edits as e
from macrocheck.review.choices import Choices, Limits, chosen
from macrocheck.review.curves import Curve, dragged, nearest, redrawn, with_vertex, without_vertex
from macrocheck.review.hand import (
    SURFACES,
    HandWeld,
    Span,
    assembled,
    curve_of,
    drawn_weld,
    key_of,
    parse_feature_id,
    part_points,
    with_part,
)
from macrocheck.review.moving import with_root, with_seam_end, with_surface, with_toe
from macrocheck.review.resolving import resolved, resolved_without
from macrocheck.review.spans import laid, marked, nearer_member
from macrocheck.review.state import Change, Hint, Solver, State, found_anew

_NAMES: dict[str, str] = {
    "face": "Weld face",
    "fusion": "Fusion boundary",
    "surface_butting": "Butting member's surface",
    "surface_nonbutting": "Nonbutting member's surface",
    "surface_top": "Upper plate's top surface",
    "void": "Void",
    "haz_butting": "HAZ edge in the butting member",
    "haz_nonbutting": "HAZ edge in the nonbutting member",
    "groove_butting": "Groove at the butting toe",
    "groove_nonbutting": "Groove at the nonbutting toe",
    "indication": "Indication",
    "seam_end": "End of the unfused land",
    "joint_root": "Joint root",
    "toe_butting": "Toe on the butting member",
    "toe_nonbutting": "Toe on the nonbutting member",
}
_DRAWABLE: frozenset[Part] = frozenset(
    {*SURFACES, "haz_butting", "haz_nonbutting", "groove_butting", "groove_nonbutting"}
)
"""Parts that a stroke may begin where there is none."""
_CONFIRMED: tuple[Part, ...] = ("face", "fusion", "surface_butting", "surface_nonbutting")
_NEEDED: frozenset[Part] = frozenset({"face", "fusion"})
_THRESHOLD_PX = 3.0
"""Fusion threshold in px where no scale is known yet."""
_LEAST_PX = 1.0
"""What is marked must reach this far, px: less is a slip of the hand."""
_CURVES_FEWEST = 2


def reduced(
    state: State, edit: e.Edit, u_click: float, solver: Solver, shelf: Mapping[str, Limits]
) -> tuple[State, Change]:
    """Return the next state and what was done, in words. Undo and redo are the history's.

    `u_click`: standard uncertainty of where the person clicked, px. Raises InputError, one sentence, where the edit
    cannot be made as the outline stands; the state is then as it was.
    """
    if isinstance(edit, e.Choose):
        return _choose(state, chosen(state.choices, edit.settings, shelf), solver)
    if isinstance(edit, e.SetScale):
        return _set_scale(state, edit)
    reducer = _REDUCERS[type(edit)]
    after, change = reducer(state, edit, u_click, solver)
    return _settled(after), change


def _settled(state: State) -> State:
    """Let every weld that the hand touched stand as it is measured, so that the next edit starts from that."""
    welds = tuple(replace(h, now=assembled(h, state.width, state.height)) if h.by_hand else h for h in state.welds)
    return replace(state, welds=welds)


def _hand(state: State, weld: int) -> HandWeld:
    if not weld < len(state.welds):
        _refuse("This weld is not there any more; look at the picture again.")
    return state.welds[weld]


def _with(state: State, weld: int, hand: HandWeld) -> State:
    return replace(state, welds=(*state.welds[:weld], hand, *state.welds[weld + 1 :]))


def _refuse(sentence: str) -> NoReturn:
    raise InputError(sentence)


def _refuse_spot(points: FloatArray) -> None:
    if float(np.ptp(points, axis=0).max()) < _LEAST_PX:
        _refuse("All points lie on one spot; draw round what is meant, or along it.")


def _moved_by(start: Point | FloatArray | None, to: Point) -> str:
    if start is None:
        return "set"
    return f"moved by {float(np.hypot(to[0] - start[0], to[1] - start[1])):.0f} px"


def _move_point(state: State, edit: e.MovePoint, u: float, _: Solver) -> tuple[State, Change]:
    hand = _hand(state, edit.weld)
    before: Point | None = getattr(hand.now, edit.point)
    match edit.point:
        case "joint_root":
            hand = with_root(hand, edit.to, u)
        case "seam_end":
            hand = with_seam_end(hand, edit.to, u)
        case "toe_butting":
            hand = with_toe(hand, "butting", edit.to, u, free=edit.free)
        case "toe_nonbutting":
            hand = with_toe(hand, "nonbutting", edit.to, u, free=edit.free)
    text = f"{_NAMES[edit.point]} {_moved_by(before, edit.to)}"
    return _with(state, edit.weld, hand), Change("move_point", text, (edit.to,))


def _move_vertex(state: State, edit: e.MoveVertex, u: float, _: Solver) -> tuple[State, Change]:
    weld, part, index = parse_feature_id(edit.feature)
    hand = _hand(state, weld)
    curve = curve_of(hand, part, index)
    if not edit.index < len(curve.points):
        _refuse("This point is not there any more; look at the picture again.")
    before = curve.points[edit.index]
    if part in SURFACES:
        ends = curve.points.copy()
        ends[edit.index] = edit.to
        hand = with_surface(hand, part, ends, u)
    elif part == "seam_end":
        hand = with_seam_end(hand, edit.to, u)
    elif part in _NEEDED and edit.index in (0, len(curve.points) - 1):
        butting = (edit.index == 0) == (part == "face")
        hand = with_toe(hand, "butting" if butting else "nonbutting", edit.to, u, free=True)
    else:
        moved = dragged(curve, edit.index, edit.to, u, reach=edit.reach_px, ring=part == "void")
        hand = with_part(hand, part, moved, index=index, click=u)
    text = f"{_NAMES[part]} {_moved_by(before, edit.to)}"
    return _with(state, weld, hand), Change("move_vertex", text, (edit.to,))


def _add_vertex(state: State, edit: e.AddVertex, u: float, _: Solver) -> tuple[State, Change]:
    weld, part, index = parse_feature_id(edit.feature)
    hand = _hand(state, weld)
    if part in SURFACES or part == "seam_end":
        _refuse("A surface is straight; move its ends instead.")
    curve = with_vertex(curve_of(hand, part, index), edit.index, edit.at, u, ring=part == "void")
    hand = with_part(hand, part, curve, index=index, click=u)
    return _with(state, weld, hand), Change("add_vertex", f"{_NAMES[part]}: point added", (edit.at,))


def _remove_vertex(state: State, edit: e.RemoveVertex, u: float, _: Solver) -> tuple[State, Change]:
    weld, part, index = parse_feature_id(edit.feature)
    hand = _hand(state, weld)
    if part in SURFACES or part == "seam_end":
        _refuse("A surface is straight; move its ends instead.")
    before = curve_of(hand, part, index)
    ring = part == "void"
    curve = without_vertex(before, edit.index, u, reach=edit.reach_px or 0.0, ring=ring)
    x, y = before.points[edit.index].tolist()
    hand = with_part(hand, part, curve, index=index, click=u)
    return _with(state, weld, hand), Change("remove_vertex", f"{_NAMES[part]}: point taken out", ((x, y),))


def _redraw(state: State, edit: e.Redraw, u: float, _: Solver) -> tuple[State, Change]:
    weld, part, index = parse_feature_id(edit.feature)
    hand = _hand(state, weld)
    there = part_points(hand.now, part, index)
    if part in SURFACES:
        hand = with_surface(hand, part, _straight(edit.points, there), u)
    elif part == "seam_end":
        _refuse("The end of the unfused land is a point; move it instead.")
    elif there is None or len(there) < _CURVES_FEWEST:
        if part not in _DRAWABLE:
            _refuse("This part of the outline is not there any more; look at the picture again.")
        _refuse_spot(edit.points)
        n = len(edit.points)
        hand = with_part(hand, part, Curve(edit.points, np.full(n, u), np.ones(n, np.bool_)), click=u)
    else:
        curve = redrawn(curve_of(hand, part, index), edit.points, u, ring=part == "void")
        hand = with_part(hand, part, curve, index=index, click=u)
        if part in _NEEDED:
            hand = _toes_at_stroke(hand, part, there, edit.points, u)
    return _with(state, weld, hand), Change("redraw", f"{_NAMES[part]} redrawn", _ends(edit.points))


def _toes_at_stroke(hand: HandWeld, part: Part, before: FloatArray, stroke: FloatArray, u: float) -> HandWeld:
    """Move the toes at which a stroke along the face or the boundary begins or ends."""
    for end in stroke[[0, -1]]:
        last = nearest(before, end)
        if last not in {0, len(before) - 1}:
            continue
        butting = (last == 0) == (part == "face")
        x, y = end.tolist()
        hand = with_toe(hand, "butting" if butting else "nonbutting", (x, y), u, free=False)
    return hand


def _straight(stroke: FloatArray, before: FloatArray | None) -> FloatArray:
    """Return the ends of the straight line that fits a stroke, the way round the surface ran before."""
    centre = stroke.mean(axis=0)
    along = np.linalg.svd(stroke - centre, full_matrices=False)[2][0]
    way = stroke[-1] - stroke[0] if before is None else before[1] - before[0]
    along = -along if along @ way < 0 else along
    s = (stroke - centre) @ along
    return np.vstack([centre + s.min() * along, centre + s.max() * along])


def _ends(points: FloatArray) -> tuple[Point, ...]:
    (a, b), (c, d) = points[0].tolist(), points[-1].tolist()
    return ((a, b), (c, d))


def _add_hint(state: State, edit: e.AddHint, u: float, solver: Solver) -> tuple[State, Change]:
    words = {
        "through": "Boundary passes through a point",
        "avoid": "Boundary keeps away from a point",
        "root": "Joint root pointed at",
        "toe": "Toe pointed at",
        "edge": "Upper plate's end face pointed at",
        "butting": "Butting member pointed at",
    }
    try:
        after = resolved(state, Hint(edit.hint, edit.at), u, solver, _threshold_px(state, solver))
    except NotFoundError as error:
        raise InputError(str(error)) from error
    return after, Change("hint", words[edit.hint], (edit.at,))


def _remove_hint(state: State, edit: e.RemoveHint, _: float, solver: Solver) -> tuple[State, Change]:
    if not edit.index < len(state.hints):
        _refuse("This point is not there any more; look at the picture again.")
    gone = state.hints[edit.index]
    try:
        after = resolved_without(state, edit.index, solver, _threshold_px(state, solver))
    except NotFoundError as error:
        raise InputError(str(error)) from error
    return after, Change("remove_hint", "A pointed-at place taken back", (gone.at,))


def _threshold_px(state: State, solver: Solver) -> float:
    density = solver.px_per_mm(state.choices)
    return _THRESHOLD_PX if density is None else state.choices.fusion_threshold_mm * density


def _mark_span(state: State, edit: e.MarkSpan, u: float, solver: Solver) -> tuple[State, Change]:
    hand = _hand(state, edit.weld)
    member = edit.member or nearer_member(hand.now, np.asarray([edit.start, edit.end]))
    start, end = marked(hand.now, Span(member, edit.state, edit.start, edit.end, u))
    span = Span(member, edit.state, start, end, u)
    bare = _bare(state, hand, solver) if span.state == "fused" else None
    hand = laid(hand, span, bare, _threshold_px(state, solver))
    hand = replace(hand, spans=(*hand.spans, span))
    length = float(np.hypot(end[0] - start[0], end[1] - start[1]))
    text = f"{length:.0f} px of the {member} leg marked {edit.state}"
    return _with(state, edit.weld, hand), Change("mark_span", text, (start, end))


def _bare(state: State, hand: HandWeld, solver: Solver) -> FloatArray | None:
    if hand.base is None:
        return None
    bare = solver.bare_boundary(hand.base)
    if bare is None:  # after a restart the solver has not looked yet
        with contextlib.suppress(NotFoundError):
            solver.find(state.choices.joint, state.hints)
        bare = solver.bare_boundary(hand.base)
    return bare


def _add_ring(state: State, edit: e.AddVoid | e.AddIndication, u: float, _: Solver) -> tuple[State, Change]:
    hand = _hand(state, edit.weld)
    part: Part = "void" if isinstance(edit, e.AddVoid) else "indication"
    _refuse_spot(edit.points)
    n = len(edit.points)
    there = len(hand.now.voids if part == "void" else hand.now.indications)
    curve = Curve(edit.points, np.full(n, u), np.ones(n, np.bool_))
    hand = with_part(hand, part, curve, index=there, click=u)
    x, y = edit.points.mean(axis=0).tolist()
    return _with(state, edit.weld, hand), Change(f"add_{part}", f"{_NAMES[part]} marked", ((x, y),))


def _remove(state: State, edit: e.Remove, u: float, _: Solver) -> tuple[State, Change]:
    weld, part, index = parse_feature_id(edit.feature)
    hand = _hand(state, weld)
    if part in _NEEDED:
        _refuse("A weld needs its face and its fusion boundary; redraw them, or take the whole weld away.")
    before = curve_of(hand, part, index)
    hand = with_part(hand, part, None, index=index, click=u)
    hand = replace(
        hand, set_points={k: v for k, v in hand.set_points.items() if part in MANY or k != key_of(part, 0)}
    )
    return _with(state, weld, hand), Change("remove", f"{_NAMES[part]} taken away", _ends(before.points)[:1])


def _remove_weld(state: State, edit: e.RemoveWeld, _: float, __: Solver) -> tuple[State, Change]:
    gone = _hand(state, edit.weld)
    left = (*state.welds[: edit.weld], *state.welds[edit.weld + 1 :])
    x, y = gone.now.polygon.mean(axis=0).tolist()
    problem = None if left else "The weld was taken away by hand; draw the weld, or undo."
    removed = replace(state, welds=left, problem=problem, removed=state.removed + 1)
    return removed, Change("remove_weld", f"Weld {edit.weld + 1} taken away", ((x, y),))


def _confirm(state: State, edit: e.Confirm, _: float, __: Solver) -> tuple[State, Change]:
    hand = _hand(state, edit.weld)
    there = frozenset(p for p in _CONFIRMED if part_points(hand.now, p) is not None)
    x, y = hand.now.polygon.mean(axis=0).tolist()
    change = Change("confirm", f"Weld {edit.weld + 1} taken as right as it stands", ((x, y),))
    return _with(state, edit.weld, replace(hand, decided=hand.decided | there)), change


def _draw_weld(state: State, edit: e.DrawWeld, u: float, _: Solver) -> tuple[State, Change]:
    hand = drawn_weld(edit.joint, edit.toe_butting, edit.toe_nonbutting, edit.joint_root, u)
    points = tuple(p for p in (edit.toe_butting, edit.joint_root, edit.toe_nonbutting) if p is not None)
    change = Change("draw_weld", f"Weld drawn by hand ({edit.joint})", points)
    if edit.replace is not None:
        _hand(state, edit.replace)
        return _with(state, edit.replace, hand), change
    return replace(state, welds=(*state.welds, hand), problem=None), change


def _set_scale(state: State, edit: e.SetScale) -> tuple[State, Change]:
    (a, b), (c, d) = edit.ends
    mark = f"points:{a:.2f},{b:.2f},{c:.2f},{d:.2f}={edit.length.strip()}"
    choices = chosen(state.choices, {"marks": [mark]}, {})
    text = f"Scale set: {edit.length.strip()} between two points"
    return replace(state, choices=choices), Change("set_scale", text, edit.ends)


def _choose(state: State, choices: Choices, solver: Solver) -> tuple[State, Change]:
    words = {
        "marks": "mark",
        "joint": "joint",
        "limits": "limits",
        "given": "thicknesses",
        "guard": "guard band",
        "fusion_threshold": "fusion threshold",
        "mark_offset": "height of the mark",
        "camera_distance": "distance of the camera",
    }
    new = [word for name, word in words.items() if getattr(choices, name) != getattr(state.choices, name)]
    after = replace(state, choices=choices)
    if choices.joint != state.choices.joint:
        after = found_anew(after, solver)
    return after, Change("settings", f"Chosen: {', '.join(new) or 'nothing new'}")


def _reset(state: State, edit: e.Plain, _: float, solver: Solver) -> tuple[State, Change]:
    if edit.kind != "reset":
        _refuse("Undo and redo go step by step.")
    return found_anew(replace(state, hints=(), removed=0), solver), Change("reset", "Back to what was found")


_REDUCERS: dict[type, Callable[[State, Any, float, Solver], tuple[State, Change]]] = {
    e.MovePoint: _move_point,
    e.MoveVertex: _move_vertex,
    e.AddVertex: _add_vertex,
    e.RemoveVertex: _remove_vertex,
    e.Redraw: _redraw,
    e.AddHint: _add_hint,
    e.RemoveHint: _remove_hint,
    e.MarkSpan: _mark_span,
    e.AddVoid: _add_ring,
    e.AddIndication: _add_ring,
    e.Remove: _remove,
    e.RemoveWeld: _remove_weld,
    e.Confirm: _confirm,
    e.DrawWeld: _draw_weld,
    e.Plain: _reset,
}
