"""The search for a bead on plate: looks drawn out across the plate, and the choice between their fits."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from macrocheck.flags import Flag
from macrocheck.outline import WeldOutline
from macrocheck.quantities import QUANTITIES
from macrocheck.segment.flattened import SHARE, STRETCH, Frame, frame_of, surface_angle
from macrocheck.segment.locate import BACK, LEAST_SCORE, Spot, overlap, spots
from macrocheck.segment.looks import Looks
from macrocheck.segment.maps import BACKGROUND, RegionMaps

_FAULTS = {
    "regions_unsure": 2.0,
    "surface_missing": 2.0,
    "touches_edge": 1.0,
    "second_boundary": 0.5,
    "low_contrast": 0.5,
    "toe_unsure": 0.5,
    "surface_bent": 1.5,
    "weld_in_parts": 0.5,
}
"""How much each flag speaks against a fit."""
_HOPELESS, _RAGGED, _LIKE = 1.0, 3.0, 2.0
"""The same of an outline in a picture too unclear to state anything, and of a wholly ragged one; how much it speaks
for one that it looks like a bead all over."""
_SOUND, _BAD = 0.5, 1.5
"""Faults up to which no other look is asked; from which another place is."""
_OTHER_LOOKS = ((SHARE, (1.4, STRETCH, 3.0)), (0.42, (STRETCH,)))
"""Share, and how many times drawn out, of further looks at the same bead."""
_MARGIN = 0.1
"""By how much a later look's fit must be better, in faults less likeness, to take an earlier one's place."""
_TURNED = 3.0
"""How much speaks against a fit that has air and plate the other way round than looks that are not drawn out."""
_IN_AIR = 0.3
"""Part of a bead's border that lies in the air at least: its face."""
_RIVAL = 0.25
"""Score, as a share of the best, from which another patch is tried."""
_SAME = 0.85
"""Frames whose spans differ by less, and whose centres by less than what is left to one, are the same."""
_LONGER = 1.04
"""A fit that shows so many times as wide a bead may have one more small fault."""

_BESIDE, _BLURRED, _CLEARLY = 0.06, 2.0, 0.2
"""Where air and plate are told apart: part of the bead's width, and px of the first look, off the plate's surface;
by how much the probability of air must differ."""

Fit = Callable[[RegionMaps], WeldOutline | None]


def faults(weld: WeldOutline) -> float:
    """How much speaks against a fit."""
    return sum(_FAULTS.get(code, 0.0) for code in {f.code for f in weld.flags})


def _raggedness(weld: WeldOutline) -> float:
    """Part of the outline's convex hull that it does not fill: molten metal has smooth borders, stains have not."""
    outline = weld.polygon.astype(np.float32)
    return 1.0 - float(cv2.contourArea(outline)) / max(float(cv2.contourArea(cv2.convexHull(outline))), 1e-6)


def _against(weld: WeldOutline, maps: RegionMaps) -> float:
    """How much speaks against a fit, all told."""
    hopeless = _HOPELESS if weld.withheld else 0.0
    return faults(weld) + hopeless + _RAGGED * _raggedness(weld) - _LIKE * _likeness(maps)


def _width(weld: WeldOutline) -> float:
    return float(np.hypot(*(np.asarray(weld.toe_nonbutting) - np.asarray(weld.toe_butting))))


def _wider(other: WeldOutline, best: WeldOutline) -> bool:
    """Whether another sound fit shows more of the bead, with no more than a small fault more."""
    if faults(other) >= _BAD or faults(other) - faults(best) > _FAULTS["toe_unsure"]:
        return False
    return _width(other) > _LONGER * _width(best)


@dataclass(frozen=True, slots=True)
class _Choice:
    """A fit, how much speaks against it, and whether it has air where plain looks have the plate."""

    against: float
    weld: WeldOutline
    turned: bool


def _near(a: Frame, b: Frame) -> bool:
    off = float(np.hypot(*(np.asarray(a.centre) - np.asarray(b.centre))))
    return off < (1 - _SAME) * max(a.span, b.span) and _SAME < a.span / b.span < 1 / _SAME


def _flat_looks(looks: Looks, under: RegionMaps, frame: Frame, spot: Spot | None) -> Iterator[RegionMaps]:
    """Maps of one bead, the likeliest first; framed anew where the first look shows more, or less, of it."""
    maps = looks.flattened(under, frame, SHARE, (frame.stretch,))
    for _ in range(2):
        seen = [s for s in spots(maps, least_px=60) if overlap(s, _box(frame)) > 0.05]
        if not seen:
            break
        better = frame_of(maps, seen[0], surface_angle(maps, seen[0].centre, 0.5 * frame.span))
        if _near(better, frame) or not 0.3 < better.span / frame.span < 3.0:
            break
        frame = better
        maps = looks.flattened(maps, frame, SHARE, (frame.stretch,))
    yield maps
    for share, stretches in _OTHER_LOOKS:
        yield looks.flattened(maps, frame, share, stretches)
    if spot is not None:  # as it stands, not drawn out
        yield under
        yield looks.closer(spot, BACK)[0]


