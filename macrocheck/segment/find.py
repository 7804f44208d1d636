"""find_outline: the whole search, from a photo to the outlines of the welds in it."""

from dataclasses import dataclass, fields, replace
from typing import cast

import numpy as np

from macrocheck.arrays import Point
from macrocheck.errors import InputError, NotFoundError
from macrocheck.outline import Joint, Outline, WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.beads import find_bead
from macrocheck.segment.hints import Hints
from macrocheck.segment.joint import tell_joint, unlike
from macrocheck.segment.land import with_land
from macrocheck.segment.locate import (
    BACK,
    COARSE,
    LEAST_SCORE,
    SHARES,
    WIDER,
    Spot,
    around,
    denied,
    overlap,
    shows,
    spots,
    traces_elsewhere,
)
from macrocheck.segment.looks import Looks
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.pair import compare_openings, share_surfaces
from macrocheck.segment.partner import nearby, same_joint

_SECOND = 0.2
"""Score of a tee's second weld, as a share of the first's, under which it is taken for clutter."""
_SHARPER = 448
"""Long side, px, of a second look at the whole photo: it parts welds that the first one runs together, and sees
small ones."""
_WEAK, _BETTER = 0.03, 1.5
"""Score, as a part of a look's long side, under which the first look shows its best patch poorly; and how many
times as high the sharper look's must be to go by that."""
_RIVAL = 0.25
"""Score, as a share of the best, from which a patch is tried in the best one's place where that fits badly."""
_FRAMED = 0.2
"""Part of a joint root and toes that a person gave which a spot takes in at least to be that weld."""
_FAULTS = {
    "regions_unsure": 2.0,
    "surface_missing": 1.5,
    "member_unsure": 2.0,
    "touches_edge": 1.0,
    "toe_unsure": 0.5,
}
"""How much each flag speaks against a patch being the weld."""
_DENIED = 3.0
"""The same, of maps that show no border of weld metal at any of a person's points."""
_BAD_FIT = 2.0
_SHOWS_LITTLE = ("surface_short", "surface_missing")
"""Flags that a look from further back may lift."""


def _faults(weld: WeldOutline) -> float:
    return sum(_FAULTS.get(f.code, 0.0) for f in weld.flags)


def _candidates(photo: Photo, hints: Hints | None, looks: Looks) -> tuple[RegionMaps, list[Spot]]:
    """Coarse maps and spots; looks again at other sizes where the first look shows nothing worth it."""

    def look(long_side: int) -> tuple[RegionMaps, list[Spot]]:
        maps = looks.coarse(long_side)
        return maps, [s for s in spots(maps) if s.score > LEAST_SCORE]

    best = look(COARSE)
    if not best[1]:
        best = next((seen for seen in map(look, (_SHARPER, 224, 640)) if seen[1]), best)
    elif best[1][0].score < _WEAK * COARSE:
        sharper = look(_SHARPER)
        if sharper[1] and sharper[1][0].score / _SHARPER > _BETTER * best[1][0].score / COARSE:
            best = sharper
    found = best[1]
    pinned = [] if hints is None else hints.placed
    if hints is not None and pinned:
        points = np.asarray(pinned)
        found = _with_framed(found, hints)
        found = sorted(found, key=lambda s: float(np.hypot(*(points.mean(axis=0) - s.centre)) / s.span))
        if not found:
            low, high = points.min(axis=0), points.max(axis=0)
            span = max(float((high - low).max()) * 1.5, 0.15 * max(photo.width, photo.height))
            centre = (low + high) / 2
            box = (centre[0] - span / 2, centre[1] - span / 2, centre[0] + span / 2, centre[1] + span / 2)
            found = [Spot((float(centre[0]), float(centre[1])), span, 0.0, box)]
    return best[0], found


def _with_framed(found: list[Spot], hints: Hints) -> list[Spot]:
    """The spots, and one for each joint root that a person gave with its toes where none was found."""
    out = list(found)
    for root in hints.root:
        toes = sorted(hints.toes, key=lambda t: float(np.hypot(t[0] - root[0], t[1] - root[1])))[:2]
        framed = around(np.asarray([root, *toes]), score=found[0].score if found else LEAST_SCORE)
        if len(toes) == 2 and not any(overlap(s, framed) > _FRAMED for s in out):
            out.append(framed)
    return out


