"""The density (dots per inch) that a scanner wrote into the picture file."""

import math

import numpy as np

from macrocheck.calibrate.kinds import forms
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.errors import NotFoundError
from macrocheck.flags import Flag
from macrocheck.photo import Photo
from macrocheck.units import MM_PER_INCH

ROUNDING_DPI = 0.5
"""Files keep whole dots per inch (JFIF 1.02; TIFF 6.0 and EXIF allow fractions that few writers use)."""


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return the one candidate that the file states; raises NotFoundError where it states none worth believing."""
    if photo.density_px_per_mm is None:
        msg = (
            f"{photo.path} states no pixel density that was measured on the object: none is in the file, or it is "
            f"a camera's, a default such as 72 or 96 dpi, or unlike in x and y; use another mark: "
            f"{forms(mark.kind)}."
        )
        raise NotFoundError(msg)
    dpi = photo.density_px_per_mm * MM_PER_INCH
    flag = Flag(
        "scale_stated",
        f"The scale is the {dpi:.4g} dots per inch that the file states; nothing in the picture confirms it.",
    )
    return (
        Candidate(
            mm_per_px=1.0 / photo.density_px_per_mm,
            u_found=ROUNDING_DPI / dpi / math.sqrt(3.0),
            points_px=np.empty((0, 2)),
            what=f"{dpi:.4g} dots per inch, as the file states",
            flags=(flag,),
        ),
    )