def _box(frame: Frame) -> Spot:
    reach = np.abs(frame.axes.T) @ np.array([frame.span / 2, frame.span / 4])
    x, y = frame.centre
    return Spot(
        frame.centre,
        frame.span,
        0.0,
        (x - float(reach[0]), y - float(reach[1]), x + float(reach[0]), y + float(reach[1])),
    )


def _frames(looks: Looks, coarse: RegionMaps, found: list[Spot]) -> Iterator[tuple[RegionMaps, Frame, Spot | None]]:
    """Where beads may lie, the likeliest first; from a look at the whole photo, drawn out, after those found."""
    tried: list[Frame] = []
    for spot in found[:3]:
        if tried and spot.score < _RIVAL * found[0].score:
            continue
        maps, closer = looks.closer(spot)
        frame = frame_of(maps, closer, surface_angle(maps, closer.centre, 0.5 * closer.span))
        if not any(_near(frame, other) for other in tried):
            tried.append(frame)
            yield maps, frame, spot
    h, w = coarse.shape
    middle = coarse.photo_points(np.array([[(w - 1) / 2, (h - 1) / 2]]))[0]
    centre = (float(middle[0]), float(middle[1]))
    whole = looks.flattened_whole(surface_angle(coarse, centre, max(h, w) * coarse.scale))
    others = [s for s in spots(whole, in_air=_IN_AIR) if s.score > LEAST_SCORE]
    for spot in others[:3]:
        frame = frame_of(whole, spot, surface_angle(whole, spot.centre, spot.span))
        if not any(_near(frame, other) for other in tried):
            yield whole, frame, None


def _air_outside(maps: RegionMaps, weld: WeldOutline) -> float:
    """By how much likelier the maps have air outside the plate than inside, beside an outlined bead; -1 to 1."""
    toes = np.array([weld.toe_butting, weld.toe_nonbutting])
    wide = max(_width(weld), 1.0)
    along = (toes[1] - toes[0]) / wide
    out = np.array([-along[1], along[0]])
    if (weld.face.mean(axis=0) - weld.fusion.mean(axis=0)) @ out < 0:
        out = -out
    steps = np.linspace(0.1, 0.8, 12)[:, None] * wide * along
    base = np.vstack([toes[0] - steps, toes[1] + steps])
    h, w = maps.shape
    at = maps.map_points(base)
    seen = base[((at > 0) & (at < [w - 1, h - 1])).all(axis=1)]
    if not len(seen):
        return 0.0
    off = (_BESIDE * wide + _BLURRED * maps.scale) * out
    air = [maps.sample(maps.regions[BACKGROUND], seen + side * off).mean() for side in (1.0, -1.0)]
    return float(air[0] - air[1])


def _upside_down(seen: Iterable[RegionMaps], weld: WeldOutline) -> bool:
    """Whether those of these looks, none drawn out, that can tell have the air where this outline has the plate.

    Drawn out, a plate between two strips of mounting may be read as a gap between two plates. The first look at the
    photo may be read so as well, where a rule lies beside a thin plate: a closer one that has it right is believed.
    """
    told = [t for t in (_air_outside(maps, weld) for maps in seen) if abs(t) > _CLEARLY]
    return bool(told) and max(told) < 0


def _doubted(weld: WeldOutline) -> WeldOutline:
    """An outline that plain looks at the picture speak against; a person has to take it as right."""
    text = "Looks at the picture disagree about which side of the plate's surface is air."
    reason = "looks at the picture disagree about which side is air; take the outline as right or correct it"
    return replace(
        weld,
        flags=(*weld.flags, Flag("regions_unsure", text, (weld.toe_butting, weld.toe_nonbutting))),
        withheld={q.key: reason for q in QUANTITIES if q.bead} | weld.withheld,
    )


def _likeness(maps: RegionMaps) -> float:
    """How much the likeliest patch looks like a bead, whatever its size."""
    seen = spots(maps, least_px=60, in_air=_IN_AIR)
    return seen[0].likeness if seen else 0.0


def find_bead(looks: Looks, coarse: RegionMaps, found: list[Spot], fit: Fit) -> WeldOutline | None:
    """Outline the bead on a plate; None where none can be.

    `coarse`: maps of the whole photo; `found`: what looks like weld metal there, the likeliest first; `fit`: from
    maps to an outline.
    """
    places: list[_Choice] = []
    for under, frame, spot in _frames(looks, coarse, found):
        undrawn = (coarse,) if spot is None else (coarse, under)
        best: _Choice | None = None
        for maps in _flat_looks(looks, under, frame, spot):
            weld = fit(maps)
            if weld is None:
                continue
            turned = _upside_down(undrawn, weld)
            against = _against(weld, maps) + (_TURNED if turned else 0.0)
            wider = best is not None and turned == best.turned and _wider(weld, best.weld)
            if best is None or against < best.against - _MARGIN or wider:
                best = _Choice(against, weld, turned)
            if faults(best.weld) <= _SOUND and not best.turned:
                break
        if best is not None:
            places.append(best)
            if faults(best.weld) < _BAD and not best.turned:
                break
    if not places:
        return None
    likeliest = min(places, key=lambda place: place.against)
    return _doubted(likeliest.weld) if likeliest.turned else likeliest.weld
