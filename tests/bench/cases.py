"""Rendered pictures with their truth, of any family, in one shape."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray, Point
from macrocheck.outline import Outline, SurfaceLine, WeldOutline
from macrocheck.photo import Photo

if TYPE_CHECKING:
    from macrocheck.render.section import SectionJoint

FAMILIES = ("apart", "own", "elsewhere", "otherwise")
LOOKS: dict[str, Literal["fair", "grain", "hard"]] = {"fair": "fair", "grain": "grain", "hard": "hard"}


@dataclass(frozen=True, slots=True)
class CaseWeld:
    """Truth of one weld: quantities, outline (n, 2) px, joint root and toes (x, y) px.

    `outline`: the weld as an `Outline` would hold it, where the family gives it; to test measuring alone.
    """

    truth: Mapping[str, Any]
    polygon_px: FloatArray
    joint_root_px: Point | None
    toe_butting_px: Point | None
    toe_nonbutting_px: Point | None
    whole: bool
    outline: WeldOutline | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """One picture, (h, w, 3) uint8, and what is true of it."""

    family: str
    look: str
    seed: int
    rgb: ByteArray
    joint: str
    mm_per_px: float
    mark: str
    welds: tuple[CaseWeld, ...]

    def photo(self) -> Photo:
        """Return the picture as the pipeline reads it."""
        name = f"{self.family}-{self.look}-{self.seed}.png"
        return Photo(self.rgb, name, hashlib.sha256(self.rgb.tobytes()).hexdigest())

    def true_outline(self) -> Outline | None:
        """Return the true outline, or None where the family does not give it."""
        welds = tuple(w.outline for w in self.welds if w.outline is not None and w.whole)
        if not welds:
            return None
        return Outline(self.rgb.shape[1], self.rgb.shape[0], welds)


def load_case(family: str, look: str, seed: int) -> Case:
    """Render picture `seed` of a family in a look; ValueError for an unknown family."""
    if family == "apart":
        return _apart(look, seed)
    if family == "own":
        return _own(look, seed)
    if family in ("elsewhere", "otherwise"):
        return _drawn(family, look, seed)
    msg = f"family is one of {', '.join(FAMILIES)}, not {family!r}"
    raise ValueError(msg)


def _apart(look: str, seed: int) -> Case:
    from tests.apart import render_apart

    picture = render_apart(seed, look)
    welds = []
    for weld in picture.welds:
        butting = SurfaceLine(weld.joint_root_px, weld.along_butting, 0.02, 1e-5, 100.0)
        nonbutting = SurfaceLine(weld.joint_root_px, weld.along_nonbutting, 0.02, 1e-5, 100.0)
        top = SurfaceLine(weld.toe_butting_px, _back(weld.along_nonbutting), 0.02, 1e-5, 100.0)
        gap = weld.truth["root_gap"]
        outline = WeldOutline(
            joint="lap" if picture.joint == "lap" else "tee",
            surface_butting=None if weld.melted_end else butting,
            surface_nonbutting=nonbutting,
            face=weld.face_px,
            fusion=weld.fusion_px,
            u_face=np.full(len(weld.face_px), 0.02),
            u_fusion=np.full(len(weld.fusion_px), 0.02),
            correlation_px=10.0,
            voids=weld.voids_px,
            seam_end=weld.seam_end_px,
            gap_px=(gap / picture.mm_per_px, 0.02) if isinstance(gap, float) and gap > 0 else None,
            surface_top=top if picture.joint == "lap" and weld.melted_end else None,
        )
        welds.append(
            CaseWeld(
                weld.truth,
                weld.polygon_px,
                weld.joint_root_px,
                weld.toe_butting_px,
                weld.toe_nonbutting_px,
                weld.whole,
                outline,
            )
        )
    return Case("apart", look, seed, picture.rgb, picture.joint, picture.mm_per_px, picture.mark, tuple(welds))


def _back(direction: Point) -> Point:
    return -direction[0], -direction[1]


def _own(look: str, seed: int) -> Case:
    from macrocheck.render.photo import render_photo

    # Beads in the hard look are a look of their own here: "bead".
    name = "hard" if look == "bead" else look
    if name not in LOOKS:
        msg = f"look is one of bead, {', '.join(LOOKS)}, not {look!r}"
        raise ValueError(msg)
    joints: tuple[SectionJoint, ...] = ("bead",) if look == "bead" else ("tee", "tee", "lap", "corner")
    picture = render_photo(seed, LOOKS[name], joints=joints)
    welds = tuple(
        CaseWeld(
            truth=weld.quantities,
            polygon_px=weld.polygon_px,
            joint_root_px=weld.joint_root_px,
            toe_butting_px=weld.toe_butting_px,
            toe_nonbutting_px=weld.toe_nonbutting_px,
            whole=True,
            outline=weld.outline,
        )
        for weld in picture.welds
    )
    return Case("own", look, seed, picture.rgb, picture.joint, picture.mm_per_px, picture.mark, welds)


def _drawn(family: str, look: str, seed: int) -> Case:
    """Return a picture of a family whose truth is the package's own measuring of its exact outlines."""
    from tests.elsewhere import render_elsewhere
    from tests.otherwise import render_otherwise

    picture = render_elsewhere(seed, look) if family == "elsewhere" else render_otherwise(seed, look)
    welds = tuple(
        CaseWeld(
            truth=weld.quantities,
            polygon_px=weld.outline.polygon,
            joint_root_px=weld.outline.joint_root,
            toe_butting_px=weld.outline.toe_butting,
            toe_nonbutting_px=weld.outline.toe_nonbutting,
            whole=weld.whole,
            outline=weld.outline,
        )
        for weld in picture.welds
    )
    return Case(family, look, seed, picture.rgb, picture.joint, picture.mm_per_px, picture.mark, welds)
