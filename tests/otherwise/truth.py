"""What is true of a weld in the picture: its exact outline, and the package's own measuring of that."""

from typing import Any

import numpy as np
from shapely import LineString, Polygon, line_merge

from macrocheck.arrays import FloatArray, Point
from macrocheck.measure.stage import measure_weld
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.scale import Scale
from tests.otherwise.raster import View
from tests.otherwise.section import Section, grooves_of
from tests.otherwise.welds import spaced


def _pair(p: FloatArray) -> Point:
    return float(p[0]), float(p[1])


def exact_outline(section: Section, view: View, k: int, *, zones_show: bool) -> WeldOutline:
    """Return the outline of weld `k` in px."""
    weld, place = section.welds[k], section.places[k]
    d = weld.design

    def put(points: FloatArray) -> FloatArray:
        return view.to_px(place.put(points))

    def line(start: FloatArray, way: FloatArray) -> SurfaceLine:
        return SurfaceLine(_pair(put(start[None])[0]), _pair(view.turn(way * place.sign)), 0.0, 0.0, 100.0)

    face, fusion = (spaced(put(c), 0.5) for c in (weld.face, weld.fusion))
    far = view.to_px(np.array([section.seam[1 if k == 0 else 0]]))[0]
    zones = [_outer_edge(z, section.metal(k), m) for z, m in zip(section.zones[k], section.members, strict=True)]
    zones = [None if z is None or not zones_show else view.to_px(z) for z in zones]
    grooves = [None if g is None else put(g) for g in grooves_of(weld)]
    e = d.along
    bead = section.joint == "bead"
    return WeldOutline(
        joint="bead" if bead else "lap" if d.lap else "tee",
        surface_butting=None if section.end_lost or bead else line(d.leg_b * e, e),
        surface_nonbutting=line(d.toe_n, np.array([1.0, 0.0])),
        face=face,
        fusion=fusion,
        u_face=np.zeros(len(face)),
        u_fusion=np.zeros(len(fusion)),
        correlation_px=1.0,
        voids=tuple(put(v) for v in weld.voids),
        haz_butting=zones[0],
        haz_nonbutting=None if bead else zones[1],
        seam_end=_pair(far) if view.holds(far) and not bead else None,
        gap_px=None if bead else (d.gap / view.mm_per_px, 0.0),
        surface_top=line(e * ((d.gap + d.thick_b) / e[1]), np.array([-1.0, 0.0])) if d.lap else None,
        groove_butting=grooves[0],
        groove_nonbutting=grooves[1],
    )


def _outer_edge(zone: Polygon, metal: Polygon, member: Polygon) -> FloatArray | None:
    if zone.is_empty:
        return None
    edge = LineString(zone.exterior.coords).intersection(member.buffer(-0.03)).difference(metal.buffer(0.06))
    edge = line_merge(edge) if edge.geom_type == "MultiLineString" else edge
    parts = [p for p in getattr(edge, "geoms", [edge]) if p.geom_type == "LineString" and p.length > 0.5]
    return spaced(np.asarray(max(parts, key=lambda p: p.length).coords), 0.05) if parts else None


def exact_quantities(outline: WeldOutline, mm_per_px: float) -> dict[str, Any]:
    """Return every quantity's true value, None where it cannot be had."""
    got = measure_weld(outline, Scale(mm_per_px, 0.0, "as drawn"), draws=20, all_lengths=True)
    out: dict[str, Any] = {key: q.value for key, q in got.quantities.items()}
    grooves = outline.groove_butting, outline.groove_nonbutting
    names = ("butting", "nonbutting") if outline.joint != "bead" else _sides(outline)
    for name, groove in zip(names, grooves, strict=True):
        if groove is None:
            out[f"undercut_{name}"] = 0.0
    return out


def _sides(outline: WeldOutline) -> tuple[str, str]:
    """Where a bead's first and last toe lie, seen with the bead on top of the plate."""
    along = np.asarray(outline.toe_nonbutting) - np.asarray(outline.toe_butting)
    out = outline.face.mean(axis=0) - outline.fusion.mean(axis=0)
    # y runs down: with the bead on top, out of the plate is to the left of the way from left to right
    return ("left", "right") if along[0] * out[1] - along[1] * out[0] < 0 else ("right", "left")
