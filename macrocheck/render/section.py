"""The geometry of a rendered section, in millimetres.

Joint frame: origin at the joint root, x along the nonbutting member's surface towards its toe, y out of that
member. The butting surface leaves the origin at the dihedral angle `psi`. Behind the root (x < 0, y = 0) lies
the faying surface. A weld on the far side of a tee lives in its own frame, mirrored.
"""

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from macrocheck.arrays import FloatArray

SectionJoint = Literal["tee", "lap", "corner", "bead"]


@dataclass(frozen=True, slots=True)
class DepthShape:
    """How deep fusion goes along one member.

    `depth`: largest depth of the bowl, mm. `peak`: where along the leg the bowl is deepest, 0 at the root, 1 at
    the toe. `fullness`: under 1 boxy, over 1 pointed. `finger`: extra depth of a narrow finger, mm, at `peak`.
    `unfused_root`, `unfused_toe`: lengths without fusion at either end of the leg, mm. `unfused_middle`:
    (start, end) of a span without fusion in between, mm, or None. `wobble`: relative irregularity.
    """

    depth: float
    peak: float = 0.45
    fullness: float = 0.8
    finger: float = 0.0
    unfused_root: float = 0.0
    unfused_toe: float = 0.0
    unfused_middle: tuple[float, float] | None = None
    wobble: float = 0.05


@dataclass(frozen=True, slots=True)
class WeldSpec:
    """One weld. Lengths in mm, angles in degrees.

    `convexity`: bulge of the face over the toe-to-toe line as a fraction of it (negative: concave).
    `face_skew`: -1 sags to the butting toe, +1 to the nonbutting toe. `toe_angle_*`: force the angle through the
    air at a toe (under 90 the face turns under), else it follows from convexity. `root_penetration`: past the
    joint root along the faying surface. `bridge`: (along butting, along nonbutting) where weld metal that falls
    short of the root begins, or None. `top_melt`: lap only, how far the upper plate's top is melted back.
    `undercut_*`: (depth, length). `voids`: (x, y, rx, ry, angle) in the joint frame. `passes`: number of passes.
    """

    leg_butting: float
    leg_nonbutting: float
    butting: DepthShape
    nonbutting: DepthShape
    convexity: float = 0.05
    face_skew: float = 0.0
    toe_angle_butting: float | None = None
    toe_angle_nonbutting: float | None = None
    root_penetration: float = 0.0
    bridge: tuple[float, float] | None = None
    top_melt: float = 0.0
    undercut_butting: tuple[float, float] | None = None
    undercut_nonbutting: tuple[float, float] | None = None
    voids: tuple[tuple[float, float, float, float, float], ...] = ()
    passes: int = 1
    ripple: float = 0.01
    haz_butting: float = 0.8
    haz_nonbutting: float = 0.8


@dataclass(frozen=True, slots=True)
class SectionSpec:
    """Everything that fixes a section's geometry, with `seed` for its small irregularities."""

    joint: SectionJoint
    psi: float
    thickness_butting: float
    thickness_nonbutting: float
    welds: tuple[WeldSpec, ...]
    gap: float = 0.0
    reach: float = 30.0
    overhang: float = 20.0
    edge_radius: float = 0.0
    bow: float = 0.0
    seed: int = 0


@dataclass(frozen=True, slots=True)
class WeldGeometry:
    """One weld laid out in the section frame (mm, y up).

    `face` (n, 2) from the butting toe to the nonbutting toe, `fusion` (m, 2) back through the root. `frame`: 2x3
    affine from the weld's own joint frame to the section frame. `psi`: its own dihedral angle, degrees.
    `fusion_butting`, `fusion_nonbutting`: indices in `fusion` where either member's part begins: nonbutting part
    is fusion[:k + 1], butting part fusion[k:]. `passes`: boundaries between passes.
    """

    spec: WeldSpec
    psi: float
    frame: FloatArray
    face: FloatArray
    fusion: FloatArray
    split: int
    voids: tuple[FloatArray, ...]
    passes: tuple[FloatArray, ...]

    @property
    def polygon(self) -> FloatArray:
        """Closed outline of the weld metal, first point not repeated."""
        return np.vstack([self.face, self.fusion[1:-1]])

    def to_section(self, points: FloatArray) -> FloatArray:
        """Map (n, 2) points of the weld's own joint frame into the section frame."""
        return np.asarray(points @ self.frame[:, :2].T + self.frame[:, 2])


