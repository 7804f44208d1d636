"""What the page is given about one photo: a state and its numbers as `protocol_state` says."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, cast

import numpy as np

from macrocheck.arrays import FloatArray, Point
from macrocheck.flags import Flag
from macrocheck.outline import WeldOutline
from macrocheck.outline_correction import ANSWERED
from macrocheck.outline_features import GEOMETRY, MANY, PARTS, Part
from macrocheck.quantities import BY_KEY
from macrocheck.report.numbers import LengthUnit, written
from macrocheck.report.tables import limit_text
from macrocheck.results import CAUTIONS, Quantity, Verdict
from macrocheck.review import protocol_state as p
from macrocheck.review.choices import Choices
from macrocheck.review.curves import handles
from macrocheck.review.figures import Figures
from macrocheck.review.hand import SURFACES, HandWeld, part_points, set_by_hand
from macrocheck.review.journal import Decision
from macrocheck.review.spans import surface_of
from macrocheck.review.state import History, State
from macrocheck.scale import FoundMark, Scale

if TYPE_CHECKING:
    from macrocheck.review.edits import Member

QUIET = frozenset({"scale_one_mark", "scale_stated", "corrected_by_hand"})
"""Flags that nearly every photo has, or that only say what a person did: they ask for no look."""
_ANSWERABLE = frozenset[str]().union(*ANSWERED.values()) - {"surface_missing"}
_MOVED, _SURER = 0.05, 1.25
"""A quantity changed where it moved by this much of its U95, or where its u grew or shrank by this factor."""
_BOX_PX, _BOX_SHARE = 40.0, 0.02
"""Room about a flag's place when zoomed to: px at least, and as a share of the picture's longer side."""


@dataclass(frozen=True, slots=True)
class About:
    """What of a photo's state is neither outline nor number."""

    id: str
    name: str
    view: p.PhotoView
    decision: Decision | None
    held_by: p.Holder | None
    saved: tuple[str, ...]
    attached: tuple[str, ...]
    on_record: p.OnRecord | None
    ms: dict[str, float]


def photo_state(about: About, history: History, figures: Figures, before: Figures | None) -> p.PhotoState:
    """Return everything about one photo; `before`: the numbers that stood before the last edit."""
    state = history.now
    flags = flags_of(figures)
    undo = history.changes[-1].change if history.changes else None
    redo = history.undone
    return {
        "id": about.id,
        "name": about.name,
        "revision": history.revision,
        "view": about.view,
        "settings": settings_json(state.choices),
        "scale": None if figures.scale is None else _scale(figures.scale),
        "scale_problem": figures.problem,
        "welds": [_weld(state, figures, before, k) for k in range(len(state.welds))],
        "outline_problem": state.problem,
        "made_by": figures.outline.made_by,
        "joint": figures.outline.welds[0].joint if figures.outline.welds else None,
        "hints": [{"index": k, "hint": h.hint, "at": list(h.at)} for k, h in enumerate(state.hints)],
        "flags": [_flag(weld, flag, state) for weld, flag in flags],
        "grade": figures.verdicts.grade,
        "grade_before": None if before is None else before.verdicts.grade,
        "limits_title": None if state.choices.limits is None else state.choices.limits.read().title or None,
        "rule": figures.verdicts.rule,
        "notes": list(figures.verdicts.notes),
        "cautions": list(CAUTIONS),
        "changes": [
            {
                "revision": step.revision,
                "kind": step.change.kind,
                "text": step.change.text,
                "who": step.change.who,
                "at": step.change.at,
                "points": [list(at) for at in step.change.points],
            }
            for step in history.changes
            if step.change is not None
        ],
        "decision": decision_json(about.decision),
        "can_undo": bool(history.changes),
        "can_redo": redo is not None,
        "undo_text": None if undo is None else undo.text,
        "redo_text": None if redo is None or redo.change is None else redo.change.text,
        "held_by": about.held_by,
        "saved": list(about.saved),
        "attached": list(about.attached),
        "on_record": about.on_record,
        "ms": dict(about.ms),
    }


