"""A plate of known thickness: what a caliper said of a member, across its two parallel faces in the picture.

The thickness is the distance of two parallel lines through the sub-pixel edges of both faces. Where the picture
shows plates of unlike thickness each of them is a candidate, and a point on the one that is meant tells them apart.
"""

import math

import numpy as np

from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.calibrate.plate_fit import Plate, measure
from macrocheck.calibrate.plate_seeds import pairs
from macrocheck.flags import Flag
from macrocheck.photo import Photo

MOST_PAIRS = 14
"""Pairs of edges measured at most: bounds the time on a busy picture."""
WEAKEST = 0.2
"""A plate this much less plain than the plainest one is taken for something else."""
OTHER_TONE = 0.6
"""A plate that is darker than its ground where the plainest is lighter (or the reverse) is a gap between two,
unless it is at least this plain."""
ALIKE = 0.5
"""Least contrast of a face between two others, part of theirs, for it to be a plate's and no band's within one."""
OPEN_SHOWS = 0.004
"""Relative change of the thickness along the plate from which it is said to taper, or the camera to be tilted."""


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return every plate in the picture, or the one that the mark's point lies on, plainest first."""
    if mark.length_mm is None or min(photo.width, photo.height) < 60:
        return ()
    found = plates(photo)
    if mark.points_px:
        point = np.array(mark.points_px[0])
        found = [p for p in found if _holds(p, point)][:1]
    else:
        found = _plain(found)
    return tuple(_candidate(p, mark.length_mm) for p in found)


def plates(photo: Photo) -> list[Plate]:
    """Return every plate in the picture, plainest first."""
    found: list[Plate] = []
    for seed in pairs(photo)[:MOST_PAIRS]:
        plate = measure(photo.pixels, seed)
        if plate is None:
            continue
        again = next((i for i, other in enumerate(found) if _same(plate, other)), None)
        if again is None:
            found.append(plate)
        elif plate.strength > found[again].strength:
            found[again] = plate
    found = [p for p in found if not any(_part(p, other) or _stack(p, other) for other in found)]
    return sorted(found, key=lambda p: -p.strength)


def _plain(found: list[Plate]) -> list[Plate]:
    """Leave out what is hardly seen beside the plainest plate."""
    return [
        p
        for p in found
        if p.strength >= (WEAKEST if p.bright == found[0].bright else OTHER_TONE) * found[0].strength
    ]


def _holds(plate: Plate, point: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> bool:
    shift = point - plate.middle
    along, across = float(shift @ plate.along), float(shift @ plate.across)
    ends = (plate.corners - plate.middle) @ plate.along
    return abs(across) < plate.thickness / 2 and float(ends.min()) <= along <= float(ends.max())


def _same(a: Plate, b: Plate) -> bool:
    turn = abs(float(a.along @ b.along))
    off = abs(float((a.middle - b.middle) @ b.across))
    along = abs(float((a.middle - b.middle) @ b.along))
    alike = abs(math.log(a.thickness / b.thickness)) < 0.08
    return bool(turn > 0.999 and off < 0.1 * b.thickness and along < 0.5 * (a.length + b.length) and alike)


def _share(a: Plate, b: Plate) -> bool:
    """Whether `a` is thinner than `b`, lies within it and has one face in common with it."""
    if abs(float(a.along @ b.along)) < 0.999 or a.thickness > 0.97 * b.thickness:
        return False
    off = float((a.middle - b.middle) @ b.across)
    room = b.thickness / 2 - abs(off) - a.thickness / 2
    return abs(room) < 0.03 * b.thickness + 2.0


def _part(a: Plate, b: Plate) -> bool:
    """Whether `a` is a band of the plate `b`: rolled structure, the seam under a lap's upper plate."""
    return _share(a, b) and a.step < ALIKE * b.step


def _stack(a: Plate, b: Plate) -> bool:
    """Whether `a` is two plates on each other, of which `b` is one: a lap."""
    return _share(b, a) and b.step >= ALIKE * a.step


def _candidate(plate: Plate, thickness_mm: float) -> Candidate:
    x, y = (float(v) for v in plate.middle)
    flags: tuple[Flag, ...] = ()
    change = abs(plate.open_rad) * plate.length / plate.thickness
    if change > OPEN_SHOWS and abs(plate.open_rad) > 4 * plate.u_open:
        text = (
            f"The plate's faces are not parallel in the picture: its thickness changes by {100 * change:.1f} % "
            f"along it, so the plate tapers or the camera was tilted."
        )
        flags = (Flag("scale_tilt", text, ((x, y),)),)
    half = plate.thickness / 2 * plate.across
    ends = tuple((float(p[0]), float(p[1])) for p in (plate.middle - half, plate.middle + half))
    return Candidate(
        mm_per_px=thickness_mm / plate.thickness,
        u_found=plate.u_thickness / plate.thickness,
        points_px=plate.corners,
        what=(
            f"plate {thickness_mm:g} mm thick, {plate.thickness:.1f} px, both faces seen over {plate.length:.0f} px"
        ),
        flags=flags,
        extent_px=plate.thickness,
        ends_px=ends,
        restated=f"plate:{thickness_mm:.6g}mm@{x:.0f},{y:.0f}",
    )