@dataclass(frozen=True, slots=True)
class Section:
    """A whole section: member outlines, welds, and unfused interfaces, all in the section frame (mm, y up)."""

    spec: SectionSpec
    butting: FloatArray | None
    nonbutting: FloatArray
    welds: tuple[WeldGeometry, ...]
    seams: tuple[FloatArray, ...] = field(default=())


_LEAST_WEDGE = np.deg2rad(20.0)
"""Angle between a seam behind the root and the fusion boundary over it."""


def smooth_noise(rng: np.random.Generator, n: int, knots: int) -> FloatArray:
    """Return `n` values of a smooth random curve with about `knots` swings, of unit standard deviation."""
    coarse = rng.standard_normal(knots + 3)
    x = np.linspace(1, knots + 1, n)
    i = np.floor(x).astype(int)
    t = x - i
    i = np.clip(i, 1, knots)
    p0, p1, p2, p3 = coarse[i - 1], coarse[i], coarse[i + 1], coarse[np.minimum(i + 2, knots + 2)]
    out = 0.5 * (
        2 * p1 + (p2 - p0) * t + (2 * p0 - 5 * p1 + 4 * p2 - p3) * t**2 + (3 * p1 - p0 - 3 * p2 + p3) * t**3
    )
    return np.asarray(out)


def _bezier(p0: FloatArray, p1: FloatArray, p2: FloatArray, p3: FloatArray, n: int) -> FloatArray:
    u = np.linspace(0, 1, n)[:, None]
    return np.asarray((1 - u) ** 3 * p0 + 3 * (1 - u) ** 2 * u * p1 + 3 * (1 - u) * u**2 * p2 + u**3 * p3)


def _turn(v: FloatArray, degrees: float) -> FloatArray:
    a = np.deg2rad(degrees)
    return np.array([np.cos(a) * v[0] - np.sin(a) * v[1], np.sin(a) * v[0] + np.cos(a) * v[1]])


