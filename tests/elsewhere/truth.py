"""What is true of a weld in the picture: its outline, and its quantities by the package's own measuring of that."""

from typing import Any

import numpy as np
import shapely
from shapely import LineString, Polygon

from macrocheck.arrays import FloatArray, Point
from macrocheck.measure.stage import measure_weld
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.scale import Scale
from tests.elsewhere.curves import resampled
from tests.elsewhere.joint import Section, groove_curves
from tests.elsewhere.view import View

STEP_PX = 0.5


def _point(p: FloatArray) -> Point:
    return float(p[0]), float(p[1])


def true_outline(
    section: Section, view: View, k: int, haz: tuple[FloatArray | None, FloatArray | None]
) -> WeldOutline:
    """Return weld `k`'s outline in px. `haz`: outer edges in (butting, nonbutting) member, section mm."""
    weld, frame, plan = section.fillets[k], section.frames[k], section.fillets[k].plan

    def put(points: FloatArray) -> FloatArray:
        return view.to_px(frame.place(points))

    def line(start: FloatArray, along: FloatArray) -> SurfaceLine:
        at = put(np.atleast_2d(start))[0]
        return SurfaceLine(_point(at), _point(view.turn(frame.turn(along))), 0.0, 0.0, 100.0)

    face, fusion = (resampled(put(c), STEP_PX) for c in (weld.face, weld.fusion))
    e = plan.along
    grooves = [None if g is None else put(g) for g in groove_curves(weld)]
    seam_end = None
    if section.seam is not None:
        far = view.to_px(np.array([section.seam[1 if k == 0 else 0]]))[0]
        inside = (far >= -0.5).all() and far[0] <= view.width - 0.5 and far[1] <= view.height - 0.5
        seam_end = _point(far) if inside else None
    top = e * ((plan.thick_butting + plan.gap) / e[1])
    return WeldOutline(
        joint="lap" if plan.lap else "tee",
        surface_butting=None if section.end_lost else line(plan.toe_butting if plan.over == 0 else e, e),
        surface_nonbutting=line(plan.toe_nonbutting, np.array([1.0, 0.0])),
        face=face,
        fusion=fusion,
        u_face=np.zeros(len(face)),
        u_fusion=np.zeros(len(fusion)),
        correlation_px=1.0,
        voids=tuple(put(v) for v in weld.voids),
        haz_butting=None if haz[0] is None else view.to_px(haz[0]),
        haz_nonbutting=None if haz[1] is None else view.to_px(haz[1]),
        seam_end=seam_end,
        gap_px=(plan.gap / view.mm_per_px, 0.0),
        surface_top=line(top, np.array([-1.0, 0.0])) if plan.lap else None,
        groove_butting=grooves[0],
        groove_nonbutting=grooves[1],
    )


def true_quantities(outline: WeldOutline, mm_per_px: float) -> dict[str, Any]:
    """Return every quantity's true value, None where it cannot be had."""
    measured = measure_weld(outline, Scale(mm_per_px, 0.0, "as drawn"), draws=20, all_lengths=True)
    out: dict[str, Any] = {key: q.value for key, q in measured.quantities.items()}
    for member, groove in (("butting", outline.groove_butting), ("nonbutting", outline.groove_nonbutting)):
        if groove is None:
            out[f"undercut_{member}"] = 0.0
    return out


def haz_edge(zone: Polygon, metal: Polygon, member: Polygon) -> FloatArray | None:
    """Return the outer edge (n, 2) of a heat-affected zone in one member, section mm; None where none shows."""
    edge = LineString(zone.exterior.coords).intersection(member.buffer(-0.02)).difference(metal.buffer(0.05))
    merged = shapely.line_merge(edge) if edge.geom_type == "MultiLineString" else edge
    parts = [p for p in getattr(merged, "geoms", [merged]) if p.geom_type == "LineString" and p.length > 0.5]
    if not parts:
        return None
    return resampled(np.asarray(max(parts, key=lambda p: p.length).coords), 0.05)
