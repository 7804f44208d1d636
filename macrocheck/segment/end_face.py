"""A lap's end face where little of it shows: squareness, the wall of a cavity, a stretch under the weld."""

from dataclasses import replace

import numpy as np

from macrocheck.arrays import BoolArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, along, normals_of
from macrocheck.segment.chains import smooth_open
from macrocheck.segment.directions import turned_by
from macrocheck.segment.lines import Line, fit_line, turn_between
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, RegionMaps
from macrocheck.segment.photo_line import refine_line

_SQUARE = np.deg2rad(4.0)
"""Standard deviation of a cut plate's end from square to its surface: common practice, no source."""
_ODDS = 3.0
"""From this many standard deviations off square an end was not meant to be square, if enough of it shows."""
_BEVEL = 0.25
"""Part of the toe-to-toe distance that must show of an end so far off square: else it is a groove's wall."""
_SLANT = np.deg2rad(15.0)
"""A stretch further off square than this is a fusion boundary, no end face."""
_NEARLY = np.deg2rad(8.0)
"""The same for a stretch that only its dark line tells from a fused one."""
_LEAST_WALL, _LEAST_STRETCH = 8, 12
"""Map px of height that a cavity's wall, and of length that an unfused stretch must have."""
_DARK, _DARKER = 30.0, 4.0
"""Grey levels that an unfused stretch must be darker than both its sides, and how many times as much as the rest of
the boundary: grain and an etched rim make short dark stretches of their own."""


def off_square(face: Line, plate: Line) -> float:
    """Angle, rad, that the end face must be turned by to stand square to the plate's surface."""
    square = plate.normal if plate.normal @ face.direction > 0 else -plate.normal
    return turn_between(face.direction, square)


def squared(face: Line, plate: Line, chord: float) -> Line:
    """Return the end face turned towards square to the plate's surface, as far as its own angle is unsure.

    `chord`: toe to toe, px. A short stretch far off square is no cut end; where the end stands is then only known
    to within that stretch.
    """
    turn = off_square(face, plate)
    prior = float(np.hypot(_SQUARE, plate.u_angle))
    odd = abs(turn) > _ODDS * np.hypot(prior, face.u_angle)
    if odd and face.length > _BEVEL * chord:
        return face
    return turned_by(face, turn, prior, odd=odd)


def _square_run(on: BoolArray, shortest: int, bridged: int = 3) -> tuple[int, int] | None:
    """The longest run [i, j) of True, breaks of up to `bridged` samples included; None if under `shortest`."""
    index = np.flatnonzero(on)
    if not len(index):
        return None
    breaks = np.flatnonzero(np.diff(index) > bridged + 1)
    starts = index[np.concatenate([[0], breaks + 1])]
    ends = index[np.concatenate([breaks, [len(index) - 1]])] + 1
    k = int(np.argmax(ends - starts))
    return (int(starts[k]), int(ends[k])) if ends[k] - starts[k] >= shortest else None


def seam_stretch(maps: RegionMaps, fusion: FloatArray, nonbutting: Line) -> Line | None:
    """The end face of a lap's upper plate from a straight unfused stretch under the weld.

    `fusion`: photo px, evenly spaced, from the nonbutting to the butting toe.
    """
    seam = maps.sample(maps.seam, fusion)
    tangent = np.gradient(smooth_open(fusion, 3.0), axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    steep = np.abs(tangent @ nonbutting.direction) < np.cos(np.deg2rad(45))
    above = np.abs(nonbutting.distance(fusion)) > 2.0 * maps.scale
    on = (seam > 0.4) & steep & above
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(int), [0]])))
    runs = sorted(zip(edges[::2], edges[1::2], strict=True), key=lambda r: r[0] - r[1])
    if not runs or runs[0][1] - runs[0][0] < 12:
        return None
    i, j = (int(v) for v in runs[0])
    trim = int(0.1 * (j - i))
    line = fit_line(fusion[i + trim : j - trim], floor=0.9 * maps.scale, wobble=1.5 * maps.scale)
    residual = line.distance(fusion[i + trim : j - trim])
    if float(np.sqrt((residual**2).mean())) > 1.3 * maps.scale:
        return None
    return line


