"""The fusion boundary: one best path from toe to toe, in a band straightened along the network's own border."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.band import Band, across, along, best_path, normals_of
from macrocheck.segment.chains import resample, smooth_open
from macrocheck.segment.hints import Hints
from macrocheck.segment.layout import Layout
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import RegionMaps
from macrocheck.segment.steer import bend_to_hints, hint_cost, without_detours
from macrocheck.segment.surfaces import Surfaces

_WIDE, _NARROW = 16.0, 6.0
"""Half widths of the band, map px: to look for the border, then to place it."""
_MAP_FACTOR = 1.0
"""Standard error of the network's border over the spread its own ramp states (measured on rendered sections)."""
_MAP_FLOOR = 0.25
"""Map px: no border is surer than this, whatever its ramp says."""
_ROUNDED = 6.0
"""Map px from the joint root within which its corner is rounded off in the maps."""
_PHOTO_GAIN = 1.1
_PHOTO_MOST = 4.5
"""Log-likelihood an edge of the photo adds per standard deviation above its surroundings, and at most."""


@dataclass(frozen=True, eq=False)
class Boundary:
    """A path in photo px with what is known of it, from the nonbutting to the butting toe.

    `points` (n, 2), about a map px apart. `u` (n,) normal to the path, px. `spread` (n,): standard deviation of
    the network's own statement, map px. `rival` (n,): share of that statement that lies elsewhere, 0-1.
    `contrast` (n,): of the photo's edge against its surroundings, in standard deviations.
    `pinned` (n,): fixed by a hint. `unfused` (n,): -1 not, 0 on the butting, 1 on the nonbutting surface.
    """

    points: FloatArray
    u: FloatArray
    spread: FloatArray
    rival: FloatArray
    contrast: FloatArray
    pinned: BoolArray


def _outward(band_base: FloatArray, maps: RegionMaps, layout: Layout) -> float:
    """+1 where the right of the path's direction leads out of the weld, -1 on the left."""
    normal = normals_of(band_base, 4)
    reach = 4.0 * maps.scale
    right = maps.sample(layout.p_weld, band_base + reach * normal).sum()
    left = maps.sample(layout.p_weld, band_base - reach * normal).sum()
    return 1.0 if right < left else -1.0


def _band(base: FloatArray, sign: float, half: float, step: float, smooth: float) -> Band:
    return Band(base, sign * normals_of(base, smooth), np.arange(-half, half + step / 2, step))


def _statement(maps: RegionMaps, layout: Layout, band: Band) -> FloatArray:
    """How likely the network holds the border to be at each offset of each station; rows sum to 1."""
    p = maps.sample(layout.p_weld, band.points())
    fall = np.clip(-np.gradient(p, axis=1), 0, None)
    ridge = maps.sample(maps.fusion_line, band.points())
    # The ridge counts a little by itself: where region and ridge part, neither is taken blindly.
    weight = across(fall, 1.0) * (0.3 + ridge) + 0.01 * ridge**2
    weight = along(weight, 1.0) + 1e-5
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def first_path(maps: RegionMaps, layout: Layout, hints: Hints | None) -> FloatArray:
    """A first path from the maps alone (and hints), photo px, about a map px a step."""
    scale = maps.scale
    base = maps.photo_points(resample(smooth_open(layout.fusion, 2.5), 1.0))
    base = without_detours(bend_to_hints(base, hints, scale), hints, scale)
    band = _band(base, _outward(base, maps, layout), _WIDE * scale, 0.5 * scale, 5.0)
    cost = -np.log(_statement(maps, layout, band))
    # Far from the region's own border another border is another thing's.
    cost += 0.5 * np.clip(np.abs(band.offsets) / scale - 6, 0, None) ** 2 * 0.2
    extra, _ = hint_cost(band, hints, scale, cost)
    path = best_path(cost + extra, stiffness=0.6)
    found = without_detours(bend_to_hints(band.at(band.offsets[path]), hints, scale), hints, scale)
    return resample(smooth_open(found, 1.0), scale)


def _photo_edges(photo: Photo, band: Band, scale: float) -> FloatArray:
    """Edge strength (n, k) at each offset, in standard deviations of such slopes around the band."""
    grey = along(band.grey(photo.grey), max(4.0 * scale, 5.0) / band.spacing)
    slope = np.gradient(across(grey, max(0.7 * scale, 1.0) / band.step), axis=1)
    away = np.abs(band.offsets) > 2.5 * scale
    noise = 1.4826 * float(np.median(np.abs(slope[:, away]))) + 1e-6
    floor = 0.05 * band.step
    return np.asarray(np.abs(slope) / max(noise, floor))


