"""One picture by seed and look, and what is true of it."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from macrocheck.arrays import ByteArray
from macrocheck.outline import WeldOutline
from tests.elsewhere.around import notes
from tests.elsewhere.bars import choose_bar, draw_bar
from tests.elsewhere.brush import paint
from tests.elsewhere.camera import develop, photograph
from tests.elsewhere.joint import draw_section
from tests.elsewhere.recipe import draw_recipe
from tests.elsewhere.scene import Scene, draw_zones, zone_edges
from tests.elsewhere.truth import true_outline, true_quantities
from tests.elsewhere.view import View, frame_view

LOOKS = ("fair", "hard")


@dataclass(frozen=True)
class PictureWeld:
    """One weld: `quantities` by key, its exact `outline` in px, whether it lies whole in the picture."""

    quantities: dict[str, Any]
    outline: WeldOutline
    whole: bool


@dataclass(frozen=True)
class Picture:
    """A picture (h, w, 3) uint8, how it was made, and its truth. `mark`: the scale as a user would state it."""

    rgb: ByteArray
    make: str
    joint: str
    mm_per_px: float
    mark: str
    welds: tuple[PictureWeld, ...]


def render_elsewhere(seed: int, look: str) -> Picture:
    """Render picture `seed` in the look fair or hard; ValueError for another look. Same seed, same picture."""
    if look not in LOOKS:
        msg = f"look is one of {', '.join(LOOKS)}, not {look!r}"
        raise ValueError(msg)
    hard = look == "hard"
    shapes, paints = (np.random.default_rng([seed, LOOKS.index(look), k, 7919]) for k in (0, 1))
    section = draw_section(shapes)
    welds = [section.metal(k) for k in range(len(section.fillets))]
    margin = float(shapes.choice([shapes.uniform(0.08, 0.25), shapes.uniform(0.25, 0.8)]))
    view = frame_view(shapes, section.bounds(), margin)
    recipe = draw_recipe(paints, look)
    zones = draw_zones(shapes, section) if recipe.zone != "none" else (None,) * len(welds)
    scene = Scene(section, view, zones)
    image = photograph(paints, scene, recipe, paint(paints, scene, recipe), hard=hard)
    if "notes" in recipe.beside:
        notes(paints, scene, image)
    bar = choose_bar(paints, view.width * view.mm_per_px)
    mark = f"px:{view.mm_per_px:.8f}mm"
    rows = 0
    burned = paints.random() < 0.75  # drawn by software after the picture was taken
    if bar is not None and not burned:
        image, rows = draw_bar(paints, image, bar, view.mm_per_px, scene.solid)
    metal = np.pad(scene.solid, ((rows, image.shape[0] - view.height - rows), (0, 0)))
    rgb = develop(paints, recipe, image, metal, hard=hard)
    if bar is not None and burned:
        drawn, rows = draw_bar(paints, rgb.astype(np.float32), bar, view.mm_per_px, scene.solid)
        rgb = np.ascontiguousarray(np.clip(np.round(drawn), 0, 255).astype(np.uint8))
    if bar is not None:
        mark = f"bar:{bar.length_mm:g}mm"
    moved = replace(view, height=rgb.shape[0], offset=view.offset + np.array([0.0, rows]))
    told = []
    for k in range(len(welds)):
        haz = (
            zone_edges(scene, k) if recipe.zone in ("flat", "outer", "bands") and len(welds) == 1 else (None, None)
        )
        outline = true_outline(section, moved, k, haz)
        told.append(PictureWeld(true_quantities(outline, view.mm_per_px), outline, _inside(outline, view, rows)))
    return Picture(rgb, recipe.make, section.joint, view.mm_per_px, mark, tuple(told))


def _inside(outline: WeldOutline, view: View, rows: int) -> bool:
    points = outline.polygon - np.array([0.0, rows])
    low, high = points.min(axis=0), points.max(axis=0)
    return bool((low > 2).all() and high[0] < view.width - 3 and high[1] < view.height - 3)
