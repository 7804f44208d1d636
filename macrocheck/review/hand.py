"""One weld under a person's hand: what was found, how it stands now, and which of it the hand made."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray, Point, frozen
from macrocheck.errors import InputError
from macrocheck.flags import Flag
from macrocheck.outline import Joint, Outline, SurfaceLine, WeldOutline
from macrocheck.outline_correction import ANSWERED, CLICK_U_PX, CORRECTED, line_ends
from macrocheck.outline_features import DIGEST_DECIMALS, GEOMETRY, MANY, PARTS, Part
from macrocheck.outline_file import outline_from_geojson, outline_to_geojson
from macrocheck.review.curves import Curve
from macrocheck.review.edits import Member, SpanKind

SURFACES: tuple[Part, ...] = ("surface_butting", "surface_nonbutting", "surface_top")


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a leg that a person marked: its ends on the member's surface, px; `u` of the clicks, px."""

    member: Member
    state: SpanKind
    start: Point
    end: Point
    u: float


@dataclass(frozen=True, eq=False, slots=True)
class HandWeld:
    """One weld. `base`: as the solver found it, hints included; None where a person drew it.

    `now`: as it stands, every later edit starts from it. `touched`: parts whose geometry is the hand's; `decided`:
    those about whose doubts the hand decided, moved or not. `set_points`: per part the vertices a person set, px.
    `click`: per surface the uncertainty of the clicks it rests on, px. `spans`: stretches marked by hand.
    """

    base: WeldOutline | None
    now: WeldOutline
    touched: frozenset[Part] = frozenset()
    decided: frozenset[Part] = frozenset()
    set_points: Mapping[str, FloatArray] = field(default_factory=dict)
    click: Mapping[str, float] = field(default_factory=dict)
    spans: tuple[Span, ...] = ()

    @property
    def by_hand(self) -> bool:
        """Whether any of it is the hand's."""
        return self.base is None or bool(self.touched or self.decided)


def parse_feature_id(feature: str) -> tuple[int, Part, int]:
    """Return weld, part and index (0 where there is one only) of a feature's id; InputError where it is none."""
    weld, _, rest = feature.partition("/")
    part, _, index = rest.partition("/")
    for known in PARTS:
        if (
            part == known
            and weld.isdigit()
            and len(weld) < 5
            and (not index or (index.isdigit() and len(index) < 5))
        ):
            return int(weld), known, int(index or 0)
    msg = "This part of the outline is not there any more; look at the picture again."
    raise InputError(msg)


def curve_of(hand: HandWeld, part: Part, index: int = 0) -> Curve:
    """Return one part of a weld as a curve; InputError where the weld has none."""
    weld = hand.now
    u: FloatArray | None = {"face": weld.u_face, "fusion": weld.u_fusion}.get(part)
    points = part_points(weld, part, index)
    if points is None:
        msg = "This part of the outline is not there any more; look at the picture again."
        raise InputError(msg)
    return Curve.of(points, u, set_by_hand(hand, part, index, points))


def key_of(part: Part, index: int) -> str:
    """Return the key of a part in `set_points`."""
    return f"{part}/{index}" if part in MANY else part


def set_by_hand(hand: HandWeld, part: Part, index: int, points: FloatArray) -> BoolArray:
    """Return which of `points` (n, 2) a person set."""
    placed = hand.set_points.get(key_of(part, index))
    if placed is None or not len(placed):
        return np.zeros(len(points), np.bool_)
    known = {tuple(p) for p in np.round(placed, DIGEST_DECIMALS).tolist()}
    return np.array([tuple(p) in known for p in np.round(points, DIGEST_DECIMALS).tolist()])


def part_points(weld: WeldOutline, part: Part, index: int = 0) -> FloatArray | None:
    """Return where a part of a weld lies, (n, 2) px; None where it has none."""
    if part in SURFACES:
        line: SurfaceLine | None = getattr(weld, part)
        return None if line is None else line_ends(line)
    if part in MANY:
        many: tuple[FloatArray, ...] = weld.voids if part == "void" else weld.indications
        return many[index] if index < len(many) else None
    if part == "seam_end":
        return None if weld.seam_end is None else np.asarray([weld.seam_end], np.float64)
    points: FloatArray | None = getattr(weld, part)
    return points


def with_part(
    hand: HandWeld,
    part: Part,
    curve: Curve | None,
    *,
    index: int = 0,
    decided: bool = True,
    click: float = CLICK_U_PX,
) -> HandWeld:
    """Return the weld with one part elsewhere, or gone (None); `decided`: the hand decided about its doubts."""
    points = None if curve is None else frozen(curve.points)
    set_points = {k: v for k, v in hand.set_points.items() if k != key_of(part, index)}
    if curve is not None and curve.hand.any():
        set_points[key_of(part, index)] = frozen(curve.points[curve.hand])
    if curve is None and part in MANY:
        set_points = _closed_up(set_points, part, index)
    clicks = dict(hand.click)
    if part in SURFACES:
        clicks[part] = max(click, clicks.get(part, 0.0))
    return replace(
        hand,
        now=_moved(hand.now, part, points, None if curve is None else frozen(curve.u), index),
        touched=hand.touched | {part},
        decided=hand.decided | {part} if decided else hand.decided,
        set_points=set_points,
        click=clicks,
    )


