"""Tilt from two marks on either side of the section: what is further from the camera looks smaller."""

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np

from macrocheck.calibrate.height import USUAL_DISTANCE_MM, Height
from macrocheck.calibrate.kinds import BY_NAME
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.photo import Photo
from macrocheck.scale import Tilt

APART = 0.25
"""Least distance of the two marks, part of the picture's longest side."""
EITHER_SIDE = 0.15
"""The middle of the picture lies between the marks, this part of their distance from either at least."""
MOST_U_DEG = 10.0
"""Two marks that leave the tilt less sure than this do not tell it."""


def tilt_between(found: Sequence[tuple[Mark, Candidate]], photo: Photo, height: Height) -> Tilt | None:
    """Return the tilt along the line of the two marks that tell it best; None where none do.

    Distances from the camera are as the scales at the two marks (pinhole model): over a distance d on the section,
    seen from D, a tilt t changes the scale by d sin(t) / D. Without a stated camera distance D is taken as
    `USUAL_DISTANCE_MM`.
    """
    distance = height.distance_mm or USUAL_DISTANCE_MM
    side = max(photo.width, photo.height)
    middle = np.array([(photo.width - 1) / 2, (photo.height - 1) / 2])
    best: Tilt | None = None
    seen = [(m, c) for m, c in found if len(c.points_px) and (BY_NAME[m.kind].laid or m.kind == "plate")]
    for (mark_a, a), (mark_b, b) in combinations(seen, 2):
        if a.plane is not None or b.plane is not None:
            continue
        at_a, at_b = np.array(a.middle_px), np.array(b.middle_px)
        line = at_b - at_a
        apart_px = float(np.hypot(*line))
        if apart_px < APART * side:
            continue
        part = float((middle - at_a) @ line) / apart_px**2
        if not EITHER_SIDE < part < 1 - EITHER_SIDE:
            continue
        d = apart_px * math.sqrt(a.mm_per_px * b.mm_per_px)
        sine = distance * math.log(b.mm_per_px / a.mm_per_px) / d
        u = distance / d * math.sqrt(a.u_found**2 + b.u_found**2 + mark_a.u_rel**2 + mark_b.u_rel**2)
        if abs(sine) > 0.7:
            continue
        deg, u_deg = math.degrees(math.asin(abs(sine))), math.degrees(u / math.sqrt(1 - sine**2))
        if u_deg < MOST_U_DEG and (best is None or u_deg < best.u_deg):
            assumed = "" if height.distance_mm else f" (camera taken to be {distance:g} mm away)"
            best = Tilt(deg, u_deg, f"{mark_a.text} and {mark_b.text} on either side{assumed}")
    return best
