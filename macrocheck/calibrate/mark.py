"""Mark: what the user says lies in the picture; Candidate: one place in the picture that fits it."""

import math
from dataclasses import dataclass, field

from macrocheck.arrays import FloatArray, Point
from macrocheck.flags import Flag
from macrocheck.scale import Lens, Tilt


@dataclass(frozen=True, slots=True)
class Mark:
    """One reference mark as the user stated it.

    `kind`: its name in the registry; `text`: as written. `length_mm`: the bar's or member's length, the rule's
    pitch, the disc's diameter, the distance of two points, the pixel's side; None where the mark needs none.
    `points_px`: the two stated points, or the one on the plate that is meant, (x, y) px. `name`: a name from a
    table (coin). `tolerance`: relative limits of error of the mark itself, read as a rectangular distribution (JCGM
    100:2008, 4.3.7); `limits_stated`: whether the user said them.
    """

    kind: str
    text: str
    length_mm: float | None = None
    points_px: tuple[Point, ...] = ()
    name: str | None = None
    tolerance: float = 0.0
    limits_stated: bool = False

    @property
    def u_rel(self) -> float:
        """Relative standard uncertainty of the mark itself."""
        return self.tolerance / math.sqrt(3.0)

    def u_as_drawn(self, least: float) -> float:
        """The same where its size in px makes its limits of error `least` (relative) if none are stated."""
        return self.u_rel if self.limits_stated else max(self.tolerance, least) / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One place in the picture that fits a mark.

    `mm_per_px`: what it says; `u_found`: relative standard uncertainty from finding it in the picture alone (the
    mark's own is added later). `points_px`: (n, 2) ticks, ends or outline for drawing. `what`: a phrase such as
    "bar 10 mm, 412.3 px long". `plane`: homography px -> mm where the mark gives one. `extent_px`: length of the
    longest stretch the scale rests on. `restated`: how the user would state this very place, where that is not
    by two points. `least_limits`: least limits of error (relative) of the mark itself, as its size in px shows.
    """

    mm_per_px: float
    u_found: float
    points_px: FloatArray
    what: str
    flags: tuple[Flag, ...] = ()
    plane: FloatArray | None = None
    extent_px: float = 0.0
    ends_px: tuple[Point, ...] = field(default=())
    tilt: Tilt | None = None
    lens: Lens | None = None
    restated: str = ""
    least_limits: float = 0.0

    @property
    def middle_px(self) -> Point:
        """Middle of the drawn points, (x, y) px."""
        x, y = self.points_px.mean(axis=0)
        return float(x), float(y)
