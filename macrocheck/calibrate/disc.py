"""A disc of known diameter, a coin, a pin, a ball's silhouette, anywhere in the picture and partly covered.

The diameter is read off the ellipse through the sub-pixel outline. An outline that is no circle is a disc in a
tilted plane: the axis ratio is the cosine of the tilt, and the plane is squared up by it.
"""

import math
from typing import TYPE_CHECKING

import numpy as np

from macrocheck.calibrate.disc_fit import LEAST_TILT_DEG, Disc
from macrocheck.calibrate.disc_outline import refined
from macrocheck.calibrate.disc_search import Search, within
from macrocheck.calibrate.disc_whole import whole
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.flags import Flag
from macrocheck.photo import Photo
from macrocheck.scale import Tilt

if TYPE_CHECKING:
    from macrocheck.arrays import FloatArray

WEAKEST = 0.3
"""A disc with a step this much weaker than the strongest one's is taken for a shade."""


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return every disc in the picture, best seen first."""
    if mark.length_mm is None or min(photo.width, photo.height) < 40:
        return ()
    discs = find_discs(photo)
    return tuple(_candidate(disc, mark, mark.length_mm) for disc in discs)


def find_discs(photo: Photo) -> list[Disc]:
    """Return the discs in the picture, best seen first; of discs within each other the outermost."""
    search = Search(photo)
    for colour in (False, True):
        search.look(colour=colour)
        found = [a for a in search.found if not any(within(a, b) for b in search.found if b is not a)]
        found = [d for d in found if not any(d is o for o in search.doubtful) and whole(photo.pixels, d)]
        if found:
            break
    found.sort(key=lambda d: -d.seen * d.step)
    return [refined(photo.pixels, d) for d in found if d.step >= WEAKEST * max(o.step for o in found)]


def _candidate(disc: Disc, mark: Mark, diameter_mm: float) -> Candidate:
    minor, major = disc.axes
    mm_per_px = diameter_mm / (2 * disc.radius)
    u_found = disc.u_radius / disc.radius
    tilt = math.degrees(math.acos(min(minor / major, 1.0)))
    flags: tuple[Flag, ...] = ()
    plane: FloatArray | None = None
    told: Tilt | None = None
    if tilt > 0.9 * LEAST_TILT_DEG:
        plane = np.eye(3)
        plane[:2, :2] = np.linalg.inv(disc.shape) * diameter_mm / 2
        # what squaring up by one ellipse leaves: nearer parts look larger, by an amount that one disc cannot show
        left = (1 - minor / major) / math.sqrt(3)
        u_found = math.hypot(u_found, left)
        text = (
            f"The disc is {2 * major:.1f} px long and {2 * minor:.1f} px wide: the camera was tilted by about "
            f"{tilt:.0f} degrees. Lengths are squared up by it; {100 * left:.1g} % for what one disc cannot show "
            f"is in the uncertainty."
        )
        x, y = disc.centre
        flags = (Flag("scale_tilt", text, ((float(x), float(y)),)),)
        told = Tilt(tilt, math.degrees(disc.u_ratio / math.sin(math.radians(tilt))), "the disc's axes")
    name = f"{mark.name}, " if mark.name else ""
    return Candidate(
        mm_per_px=mm_per_px,
        u_found=u_found,
        points_px=disc.outline(),
        what=f"disc {name}{diameter_mm:g} mm, {2 * disc.radius:.1f} px across",
        flags=flags,
        plane=plane,
        extent_px=2 * disc.radius,
        tilt=told,
    )