def _edge_gain(edges: FloatArray, reach: float) -> FloatArray:
    """Log-likelihood (n, k) the photo's edges add: as high as an edge stands out, and as narrow as it is."""
    size = 2 * int(reach) + 1
    peak = np.asarray(cv2.dilate(edges, np.ones((1, size), np.uint8)), np.float64)
    return np.clip(_PHOTO_GAIN * (peak - 2.0), 0, _PHOTO_MOST) * (edges / np.maximum(peak, 1e-6)) ** 3


_BESIDE = (2.0, 5.0)
"""Map px from the boundary between which the tone on either side of it is taken."""
_FAINT, _DISTINCT, _SURER = 4.0, 10.0, 0.65
"""Difference of those tones over how they scatter: up to the first the network's doubt stands, from the second on
this part of it (fitted to 300 welds of rendered sections, fair and hard)."""
_SHIFTED = 0.38
"""Photo px under which the doubt does not fall for that."""


def _distinct(band: Band, grey: FloatArray, at: FloatArray, scale: float) -> FloatArray:
    """What part (n,) of the network's doubt stands where the tones on both sides of a path differ as they do.

    `grey`: (n, k) of the band, `at`: (n,) offsets of the path in it, px.
    """
    away = (band.offsets[None] - at[:, None]) / scale
    tones, scatter = [], []
    for side in (-1.0, 1.0):
        beside = ((side * away > _BESIDE[0]) & (side * away < _BESIDE[1])).astype(np.float64)
        window = 6.0 * scale / band.spacing
        many = along(beside.sum(axis=1, keepdims=True), window) + 1e-9
        mean = along((beside * grey).sum(axis=1, keepdims=True), window) / many
        square = along((beside * grey**2).sum(axis=1, keepdims=True), window) / many
        tones.append(mean[:, 0])
        scatter.append(np.maximum(square - mean**2, 0.0)[:, 0])
    differs = np.abs(tones[1] - tones[0]) / (np.sqrt(0.5 * (scatter[0] + scatter[1])) + 1.0)
    return np.asarray(np.interp(differs, [_FAINT, _DISTINCT], [1.0, _SURER]))


def place_boundary(
    photo: Photo, maps: RegionMaps, layout: Layout, first: FloatArray, hints: Hints | None
) -> Boundary:
    """Place the boundary to sub-pixel around a first path, with its doubts."""
    scale = maps.scale
    base = smooth_open(first, 2.0)
    sign = _outward(base, maps, layout)
    step = min(0.5 * scale, 1.0)
    band = _band(base, sign, _NARROW * scale, step, 4.0)
    statement = _statement(maps, layout, band)
    edges = _photo_edges(photo, band, scale)
    score = np.log(statement + 1e-6) + _edge_gain(edges, 1.5 * scale / step)
    extra, pinned = hint_cost(band, hints, scale, -score)
    cost = -score + extra
    # One map px of path carries much the same evidence as its neighbours: change of offset costs accordingly.
    path = best_path(cost, stiffness=0.8 * (step / (0.5 * scale)) ** 2)
    rows = np.arange(len(base))
    offset = band.offsets[path]
    near = np.abs(band.offsets[None] - offset[:, None])
    weight = np.exp(np.clip(score - extra - (score - extra).max(axis=1, keepdims=True), -30, 0)) * (
        near < 2.5 * scale
    )
    weight /= weight.sum(axis=1, keepdims=True)
    mean = (weight * band.offsets).sum(axis=1)
    var = (weight * (band.offsets - mean[:, None]) ** 2).sum(axis=1)
    mean = along(mean[:, None], 1.5)[:, 0]
    points = band.at(mean)
    size = float(np.sqrt(layout.weld.sum()))
    wide = _band(points, sign, max(_WIDE, 0.15 * size) * scale, 1.0 * scale, 8.0)
    whole = _statement(maps, layout, wide)
    far = np.abs(wide.offsets) > 4.0 * scale
    rival = along(whole[:, far].sum(axis=1)[:, None], 3.0)[:, 0]
    spread = np.sqrt((whole[:, ~far] * wide.offsets[~far] ** 2).sum(axis=1) / whole[:, ~far].sum(axis=1)) / scale
    u = np.sqrt(_MAP_FACTOR**2 * var + (_MAP_FLOOR * scale) ** 2)
    u = along(u[:, None], 4.0)[:, 0]
    # A line too faint to be told from its edge shifts that by some tenths of a pixel, however finely it is mapped.
    u = np.maximum(u * _distinct(band, band.grey(photo.grey), mean, scale), np.minimum(u, _SHIFTED))
    # Where the network also sees a border elsewhere, the doubt reaches that far.
    reach = np.sqrt((whole * wide.offsets**2).sum(axis=1))
    u = np.where(rival > 0.2, np.maximum(u, along(reach[:, None], 4.0)[:, 0]), u)
    u = np.where(pinned, np.minimum(u, 0.8 * scale), u)
    contrast = along(edges[rows, path][:, None], 3.0)[:, 0]
    return Boundary(points, u, spread, rival, contrast, pinned)