def cavity_wall(
    photo: Photo, maps: RegionMaps, fusion: FloatArray, nonbutting: Line, up: FloatArray, plate: Line
) -> Line | None:
    """The end face where it is the back wall of a cavity at the root that no weld metal has filled; or None.

    `fusion`: a first fusion boundary, photo px. `up`: unit normal of `nonbutting` on the weld's side. `plate`: the
    surface that a cut end stands square to.
    """
    scale = maps.scale
    rel = fusion - nonbutting.point
    back = -nonbutting.direction
    s, height = rel @ back, rel @ up
    reach = float(np.ptp(s))
    ahead = np.arange(-2.0, 0.6 * reach / scale, 0.5) * scale
    walls: list[tuple[float, float]] = []
    for h in np.arange(2.0, 0.8 * height.max() / scale, 1.0) * scale:
        over = height > h
        cut = np.flatnonzero(over[1:] != over[:-1])
        if not len(cut):
            break
        share = (h - height[cut]) / (height[cut + 1] - height[cut])
        start = float((s[cut] + share * (s[cut + 1] - s[cut])).max())
        points = nonbutting.point + np.multiply.outer(start + ahead, back) + h * up
        air = maps.sample(maps.regions[BACKGROUND], points)
        metal = maps.sample(maps.regions[BUTTING], points) + maps.sample(maps.regions[NONBUTTING], points)
        inside = np.flatnonzero(air[:18] > 0.5)
        past = np.flatnonzero(air[int(inside[0]) :] < 0.5) if len(inside) else inside
        if not len(past):
            continue
        k = int(inside[0] + past[0])
        if metal[k + 4 : k + 10].min(initial=0.0 if k + 10 > len(metal) else 1.0) < 0.5:
            continue
        step = (air[k - 1] - 0.5) / max(air[k - 1] - air[k], 1e-6)
        walls.append((float(h), start + float(ahead[k - 1]) + float(step) * 0.5 * scale))
    if len(walls) < _LEAST_WALL:
        return None
    h_at, s_at = np.array(walls).T
    # A wall ends where its cavity does; what lies apart from it is another.
    run = _square_run(np.abs(np.gradient(s_at, h_at)) < np.tan(_SLANT), _LEAST_WALL, bridged=1)
    if run is None:
        return None
    i, j = run
    points = nonbutting.point + np.multiply.outer(s_at[i:j], back) + np.multiply.outer(h_at[i:j], up)
    line = fit_line(points, floor=0.5 * scale, wobble=0.8 * scale)
    if abs(off_square(line, plate)) > _SLANT or float(np.sqrt((line.distance(points) ** 2).mean())) > 0.8 * scale:
        return None
    side = 1.0 if line.normal @ nonbutting.direction > 0 else -1.0
    fine = refine_line(photo.grey, line, scale=scale, onward=0.0, air_side=side)
    if fine is None:
        return line
    return replace(fine, u_angle=float(np.hypot(fine.u_angle, 0.3 * scale / (fine.length / 2))))


def dark_stretch(photo: Photo, maps: RegionMaps, fusion: FloatArray, nonbutting: Line, plate: Line) -> Line | None:
    """The end face where weld metal lies against it unfused: a dark line, straight and square; or None.

    `fusion`: a first fusion boundary, photo px, about a map px a step. A dark rim all along it tells nothing.
    """
    scale = maps.scale
    tangent = np.gradient(smooth_open(fusion, 3.0), axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    half = 5.0 * scale + 2
    band = Band(fusion, normals_of(smooth_open(fusion, 2.0), 2.0), np.arange(-half, half + 0.25, 0.5))
    grey = along(band.grey(photo.grey), 2.0)
    near = np.abs(band.offsets) < 1.5 * scale + 1.0
    sides = [np.median(grey[:, k], axis=1) for k in (band.offsets < -2.5 * scale, band.offsets > 2.5 * scale)]
    dark = np.minimum(*sides) - grey[:, near].min(axis=1)
    square = np.abs(tangent @ plate.normal) > np.cos(_NEARLY)
    above = np.abs(nonbutting.distance(fusion)) > 3.0 * scale
    on = square & above & (dark > max(_DARK, _DARKER * float(np.median(dark))))
    run = _square_run(on, _LEAST_STRETCH)
    if run is None:
        return None
    i, j = run
    at = band.offsets[near][grey[i:j, near].argmin(axis=1)]
    points = (band.base[i:j] + at[:, None] * band.normal[i:j])[1:-1]
    line = fit_line(points, floor=0.5 * scale, wobble=0.8 * scale)
    return line if float(np.sqrt((line.distance(points) ** 2).mean())) < 0.8 * scale else None
