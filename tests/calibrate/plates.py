"""Rendered sections in which a member's own thickness is the mark; fixed by seed."""

import math
from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import LineString, Polygon

from macrocheck.arrays import ByteArray, FloatArray, Point
from macrocheck.render.paint import paint
from macrocheck.render.photo import SAMPLERS, LookName, sample_section
from macrocheck.render.raster import View, make_view
from macrocheck.render.section import Section, build_section
from tests.calibrate.scenes import camera

LOOKS: tuple[LookName, ...] = ("fair", "grain")


@dataclass(frozen=True)
class PlatePicture:
    """`length_px`: the thickness; `mark`: as a user states it."""

    pixels: ByteArray
    length_px: float
    mark: str
    what: str


def with_plate(
    seed: int, width: int, low: float = 6.0, high: float = 60.0, looks: tuple[LookName, ...] = LOOKS
) -> PlatePicture:
    """A whole section with room around it, so that a caliper's thickness can be laid across both faces of a member.

    Half of the coupons are of one plate (`plate:8mm`), the others of two, of which a point names one. The picture
    shows both faces over a length of the thickness at least.
    """
    rng = np.random.default_rng([6, seed])
    height = round(0.75 * width)
    for _ in range(200):
        section = sample_section(rng)
        one = bool(rng.random() < 0.5)
        if one:
            spec = section.spec
            section = build_section(replace(spec, thickness_butting=spec.thickness_nonbutting))
        spec = section.spec
        if spec.joint == "lap" and spec.gap > 0:  # drawn at the upper plate's cost
            continue
        # as much of the section in the picture as a photograph of a weld shows
        ppm = float(np.exp(rng.uniform(math.log(low), math.log(min(high, width / 12)))))
        view = _view(section, rng, ppm, width, height)
        shown = {name: _both_faces(section, view, name) for name in ("butting", "nonbutting")}
        thick = {"butting": spec.thickness_butting, "nonbutting": spec.thickness_nonbutting}
        good = [
            n
            for n, (length, _) in shown.items()
            if length > thick[n] and 0.025 * width < thick[n] * ppm < 0.5 * width
        ]
        weld = view.to_px(np.vstack([w.polygon for w in section.welds]))
        inside = ((weld > 4) & (weld < [width - 5, height - 5])).all()
        if not good or not inside:
            continue
        name = good[int(rng.integers(len(good)))]
        look = looks[seed % len(looks)]
        style = SAMPLERS[look](np.random.default_rng([seed, 42]))
        rgb = paint(section, view, style, seed)
        extra = float(rng.uniform(0, 3)) if look != "hard" else float(rng.uniform(0, 1.5))
        pixels = camera(rgb.astype(np.float32), seed=seed, blur=extra, noise=1.0, quality=92)
        x, y = shown[name][1]
        where = "" if one else f"@{x:.0f},{y:.0f}"
        what = f"{look} {spec.joint} {ppm:.1f} px/mm, {name}, {'one' if one else 'two'}, blur {extra:.1f} {where}"
        return PlatePicture(pixels, thick[name] * ppm, f"plate:{thick[name]:.6f}mm{where}", what)
    msg = "no picture with both faces of a member"
    raise RuntimeError(msg)


def _view(section: Section, rng: np.random.Generator, ppm: float, width: int, height: int) -> View:
    points = np.vstack([w.polygon for w in section.welds])
    rotation = float(rng.normal(0, 8)) if rng.random() < 0.7 else float(rng.uniform(-180, 180))
    spare = 0.3 * np.array([width, height]) / ppm
    centre = points.mean(axis=0) + rng.uniform(-1, 1, 2) * spare
    return make_view(
        px_per_mm=ppm,
        width=width,
        height=height,
        centre_mm=(float(centre[0]), float(centre[1])),
        rotation_deg=rotation,
        mirror=bool(rng.random() < 0.5),
    )


def _both_faces(section: Section, view: View, name: str) -> tuple[float, Point]:
    """Length, mm, over which both faces of a member border on air in the picture; a point of it half way, px."""
    member = section.butting if name == "butting" else section.nonbutting
    if member is None:
        return 0.0, (0.0, 0.0)
    spec = section.spec
    thickness = spec.thickness_butting if name == "butting" else spec.thickness_nonbutting
    metal = [Polygon(w.polygon).buffer(0) for w in section.welds]
    other = section.nonbutting if name == "butting" else section.butting
    if other is not None:
        metal.append(Polygon(other).buffer(0))
    angle = np.deg2rad(spec.psi) if name == "butting" and spec.joint != "lap" else 0.0
    along = np.array([np.cos(angle), np.sin(angle)])
    across = np.array([-along[1], along[0]])
    u = member @ along
    v = member @ across
    middle = (v.min() + v.max()) / 2
    lines: list[FloatArray] = []
    for s in np.arange(u.min() + 1.0, u.max() - 1.0, 0.25):
        at = s * along
        ends = np.array([at + (middle - thickness / 2) * across, at + (middle + thickness / 2) * across])
        px = view.to_px(ends)
        if (px < 4).any() or (px[:, 0] > view.width - 5).any() or (px[:, 1] > view.height - 5).any():
            continue
        beyond = LineString(
            [at + (middle - thickness / 2 - 0.3) * across, at + (middle + thickness / 2 + 0.3) * across]
        )
        if not any(m.intersects(beyond) for m in metal):
            lines.append(px.mean(axis=0))
    if not lines:
        return 0.0, (0.0, 0.0)
    point = lines[len(lines) // 2]
    return 0.25 * len(lines), (float(point[0]), float(point[1]))