def settings_json(choices: Choices) -> p.Settings:
    """Return what was chosen for a photo."""
    return cast("p.Settings", choices.to_json())


def decision_json(decision: Decision | None) -> p.Decision | None:
    """Return a decision as the page is given it."""
    if decision is None:
        return None
    return {
        "word": "accept" if decision.word == "accept" else "look_again",
        "reason": decision.reason,
        "who": decision.who,
        "at": decision.at,
    }


def flags_of(figures: Figures) -> list[tuple[int | None, Flag]]:
    """Return every flag with the weld it is about; None for those of the photo or the scale."""
    flags: list[tuple[int | None, Flag]] = []
    for k, weld in enumerate(figures.outline.welds):
        measured = figures.measurements[k].flags if k < len(figures.measurements) else ()
        flags += [(k, f) for f in (*weld.flags, *measured)]
    flags += [(None, f) for f in figures.outline.flags]
    flags += [(None, f) for f in (figures.scale.flags if figures.scale is not None else ())]
    return flags


def doubts_of(figures: Figures, state: State) -> int:
    """Return how much of a photo asks for a look; no scale or no outline counts most."""
    missing = (figures.problem is not None) + (state.problem is not None)
    return 10 * missing + sum(flag.code not in QUIET for _, flag in flags_of(figures))


def _flag(weld: int | None, flag: Flag, state: State) -> p.FlagState:
    box = None
    if flag.where_px:
        points = np.asarray(flag.where_px)
        room = max(_BOX_PX, _BOX_SHARE * max(state.width, state.height))
        box = [*(points.min(axis=0) - room).tolist(), *(points.max(axis=0) + room).tolist()]
    return {
        "code": flag.code,
        "text": flag.text,
        "where_px": [list(at) for at in flag.where_px],
        "box": box,
        "weld": weld,
        "asks": flag.code not in QUIET,
    }


def _scale(scale: Scale) -> p.ScaleState:
    return {
        "mm_per_px": scale.mm_per_px,
        "u_rel": scale.u_rel,
        "method": scale.method,
        "marks": [_mark(scale, mark) for mark in scale.marks],
        "by_hand": any(mark.kind == "points" for mark in scale.marks),
    }


def _mark(scale: Scale, mark: FoundMark) -> p.MarkState:
    ends = None
    length = None
    if mark.kind in {"bar", "ruler", "points"} and len(mark.points_px) >= 2:
        ends = _furthest(mark.points_px)
        (ax, ay), (bx, by) = scale.to_mm(np.asarray(ends)).tolist()
        stated = mark.text.partition("=")[2] if mark.kind == "points" else ""
        length = stated.partition("+-")[0].strip() or f"{float(np.hypot(bx - ax, by - ay)):.6g}mm"
    return {
        "kind": mark.kind,
        "text": mark.text,
        "points": mark.points_px.tolist(),
        "ends": ends,
        "length": length,
        "mm_per_px": mark.mm_per_px,
        "u_rel": mark.u_rel,
    }


def _furthest(points: FloatArray) -> list[p.Xy]:
    """Return the two ends of what lies along a line."""
    centre = points.mean(axis=0)
    along = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    s = (points - centre) @ along
    return [points[int(np.argmin(s))].tolist(), points[int(np.argmax(s))].tolist()]


def _weld(state: State, figures: Figures, before: Figures | None, k: int) -> p.WeldState:
    hand = state.welds[k]
    weld = hand.now
    quantities = _quantities(figures, before, k)
    root = weld.joint_root
    found = _found(state, hand, k)
    return {
        "index": k,
        "joint": weld.joint,
        "joint_root": None if root is None else list(root),
        "toe_butting": list(weld.toe_butting) if weld.complete_butting else None,
        "toe_nonbutting": list(weld.toe_nonbutting) if weld.complete_nonbutting else None,
        "features": _features(k, weld, hand),
        "found": [] if found is None else _features(k, found, None),
        "spans": _spans(figures, hand, k),
        "quantities": quantities,
        "changed": [q["key"] for q in quantities if q["before"] is not None],
        "confirmable": bool(weld.withheld) or any(f.code in _ANSWERABLE for f in weld.flags),
    }