def _closed_up(set_points: Mapping[str, FloatArray], part: Part, gone: int) -> dict[str, FloatArray]:
    """Renumber the parts after one that was taken out."""
    out = {}
    for key, points in set_points.items():
        name, _, number = key.partition("/")
        if name == part and int(number) > gone:
            out[key_of(part, int(number) - 1)] = points
        elif key != key_of(part, gone):
            out[key] = points
    return out


def _moved(
    weld: WeldOutline, part: Part, points: FloatArray | None, u: FloatArray | None, index: int
) -> WeldOutline:
    changes: dict[str, Any] = {part: points}
    match part:
        case "face" | "fusion":
            changes[f"u_{part}"] = u
        case "surface_butting" | "surface_nonbutting" | "surface_top":
            changes = {part: None if points is None else line_between(points)}
        case "void":
            changes = {"voids": _listed(weld.voids, index, points), "u_voids": (0.0, 0.0)}
        case "indication":
            changes = {"indications": _listed(weld.indications, index, points)}
        case "seam_end":
            changes = {part: None if points is None else (float(points[0, 0]), float(points[0, 1]))}
    return replace(weld, **changes)


def _listed(many: tuple[FloatArray, ...], index: int, points: FloatArray | None) -> tuple[FloatArray, ...]:
    new = () if points is None else (points,)
    return (*many[:index], *new, *many[index + 1 :])


def line_between(points: FloatArray) -> SurfaceLine:
    """Return the line from the first of two points (2, 2) to the second; its uncertainty is set on assembly."""
    (x0, y0), (x1, y1) = points.tolist()
    length = float(np.hypot(x1 - x0, y1 - y0))
    if length < 5.0:
        msg = "The two ends of a surface line must lie further apart; draw it along the member's surface."
        raise InputError(msg)
    return SurfaceLine(((x0 + x1) / 2, (y0 + y1) / 2), ((x1 - x0) / length, (y1 - y0) / length), 0.0, 0.0, length)


def assembled(hand: HandWeld, width: int, height: int) -> WeldOutline:
    """Return the weld as it is measured: made good and flagged exactly as an outline file that a person changed.

    The uncertainty of what the hand set is the click's. Doubts about a part are answered where the hand decided
    about it, not where it merely followed (a toe drags the ends of face and boundary along).
    Raises InputError where it cannot be a weld so.
    """
    if hand.base is not None and not hand.touched:
        return _confirmed(hand, hand.base) if hand.decided else hand.base
    document = _document(hand, width, height)
    weld = outline_from_geojson(document, width=width, height=height, joint=hand.now.joint).welds[0]
    for part in SURFACES:
        line: SurfaceLine | None = getattr(weld, part)
        factor = hand.click.get(part, CLICK_U_PX) / CLICK_U_PX
        if part in hand.touched and line is not None and factor > 1:
            wider = replace(line, u_offset=line.u_offset * factor, u_angle=line.u_angle * factor)
            changes: dict[str, Any] = {part: wider}
            weld = replace(weld, **changes)
    return weld if hand.base is None else _with_doubts(hand, hand.base, weld)


def _confirmed(hand: HandWeld, base: WeldOutline) -> WeldOutline:
    """Return a found outline that a person took as right: nothing of it moved, so its uncertainty stays."""
    text = "The outline was looked at and confirmed by hand; no part of it was moved."
    return _with_doubts(hand, base, replace(base, flags=(Flag(CORRECTED, text),)))


def _with_doubts(hand: HandWeld, base: WeldOutline, weld: WeldOutline) -> WeldOutline:
    answered: set[str] = set().union(*(ANSWERED.get(part, frozenset()) for part in hand.decided))
    kept = tuple(f for f in base.flags if f.code not in answered and f.code != CORRECTED)
    added = tuple(f for f in weld.flags if f.code == CORRECTED)
    withheld = {} if any(part in ANSWERED for part in hand.decided) else dict(base.withheld)
    return replace(weld, flags=(*kept, *added), withheld=withheld)


