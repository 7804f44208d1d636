"""How high a mark lies over the plane of the section, and what that does to the scale. Light: no image library.

A lens shows what is nearer larger: at distance D from the section a mark h nearer to the camera is drawn
D / (D - h) times as large as one in the section's plane, so the section's mm per px is the mark's times
D / (D - h) (pinhole model). h is positive towards the camera, negative away from it.
"""

import math
from dataclasses import dataclass

from macrocheck.errors import InputError
from macrocheck.units import parse_length

USUAL_DISTANCE_MM = 300.0
"""Distance of the camera that is assumed where none is stated; common practice, no source."""
UNKNOWN_MM = 0.5
"""Limits within which a mark laid level with the section by eye lies in its plane, mm, rectangular; common
practice, no source."""
STATED_MM = 0.5
"""Limits of error of a stated height, mm, rectangular: a rule held beside it; common practice, no source."""
DISTANCE_PART = 0.1
"""Limits of error of a stated distance, relative, rectangular: nobody knows where in the lens it ends; common
practice, no source."""
FURTHEST = 0.5
"""A mark further off the plane than this part of the distance is no mark for it."""


@dataclass(frozen=True, slots=True)
class Height:
    """What is known of the marks' height: `offset_mm` towards the camera, `distance_mm` lens to section."""

    offset_mm: float | None = None
    distance_mm: float | None = None

    @property
    def factor(self) -> float:
        """What the mark's own mm per px is multiplied by to be the section's."""
        if self.offset_mm is None or self.distance_mm is None:
            return 1.0
        return self.distance_mm / (self.distance_mm - self.offset_mm)

    @property
    def u_rel(self) -> float:
        """Relative standard uncertainty of the scale from the height (first order, JCGM 100:2008, 5.1.2)."""
        distance = self.distance_mm or USUAL_DISTANCE_MM
        if self.offset_mm is None:
            return UNKNOWN_MM / math.sqrt(3) / distance
        away = distance - self.offset_mm
        of_height = STATED_MM / math.sqrt(3) / away
        of_distance = self.offset_mm / away * DISTANCE_PART / math.sqrt(3)
        return math.hypot(of_height, of_distance)


def settle_height(offset: str | float | None, distance: str | float | None) -> Height:
    """Return the height as stated: lengths as text with their unit, or in mm.

    Raises InputError where one cannot be read, where a height comes without a distance, or where both make no
    sense.
    """
    offset_mm, distance_mm = _signed(offset), _signed(distance)
    if distance_mm is not None and not 10.0 <= distance_mm <= 5000.0:
        msg = (
            f"A camera distance of {distance_mm:g} mm cannot be meant; state the way from the lens to the section."
        )
        raise InputError(msg)
    if offset_mm is not None and distance_mm is None:
        msg = (
            "A mark's height changes the scale by its part of the camera's distance, which is not stated; give "
            "both, such as --mark-offset 5mm --camera-distance 300mm."
        )
        raise InputError(msg)
    if offset_mm is not None and distance_mm is not None and abs(offset_mm) > FURTHEST * distance_mm:
        away = f"with the camera {distance_mm:g} mm away"
        msg = f"A mark {offset_mm:g} mm off the section's plane is too far off it {away}."
        raise InputError(msg)
    return Height(offset_mm, distance_mm)


def _signed(length: str | float | None) -> float | None:
    if length is None:
        return None
    if not isinstance(length, str):
        if not math.isfinite(length):
            msg = f"{length!r} is no length in mm."
            raise InputError(msg)
        return float(length)
    text = length.strip()
    bare = text.lstrip("+-−").strip()
    number = bare.rstrip("abcdefghijklmnopqrstuvwxyz\"' ")
    if "0" in number and all(c in "0.," for c in number):
        return 0.0
    value = parse_length(bare)
    return -value if text[:1] in "-−" else value
