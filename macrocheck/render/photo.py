"""Whole rendered photographs: a random section, a view of it, a look, a reference mark, and the exact truth."""

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray, Point
from macrocheck.outline import Joint, WeldOutline
from macrocheck.render import camera, clutter
from macrocheck.render.looks import Look
from macrocheck.render.mark_placing import MarkKind, place_mark
from macrocheck.render.marks import DrawnMark
from macrocheck.render.paint import scene
from macrocheck.render.raster import View, make_view
from macrocheck.render.sample_looks import fair_look, grain_look, hard_look
from macrocheck.render.sampling import sample_spec
from macrocheck.render.section import Section, SectionJoint, SectionSpec, WeldGeometry, build_section
from macrocheck.render.truth import Value, section_truth, truth_outline

if TYPE_CHECKING:
    from shapely.geometry import Polygon

LookName = Literal["fair", "grain", "hard"]

SAMPLERS = {"fair": fair_look, "grain": grain_look, "hard": hard_look}


@dataclass(frozen=True, slots=True)
class WeldTruth:
    """Truth of one weld: quantities (units as in macrocheck.quantities) and its exact outline in the picture."""

    quantities: dict[str, Value]
    outline: WeldOutline

    @property
    def polygon_px(self) -> FloatArray:
        """Closed outline of the weld metal, (n, 2) px."""
        return self.outline.polygon

    @property
    def joint_root_px(self) -> Point | None:
        """Joint root, px; None for a bead, or where nothing shows a lap's end face."""
        return self.outline.joint_root if self.outline.joint != "bead" else None

    @property
    def toe_butting_px(self) -> Point:
        """Toe on the butting member (a bead's left toe), px."""
        return self.outline.toe_butting

    @property
    def toe_nonbutting_px(self) -> Point:
        """Toe on the nonbutting member (a bead's right toe), px."""
        return self.outline.toe_nonbutting


@dataclass(frozen=True, slots=True)
class RenderedPhoto:
    """A picture and everything that is true of it.

    `rgb` (h, w, 3) uint8; `mark`: what a user would state for it ("bar:10mm", "ruler:1mm", "px:0.0212mm");
    `drawn`: where that mark lies, None for "px".
    """

    rgb: ByteArray = field(repr=False)
    joint: Joint
    mm_per_px: float
    mark: str
    welds: tuple[WeldTruth, ...]
    view: View
    section: Section
    look: Look
    drawn: DrawnMark | None = None


def sound_geometry(section: Section) -> bool:
    """Whether a section's curves make sense: no outline crosses itself, no weld another, none melts through."""
    from shapely.geometry import Polygon

    metal = [Polygon(w.polygon) for w in section.welds]
    plates = [Polygon(p) for p in (section.butting, section.nonbutting) if p is not None]
    if not all(p.is_valid and p.area > 0.5 for p in (*metal, *plates)):
        return False
    if len(metal) > 1 and metal[0].distance(metal[1]) < 0.3:
        return False
    return all(_holds_its_voids(w, p) for w, p in zip(section.welds, metal, strict=True)) and not _melts_through(
        section
    )


def _holds_its_voids(weld: WeldGeometry, metal: "Polygon") -> bool:
    """Whether every void lies inside the weld metal and apart from the others."""
    from shapely.geometry import Polygon

    holes, room = [Polygon(v) for v in weld.voids], metal.buffer(-0.05)
    apart = all(a.distance(b) >= 0.03 for i, a in enumerate(holes) for b in holes[:i])
    return apart and all(room.contains(h) for h in holes)


def _melts_through(section: Section) -> bool:
    """Whether fusion leaves less than 0.4 mm of either member."""
    spec = section.spec
    if max(-float(w.fusion[:, 1].min()) for w in section.welds) > spec.thickness_nonbutting - 0.4:
        return True
    if spec.joint not in {"tee", "corner"}:
        return False
    a = np.deg2rad(spec.psi)
    inward = np.array([-np.sin(a), np.cos(a)])
    for number, weld in enumerate(section.welds):
        depth = weld.fusion[weld.split + 1 :] @ inward
        if len(depth) == 0:
            continue
        through = depth.max() if number == 0 else spec.thickness_butting - depth.min()
        if through > spec.thickness_butting - 0.4:
            return True
    return False


