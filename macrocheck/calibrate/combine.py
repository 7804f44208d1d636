"""From what each mark says to one Scale: choose, refuse, compare, and sum the uncertainties."""

import math
from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from itertools import pairwise

import numpy as np

from macrocheck.calibrate.height import Height
from macrocheck.calibrate.kinds import BY_NAME, forms
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.calibrate.tilt import tilt_between
from macrocheck.errors import InputError, NotFoundError
from macrocheck.flags import Flag
from macrocheck.photo import Photo
from macrocheck.scale import FoundMark, Scale, Tilt

NARROWEST_MM, WIDEST_MM = 1.0, 2000.0
"""Width of scene that a photograph of a weld section can have; outside it the mark was misread or misstated."""
U_TILT = 0.0005
"""Relative standard uncertainty from a tilt of up to 3 degrees that one mark cannot show: lengths across the tilt
keep, lengths along it shrink by 1 - cos 3 deg = 0.14 %; taken as within +-0.09 %, rectangular. The 3 degrees of a
camera held square by eye: common practice, no source."""
COVERAGE = 2.0
"""Coverage factor by which two marks may differ before they disagree."""
SAME_PLACE = 0.005
"""Two finds of one mark whose scales differ by less than this (relative) are no contradiction."""
MOST_NAMED = 5
"""Places that a question names at most."""
COARSE_PX_PER_MM = 8.0
"""Under this many px per mm, localisation of everything in the picture limits the result."""


def scale_from(photo: Photo, marks: Sequence[Mark], height: Height | None = None) -> Scale:
    """Find every mark and make one Scale of them; raises as `macrocheck.calibrate.calibrate` says."""
    if not marks:
        msg = f"No scale was given; name a mark that lies in the picture: {forms()}."
        raise InputError(msg)
    height = height or Height()
    if height.offset_mm is not None and not any(BY_NAME[m.kind].laid for m in marks):
        laid = ", ".join(kind.name for kind in BY_NAME.values() if kind.laid)
        msg = (
            f"A mark's height can be stated for what is laid beside the section ({laid}), not for "
            f"{', '.join(m.text for m in marks)}; leave --mark-offset out."
        )
        raise InputError(msg)
    found = _on_one_plane([(mark, _levelled(mark, _one(photo, mark), height)) for mark in marks])
    u = [math.hypot(c.u_found, mark.u_as_drawn(c.least_limits)) for mark, c in found]
    order = sorted(range(len(found)), key=lambda i: u[i])
    apart = [
        (i, j)
        for i in range(len(found))
        for j in range(i + 1, len(found))
        if _log_ratio(found[i][1], found[j][1]) > COVERAGE * math.hypot(u[i], u[j])
    ]
    flags: list[Flag] = []
    chosen = 0 if apart else order[0]
    mark, best = found[chosen]
    u_rel = u[chosen]
    between = tilt_between(found, photo, height)
    tilt = best.tilt or between
    if apart:
        worst = max(abs(c.mm_per_px / best.mm_per_px - 1) for _, c in found)
        u_rel = math.hypot(u_rel, worst / COVERAGE)
        flags.append(_disagree(found, apart, between))
    flags.extend(best.flags)
    if height.offset_mm:
        flags.append(_off_plane(height, next(c for m, c in found if BY_NAME[m.kind].laid)))
    if best.plane is None and BY_NAME[mark.kind].in_picture:
        u_rel = math.hypot(u_rel, U_TILT)
        if tilt is None:
            flags.append(_no_tilt(best, sum(BY_NAME[m.kind].in_picture for m, _ in found)))
    if 1.0 / best.mm_per_px < COARSE_PX_PER_MM:
        flags.append(
            Flag("scale_coarse", f"The picture has only {1.0 / best.mm_per_px:.1f} pixels per millimetre.")
        )
    return Scale(
        mm_per_px=best.mm_per_px,
        u_rel=u_rel,
        method="; checked against ".join([best.what, *(c.what for i, (_, c) in enumerate(found) if i != chosen)]),
        flags=tuple(flags),
        marks=tuple(
            FoundMark(m.kind, m.text, c.points_px, c.mm_per_px, u_one)
            for (m, c), u_one in zip(found, u, strict=True)
        ),
        plane=best.plane,
        tilt=tilt,
        lens=best.lens,
        mark_offset_mm=height.offset_mm,
        camera_distance_mm=height.distance_mm,
    )


def _levelled(mark: Mark, c: Candidate, height: Height) -> Candidate:
    """Carry what a mark says from its own height to the plane of the section."""
    kind = BY_NAME[mark.kind]
    if not kind.laid or (height.offset_mm is None and not kind.height_unknown):
        return c
    f = height.factor
    return replace(
        c,
        mm_per_px=f * c.mm_per_px,
        u_found=math.hypot(c.u_found, height.u_rel),
        plane=None if c.plane is None else np.diag([f, f, 1.0]) @ c.plane,
    )


def _off_plane(height: Height, candidate: Candidate) -> Flag:
    offset = height.offset_mm or 0.0
    side = "nearer to the camera than" if offset > 0 else "further from the camera than"
    text = (
        f"The mark lies {abs(offset):g} mm {side} the section, {height.distance_mm:g} mm away: its scale is "
        f"corrected by {100 * (height.factor - 1):+.2f} %, and {100 * height.u_rel:.2g} % for what is not known of "
        f"both is in the uncertainty."
    )
    return Flag("scale_off_plane", text, (candidate.middle_px,) if len(candidate.points_px) else ())