def find_outline(
    photo: Photo,
    *,
    joint: str = "auto",
    mm_per_px: float | None = None,
    hints: Hints | None = None,
    looks: Looks | None = None,
) -> Outline:
    """Find the welds in a photograph and outline them.

    Args:
        photo: the upright photograph.
        joint: "tee", "lap", "bead", or "auto" to tell it from the picture.
        mm_per_px: the scale where it is known already; nothing needs it.
        hints: points a person gave to steer the search.
        looks: what was seen of this photo before, kept for the next search of it.

    Raises:
        InputError: for an unknown joint.
        NotFoundError: where no weld can be seen.
    """
    if joint not in ("tee", "lap", "bead", "auto"):
        msg = f"joint {joint!r}: write tee, lap, bead or auto"
        raise InputError(msg)
    looks = looks or Looks(photo)
    coarse, found = _candidates(photo, hints, looks)
    if joint == "bead":
        return _bead(photo, coarse, found, hints, mm_per_px, looks)
    if not found:
        msg = (
            f"{photo.path}: no weld was found in the picture; photograph the etched section closer, or draw the "
            "outline by hand and give it with --outline"
        )
        raise NotFoundError(msg)
    maps, first = looks.closer(found[0])
    told = tell_joint(maps, coarse, (photo.width, photo.height))
    kind = told[0] if joint == "auto" else cast("Joint", joint)
    if kind == "bead":
        return _bead(photo, coarse, found, hints, mm_per_px, looks)
    doubt = told[1] if joint == "auto" else unlike(kind, told)
    job = _Job(photo, kind, mm_per_px, looks)
    own, rest = _shared_out(hints, found)
    first, weld = job.one(found if own is None else found[:1], job.framed((first, maps), own), own)
    if weld is None:
        raise _unclear(photo)
    welds = [weld]
    if kind == "tee":
        both = job.second(found, (first, weld), own, rest)
        if both is not None:
            welds = list(compare_openings(share_surfaces(both)))
    return Outline(
        width=photo.width,
        height=photo.height,
        welds=with_land(photo, coarse, tuple(welds)),
        made_by="found with hints" if hints else "found",
        flags=() if doubt is None else (doubt,),
    )


def _unclear(photo: Photo) -> NotFoundError:
    return NotFoundError(
        f"{photo.path}: what looks like the weld is too small or unclear to outline; photograph it closer, or "
        "draw the outline by hand and give it with --outline"
    )


def _bead(
    photo: Photo,
    coarse: RegionMaps,
    found: list[Spot],
    hints: Hints | None,
    mm_per_px: float | None,
    looks: Looks,
) -> Outline:
    """Outline a bead on plate; a flag says where the picture shows another kind of joint."""
    own, _ = _shared_out(hints, found)
    job = _Job(photo, "bead", mm_per_px, looks)
    weld = find_bead(looks, coarse, found if own is None else found[:1], lambda seen: job.fit(seen, own))
    if weld is None:
        raise _unclear(photo)
    doubt = None
    if found:
        doubt = unlike("bead", tell_joint(looks.closer(found[0])[0], coarse, (photo.width, photo.height)))
    return Outline(
        width=photo.width,
        height=photo.height,
        welds=(weld,),
        made_by="found with hints" if hints else "found",
        flags=() if doubt is None else (doubt,),
    )