def _document(hand: HandWeld, width: int, height: int) -> dict[str, Any]:
    """Return the outline file of this one weld as a person's editor would leave it."""
    now = hand.now
    start = hand.base or now
    document = outline_to_geojson(Outline(width, height, (start,)))
    before: list[dict[str, Any]] = document["features"]
    by_part: dict[str, list[dict[str, Any]]] = {}
    for feature in before:
        by_part.setdefault(feature["properties"]["part"], []).append(feature)
    features: list[dict[str, Any]] = []
    for part in PARTS:
        there = by_part.get(part, [])
        if part not in hand.touched and hand.base is not None:
            features += there
            continue
        for k, points in enumerate(_every(now, part)):
            properties = dict(there[0]["properties"]) if there else {"weld": 0, "part": part}
            if part in MANY or hand.base is None:
                properties = {name: v for name, v in properties.items() if name not in {"found", "found_weld"}}
            if part in {"face", "fusion"}:
                u = now.u_face if part == "face" else now.u_fusion
                rows = zip(points.tolist(), u.tolist(), strict=True)
                properties["u_at"] = [[x, y, v] for (x, y), v in rows]
            same = next((f for f in there if _lies_at(f, points)), None)
            features.append(same or _feature(part, points, properties, k))
    document["features"] = features
    if hand.base is None:
        document.pop("macrocheck", None)
    return document


def _every(weld: WeldOutline, part: Part) -> list[FloatArray]:
    if part in MANY:
        return list(weld.voids if part == "void" else weld.indications)
    points = part_points(weld, part)
    return [] if points is None else [points]


def _lies_at(feature: Mapping[str, Any], points: FloatArray) -> bool:
    """Whether a feature has exactly these points, so that nothing of it is the hand's."""
    rows = feature["geometry"]["coordinates"]
    kind = feature["geometry"]["type"]
    there = [rows] if kind == "Point" else rows[0][:-1] if kind == "Polygon" else rows
    return len(there) == len(points) and bool(np.array_equal(np.asarray(there), points))


def _feature(part: Part, points: FloatArray, properties: dict[str, Any], number: int) -> dict[str, Any]:
    rows = points.tolist()
    kind = GEOMETRY[part]
    coordinates: Any = rows[0] if kind == "Point" else [[*rows, rows[0]]] if kind == "Polygon" else rows
    return {
        "type": "Feature",
        "id": number,
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }


def drawn_weld(
    joint: Joint, toe_butting: Point, toe_nonbutting: Point, root: Point | None, click: float
) -> HandWeld:
    """Return a weld that a person begins: straight face, unfused along surfaces from the root to the toes."""
    from macrocheck.review.curves import STRAIGHT_SHARE, along

    a, b = np.asarray(toe_butting, np.float64), np.asarray(toe_nonbutting, np.float64)
    chord = float(np.hypot(*(b - a)))
    if chord < 8.0:
        msg = "The two toes must lie further apart; click them where the face meets each member."
        raise InputError(msg)
    step = max(2.0, chord / 120)
    face = along(np.vstack([a, b]), step)
    bulge = STRAIGHT_SHARE * chord * np.sin(np.linspace(0, np.pi, len(face)))
    if root is None:
        fusion = _bowed(b, a, 0.1 * chord, step)
        surfaces: dict[str, SurfaceLine | None] = {"surface_nonbutting": line_between(np.vstack([a, b]))}
    else:
        r = np.asarray(root, np.float64)
        if min(np.hypot(*(a - r)), np.hypot(*(b - r))) < 8.0:
            msg = "The joint root must lie further from the toes; click it where the two surfaces meet."
            raise InputError(msg)
        fusion = np.vstack([along(np.vstack([b, r]), step), along(np.vstack([r, a]), step)[1:]])
        surfaces = {
            "surface_butting": line_between(np.vstack([r, a])),
            "surface_nonbutting": line_between(np.vstack([r, b])),
        }
    weld = WeldOutline(
        joint=joint,
        surface_butting=surfaces.get("surface_butting"),
        surface_nonbutting=surfaces.get("surface_nonbutting"),
        face=frozen(face),
        fusion=frozen(fusion),
        u_face=frozen(np.hypot(click, bulge)),
        u_fusion=frozen(np.full(len(fusion), click)),
        correlation_px=max(8.0, chord / 10),
    )
    ends = frozen(np.vstack([a, b]))
    touched: frozenset[Part] = frozenset({"face", "fusion", "surface_butting", "surface_nonbutting"})
    return HandWeld(None, weld, touched, touched, {"face": ends, "fusion": ends}, dict.fromkeys(surfaces, click))


def _bowed(start: FloatArray, end: FloatArray, depth: float, step: float) -> FloatArray:
    """Return an arc-like curve under the line from `start` to `end`, on the side away from the face."""
    from macrocheck.review.curves import along

    line = along(np.vstack([start, end]), step)
    across = end - start
    down = np.array([-across[1], across[0]]) / float(np.hypot(*across))
    if down[1] < 0:  # a bead is photographed lying: its fusion zone is below the surface
        down = -down
    return line + depth * np.sin(np.linspace(0, np.pi, len(line)))[:, None] * down
