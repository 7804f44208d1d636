"""The truth of a rendered photograph as JSON beside the picture."""

import json
from typing import Any

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.quantities import BY_KEY
from macrocheck.render.photo import RenderedPhoto, WeldTruth
from macrocheck.render.truth import Value

FORMAT = "macrocheck-truth"
VERSION = 1


def _plain(value: Value, digits: int) -> Any:
    if value is None:
        return None
    if isinstance(value, tuple):
        return [_plain(v, digits) for v in value]
    return round(float(value), digits)


def _points(points: FloatArray | None) -> list[list[float]] | None:
    if points is None:
        return None
    return [[round(float(x), 2), round(float(y), 2)] for x, y in np.asarray(points)]


def _weld(weld: WeldTruth) -> dict[str, Any]:
    outline = weld.outline
    root = weld.joint_root_px
    bead = outline.joint == "bead"
    return {
        "joint_root_px": None if root is None else [round(v, 2) for v in root],
        "toe_butting_px": [round(v, 2) for v in weld.toe_butting_px],
        "toe_nonbutting_px": [round(v, 2) for v in weld.toe_nonbutting_px],
        "weld_outline_px": _points(weld.polygon_px),
        "face_px": _points(outline.face),
        "fusion_px": _points(outline.fusion),
        "voids_px": [_points(v) for v in outline.voids],
        "haz_butting_px": _points(outline.haz_butting),
        "haz_nonbutting_px": _points(outline.haz_nonbutting),
        "quantities": {
            key: _plain(value, 5)
            for key, value in weld.quantities.items()
            if (BY_KEY[key].bead if bead else BY_KEY[key].fillet)
        },
    }


def truth_json(photo: RenderedPhoto, /, **more: Any) -> str:
    """Return the truth of a photograph as JSON text; `more` goes in at the top level.

    Lengths are mm, areas mm2, angles degrees; points are pixels, x right, y down, pixel centres at integers. A
    quantity that does not exist in the picture is null.
    """
    height, width = photo.rgb.shape[:2]
    document = {
        "format": FORMAT,
        "version": VERSION,
        **more,
        "joint": photo.joint,
        "mark": photo.mark,
        "mm_per_px": photo.mm_per_px,
        "width": width,
        "height": height,
        "look": photo.look.name,
        "mark_points_px": None if photo.drawn is None else _points(photo.drawn.points_px),
        "welds": [_weld(w) for w in photo.welds],
    }
    return json.dumps(document, indent=1) + "\n"