@dataclass(frozen=True, slots=True)
class _Job:
    """What stays the same while the welds of one photo are fitted."""

    photo: Photo
    kind: Joint
    mm_per_px: float | None
    looks: Looks

    def fit(self, maps: RegionMaps, hints: Hints | None) -> WeldOutline | None:
        """Fit the weld in `maps`; None where there is none to fit."""
        return self.looks.fit(maps, joint=self.kind, hints=hints, mm_per_px=self.mm_per_px)

    def faults(self, weld: WeldOutline, hints: Hints | None) -> float:
        """How much speaks against a fit; most, that it had to be led against what its maps show."""
        maps = None if hints is None else self.looks.maps_of(weld)
        if hints is None or maps is None:
            return _faults(weld)
        placed = np.asarray([*hints.toes, *hints.through]).reshape(-1, 2)
        return _faults(weld) + _DENIED * denied(maps, placed)

    def framed(
        self, seen: tuple[Spot, RegionMaps], hints: Hints | None, shares: tuple[float, ...] = SHARES
    ) -> tuple[Spot, RegionMaps]:
        """What is seen of a spot, framed anew where it does not show all that a person placed."""
        spot, maps = seen
        points = np.asarray([] if hints is None else hints.placed).reshape(-1, 2)
        if not len(points) or shows(maps, points):
            return seen
        wider = around(points, score=spot.score, box=spot.box)
        return wider, self.looks.framed(wider, shares)

    def closer(
        self, spot: Spot, hints: Hints | None, shares: tuple[float, ...] = SHARES
    ) -> tuple[RegionMaps, Spot]:
        """The weld at `spot` seen closely, with all that a person placed."""
        maps, closer = self.looks.closer(spot, shares)
        closer, maps = self.framed((closer, maps), hints, shares)
        return maps, closer

    def one(
        self, found: list[Spot], seen: tuple[Spot, RegionMaps], hints: Hints | None
    ) -> tuple[Spot, WeldOutline | None]:
        """The weld at the spot seen closely, or the best fit in its place where that fits badly."""
        first, maps = seen
        weld = self.fit(maps, hints)
        if weld is not None:
            first, weld = self.stepped_back((first, weld), hints)
        if weld is None or self.faults(weld, hints) >= _BAD_FIT:
            return self.best(found, (first, weld), hints)
        return first, weld

    def stepped_back(self, seen: tuple[Spot, WeldOutline], hints: Hints | None) -> tuple[Spot, WeldOutline]:
        """Step back where little of a member's surface is seen beyond its toe, and keep what that shows."""
        spot, weld = seen
        if not any(f.code in _SHOWS_LITTLE for f in weld.flags):
            return seen
        maps, closer = self.closer(spot, hints, BACK)
        other = self.fit(maps, hints)
        if other is None or self.faults(other, hints) > self.faults(weld, hints):
            return seen
        counts = [sum(f.code in _SHOWS_LITTLE for f in w.flags) for w in (weld, other)]
        return (closer, other) if counts[1] < counts[0] else seen

    def best(
        self, found: list[Spot], so_far: tuple[Spot, WeldOutline | None], hints: Hints | None
    ) -> tuple[Spot, WeldOutline | None]:
        """Look again at a badly fitting patch, then at others in its place; keep the fit with the fewest faults."""
        least = float("inf") if so_far[1] is None else self.faults(so_far[1], hints)
        best = so_far
        tries = [(so_far[0], WIDER), *((s, shares) for s in found[1:3] for shares in (SHARES, WIDER))]
        for spot, shares in tries:
            if spot is not so_far[0] and (spot.score < _RIVAL * found[0].score or overlap(spot, so_far[0]) > 0.8):
                continue
            maps, closer = self.closer(spot, hints, shares)
            weld = self.fit(maps, hints)
            if weld is not None and self.faults(weld, hints) < least - 0.25:
                least, best = self.faults(weld, hints), (closer, weld)
            if least < _BAD_FIT / 2:
                break
        return best

    def second(
        self, found: list[Spot], first: tuple[Spot, WeldOutline], own: Hints | None, hints: Hints | None
    ) -> tuple[WeldOutline, WeldOutline] | None:
        """Both welds of a tee, where another is in sight that stands on the same nonbutting surface.

        `own`: hints for the first weld; `hints`: for the other.
        """
        for spot in self._others(found, first[0]):
            maps, closer = self.closer(spot, hints)
            if overlap(closer, first[0]) > 0.6:
                continue
            weld = self.fit(maps, hints)
            if weld is not None:
                closer, weld = self.stepped_back((closer, weld), hints)
            if weld is None or self.faults(weld, hints) >= _BAD_FIT:
                closer, weld = self.best([spot], (closer, weld), hints)
            if weld is None:
                continue
            if same_joint(first[1], weld) or (hints is not None and hints.frames):
                return first[1], weld
            # Taken the other way round, one of them may make the two sides of one tee.
            other = self.turned(closer, weld, hints)
            if other is not None and same_joint(first[1], other):
                return first[1], other
            own_turned = self.turned(*first, own)
            if own_turned is not None and same_joint(own_turned, weld):
                return own_turned, weld
            if own_turned is not None and other is not None and same_joint(own_turned, other):
                return own_turned, other
        return None

    def _others(self, found: list[Spot], first: Spot) -> list[Spot]:
        """Patches that may be a tee's second weld.

        From a sharper look too where the first shows but traces of one, and from one about a weld that is small.
        """

        def apart(seen: list[Spot]) -> list[Spot]:
            return [s for s in seen[:3] if s.score >= _SECOND * seen[0].score and overlap(s, first) <= 0.5]

        others = apart(found)
        if not others and traces_elsewhere(self.looks.coarse(COARSE), found[0]):
            others = apart(spots(self.looks.coarse(_SHARPER)))
        known = (first, *others)
        return others + [
            s for s in nearby(self.looks, first, self.photo) if all(overlap(s, k) <= 0.5 for k in known)
        ]

    def turned(self, spot: Spot, weld: WeldOutline, hints: Hints | None) -> WeldOutline | None:
        """The weld fitted anew with its members the other way round, unless a person has said which is which."""
        if hints is not None and (hints.butting or hints.toes):
            return None
        return self.fit(self.closer(spot, hints)[0], replace(hints or Hints(), butting=(weld.toe_nonbutting,)))


def _shared_out(hints: Hints | None, found: list[Spot]) -> tuple[Hints | None, Hints | None]:
    """Hints for the first weld and for any other: each point goes to the nearest patch."""
    if not hints:
        return None, None
    others = [s for s in found[1:3] if s.score > _SECOND * found[0].score and overlap(s, found[0]) < 0.5]

    def near_first(p: Point) -> bool:
        away = [float(np.hypot(p[0] - s.centre[0], p[1] - s.centre[1])) / s.span for s in (found[0], *others)]
        return away[0] == min(away)

    parts = []
    for mine in (True, False):
        kept = {f.name: tuple(p for p in getattr(hints, f.name) if near_first(p) == mine) for f in fields(Hints)}
        parts.append(Hints(**kept))
    return parts[0] or None, parts[1] or None
