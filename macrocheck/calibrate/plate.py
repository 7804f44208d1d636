"""A plate of known thickness: what a caliper said of a member, across its two parallel faces in the picture.

The thickness is the distance of two parallel lines through the sub-pixel edges of both faces. Where the picture
shows plates of unlike thickness each of them is a candidate, and a point on the one that is meant tells them apart.
"""

import math
from dataclasses import replace

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.calibrate.plate_fit import Plate, measure
from macrocheck.calibrate.plate_metal import other_metal, printed, within
from macrocheck.calibrate.plate_seeds import Pair, pairs
from macrocheck.errors import NotFoundError
from macrocheck.flags import Flag
from macrocheck.photo import Photo

MOST_PAIRS = 14
"""Pairs of edges measured at most: bounds the time on a busy picture."""
WEAKEST = 0.2
"""A plate this much less plain than the plainest one is taken for something else."""
OTHER_TONE = 0.6
"""A plate that is darker than its ground where the plainest is lighter (or the reverse) is a gap between two,
unless it is at least this plain."""
FAINTEST = 20.0
"""Least contrast of a plate's fainter face, grey levels: texture and shades have less."""
UNSURE = 0.4
"""A plate around the same point is another reading of it where it is this plain beside the plainest."""
SAME_FACES = 0.08
"""Two finds of about one place whose thicknesses differ by less than this (relative) are of the same faces."""
NEARLY = 0.9
"""Two readings of the same faces are about as plain where the fainter is at least this part of the plainer."""
SAME_STEPS = 1.2
"""Edges nearer to the faces of a plate than so many of their bins are those faces: its own came from as far."""
ALIKE = 0.5
"""Least contrast of a face between two others, part of theirs, for it to be a plate's and no band's within one."""
ONE_THICKNESS = 0.01
"""Two members whose thicknesses differ by less than this (relative) are of one plate."""
BEYOND = 0.35
"""How far past where both faces are seen a point may lie, part of the thickness."""
MOST_OFFERED = 4
"""Plates that a question names at most."""
OPEN_SHOWS = 0.004
"""Relative change of the thickness along the plate from which it is said to taper, or the camera to be tilted."""


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return the plates that the mark may mean: the one that its point lies on, else every one, plainest first.

    Raises NotFoundError where one plate shows both its faces and the picture shows another that does not: which of
    them was measured is not told.
    """
    if mark.length_mm is None or min(photo.width, photo.height) < 60:
        return ()
    found = plates(photo)
    found = _at(found, np.array(mark.points_px[0]), mark, photo) if mark.points_px else _plain(found)
    # members of one thickness for all that is said differ by what the picture shows
    spread = max((abs(math.log(p.thickness / found[0].thickness)) for p in found), default=0.0)
    spread = spread / math.sqrt(3) if spread < ONE_THICKNESS else 0.0
    candidates = tuple(_candidate(p, mark.length_mm, spread) for p in found)
    if found and not mark.points_px and not _told(photo, found):
        offers = " or ".join(c.restated for c in candidates[:MOST_OFFERED])
        only = "Only one member shows" if len(found) == 1 else "Some members show"
        msg = (
            f"{only} both its faces in {photo.path}, and the picture does not tell whether {mark.text} is its "
            f"thickness or another's; if it is, state it as {offers}, else use another mark."
        )
        raise NotFoundError(msg)
    return candidates


def _at(found: list[Plate], point: FloatArray, mark: Mark, photo: Photo) -> list[Plate]:
    """The plate that a point lies on; raises where it lies on more than one."""
    found = [p for p in found if _holds(p, point)]
    plain = [p for p in found if p.strength > UNSURE * found[0].strength]
    if any(abs(math.log(p.thickness / plain[0].thickness)) > SAME_FACES for p in plain[1:]):
        said = " and ".join(f"{p.thickness:.1f} px" for p in plain)
        msg = (
            f"The point of {mark.text} lies between more than two faces in {photo.path} ({said} apart); pick a "
            f"point nearer to where both faces of the plate border on its surroundings, or use another mark."
        )
        raise NotFoundError(msg)
    return found[:1]


def plates(photo: Photo) -> list[Plate]:
    """Return every plate in the picture, plainest first; printed labels and rules are none."""
    found: list[Plate] = []
    known: list[tuple[Pair, Plate]] = []
    for seed in pairs(photo)[:MOST_PAIRS]:
        if any(_known(seed, *one) for one in known):
            continue
        plate = measure(photo.pixels, seed)
        if plate is None or plate.step < FAINTEST:
            continue
        known.append((seed, plate))
        again = next((i for i, other in enumerate(found) if _same(plate, other)), None)
        if again is None:
            found.append(plate)
        else:
            found[again] = _plainer(found[again], plate)
    print_ = [p for p in found if printed(photo.pixels, p)]
    found = [p for p in found if not any(p is other or within(p, other) for other in print_)]
    found = [p for p in found if not any(_part(p, o) or _stack(p, o) or _lengthwise(p, o) for o in found)]
    # one with another plate's face between its own may be two plates, and has told by now what the others are
    return sorted((p for p in found if not p.shared), key=lambda p: -p.strength)


def _plainer(a: Plate, b: Plate) -> Plate:
    """The plainer of two readings of the same faces; `shared` only where both are or the other is much fainter."""
    best, other = (a, b) if a.strength >= b.strength else (b, a)
    return replace(best, shared=best.shared and (other.shared or other.strength < NEARLY * best.strength))


def _known(seed: Pair, earlier: Pair, plate: Plate) -> bool:
    """Whether a pair of edges is what an `earlier` pair, measured as `plate`, was: the same faces, no longer."""
    if seed.shared != earlier.shared and not seed.shared:
        return False
    ends = seed.middle + np.array([[seed.low], [seed.high]]) * seed.along
    faces = [(ends + s * seed.thickness / 2 * seed.across - plate.middle) @ plate.across for s in (-1.0, 1.0)]
    off = np.abs(np.sort(np.array(faces), axis=0) - np.array([[-0.5], [0.5]]) * plate.thickness)
    along = (ends - earlier.middle) @ earlier.along
    inside = along.min() > earlier.low - seed.step and along.max() < earlier.high + seed.step
    return bool(inside and off.max() < SAME_STEPS * seed.step)


def _told(photo: Photo, found: list[Plate]) -> bool:
    """Whether a thickness alone tells the plate: both members are that thick, or there is no other."""
    first = found[0]
    if any(abs(math.log(p.thickness / first.thickness)) > ONE_THICKNESS for p in found):
        return True  # which of them it is, is asked for where they contradict each other
    return any(_members(first, p) for p in found[1:]) or not other_metal(photo.pixels, first)


def _members(a: Plate, b: Plate) -> bool:
    """Whether two plates are the members of one joint: at an angle, or one laid on the other."""
    turn = abs(float(a.along @ b.along))
    off = abs(float((a.middle - b.middle) @ b.across))
    return turn < 0.9 or (turn > 0.999 and abs(off / a.thickness - 1) < 0.15)


def _lengthwise(a: Plate, b: Plate) -> bool:
    """Whether `a` is the two sawn ends of the plate `b`."""
    crossed = abs(float(a.along @ b.along)) < 0.1 and a.length < 1.15 * b.thickness
    return crossed and b.thickness < a.thickness and _holds(a, b.middle)


def _plain(found: list[Plate]) -> list[Plate]:
    """Leave out what is hardly seen beside the plainest plate."""
    return [
        p
        for p in found
        if p.strength >= (WEAKEST if p.bright == found[0].bright else OTHER_TONE) * found[0].strength
    ]


def _holds(plate: Plate, point: FloatArray) -> bool:
    """Whether a point lies between the two faces, about where both are seen."""
    shift = point - plate.middle
    along, across = float(shift @ plate.along), float(shift @ plate.across)
    return abs(across) < plate.thickness / 2 and abs(along) < plate.length / 2 + BEYOND * plate.thickness


def _same(a: Plate, b: Plate) -> bool:
    turn = abs(float(a.along @ b.along))
    off = abs(float((a.middle - b.middle) @ b.across))
    along = abs(float((a.middle - b.middle) @ b.along))
    alike = abs(math.log(a.thickness / b.thickness)) < SAME_FACES
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


def _candidate(plate: Plate, thickness_mm: float, spread: float) -> Candidate:
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
        u_found=math.hypot(plate.u_thickness / plate.thickness, spread),
        points_px=plate.corners,
        what=(
            f"plate {thickness_mm:g} mm thick, {plate.thickness:.1f} px, both faces seen over {plate.length:.0f} px"
        ),
        flags=flags,
        extent_px=plate.thickness,
        ends_px=ends,
        restated=f"plate:{thickness_mm:.6g}mm@{x:.0f},{y:.0f}",
    )
