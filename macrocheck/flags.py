"""What makes a result doubtful: a flag with a code, a sentence and a place in the picture.

The table `KINDS` is the one list of codes. A flag widens `u` or withholds a number; it never only warns, and
the stage that raises it is the stage that widens or withholds.
"""

from dataclasses import dataclass

from macrocheck.arrays import Point

KINDS: dict[str, str] = {
    # scale
    "scale_stated": "The scale was stated by the user, nothing in the picture confirms it.",
    "scale_one_mark": "One mark cannot tell whether the camera was tilted to the section.",
    "scale_tilt": "The section was photographed at an angle.",
    "scale_marks_disagree": "Two marks give different scales.",
    "scale_off_plane": "The mark does not lie in the plane of the section.",
    "scale_coarse": "The picture has few pixels per millimetre.",
    # outline
    "low_contrast": "The fusion boundary is hardly visible on this stretch.",
    "regions_unsure": "Weld metal, members and background are hard to tell apart here.",
    "second_boundary": "A second outline is nearly as good on this stretch.",
    "touches_edge": "The weld outline touches the edge of the picture.",
    "toe_unsure": "The toe is not clearly visible.",
    "surface_short": "Little of this member's original surface is visible.",
    "surface_bent": "This member's surface is not straight.",
    "surface_missing": "No original surface of this member is left in the picture.",
    "joint_unsure": "The kind of joint could not be told with confidence, or looks unlike the one stated.",
    "member_unsure": "Which member is the butting one could not be told with confidence.",
    "void_at_root": "There is a void at the root.",
    "void_unsure": "Whether a spot in the weld metal is a void could not be told with confidence.",
    "weld_in_parts": "The weld metal appears in more than one part.",
    "blurred": "The picture is blurred here.",
    "glare": "Glare hides part of the weld.",
    "indication": "Look here: possible crack or seam.",
    "corrected_by_hand": "The outline was corrected or drawn by hand.",
    # measurement
    "toe_outside": "A toe lies outside the picture.",
    "dihedral_range": "The angle between the members is outside 60 to 135 degrees.",
    "face_folded": "The weld face crosses itself.",
}
"""Code -> what it means in general; the flag's own text says what is so in this picture."""


@dataclass(frozen=True, slots=True)
class Flag:
    """One doubt: `code` from `KINDS`, `text` a sentence, `where_px` points (x, y) in the upright photo."""

    code: str
    text: str
    where_px: tuple[Point, ...] = ()

    def __post_init__(self) -> None:
        if self.code not in KINDS:
            msg = f"unknown flag code {self.code!r}"
            raise ValueError(msg)

    def to_json(self) -> dict[str, object]:
        """Return the flag as it stands in the result document."""
        return {"code": self.code, "text": self.text, "where_px": [list(p) for p in self.where_px]}
