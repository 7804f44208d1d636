"""A tee's other weld: where to look for it, and whether two welds are the two sides of one tee."""

import numpy as np

from macrocheck.outline import WeldOutline
from macrocheck.photo import Photo
from macrocheck.segment.locate import Spot, spots
from macrocheck.segment.looks import Looks

_SMALL = 0.1
"""Part of the photo's longer side under which a weld is but 32 px long at the first look, and one beside it may be
missed there. A look about it costs 0.25 s of processor time: larger ones go without."""
_ABOUT = (0.2,)
"""Share of the side that the weld takes in that look: room for a plate and as large a weld on its other side."""
_AS_LARGE, _LIKELY = 0.2, 0.5
"""Its score, as a share of the best in that look, and its likeness, under which what is seen there is clutter.

Estimates, as what follows: of 151 welds of two other families none is found differently, of 118 on benches three
more are found."""
_OFF = 0.5
"""Of the leg, that the other weld's toe lies off the nonbutting surface at most."""
_STRAIGHT, _ASKEW = -0.9, -0.7
"""Cosine between the two nonbutting surfaces, each pointing away from its weld; and where one is hardly seen."""
_HARDLY_SEEN = ("surface_short", "surface_bent")


def nearby(looks: Looks, first: Spot, photo: Photo) -> list[Spot]:
    """Patches about a weld that is small in the photo, as a look that takes in its surroundings shows them."""
    if first.span > _SMALL * max(photo.width, photo.height):
        return []
    seen = spots(looks.framed(first, _ABOUT))
    return [s for s in seen[:4] if s.score >= _AS_LARGE * seen[0].score and s.likeness >= _LIKELY]


def same_joint(a: WeldOutline, b: WeldOutline) -> bool:
    """Whether two welds can be the two sides of one tee.

    They share the nonbutting surface and face away from one another; where either surface is not in sight, the
    toes must lie that way round.
    """
    s, t = a.surface_nonbutting, b.surface_nonbutting
    leg = float(np.hypot(*(np.asarray(a.toe_nonbutting) - np.asarray(a.toe_butting))))
    if s is not None and t is not None:
        along = s.direction[0] * t.direction[0] + s.direction[1] * t.direction[1]
        if float(abs(s.signed_distance(np.asarray([b.toe_nonbutting]))[0])) > _OFF * leg or along > _ASKEW:
            return False
        if along < _STRAIGHT:
            return True
        # A short stretch may point astray: then the toes tell.
        if not any(f.code in _HARDLY_SEEN for f in (*a.flags, *b.flags)):
            return False
    inner = np.asarray(a.toe_butting) - np.asarray(b.toe_butting)
    outer = np.asarray(a.toe_nonbutting) - np.asarray(b.toe_nonbutting)
    return float(inner @ outer) > 0 and float(np.hypot(*outer)) > float(np.hypot(*inner))