def _on_one_plane(found: Sequence[tuple[Mark, Candidate]]) -> list[tuple[Mark, Candidate]]:
    """Carry stretches of known length onto the plane that a card gives, so that tilt makes none of them disagree.

    Such a mark then says how much larger or smaller than the card's the whole plane is.
    """
    card = next((c for m, c in found if m.kind == "card"), None)
    if card is None or card.plane is None:
        return list(found)
    scale = Scale(card.mm_per_px, card.u_found, card.what, plane=card.plane, lens=card.lens)
    carried = []
    for mark, c in found:
        one = c
        if c.plane is None and len(c.ends_px) == 2:
            start, end = scale.to_mm(np.array(c.ends_px))
            ratio = c.mm_per_px * math.dist(*c.ends_px) / math.dist(start, end)
            one = replace(
                c,
                mm_per_px=ratio * card.mm_per_px,
                u_found=math.hypot(c.u_found, card.u_found),
                plane=np.diag([ratio, ratio, 1.0]) @ card.plane,
                tilt=card.tilt,
                lens=card.lens,
                flags=(*(f for f in c.flags if f.code != "scale_tilt"), *card.flags),
            )
        carried.append((mark, one))
    return carried


def _one(photo: Photo, mark: Mark) -> Candidate:
    """Find the one place that fits a mark, or say in a sentence why there is none."""
    kind = BY_NAME[mark.kind]
    finder = import_module(f"macrocheck.calibrate.{kind.module}")
    candidates: tuple[Candidate, ...] = finder.find(photo, mark)
    if not candidates:
        msg = (
            f"{kind.meaning.capitalize()} ({mark.text}) was not found in {photo.path}; "
            f"check the mark, or use another: {forms(mark.kind)}."
        )
        raise NotFoundError(msg)
    sensible = [c for c in candidates if NARROWEST_MM <= c.mm_per_px * photo.width <= WIDEST_MM]
    if not sensible:
        c = candidates[0]
        msg = (
            f"The mark {mark.text} ({c.what}) would make the picture {_width(c.mm_per_px * photo.width)} wide; "
            f"check its length and unit."
        )
        raise InputError(msg)
    sensible.sort(key=lambda c: c.mm_per_px)
    if any(
        b.mm_per_px / a.mm_per_px - 1 > SAME_PLACE + COVERAGE * (a.u_found + b.u_found)
        for a, b in pairwise(sensible)
    ):
        raise NotFoundError(_contradiction(mark, sensible))
    return min(sensible, key=lambda c: c.u_found)


def _contradiction(mark: Mark, candidates: Sequence[Candidate]) -> str:
    places = []
    # what can be stated again by itself is named in full, of other finds the two extremes
    shown = candidates[:MOST_NAMED] if candidates[0].restated else (candidates[0], candidates[-1])
    for c in shown:
        x, y = c.middle_px
        place = f"{c.mm_per_px:.5f} mm/px at {x:.0f},{y:.0f}"
        if c.restated:
            place = f"{c.mm_per_px:.5f} mm/px ({c.restated})"
        elif len(c.ends_px) == 2 and mark.length_mm is not None:
            (x1, y1), (x2, y2) = c.ends_px
            length = c.mm_per_px * math.dist(*c.ends_px)
            place += f" (points:{x1:.1f},{y1:.1f},{x2:.1f},{y2:.1f}={length:.6g}mm)"
        places.append(place)
    how = "one of these" if candidates[0].restated else "points:x1,y1,x2,y2=LENGTH"
    return (
        f"{len(candidates)} places in the picture fit the mark {mark.text} and give different scales: "
        f"{', '.join(places[:-1])} and {places[-1]}; state the right one with {how}."
    )


def _log_ratio(a: Candidate, b: Candidate) -> float:
    return abs(math.log(a.mm_per_px / b.mm_per_px))


def _disagree(found: Sequence[tuple[Mark, Candidate]], apart: Sequence[tuple[int, int]], tilt: Tilt | None) -> Flag:
    i, j = max(apart, key=lambda pair: _log_ratio(found[pair[0]][1], found[pair[1]][1]))
    (mark_i, a), (mark_j, b) = found[i], found[j]
    text = (
        f"The marks {mark_i.text} ({a.mm_per_px:.6f} mm/px) and {mark_j.text} ({b.mm_per_px:.6f} mm/px) differ by "
        f"{100 * math.expm1(_log_ratio(a, b)):.2f} %; the first given is used and the uncertainty covers the other."
    )
    if tilt is not None:
        text += (
            f" If both are right, the camera was tilted by {tilt.deg:.0f} ± {2 * tilt.u_deg:.0f} degrees along the "
            f"line from one to the other."
        )
    points = tuple(c.middle_px for c in (a, b) if len(c.points_px))
    return Flag("scale_marks_disagree", text, points)


def _no_tilt(candidate: Candidate, count: int) -> Flag:
    why = "One mark" if count == 1 else "Marks that do not lie on either side of the section"
    text = (
        f"{why} cannot tell whether the camera was tilted to the section; "
        f"{100 * U_TILT:g} % for a tilt of up to 3 degrees is in the uncertainty."
    )
    return Flag("scale_one_mark", text, (candidate.middle_px,))


def _width(mm: float) -> str:
    return f"{mm / 1000:.3g} m" if mm >= 1000 else f"{mm:.3g} mm"
