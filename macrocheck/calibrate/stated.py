"""Marks that the user states in full: two points and their distance, or the size of a pixel."""

import math

import numpy as np

from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.errors import InputError
from macrocheck.flags import Flag
from macrocheck.photo import Photo

U_CLICK_PX = 1.5
"""Standard uncertainty of a point picked by a person along the line of the two, px; common practice, no source."""


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return the one candidate that was stated; raises InputError where the points lie outside the picture."""
    if mark.length_mm is None:
        return ()
    if mark.points_px:
        return (_two_points(photo, mark, mark.length_mm),)
    flag = Flag(
        "scale_stated", f"The scale {mark.length_mm:g} mm/px was stated; nothing in the picture confirms it."
    )
    nowhere = np.empty((0, 2))
    return (Candidate(mark.length_mm, 0.0, nowhere, f"stated, {mark.length_mm:g} mm per px", flags=(flag,)),)


def _two_points(photo: Photo, mark: Mark, length_mm: float) -> Candidate:
    for x, y in mark.points_px:
        if not (-0.5 <= x <= photo.width - 0.5 and -0.5 <= y <= photo.height - 0.5):
            size = f"{photo.width} x {photo.height} px"
            msg = f"The point {x:g},{y:g} of {mark.text!r} lies outside the picture ({size})."
            raise InputError(msg)
    apart = math.dist(*mark.points_px)
    return Candidate(
        mm_per_px=length_mm / apart,
        u_found=U_CLICK_PX * math.sqrt(2) / apart,
        points_px=np.array(mark.points_px, dtype=np.float64),
        what=f"two points {length_mm:g} mm apart, {apart:.1f} px",
        extent_px=apart,
        ends_px=mark.points_px,
    )