def depth_profile(shape: DepthShape, length: float, at_root: float, n: int, rng: np.random.Generator) -> FloatArray:
    """Depth of fusion at `n` even stations from root (s = 0) to toe (s = length), mm, never negative.

    `at_root`: depth already present at the root end (root penetration seen from the butting member).
    """
    s = np.linspace(0, length, n)
    start, end = shape.unfused_root, length - shape.unfused_toe
    if end - start < 0.05 * length:
        return np.zeros(n)
    u = np.clip((s - start) / (end - start), 0, 1)
    peak = float(np.clip(shape.peak, 0.12, 0.88))
    power = np.log(0.5) / np.log(peak)
    bowl = np.sin(np.pi * u**power) ** shape.fullness
    fall = (1 - u**1.5) ** 1.2 if at_root > 0 else np.zeros(n)
    finger = shape.finger * np.exp(-0.5 * ((u - peak) / 0.12) ** 2) * np.sin(np.pi * u) ** 0.5
    wobble = 1 + shape.wobble * smooth_noise(rng, n, 7)
    d = (np.maximum(shape.depth * bowl, at_root * fall) + finger) * np.clip(wobble, 0.3, 2)
    d[0] = at_root
    if n > 8 and at_root > 0:
        blend = np.linspace(0, 1, n // 8)
        d[: n // 8] = at_root * (1 - blend) + d[: n // 8] * blend
    d[-1] = 0.0
    d = np.where((s < start) | (s > end), 0.0, d)
    if shape.unfused_middle is not None:
        a, b = shape.unfused_middle
        ramp = np.clip(np.minimum(np.abs(s - a), np.abs(s - b)) / 0.15, 0, 1)
        d = np.where((s > a) & (s < b), 0.0, d * np.where((s > a - 0.15) & (s < b + 0.15), ramp, 1.0))
    return np.asarray(np.maximum(d, 0.0))


def _ease(u: FloatArray) -> FloatArray:
    """Rise from 0 to 1 without a kink at either end, so that ripples leave the tangent at a toe alone."""
    u = np.clip(u, 0, 1)
    return np.asarray(u * u * (3 - 2 * u))


def _face(
    spec: WeldSpec, toe_b: FloatArray, along_b: FloatArray, toe_n: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Face from the butting to the nonbutting toe; `along_b`: exposed surface beyond the butting toe."""
    chord = toe_n - toe_b
    width = float(np.hypot(*chord))
    flat_b = float(np.rad2deg(np.arctan2(along_b[0] * -chord[1] + along_b[1] * chord[0], along_b @ chord)))
    flat_n = float(np.rad2deg(np.arctan2(-chord[1], -chord[0])))
    # A cubic with both handles turned by the same angle bulges by 3/4 of handle x sin(angle).
    handle = 0.36 * width
    turn = float(np.rad2deg(np.arcsin(np.clip(spec.convexity * width / (0.75 * handle), -0.85, 0.95))))
    angle_b = spec.toe_angle_butting if spec.toe_angle_butting is not None else flat_b - turn
    angle_n = spec.toe_angle_nonbutting if spec.toe_angle_nonbutting is not None else flat_n - turn
    h_b, h_n = handle * (1 - 0.5 * spec.face_skew), handle * (1 + 0.5 * spec.face_skew)
    n = 97
    line = _bezier(
        toe_b, toe_b + h_b * _turn(along_b, -angle_b), toe_n + h_n * _turn(np.array([1.0, 0.0]), angle_n), toe_n, n
    )
    u = np.linspace(0, 1, n)
    taper = _ease(np.minimum(u, 1 - u) / 0.08)
    tangent = np.gradient(line, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.hypot(tangent[:, 0], tangent[:, 1])[:, None]
    bump = spec.ripple * width * 0.5 * smooth_noise(rng, n, 9)
    if spec.passes > 1:
        bump = bump + 0.03 * width * (np.abs(np.sin(np.pi * u * spec.passes)) - 0.6)
    return np.asarray(line + (bump * taper)[:, None] * normal)


def _behind_root(s: FloatArray, start: float, penetration: float, a: float) -> FloatArray:
    """Most depth (n,) mm that fusion has in the butting member at stations `s` above the seam behind the root.

    `start`: station of its corner, `a` rad: its angle. Heat that melts the member right above a seam crosses the
    seam too: what is melted over an unmelted one is a wedge of `_LEAST_WEDGE` at least; common practice, no source.
    """
    above = s - start
    return np.asarray(penetration * np.sin(a) + above * np.sin(a) * (np.cos(a) + np.sin(a) / np.tan(_LEAST_WEDGE)))


def _build_weld(  # noqa: PLR0915  one curve after the other, nothing to reuse
    spec: WeldSpec, psi: float, gap: float, joint: SectionJoint, frame: FloatArray, seed: int
) -> WeldGeometry:
    rng = np.random.default_rng([seed, 77])
    a = np.deg2rad(psi)
    e_b = np.array([np.cos(a), np.sin(a)])
    n_pts = 64
    rp, zn, zb = spec.root_penetration, spec.leg_nonbutting, spec.leg_butting
    x0 = -rp
    x = np.linspace(zn, x0, n_pts)
    shifted = replace(
        spec.nonbutting,
        peak=(spec.nonbutting.peak * zn + rp) / (zn + rp),
        unfused_middle=None
        if spec.nonbutting.unfused_middle is None
        else (spec.nonbutting.unfused_middle[0] + rp, spec.nonbutting.unfused_middle[1] + rp),
    )
    depth_n = depth_profile(shifted, zn + rp, 0.0, n_pts, rng)[::-1]
    part_n = np.column_stack([x, -depth_n])
    start = gap / np.sin(a)
    s = np.linspace(start, zb, n_pts)
    depth_b = depth_profile(spec.butting, zb - start, rp * np.sin(a), n_pts, rng)
    if spec.top_melt > 0 and joint == "lap":
        u = (s - start) / (zb - start)
        depth_b = np.maximum(depth_b, spec.top_melt * np.sin(a) * u**0.7)
        depth_b[-1] = spec.top_melt * np.sin(a)
    if spec.bridge is None:
        depth_b = np.minimum(depth_b, _behind_root(s, start, rp, a))
    part_b = s[:, None] * e_b + (depth_b / np.sin(a))[:, None] * np.array([-1.0, 0.0])
    middle = np.empty((0, 2))
    if spec.bridge is not None:
        c_b, c_n = spec.bridge
        part_n = part_n[part_n[:, 0] > c_n]
        part_n = np.vstack([part_n, [c_n, 0.0]])
        part_b = np.vstack([c_b * e_b, part_b[s > c_b]])
        p, q = np.array([c_n, 0.0]), c_b * e_b
        u = np.linspace(0, 1, 18)[1:-1, None]
        sag = 0.35 * rng.uniform(-0.4, 1.0)
        control = (p + q) / 2 * (1 - sag)
        middle = (1 - u) ** 2 * p + 2 * u * (1 - u) * control + u**2 * q
    elif gap > 0:
        v = np.linspace(0, 1, 7)[1:-1]
        belly = 0.3 * gap * np.sin(np.pi * v) * rng.uniform(-1, 1)
        middle = np.column_stack([-rp + v * gap / np.tan(a) - belly, v * gap])
    else:
        part_b = part_b[1:] if rp <= 0 else part_b
    toe_b = part_b[-1]
    along_b = np.array([-1.0, 0.0]) if (spec.top_melt > 0 and joint == "lap") else e_b
    face = _face(spec, toe_b, along_b, np.array([zn, 0.0]), rng)
    fusion = np.vstack([part_n, middle, part_b])
    keep = np.concatenate([[True], np.hypot(*np.diff(fusion, axis=0).T) > 1e-9])
    split = int(keep[: len(part_n) + len(middle)].sum()) - 1
    fusion = fusion[keep]
    fusion[-1] = face[0]
    fusion[0] = face[-1]
    angles = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    voids = []
    for vx, vy, rx, ry, tilt in spec.voids:
        c, q_ = np.cos(np.deg2rad(tilt)), np.sin(np.deg2rad(tilt))
        ell = np.column_stack([rx * np.cos(angles), ry * np.sin(angles)]) @ np.array([[c, q_], [-q_, c]])
        voids.append(ell + np.array([vx, vy]))
    passes = tuple(_pass_lines(spec, face, e_b, rng))
    weld = WeldGeometry(spec, psi, frame, face, fusion, split, tuple(voids), passes)
    return replace(
        weld,
        face=weld.to_section(face),
        fusion=weld.to_section(fusion),
        voids=tuple(weld.to_section(v) for v in voids),
        passes=tuple(weld.to_section(p) for p in passes),
    )


def _pass_lines(spec: WeldSpec, face: FloatArray, e_b: FloatArray, rng: np.random.Generator) -> list[FloatArray]:
    lines = []
    for k in range(1, spec.passes):
        on_face = face[int(len(face) * np.clip(k / spec.passes + rng.uniform(-0.08, 0.08), 0.1, 0.9))]
        frac = rng.uniform(0.1, 0.6)
        end = frac * spec.leg_butting * e_b if rng.random() < 0.5 else np.array([frac * spec.leg_nonbutting, 0.0])
        u = np.linspace(0, 1, 24)[:, None]
        mid = (on_face + end) / 2 + rng.normal(0, 0.12, 2) * spec.leg_nonbutting
        lines.append((1 - u) ** 2 * on_face + 2 * u * (1 - u) * mid + u**2 * end)
    return lines


def groove_curve(undercut: tuple[float, float], n: int = 21) -> FloatArray:
    """(distance beyond the toe, depth) of an undercut groove, (n, 2) mm."""
    depth, length = undercut
    v = np.linspace(0, 1, n)
    return np.column_stack([v * length, depth * np.sin(np.pi * v**0.6) ** 1.3])


def _rounded(points: FloatArray, radius: float) -> FloatArray:
    """Round the convex and concave corners of an open or closed chain by `radius` (closed polygon)."""
    if radius <= 0:
        return points
    out = []
    n = len(points)
    for i in range(n):
        p, a, b = points[i], points[i - 1], points[(i + 1) % n]
        u, v = a - p, b - p
        lu, lv = float(np.hypot(*u)), float(np.hypot(*v))
        if lu < 2.5 * radius or lv < 2.5 * radius:
            out.append(p[None])
            continue
        t = np.linspace(0, 1, 7)[:, None]
        p0, p2 = p + u / lu * radius, p + v / lv * radius
        out.append((1 - t) ** 2 * p0 + 2 * t * (1 - t) * p + t**2 * p2)
    return np.vstack(out)


def _toe_groove_points(weld: WeldGeometry, *, butting: bool) -> FloatArray:
    """Section-frame points of the undercut groove beyond a toe, starting at the toe; empty without one."""
    undercut = weld.spec.undercut_butting if butting else weld.spec.undercut_nonbutting
    if undercut is None:
        return np.empty((0, 2))
    g = groove_curve(undercut)
    if butting:
        a = np.deg2rad(weld.psi)
        e = np.array([np.cos(a), np.sin(a)])
        n = np.array([-np.sin(a), np.cos(a)])
        pts = (weld.spec.leg_butting + g[:, :1]) * e + g[:, 1:] * n
    else:
        pts = np.column_stack([weld.spec.leg_nonbutting + g[:, 0], -g[:, 1]])
    return weld.to_section(pts)


def build_section(spec: SectionSpec) -> Section:
    """Lay out the geometry of `spec`.

    Raises:
        ValueError: for a spec without a weld, or a bead with two.
    """
    if not spec.welds or (spec.joint != "tee" and len(spec.welds) > 1) or len(spec.welds) > 2:
        msg = "a section has one weld, a tee one or two"
        raise ValueError(msg)
    if spec.joint == "bead":
        return _build_bead(spec)
    a = np.deg2rad(spec.psi)
    e_b = np.array([np.cos(a), np.sin(a)])
    base = spec.thickness_butting / np.sin(a)
    frames = [np.array([[1.0, 0, 0], [0, 1, 0]]), np.array([[-1.0, 0, -base], [0, 1, 0]])]
    psis = [spec.psi, 180 - spec.psi]
    welds = tuple(
        _build_weld(w, psis[i], spec.gap, spec.joint, frames[i], spec.seed * 2 + i)
        for i, w in enumerate(spec.welds)
    )
    g, reach, over = spec.gap, spec.reach, spec.overhang
    corner = np.array([g / np.tan(a), g])
    right = np.array([spec.welds[0].leg_nonbutting + over, 0.0])
    groove_n = [_toe_groove_points(w, butting=False) for w in welds]
    groove_b = [_toe_groove_points(w, butting=True) for w in welds]
    if spec.joint == "lap":
        top = np.array([spec.thickness_butting / np.tan(a), spec.thickness_butting])
        butting = np.vstack([corner, groove_b[0], top, top - [reach, 0], corner - [reach, 0]])
        left = -0.75 * reach
    else:
        far = reach * e_b
        back = np.array([-base, 0.0])
        second = groove_b[1][::-1] if len(welds) > 1 else np.empty((0, 2))
        butting = np.vstack([corner, groove_b[0], far, far + back, second, corner + back])
        other = spec.welds[1].leg_nonbutting if len(welds) > 1 else 0.0
        left = -base - (over + other if spec.joint == "tee" else 0.0)
    t_n = spec.thickness_nonbutting
    second_n = groove_n[1] if len(welds) > 1 else np.empty((0, 2))
    surface = np.vstack([right, groove_n[0][::-1], second_n, [left, 0.0]])
    nonbutting = np.vstack([surface, [left, -t_n], [right[0], -t_n]])
    nonbutting, butting = _rounded(nonbutting, spec.edge_radius), _rounded(butting, min(spec.edge_radius, 0.3))
    return Section(spec, butting, nonbutting, welds, tuple(_seams(spec, welds, base)))


def _seams(spec: SectionSpec, welds: tuple[WeldGeometry, ...], base: float) -> list[FloatArray]:
    """Unfused interfaces: the faying surface behind the root, and spans under the weld with no depth."""
    starts = -welds[0].spec.root_penetration
    if welds[0].spec.bridge is not None:
        starts = 0.0
    end = -0.75 * spec.reach if spec.joint == "lap" else -base
    if len(welds) > 1:
        end += welds[1].spec.root_penetration
    seams = [np.array([[starts, 0.0], [end, 0.0]])] if end < starts else []
    for weld in welds:
        inverse = weld.frame[:, :2].T
        own = (weld.fusion - weld.frame[:, 2]) @ inverse.T
        a = np.deg2rad(weld.psi)
        for part, normal in (
            (own[: weld.split + 1], np.array([0.0, -1.0])),
            (own[weld.split :], np.array([-np.sin(a), np.cos(a)])),
        ):
            depth = part @ normal
            flat = np.abs(depth) < 1e-6
            edges = np.flatnonzero(np.diff(np.concatenate([[0], flat.astype(int), [0]])))
            for i, j in zip(edges[::2], edges[1::2], strict=True):
                if j - i > 1:
                    seams.append(weld.to_section(part[i:j]))
    return seams


def _build_bead(spec: SectionSpec) -> Section:
    """Bead on plate: one surface y = 0; `leg_butting` + `leg_nonbutting` is the bead's width, root unused."""
    w = spec.welds[0]
    rng = np.random.default_rng([spec.seed, 78])
    width = w.leg_butting + w.leg_nonbutting
    left, right = np.array([-w.leg_butting, 0.0]), np.array([w.leg_nonbutting, 0.0])
    depth = depth_profile(w.nonbutting, width, 0.0, 96, rng)
    fusion = np.column_stack([np.linspace(right[0], left[0], 96), -depth])
    height = max(0.02, w.convexity) * width
    tangent = float(np.rad2deg(np.arctan2(height, 0.75 * 0.36 * width)))
    h = 0.36 * width
    u = np.deg2rad(tangent * 1.25)
    face = _bezier(
        left, left + h * np.array([np.cos(u), np.sin(u)]), right + h * np.array([-np.cos(u), np.sin(u)]), right, 97
    )
    taper = _ease(np.minimum(np.linspace(0, 1, 97), np.linspace(1, 0, 97)) / 0.1)
    face[:, 1] += w.ripple * width * 0.3 * smooth_noise(rng, 97, 8) * taper
    fusion[0], fusion[-1] = face[-1], face[0]
    identity = np.array([[1.0, 0, 0], [0, 1, 0]])
    weld = WeldGeometry(w, 180.0, identity, face, fusion, 95, (), ())
    over, t_n = spec.overhang, spec.thickness_nonbutting
    groove = groove_curve(w.undercut_nonbutting) if w.undercut_nonbutting else np.empty((0, 2))
    g_right = np.column_stack([right[0] + groove[:, 0], -groove[:, 1]])[::-1] if len(groove) else groove
    plate = np.vstack(
        [[right[0] + over, 0.0], g_right, [left[0] - over, 0.0], [left[0] - over, -t_n], [right[0] + over, -t_n]]
    )
    return Section(spec, None, _rounded(plate, spec.edge_radius), (weld,), ())
