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


def _room(
    view: View, section: Section, box: tuple[float, float, float, float], degrees: float, rng: np.random.Generator
) -> Point | None:
    """Origin of a mark that takes up `box` (u0, u1, v0, v1; v to the right of u) turned by `degrees`.

    It keeps clear of every weld; of the places tried, the one with the least metal under it. None: no room.
    """
    from shapely import make_valid, union_all
    from shapely.geometry import Polygon

    def shape(points: FloatArray) -> Any:
        return make_valid(Polygon(view.to_px(points)))

    welds = union_all([shape(w.polygon) for w in section.welds]).buffer(0.9 * view.px_per_mm + 8)
    members = union_all([shape(m) for m in (section.butting, section.nonbutting) if m is not None])
    a = np.deg2rad(degrees)
    axes = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    u0, u1, v0, v1 = box
    corners = np.array([[u0, v0], [u1, v0], [u1, v1], [u0, v1]]) @ axes
    low, high = 3 - corners.min(axis=0), np.array([view.width, view.height]) - 4 - corners.max(axis=0)
    if np.any(high <= low):
        return None
    best: tuple[float, Point] | None = None
    for _ in range(_TRIES):
        at = rng.uniform(low, high)
        room = Polygon(corners + at)
        if room.intersects(welds):
            continue
        cost = float(room.intersection(members).area / room.area) + 0.1 * float(rng.random())
        if best is None or cost < best[0]:
            best = (cost, (float(at[0]), float(at[1])))
    return None if best is None else best[1]


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
    for mm in (10, 5, 2, 1):
        length = mm * ppm
        if length > 0.42 * w:
            continue
        side = 0.14 * length + 10
        at = _room(view, section, (-side, length + side, -text * 2.4 - across, across + 9), 0.0, rng)
        if at is None:
            continue
        out, drawn = draw_bar(
            picture,
            start=at,
            length_px=length,
            thickness_px=thick,
            colour=ink,
            end_tick_px=tall,
            label=f"{mm} mm",
            label_height_px=text,
            strip=strip,
        )
        return out.astype(np.float32), f"bar:{mm}mm", drawn
    return picture, "", None


def _ruler(
    picture: Float32Array, view: View, section: Section, rng: np.random.Generator
) -> tuple[Float32Array, str, DrawnMark | None]:
    ppm = view.px_per_mm
    metal = float(rng.uniform(150, 225))
    for width, ticks in ((11.0, (3.0, 4.5, 6.0)), (7.0, (2.0, 3.0, 4.0)), (4.5, (1.2, 1.8, 2.4))):
        for count in (31, 21, 16, 11, 7):
            for quarter in rng.permutation(4):
                length = (count - 1) * ppm
                degrees = 90.0 * float(quarter) + float(rng.normal(0, 1.0))
                at = _room(view, section, (-1.8 * ppm, length + 1.8 * ppm, -4.0, width * ppm + 4), degrees, rng)
                if at is None:
                    continue
                out, drawn = draw_ruler(
                    picture,
                    origin=at,
                    pitch_px=ppm,
                    count=count,
                    angle_deg=degrees,
                    tick_lengths=ticks,
                    body=(metal, metal * 1.01, metal * 1.02),
                    body_width=width,
                    seed=int(rng.integers(2**31)),
                )
                return out.astype(np.float32), "ruler:1mm", drawn
    return picture, "", None


def place_mark(
    picture: Float32Array, kind: MarkKind, view: View, section: Section, look: Look, rng: np.random.Generator
) -> tuple[Float32Array, str, DrawnMark | None]:
    """Draw a bar or a rule; returns the picture, what a user would state for it ("" and None: no room)."""
    if kind == "bar":
        return _bar(picture, view, section, look, rng)
    return _ruler(picture, view, section, rng)