def sample_section(
    rng: np.random.Generator, *, joints: tuple[SectionJoint, ...] = ("tee", "lap", "corner"), wild: float = 1.0
) -> Section:
    """Draw random sections until one is sound."""
    for _ in range(200):
        section = build_section(sample_spec(rng, joints=joints, wild=wild))
        if sound_geometry(section):
            return section
    msg = "no sound section in 200 draws"
    raise RuntimeError(msg)


def _frame(
    section: Section,
    rng: np.random.Generator,
    *,
    look: LookName,
    px_per_mm: float | None,
    size: tuple[int, int] | None,
    share: tuple[float, float] | None,
    rotation_deg: float | None,
    mirror: bool | None,
) -> View:
    """Choose a view that shows every weld whole with some of each member."""
    hard = look == "hard"
    if not hard:
        rotation = float(rng.normal(0, 6)) if rng.random() < 0.7 else rng.uniform(-180, 180)
    else:
        rotation = float(rng.normal(0, 8)) if rng.random() < 0.4 else rng.uniform(-180, 180)
    flip = bool(rng.random() < 0.5)
    rotation, mirror = rotation if rotation_deg is None else rotation_deg, flip if mirror is None else mirror
    low, high = share or ((0.25, 0.6) if not hard else (0.15, 0.8))
    points = np.vstack([w.polygon for w in section.welds])
    part = rng.uniform(low, high)
    aspect = float(rng.choice([4 / 3, 4 / 3, 1.5, 16 / 9, 1.0]))
    if size is not None:
        aspect = size[0] / size[1]
    unit = make_view(px_per_mm=1, width=2, height=2, centre_mm=(0, 0), rotation_deg=rotation, mirror=mirror)
    turned = points @ unit.matrix[:, :2].T
    low_xy, high_xy = turned.min(axis=0), turned.max(axis=0)
    wide, tall = high_xy - low_xy
    width_mm = max(wide / part, tall * aspect / min(max(part * 1.15, 0.3), 0.82))
    if px_per_mm is None:
        if size is not None:
            px_per_mm = size[0] / width_mm
        else:
            px_per_mm = rng.uniform(30, 60) if not hard else float(np.exp(rng.uniform(np.log(18), np.log(75))))
            limit = (3600 if not hard else 2600) / width_mm
            if not hard:
                # small welds are photographed closer, and leave more of the plates in view
                px_per_mm = float(np.clip(max(px_per_mm, 900 / width_mm), 30, max(30.0, min(60, limit))))
                width_mm = min(max(width_mm, 900 / px_per_mm), max(wide / low, width_mm))
            else:
                px_per_mm = min(max(px_per_mm, rng.uniform(320, 1100) / width_mm), limit)
    if size is None:
        width = int(np.clip(round(width_mm * px_per_mm), 360, 4600))
        size = (width, round(width / aspect))
    shown = np.array(size) / px_per_mm
    spare = np.maximum(shown - (high_xy - low_xy), 0)
    # the joint stands off the middle, but a strip of each member stays in view
    middle = (low_xy + high_xy) / 2 + rng.uniform(-0.27, 0.27, 2) * spare
    centre = np.linalg.inv(unit.matrix[:, :2]) @ middle
    return make_view(
        px_per_mm=px_per_mm,
        width=size[0],
        height=size[1],
        centre_mm=(float(centre[0]), float(centre[1])),
        rotation_deg=rotation,
        mirror=mirror,
    )


