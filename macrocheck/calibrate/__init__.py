"""Photo and marks to Scale. Importing this package and reading a mark's text load no image library."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from macrocheck.calibrate.height import Height, settle_height
from macrocheck.calibrate.kinds import BY_NAME, KINDS, MarkKind, ask_for_mark, forms, parse_mark
from macrocheck.calibrate.mark import Mark

if TYPE_CHECKING:
    from macrocheck.photo import Photo
    from macrocheck.scale import Scale

__all__ = [
    "BY_NAME",
    "KINDS",
    "Height",
    "Mark",
    "MarkKind",
    "ask_for_mark",
    "calibrate",
    "forms",
    "parse_mark",
    "settle_height",
]


def calibrate(
    photo: "Photo",
    marks: Sequence[Mark],
    *,
    mark_offset: str | float | None = None,
    camera_distance: str | float | None = None,
) -> "Scale":
    """Find every mark in the photo and return the scale they give.

    `mark_offset`: how much nearer to the camera than the section the marks laid beside it are (rule, disc, card,
    points), negative where further; `camera_distance`: from the lens to the section. Lengths as text, or in mm.

    With several marks the scale is the first one's where they disagree (flag `scale_marks_disagree`, `u_rel`
    widened to cover the others), and the surest one's where they agree; never an average.

    Raises NotFoundError where a mark is not in the picture or fits two places with different scales, InputError
    where the scale that a mark gives cannot be meant.
    """
    from macrocheck.calibrate.combine import scale_from

    return scale_from(photo, marks, settle_height(mark_offset, camera_distance))