def _found(state: State, hand: HandWeld, k: int) -> WeldOutline | None:
    """Return what the machine had found of this weld, before any hint or hand."""
    if hand.base is None or not state.found:
        return None
    middle = hand.base.polygon.mean(axis=0)
    away = [float(np.hypot(*(w.polygon.mean(axis=0) - middle))) for w in state.found]
    nearest = int(np.argmin(away))
    return state.found[nearest] if nearest == k or min(away) < away[min(k, len(away) - 1)] else state.found[k]


def _features(k: int, weld: WeldOutline, hand: HandWeld | None) -> list[p.Feature]:
    features: list[p.Feature] = []
    for part in PARTS:
        count = len(weld.voids) if part == "void" else len(weld.indications) if part == "indication" else 1
        for index in range(count):
            points = part_points(weld, part, index)
            if points is not None:
                features.append(_feature(k, weld, hand, part, index, points))
    return features


def _feature(
    k: int, weld: WeldOutline, hand: HandWeld | None, part: Part, index: int, points: FloatArray
) -> p.Feature:
    kind = GEOMETRY[part]
    ring = kind == "Polygon"
    u = {"face": weld.u_face, "fusion": weld.u_fusion}.get(part)
    chosen = handles(points, ring=ring) if kind != "Point" else [0]
    if part in {"face", "fusion"}:
        chosen = [i for i in chosen if i not in {0, len(points) - 1}]
    placed = np.zeros(len(points), np.bool_) if hand is None else set_by_hand(hand, part, index, points)
    return {
        "id": f"{k}/{part}/{index}" if part in MANY else f"{k}/{part}",
        "weld": k,
        "part": part,
        "shape": "ring" if ring else "point" if kind == "Point" else "line",
        "points": np.round(points, 3).tolist(),
        "by_hand": hand is not None and (part in hand.touched or hand.base is None),
        "hand": np.flatnonzero(placed).tolist(),
        "handles": [0, 1] if part in SURFACES else chosen,
        "u_px": [] if u is None else np.round(u, 3).tolist(),
    }


def _spans(figures: Figures, hand: HandWeld, k: int) -> list[p.SpanState]:
    weld = hand.now
    root = weld.joint_root
    if figures.scale is None or root is None or k >= len(figures.measurements):
        return []
    spans: list[p.SpanState] = []
    members: tuple[Member, ...] = ("butting", "nonbutting")
    for member in members:
        line = surface_of(weld, member)
        quantity = figures.measurements[k].quantities.get(f"unfused_spans_{member}")
        if line is None or quantity is None or not isinstance(quantity.value, tuple):
            continue
        toe = np.asarray(weld.toe_butting if member == "butting" else weld.toe_nonbutting)
        along = toe - np.asarray(root)
        along = along / max(float(np.hypot(*along)), 1e-9)
        for pair in quantity.value:
            if not isinstance(pair, tuple):
                continue
            start, end = pair
            ends = _along(figures.scale, root, along, (start, end))
            marked = any(
                s.member == member and s.state == "unfused" and _overlaps(s.start, s.end, ends, root)
                for s in hand.spans
            )
            spans.append(
                {
                    "member": member,
                    "start_mm": float(start),
                    "end_mm": float(end),
                    "points": ends.tolist(),
                    "by_hand": marked,
                }
            )
    return spans


def _along(scale: Scale, root: Point, along: FloatArray, stations_mm: Sequence[float]) -> FloatArray:
    """Return points (n, 2) px at stations in mm from the joint root along a surface."""
    origin = scale.to_mm(np.asarray([root]))[0]
    ahead = scale.to_mm(np.asarray([np.asarray(root) + 50.0 * along]))[0] - origin
    unit = ahead / float(np.hypot(*ahead))
    return scale.to_px(origin + np.asarray(stations_mm)[:, None] * unit)


