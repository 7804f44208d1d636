"""find_outline: the whole search, from a photo to the outlines of the welds in it."""

from typing import TYPE_CHECKING, cast

import numpy as np

from macrocheck.errors import InputError, NotFoundError
from macrocheck.outline import Joint, Outline, WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.fit import fit_weld
from macrocheck.segment.hints import Hints
from macrocheck.segment.joint import tell_joint
from macrocheck.segment.locate import Spot, coarse_maps, look_closer, overlap, spots
from macrocheck.segment.maps import RegionMaps

if TYPE_CHECKING:
    from macrocheck.flags import Flag

_LEAST_SCORE = 1.2
"""Score (square root of coarse px, times doubts) under which a patch is not taken for a weld."""
_SECOND = 0.3
"""Score of a tee's second weld, as a share of the first's, under which it is taken for clutter."""


def _candidates(photo: Photo, hints: Hints | None) -> tuple[RegionMaps, list[Spot]]:
    """Coarse maps and spots; looks again at other sizes where the first look shows nothing worth it."""
    best: tuple[RegionMaps, list[Spot]] | None = None
    for long_side in (320, 448, 224, 640):
        maps = coarse_maps(photo, long_side=long_side)
        seen = [s for s in spots(maps) if s.score > _LEAST_SCORE]
        if best is None or (seen and not best[1]):
            best = maps, seen
        if seen:
            break
    if best is None or (not best[1] and not hints):
        msg = (
            f"{photo.path}: no weld was found in the picture; photograph the etched section closer, or draw the "
            "outline by hand and give it with --outline"
        )
        raise NotFoundError(msg)
    found = best[1]
    pinned = [] if hints is None else [*hints.root, *hints.toes, *hints.through]
    if pinned:
        points = np.asarray(pinned)
        found = sorted(found, key=lambda s: float(np.hypot(*(points.mean(axis=0) - s.centre)) / s.span))
        if not found:
            low, high = points.min(axis=0), points.max(axis=0)
            span = max(float((high - low).max()) * 1.5, 0.15 * max(photo.width, photo.height))
            centre = (low + high) / 2
            box = (centre[0] - span / 2, centre[1] - span / 2, centre[0] + span / 2, centre[1] + span / 2)
            found = [Spot((float(centre[0]), float(centre[1])), span, 0.0, box)]
    return best[0], found


def find_outline(
    photo: Photo, *, joint: str = "auto", mm_per_px: float | None = None, hints: Hints | None = None
) -> Outline:
    """Find the welds in a photograph and outline them.

    Args:
        photo: the upright photograph.
        joint: "tee", "lap", "bead", or "auto" to tell it from the picture.
        mm_per_px: the scale where it is known already; nothing needs it.
        hints: points a person gave to steer the search.

    Raises:
        InputError: for an unknown joint.
        NotFoundError: where no weld can be seen.
    """
    if joint not in ("tee", "lap", "bead", "auto"):
        msg = f"joint {joint!r}: write tee, lap, bead or auto"
        raise InputError(msg)
    coarse, found = _candidates(photo, hints)
    first_maps, first = look_closer(photo, found[0])
    flags: list[Flag] = []
    kind: Joint
    if joint == "auto":
        kind, doubt = tell_joint(first_maps, coarse)
        if doubt is not None:
            flags.append(doubt)
    else:
        kind = cast("Joint", joint)
    welds = [fit_weld(photo, first_maps, joint=kind, mm_per_px=mm_per_px, hints=hints)]
    if kind == "tee":
        second = _second_weld(photo, found, first, welds[0])
        if second is not None:
            welds.append(second)
    return Outline(
        width=photo.width,
        height=photo.height,
        welds=tuple(welds),
        made_by="found with hints" if hints else "found",
        flags=tuple(flags),
    )


def _second_weld(photo: Photo, found: list[Spot], first: Spot, fitted: WeldOutline) -> WeldOutline | None:
    """The weld on a tee's other side, where one is in sight and stands on the same nonbutting surface."""
    for spot in found[1:3]:
        if spot.score < _SECOND * found[0].score or overlap(spot, first) > 0.5:
            continue
        maps, closer = look_closer(photo, spot)
        if overlap(closer, first) > 0.6:
            continue
        try:
            weld = fit_weld(photo, maps, joint="tee", mm_per_px=None)
        except NotFoundError:
            continue
        if _same_joint(fitted, weld):
            return weld
    return None


def _same_joint(a: WeldOutline, b: WeldOutline) -> bool:
    """Whether two welds share one nonbutting surface and face away from one another."""
    s, t = a.surface_nonbutting, b.surface_nonbutting
    if s is None or t is None:
        return False
    along = s.direction[0] * t.direction[0] + s.direction[1] * t.direction[1]
    toe = np.asarray([b.toe_nonbutting])
    leg = float(np.hypot(*(np.asarray(a.toe_nonbutting) - np.asarray(a.toe_butting))))
    return along < -0.9 and float(abs(s.signed_distance(toe)[0])) < 0.5 * leg