def render_photo(
    seed: int,
    look: LookName | Look = "fair",
    *,
    spec: SectionSpec | None = None,
    px_per_mm: float | None = None,
    size: tuple[int, int] | None = None,
    mark: MarkKind | None = None,
    joints: tuple[SectionJoint, ...] = ("tee", "lap", "corner"),
    wild: float = 1.0,
    share: tuple[float, float] | None = None,
    rotation_deg: float | None = None,
    mirror: bool | None = None,
    view: View | None = None,
) -> RenderedPhoto:
    """Render a photograph; the same arguments give the same picture.

    `look`: a kind to draw from, or a look of your own. `spec`: the section, else one is drawn from `joints` with
    faults as `wild` (0-1) allows. `size`: (width, height) px; `px_per_mm`: scale; left out, both are drawn (30-60
    px/mm for fair and grain). `share`: (least, most) part of the picture's width that the weld takes.
    `rotation_deg`, `mirror`: of the section in the picture. `view`: all of that by hand.
    `mark`: drawn where there is room for it, else the picture's mark is "px:...".

    Raises:
        ValueError: for a look that is not known.
    """
    name = look if isinstance(look, str) else look.name
    if isinstance(look, str) and look not in SAMPLERS:
        msg = f"no look called {look!r}; there are {', '.join(SAMPLERS)}"
        raise ValueError(msg)
    rng = np.random.default_rng([seed, 41])
    section = build_section(spec) if spec is not None else sample_section(rng, joints=joints, wild=wild)
    style = SAMPLERS[look](np.random.default_rng([seed, 42])) if isinstance(look, str) else look
    kind: LookName = "hard" if name == "hard" else "fair"
    if view is None:
        view = _frame(
            section,
            rng,
            look=kind,
            px_per_mm=px_per_mm,
            size=size,
            share=share,
            rotation_deg=rotation_deg,
            mirror=mirror,
        )
    picture = scene(section, view, style, seed)
    drawn, stated = None, ""
    lens = np.random.default_rng([seed, 43])
    if mark == "ruler":
        picture, stated, drawn = place_mark(picture, mark, view, section, style, rng)
    picture = camera.expose(camera.light(picture, style.camera, lens), style.camera, lens)
    if mark == "bar":
        picture, stated, drawn = place_mark(picture, mark, view, section, style, rng)
    if style.clutter.arrows:
        clutter.arrows(picture, style.clutter.arrows, lens)
    mm_per_px = 1 / view.px_per_mm
    outlines = [truth_outline(section, view, i) for i in range(len(section.welds))]
    welds = tuple(
        WeldTruth(*_as_seen(_sides_as_seen(q, view), o, style))
        for q, o in zip(section_truth(section), outlines, strict=True)
    )
    return RenderedPhoto(
        rgb=camera.store(picture, style.camera),
        joint=outlines[0].joint,
        mm_per_px=mm_per_px,
        mark=stated or f"px:{mm_per_px:.8g}mm",
        welds=welds,
        view=view,
        section=section,
        look=style,
        drawn=drawn,
    )


def _sides_as_seen(quantities: dict[str, Value], view: View) -> dict[str, Value]:
    """Left and right of a bead as this picture shows them: a mirrored one has them the other way round."""
    if np.linalg.det(view.matrix[:, :2]) < 0:  # y runs down in a picture: not mirrored
        return dict(quantities)
    other = {
        f"{k}_{a}": f"{k}_{b}" for k in ("toe_angle", "undercut") for a, b in (("left", "right"), ("right", "left"))
    }
    return {key: quantities[other.get(key, key)] for key in quantities}


def _as_seen(
    quantities: dict[str, Value], outline: WeldOutline, look: Look
) -> tuple[dict[str, Value], WeldOutline]:
    """Void what this picture does not show: bands that were not drawn, a seam that ends outside it."""
    if look.band_butting is None:
        quantities["haz_width_butting"] = None
        outline = replace(outline, haz_butting=None)
    if look.band_nonbutting is None:
        quantities["haz_width_nonbutting"] = None
        outline = replace(outline, haz_nonbutting=None)
    if outline.seam_end is None:
        quantities["unfused_land"] = None
    return quantities, outline
