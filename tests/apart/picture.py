"""One picture of the second renderer family, with the truth that belongs to it."""

from dataclasses import dataclass

import numpy as np
from shapely.geometry import Polygon, box

from macrocheck.arrays import ByteArray, FloatArray, Point
from tests.apart import clutter, spoil
from tests.apart.looks import LOOKS, draw_look
from tests.apart.paint import paint
from tests.apart.plans import draw_section
from tests.apart.raster import Placing, coverage, fusion_part, place
from tests.apart.scene import Section, SectionPlan, build
from tests.apart.truth import Truth, root_reach, truth_of


@dataclass(frozen=True, slots=True)
class ApartWeld:
    """Truth of one weld: quantity key -> value in its unit or None, and its geometry in px.

    `face_px` runs from the butting to the nonbutting toe, `fusion_px` on from there through the root;
    `along_butting`, `along_nonbutting` are unit vectors along the surfaces, away from the joint root; `seam_end_px`
    is where the unfused land ends on the other side.
    `whole`: the weld lies entirely in the picture. `melted_end`: a lap whose end face is gone.
    """

    truth: dict[str, Truth]
    polygon_px: FloatArray
    joint_root_px: Point
    toe_butting_px: Point
    toe_nonbutting_px: Point
    face_px: FloatArray
    fusion_px: FloatArray
    voids_px: tuple[FloatArray, ...]
    along_butting: Point
    along_nonbutting: Point
    seam_end_px: Point | None
    whole: bool
    melted_end: bool


@dataclass(frozen=True, slots=True)
class ApartPicture:
    """A rendered photograph, (h, w, 3) uint8, its mark for the command line and its truth."""

    rgb: ByteArray
    joint: str
    mm_per_px: float
    mark: str
    welds: tuple[ApartWeld, ...]
    seed: int
    look: str

    def mask(self) -> ByteArray:
        """Return the truth raster (h, w): 0 elsewhere, k + 1 where a pixel is mostly weld metal of weld k."""
        h, w = self.rgb.shape[:2]
        out = np.zeros((h, w), dtype=np.uint8)
        for k, weld in enumerate(self.welds):
            out[coverage(Polygon(weld.polygon_px).buffer(0), w, h) >= 0.5] = k + 1
        return out


def render_apart(
    seed: int, look: str, *, px_per_mm: float | None = None, size: tuple[int, int] | None = None
) -> ApartPicture:
    """Render picture `seed` in a look ("fair", "grain" or "hard").

    `px_per_mm` and `size` (width, height) px override what the seed would choose. The same arguments always give
    the same picture. Raises ValueError for an unknown look.
    """
    if look not in LOOKS:
        msg = f"look is one of {', '.join(LOOKS)}, not {look!r}"
        raise ValueError(msg)
    with np.errstate(divide="ignore", invalid="ignore"):  # see scene.build
        return _render(seed, look, px_per_mm, size)


def _render(seed: int, look: str, px_per_mm: float | None, size: tuple[int, int] | None) -> ApartPicture:
    numbers = draw_look(look, np.random.default_rng([seed, 1, LOOKS.index(look)]))
    plan = draw_section(look, np.random.default_rng([seed, 2, LOOKS.index(look)]))
    rng = np.random.default_rng([seed, 3, LOOKS.index(look)])
    section = build(plan, rng)
    placing = place(section, look, px_per_mm, size, rng)
    painted = paint(section, placing, numbers, rng)
    grey = spoil.fade_contrast(painted.grey, painted.metal, numbers, rng)
    grey, busy = clutter.behind(grey, painted.metal, numbers, rng)
    if numbers.ruler:
        grey, busy = clutter.ruler(grey, busy, placing, rng)
    if numbers.indents:
        grey = clutter.indents(grey, section, placing, rng)
    grey = spoil.mark_surface(grey, painted.metal, numbers, rng)
    grey = spoil.light_and_lens(grey, numbers, rng)
    rgb = spoil.colour(grey, painted.metal, numbers, rng)
    noisy = spoil.sensor(rgb, numbers, rng).astype(np.float32)
    if numbers.text:
        noisy, busy = clutter.label(noisy, busy, rng)
    mark = f"px:{placing.mm_per_px:.6f}mm"
    if rng.random() < 0.5:
        noisy, drawn = clutter.scale_bar(noisy, busy, placing, rng)
        mark = drawn or mark
    done = spoil.compress(np.clip(np.rint(noisy), 0, 255).astype(np.uint8), numbers.jpeg)
    return ApartPicture(
        rgb=done,
        joint=plan.joint,
        mm_per_px=placing.mm_per_px,
        mark=mark,
        welds=welds_truth(section, placing, painted.haz_mm),
        seed=seed,
        look=look,
    )


def welds_truth(
    section: Section, placing: Placing, haz_mm: tuple[dict[str, float | None], ...]
) -> tuple[ApartWeld, ...]:
    """Return the truth of every weld whose larger part is in the picture."""
    plan: SectionPlan = section.plan
    frame = box(0, 0, placing.width - 1, placing.height - 1)
    reaches = [root_reach(w) for w in section.welds]
    out = []
    for k, weld in enumerate(section.welds):
        outline = placing.weld_px(weld, np.asarray(weld.polygon.exterior.coords)[:-1])
        shape = Polygon(outline).buffer(0)
        share = float(shape.intersection(frame).area / shape.area)
        if share < 0.5:
            continue
        other = reaches[1 - k] if len(reaches) == 2 else 0.0
        truth = truth_of(weld, other_reach=other)
        seam_end: Point | None = None
        if plan.joint == "tee":
            far = placing.weld_px(weld, np.array([[other - (weld.faying or 0.0), 0.0]]))[0]
            seam_end = (float(far[0]), float(far[1]))
            if not frame.contains(box(far[0] - 1, far[1] - 1, far[0] + 1, far[1] + 1)):
                truth["unfused_land"], seam_end = None, None
        for member in ("butting", "nonbutting"):
            truth[f"haz_width_{member}"] = haz_mm[k][member]
        marks = placing.weld_px(weld, np.vstack([[[0.0, 0.0]], weld.face[:1], weld.face[-1:]]))
        root, toe_b, toe_n = ((float(a), float(b)) for a, b in marks)
        ahead = np.array([[0.0, 0.0], [np.cos(weld.psi), np.sin(weld.psi)], [1.0, 0.0]])
        ahead_px = placing.weld_px(weld, ahead) * placing.mm_per_px
        along_b, along_n = ((float(a), float(b)) for a, b in ahead_px[1:] - ahead_px[:1])
        out.append(
            ApartWeld(
                truth=truth, polygon_px=outline, joint_root_px=root, toe_butting_px=toe_b, toe_nonbutting_px=toe_n,
                face_px=placing.weld_px(weld, weld.face), fusion_px=placing.weld_px(weld, fusion_part(weld)),
                voids_px=tuple(placing.weld_px(weld, np.asarray(v.exterior.coords)[:-1]) for v in weld.voids),
                along_butting=along_b, along_nonbutting=along_n, seam_end_px=seam_end,
                whole=share > 0.999, melted_end=weld.plan.melted_back is not None,
            )
        )  # fmt: skip
    return tuple(out)