def _overlaps(start: Point, end: Point, ends: FloatArray, root: Point) -> bool:
    a = sorted(float(np.hypot(x - root[0], y - root[1])) for x, y in (start, end))
    b = sorted(float(np.hypot(x - root[0], y - root[1])) for x, y in ends.tolist())
    return a[0] < b[1] and b[0] < a[1]


def _quantities(figures: Figures, before: Figures | None, k: int) -> list[p.QuantityState]:
    if k >= len(figures.measurements):
        return []
    verdicts = figures.verdicts.per_weld[k] if k < len(figures.verdicts.per_weld) else ()
    old: dict[str, Quantity] = {}
    words: dict[tuple[str, str], p.Word] = {}
    if before is not None and k < len(before.measurements):
        old = before.measurements[k].quantities
        earlier = before.verdicts.per_weld[k] if k < len(before.verdicts.per_weld) else ()
        words = {(v.limit, v.quantity): v.word for v in earlier}
    measured = figures.measurements[k].quantities
    rows = [
        _quantity(key, q, old.get(key), [v for v in verdicts if v.quantity == key], words)
        for key, q in measured.items()
    ]
    # A limit on something that this joint does not have still has to be seen.
    for verdict in verdicts:
        if verdict.quantity not in measured:
            nothing = Quantity(None, None, None, verdict.unit, None)
            rows.append(_quantity(verdict.quantity, nothing, None, [verdict], words))
    return rows


def _quantity(
    key: str, q: Quantity, old: Quantity | None, verdicts: Sequence[Verdict], words: dict[tuple[str, str], p.Word]
) -> p.QuantityState:
    kind = BY_KEY.get(key)
    changed = old is not None and _differs(old, q)
    return {
        "key": key,
        "name": key if kind is None else kind.name,
        "unit": q.unit,
        "value": _value(q),
        "u": q.u,
        "U95": q.U95,
        "reason": q.reason,
        "text": _text(q),
        "before": {"value": _value(old), "u": old.u, "U95": old.U95, "text": _text(old)}
        if old is not None and changed
        else None,
        "verdicts": [_verdict(v, words.get((v.limit, v.quantity))) for v in verdicts],
    }


def _differs(old: Quantity, new: Quantity) -> bool:
    """Whether a quantity changed; the draws behind each number are drawn anew with every curve and say nothing."""
    if not (isinstance(old.value, float | int) and isinstance(new.value, float | int) and old.u and new.u):
        return (_value(old), old.reason) != (_value(new), new.reason)
    moved = abs(new.value - old.value) > _MOVED * max(new.U95 or 0.0, old.U95 or 0.0)
    return moved or not 1 / _SURER < new.u / old.u < _SURER


def _value(q: Quantity) -> p.Value:
    if isinstance(q.value, tuple):
        return cast("p.Value", [list(v) if isinstance(v, tuple) else v for v in q.value])
    return q.value


def _text(q: Quantity) -> p.Text:
    return {"mm": written(q, "mm").full, "inch": written(q, "in").full}


def _verdict(v: Verdict, before: p.Word | None) -> p.VerdictState:
    units: tuple[LengthUnit, LengthUnit] = ("mm", "in")
    mm, inch = (limit_text(v, unit) for unit in units)
    return {
        "limit": v.limit,
        "quantity": v.quantity,
        "word": v.word,
        "before": before if before != v.word else None,
        "at_least": v.at_least,
        "at_most": v.at_most,
        "unit": v.unit,
        "value": v.value,
        "guard": v.guard,
        "source": v.source,
        "text": v.text,
        "limit_text": {"mm": mm, "inch": inch},
    }


def holder_json(window: str, who: str, seconds: float) -> p.Holder:
    """Return who has a photo open."""
    return {"window": window, "who": who, "seconds": round(seconds, 1)}


def change_rows(history: History) -> list[dict[str, object]]:
    """Return what the hand changed, for the files that are saved."""
    return [{**asdict(s.change), "revision": s.revision} for s in history.changes if s.change is not None]
