"""Puts a reference mark into a picture where there is room for it, clear of every weld."""

from typing import Any, Literal

import numpy as np

from macrocheck.arrays import Float32Array, FloatArray, Point
from macrocheck.render.looks import Look
from macrocheck.render.marks import INK, WHITE, Colour, DrawnMark, draw_bar, draw_ruler
from macrocheck.render.raster import View
from macrocheck.render.section import Section

MarkKind = Literal["bar", "ruler"]

_TRIES = 50
_ENOUGH = 0.1  # share of metal under a mark that needs no better place


class _Rooms:
    """Looks for room in one picture: clear of every weld, and rather over the background than over metal."""

    def __init__(self, view: View, section: Section, rng: np.random.Generator) -> None:
        from shapely import make_valid, prepare, union_all
        from shapely.geometry import Polygon

        def shape(points: FloatArray) -> Any:
            return make_valid(Polygon(view.to_px(points)))

        self.view, self.rng = view, rng
        self.welds = union_all([shape(w.polygon) for w in section.welds]).buffer(1.2 * view.px_per_mm + 6)
        self.members = union_all([shape(m) for m in (section.butting, section.nonbutting) if m is not None])
        prepare(self.welds)

    def find(self, box: tuple[float, float, float, float], degrees: float) -> tuple[float, Point] | None:
        """Origin of a mark that takes up `box` (u0, u1, v0, v1; v to the right of u) turned by `degrees`.

        Returns the place with the least metal under it, of those tried, after that share; None: no room.
        """
        from shapely.geometry import Polygon

        a = np.deg2rad(degrees)
        axes = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
        u0, u1, v0, v1 = box
        corners = np.array([[u0, v0], [u1, v0], [u1, v1], [u0, v1]]) @ axes
        low = 3 - corners.min(axis=0)
        high = np.array([self.view.width, self.view.height]) - 4 - corners.max(axis=0)
        if np.any(high <= low):
            return None
        best: tuple[float, Point] | None = None
        for at in self.rng.uniform(low, high, (_TRIES, 2)):
            room = Polygon(corners + at)
            if self.welds.intersects(room):
                continue
            share = float(room.intersection(self.members).area / room.area)
            if best is None or share < best[0]:
                best = (share, (float(at[0]), float(at[1])))
            if share == 0:
                break
        return best


def _bar(
    picture: Float32Array, view: View, section: Section, look: Look, rng: np.random.Generator
) -> tuple[Float32Array, str, DrawnMark | None]:
    ppm, w = view.px_per_mm, view.width
    thick = max(3.0, 0.005 * w * rng.uniform(0.7, 1.6))
    tall = thick * rng.uniform(3.5, 6) if rng.random() < 0.5 else 0.0
    text = max(11.0, 0.018 * w)
    light = look.ground.tone > 120
    strip: Colour | None = None
    ink: Colour = INK if light else (250.0, 250.0, 250.0)
    if rng.random() < 0.4:
        strip, ink = ink, (WHITE if light else INK)
    across = max(tall, thick)
    rooms = _Rooms(view, section, rng)
    best: tuple[float, Point, int] | None = None
    for mm in (10, 5, 2, 1):
        length = mm * ppm
        side = 0.14 * length + 10
        if length > 0.42 * w or (best is not None and length < 60):
            continue
        found = rooms.find((-side, length + side, -text * 2.4 - across, across + 9), 0.0)
        if found is not None and (best is None or found[0] < best[0] - 0.05):
            best = (*found, mm)
        if best is not None and best[0] < _ENOUGH:
            break
    if best is None:
        return picture, "", None
    out, drawn = draw_bar(
        picture,
        start=best[1],
        length_px=best[2] * ppm,
        thickness_px=thick,
        colour=ink,
        end_tick_px=tall,
        label=f"{best[2]} mm",
        label_height_px=text,
        strip=strip,
    )
    return out.astype(np.float32), f"bar:{best[2]}mm", drawn


def _ruler(
    picture: Float32Array, view: View, section: Section, rng: np.random.Generator
) -> tuple[Float32Array, str, DrawnMark | None]:
    ppm = view.px_per_mm
    metal = float(rng.uniform(150, 225))
    rooms = _Rooms(view, section, rng)
    best: tuple[float, Point, float, int, float] | None = None
    sizes = [(w, n) for n in (31, 21, 16, 11, 7) for w in (11.0, 7.0, 4.5)]
    quarters = [90.0 * float(q) for q in rng.permutation(4)]
    for width, count in sizes:
        for quarter in quarters:
            degrees = quarter + float(rng.normal(0, 1.0))
            found = rooms.find((-1.8 * ppm, (count + 0.8) * ppm, -4.0, width * ppm + 4), degrees)
            if found is not None and (best is None or found[0] < best[0] - 0.05):
                best = (*found, width, count, degrees)
        if best is not None and best[0] < _ENOUGH:
            break
    if best is None:
        return picture, "", None
    _, at, width, count, degrees = best
    tall = {11.0: 6.0, 7.0: 4.0, 4.5: 2.4}[width]
    out, drawn = draw_ruler(
        picture,
        origin=at,
        pitch_px=ppm,
        count=count,
        angle_deg=degrees,
        tick_lengths=(0.5 * tall, 0.75 * tall, tall),
        body=(metal, metal * 1.01, metal * 1.02),
        body_width=width,
        seed=int(rng.integers(2**31)),
    )
    return out.astype(np.float32), "ruler:1mm", drawn


def place_mark(
    picture: Float32Array, kind: MarkKind, view: View, section: Section, look: Look, rng: np.random.Generator
) -> tuple[Float32Array, str, DrawnMark | None]:
    """Draw a bar or a rule; returns the picture, what a user would state for it ("" and None: no room)."""
    if kind == "bar":
        return _bar(picture, view, section, look, rng)
    return _ruler(picture, view, section, rng)