def _two_state(gain: FloatArray, switch: float) -> BoolArray:
    """Best on/off sequence where `gain` is the log-odds of on, and a change costs `switch`."""
    n = len(gain)
    came = np.zeros((n, 2), np.int8)
    off, on = 0.0, float(gain[0])
    for i in range(1, n):
        g = float(gain[i])
        to_off, to_on = (1, 1), (1, 1)
        to_off = (0, 0) if off >= on - switch else (1, 1)
        to_on = (1, 1) if on >= off - switch else (0, 0)
        came[i, 0], came[i, 1] = to_off[0], to_on[0]
        off, on = max(off, on - switch), max(on, off - switch) + g
    state = 1 if on > off else 0
    out = np.zeros(n, np.bool_)
    for i in range(n - 1, -1, -1):
        out[i] = state == 1
        state = int(came[i, state])
    return out


def unfused_on(
    maps: RegionMaps,
    boundary: Boundary,
    line: Line,
    *,
    toe: FloatArray,
    root: FloatArray | None,
    inward: FloatArray,
) -> BoolArray:
    """Which points of the boundary lie on a member's surface line unfused.

    `inward`: unit normal of the line into the member. `root` None: nothing limits the stretch on that side.
    """
    scale = maps.scale
    depth = (boundary.points - line.point) @ inward
    station = line.station(boundary.points)
    tangent = np.gradient(smooth_open(boundary.points, 3.0), axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    lies_along = np.abs(tangent @ line.direction) > np.cos(np.deg2rad(40))
    end = float(line.station(toe[None])[0])
    start = float(line.station(root[None])[0]) if root is not None else end - 1e9
    within = (station > start - 3 * scale) & (station < end + 3 * scale) & lies_along
    foot = line.foot(boundary.points)
    probes = np.stack([foot + k * scale * inward for k in (-2, -1, 0, 1, 2)])
    seam = np.clip(maps.sample(maps.seam, probes).max(axis=0), 0.02, 0.98)
    u = np.sqrt(boundary.u**2 + np.array([line.u_at(s) for s in station]) ** 2)
    fit = np.exp(-0.5 * (depth / u) ** 2) / (u * np.sqrt(2 * np.pi))
    fused = np.where(depth > 0, 1.0 / (25.0 * scale), 1.0 / (200.0 * scale))
    # Neighbours repeat each other's evidence: about one independent word in eight stations.
    gain = (0.8 * np.log(seam / (1 - seam)) + np.clip(np.log(fit + 1e-9) - np.log(fused), -12, 4)) / 8.0
    gain = np.where(within, gain, -5.0)
    # What a person has clicked is no repetition of anything: it decides.
    said = np.clip(np.log(fit + 1e-9) - np.log(fused), -12, 4)
    on = _two_state(np.where(boundary.pinned & within, said, gain), 1.5)
    return on & ~_clear_of(depth, boundary.pinned & ~on, scale)


def _clear_of(depth: FloatArray, pinned: BoolArray, scale: float) -> BoolArray:
    """What of a path leads from pinned points off a surface back to where it meets the surface by itself.

    `depth` (n,): px off the surface. Laid on the surface, it would leave the pinned points standing as spikes.
    """
    off = np.abs(depth) > 0.5 * scale
    edges = np.flatnonzero(np.diff(np.concatenate([[0], off.astype(int), [0]])))
    out = np.zeros(len(depth), np.bool_)
    for i, j in zip(edges[::2], edges[1::2], strict=True):
        out[i:j] = pinned[i:j].any()
    return out


def snap(boundary: Boundary, on: BoolArray, line: Line, scale: float) -> Boundary:
    """Lay the points `on` the line; they are as sure as the seam is seen, the line's own doubt travels apart."""
    if not on.any():
        return boundary
    points = boundary.points.copy()
    points[on] = line.foot(points[on])
    u = np.where(on, 0.25 * scale, boundary.u)
    return Boundary(points, u, boundary.spread, boundary.rival, boundary.contrast, boundary.pinned)


def into_member(line: Line, layout: Layout, maps: RegionMaps) -> FloatArray:
    """Unit normal of a member's surface line pointing into that member, away from the weld metal on it."""
    ys, xs = np.nonzero(layout.weld)
    out = maps.photo_points(np.array([[xs.mean(), ys.mean()]]))
    face = maps.photo_points(layout.face[len(layout.face) // 2][None])
    side = float(line.distance(0.5 * (out + face))[0])
    return np.asarray(-np.sign(side) * line.normal)


def with_surfaces(
    maps: RegionMaps,
    layout: Layout,
    boundary: Boundary,
    surfaces: Surfaces,
    root: FloatArray | None,
    toes: tuple[FloatArray, FloatArray],
) -> Boundary:
    """Lay unfused spans on the surface lines and set the joint root in where both members are unfused there."""
    on_b = on_n = np.zeros(len(boundary.points), np.bool_)
    if surfaces.nonbutting is not None:
        inward = into_member(surfaces.nonbutting, layout, maps)
        on_n = unfused_on(maps, boundary, surfaces.nonbutting, toe=toes[1], root=root, inward=inward)
    if surfaces.butting is not None and root is not None:
        inward = into_member(surfaces.butting, layout, maps)
        on_b = unfused_on(maps, boundary, surfaces.butting, toe=toes[0], root=root, inward=inward) & ~on_n
    out = boundary
    if surfaces.nonbutting is not None:
        out = snap(out, on_n, surfaces.nonbutting, maps.scale)
    if surfaces.butting is not None:
        out = snap(out, on_b, surfaces.butting, maps.scale)
    return out if root is None else _sharpen_root(out, on_b, on_n, root, maps.scale)


def _sharpen_root(boundary: Boundary, on_b: BoolArray, on_n: BoolArray, root: FloatArray, scale: float) -> Boundary:
    """Put the joint root in as a corner where an unfused span runs into it: maps and smoothing round it off."""
    points = boundary.points
    away = np.hypot(*(points - root).T)
    close = away < _ROUNDED * scale
    if not (close & (on_b | on_n)).any():
        return boundary
    n_close, b_close = np.flatnonzero(close & on_n), np.flatnonzero(close & on_b)
    inside = np.flatnonzero(close)
    first, last = int(inside[0]), int(inside[-1])
    # An unfused side keeps its points up to the corner, a fused one comes straight in from where it is clear of it.
    start = int(n_close[-1]) + 1 if len(n_close) else first
    end = int(b_close[0]) if len(b_close) else last + 1
    if end < start:
        return boundary
    keep = np.r_[0:start, end : len(points)]

    def join(values: FloatArray, new: float) -> FloatArray:
        return np.insert(values[keep], start, new)

    return Boundary(
        np.insert(points[keep], start, root, axis=0),
        join(boundary.u, 0.6 * scale),
        join(boundary.spread, 0.5),
        join(boundary.rival, 0.0),
        join(boundary.contrast, 0.0),
        np.insert(boundary.pinned[keep], start, values=False),
    )


def close_at_toes(
    boundary: Boundary, toes: tuple[FloatArray, FloatArray], scale: float, u_toes: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Points and uncertainties with the toes as first and last; what lies within a few map px of them gives way."""
    toe_b, toe_n = toes
    points, u = boundary.points, boundary.u
    n = len(points)
    away_n, away_b = np.hypot(*(points - toe_n).T), np.hypot(*(points - toe_b).T)
    close = 3.5 * scale
    third = max(n // 3, 1)
    first = int(np.flatnonzero(away_n[:third] < close)[-1]) + 1 if (away_n[:third] < close).any() else 0
    tail = away_b[n - third :] < close
    last = n - third + int(np.flatnonzero(tail)[0]) if tail.any() else n
    if last - first < 2:
        first, last = 0, n
    points = np.vstack([toe_n, points[first:last], toe_b])
    u = np.concatenate([[u_toes[1]], u[first:last], [u_toes[0]]])
    return points, u
