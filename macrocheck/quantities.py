"""The one list of measured quantities: key, unit, and what each means (docs/definitions.md has the drawings)."""

from dataclasses import dataclass
from typing import Literal

Unit = Literal["mm", "mm2", "deg", "1"]


@dataclass(frozen=True, slots=True)
class QuantityKind:
    """One quantity: its JSON key, its unit ("1" is a plain ratio), the trade's name, and the joints it is for."""

    key: str
    unit: Unit
    name: str
    meaning: str
    fillet: bool = True
    bead: bool = False
    is_list: bool = False


def _member(key: str, unit: Unit, name: str, meaning: str, **more: bool) -> tuple[QuantityKind, ...]:
    return tuple(
        QuantityKind(f"{key}_{m}", unit, f"{name}, {m}", meaning.format(m=m), **more)
        for m in ("butting", "nonbutting")
    )


QUANTITIES: tuple[QuantityKind, ...] = (
    *_member("leg", "mm", "Leg", "joint root to toe along the {m} member's surface"),
    QuantityKind("leg_difference", "mm", "Leg difference", "absolute difference of the two legs"),
    QuantityKind(
        "size", "mm", "Size", "leg of the largest isosceles triangle, apex at the joint root, in the weld"
    ),
    QuantityKind(
        "size_unequal",
        "mm",
        "Size, unequal legs",
        "the two legs (butting, nonbutting) of the largest-area triangle that fits",
        is_list=True,
    ),
    QuantityKind("theoretical_throat", "mm", "Theoretical throat", "joint root to the base of the size triangle"),
    QuantityKind("actual_throat", "mm", "Actual throat", "shortest distance weld root to weld face"),
    QuantityKind("effective_throat", "mm", "Effective throat", "actual throat less convexity"),
    QuantityKind("convexity", "mm", "Convexity", "largest distance of the face outside the toe-to-toe line"),
    QuantityKind("concavity", "mm", "Concavity", "largest distance of the face inside the toe-to-toe line"),
    QuantityKind("face_width", "mm", "Face width", "toe to toe"),
    *_member("toe_angle", "deg", "Toe angle", "angle through the air between {m} surface and face at the toe"),
    *_member("depth_of_fusion", "mm", "Depth of fusion", "largest depth of fusion in the {m} member, normal to it"),
    QuantityKind(
        "root_penetration",
        "mm",
        "Root penetration",
        "weld metal past the joint root along the faying surface",
    ),
    QuantityKind(
        "root_shortfall",
        "mm",
        "Root shortfall",
        "joint root to the nearest weld metal; 0 where it is reached",
    ),
    *_member("unfused", "mm", "Unfused length", "length of the {m} leg with depth of fusion under the threshold"),
    *_member("unfused_spans", "mm", "Unfused spans", "the intervals of that, from the joint root", is_list=True),
    *_member("fused_fraction", "1", "Fused fraction", "1 - unfused / leg, {m} member"),
    QuantityKind("unfused_land", "mm", "Unfused land", "faying surface behind the root that stays unfused"),
    QuantityKind("weld_area", "mm2", "Weld metal area", "area of the weld metal", bead=True),
    QuantityKind("fill_area", "mm2", "Fill area", "part of the weld metal outside the original members", bead=True),
    *_member("melted_area", "mm2", "Melted area", "weld metal inside the original {m} member"),
    QuantityKind("dilution", "1", "Dilution", "melted base metal over weld metal", bead=True),
    *_member("haz_width", "mm", "HAZ width", "mean distance fusion boundary to HAZ outer edge, {m} member"),
    *_member("undercut", "mm", "Undercut", "depth of the groove under the original {m} surface beyond the toe"),
    *_member("overlap", "mm", "Overlap", "weld metal lying unfused on the {m} surface where the face turns under"),
    QuantityKind("root_gap", "mm", "Root gap", "opening between the members at the joint"),
    QuantityKind("void_area_fraction", "1", "Void fraction", "area of voids over weld metal area", bead=True),
    QuantityKind("largest_void", "mm", "Largest void", "longest dimension of the largest void", bead=True),
    QuantityKind("dihedral_angle", "deg", "Dihedral angle", "angle between the member surfaces on the weld side"),
    QuantityKind("bead_width", "mm", "Bead width", "toe to toe", fillet=False, bead=True),
    QuantityKind(
        "reinforcement_height",
        "mm",
        "Reinforcement",
        "height of the bead over the surface",
        fillet=False,
        bead=True,
    ),
    QuantityKind(
        "depth_of_fusion",
        "mm",
        "Depth of fusion",
        "largest depth of fusion under the surface",
        fillet=False,
        bead=True,
    ),
    QuantityKind(
        "melted_area", "mm2", "Melted area", "weld metal inside the original member", fillet=False, bead=True
    ),
    QuantityKind(
        "toe_angle_left", "deg", "Toe angle, left", "as toe_angle, at the left toe", fillet=False, bead=True
    ),
    QuantityKind(
        "toe_angle_right",
        "deg",
        "Toe angle, right",
        "as toe_angle, at the right toe",
        fillet=False,
        bead=True,
    ),
    QuantityKind("undercut_left", "mm", "Undercut, left", "as undercut, at the left toe", fillet=False, bead=True),
    QuantityKind(
        "undercut_right", "mm", "Undercut, right", "as undercut, at the right toe", fillet=False, bead=True
    ),
)

BY_KEY: dict[str, QuantityKind] = {q.key: q for q in QUANTITIES}
