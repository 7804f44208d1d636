"""Where the measured dimensions lie in the picture.

The numbers always come from the measurements; here are only the points that a drawing of them needs. They are
worked out in the section plane (mm), so that a right angle is one even in a tilted photograph, and mapped back.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.outline import SurfaceLine, WeldOutline
from macrocheck.results import Measurements
from macrocheck.scale import Scale

_BEYOND = 0.22
"""Leg dimensions stand this fraction of the mean leg clear of the toe they must pass."""


@dataclass(frozen=True, slots=True)
class Surface:
    """A member surface to draw, px: `seen` (2, 2) or None where it was stated, `hidden` the extrapolated rest."""

    member: str
    seen: FloatArray | None
    hidden: tuple[FloatArray, ...]


@dataclass(frozen=True, slots=True)
class Dimension:
    """A dimension to draw, px: `line` (2, 2) from its first to its second end, thin `helpers` (2, 2) beside it."""

    key: str
    line: FloatArray
    helpers: tuple[FloatArray, ...] = ()


@dataclass(frozen=True, slots=True)
class WeldPoints:
    """Everything of one weld that is drawn besides its curves, px; None or empty where it cannot be had.

    `unfused`: member -> stretches (2, 2) of its surface without fusion.
    """

    surfaces: tuple[Surface, ...] = ()
    dimensions: tuple[Dimension, ...] = ()
    unfused: Mapping[str, tuple[FloatArray, ...]] = field(default_factory=dict)
    joint_root: FloatArray | None = None
    weld_root: FloatArray | None = None
    toe_butting: FloatArray | None = None
    toe_nonbutting: FloatArray | None = None


def weld_points(weld: WeldOutline, measured: Measurements, scale: Scale) -> WeldPoints:
    """Return the points of one weld's dimensions; whatever lacks its geometry or its number is left out."""
    plan = _Plan(weld, scale)
    if weld.joint == "bead":
        dimensions = _bead_dimensions(plan, measured)
    else:
        dimensions = [*_leg_dimensions(plan, measured), *_inner_dimensions(plan, measured)]
    return WeldPoints(
        surfaces=tuple(_surface(plan, m, line) for m, line in plan.lines.items()),
        dimensions=tuple(Dimension(d.key, plan.px(d.line), tuple(map(plan.px, d.helpers))) for d in dimensions),
        unfused={m: spans for m in plan.lines if (spans := _unfused(plan, measured, m))},
        joint_root=None if plan.root is None else plan.px(plan.root)[0],
        weld_root=None if plan.weld_root is None or weld.joint == "bead" else plan.px(plan.weld_root)[0],
        toe_butting=weld.face[0] if weld.complete_butting else None,
        toe_nonbutting=weld.face[-1] if weld.complete_nonbutting else None,
    )


def nearest_on(curve: FloatArray, point: FloatArray) -> FloatArray:
    """Return the point of a polyline (n, 2) nearest to `point` (2,)."""
    start, step = curve[:-1], np.diff(curve, axis=0)
    square = np.maximum((step**2).sum(axis=1), 1e-18)
    t = np.clip(((point - start) * step).sum(axis=1) / square, 0, 1)
    feet = start + t[:, None] * step
    return np.asarray(feet[np.argmin(((feet - point) ** 2).sum(axis=1))])


class _Plan:
    """One weld in section millimetres: curves, surface directions, inward normals, roots."""

    def __init__(self, weld: WeldOutline, scale: Scale) -> None:
        self.weld, self.scale = weld, scale
        self.face, self.fusion = scale.to_mm(weld.face), scale.to_mm(weld.fusion)
        both = {"butting": weld.surface_butting, "nonbutting": weld.surface_nonbutting}
        self.lines: dict[str, SurfaceLine] = {m: s for m, s in both.items() if s is not None}
        self.along: dict[str, FloatArray] = {}
        self.on: dict[str, FloatArray] = {}
        for member, line in self.lines.items():
            step = np.array([line.point, np.add(line.point, line.direction)])
            a, b = scale.to_mm(step)
            self.on[member], self.along[member] = a, (b - a) / np.hypot(*(b - a))
        root = weld.joint_root
        self.root = None if root is None else scale.to_mm(np.array([root]))[0]
        self.inward = {m: self._inward(m) for m in self.lines}
        self.weld_root = self._weld_root()

    def px(self, points: FloatArray) -> FloatArray:
        return self.scale.to_px(points)

    def _inward(self, member: str) -> FloatArray:
        """Unit normal of a member's surface, away from the weld face."""
        a = self.along[member]
        normal = np.array([-a[1], a[0]])
        outside = self.face[len(self.face) // 2] - self.on[member]
        return -normal if normal @ outside > 0 else normal

    def origin(self, member: str) -> FloatArray | None:
        """Where `s` = 0 on a member's surface: the joint root; on a bead the first toe along the surface."""
        if self.weld.joint != "bead":
            return self.root
        ends = self.face[[0, -1]]
        first = ends[np.argmin((ends - self.on[member]) @ self.along[member])]
        return self.foot(member, first)

    def foot(self, member: str, point: FloatArray) -> FloatArray:
        """Foot of the perpendicular from `point` on a member's surface line."""
        rel = point - self.on[member]
        return np.asarray(self.on[member] + (rel @ self.along[member]) * self.along[member])

    def _weld_root(self) -> FloatArray | None:
        """Where weld metal ends behind the joint root, else the joint root, else the metal nearest to it."""
        line = "nonbutting"
        if line not in self.lines:
            return None
        start = self.root if self.root is not None else self.on[line]
        lift = 0.0 if self.weld.gap_px is None else 0.5 * self.weld.gap_px[0] * self.scale.mm_per_px
        height = (self.fusion - start) @ -self.inward[line] - lift
        s = (self.fusion - start) @ self.along[line]
        cross = np.flatnonzero(height[:-1] * height[1:] <= 0)
        if len(cross):
            h0, h1 = height[cross], height[cross + 1]
            t = np.where(np.abs(h0 - h1) > 1e-12, h0 / np.where(h0 == h1, 1, h0 - h1), 0.0)
            points = self.fusion[cross] + t[:, None] * (self.fusion[cross + 1] - self.fusion[cross])
            behind = s[cross] + t * (s[cross + 1] - s[cross])
            first = int(np.argmin(behind))
            if self.root is None or behind[first] < 0:
                return np.asarray(points[first])
        if self.root is None:
            return None
        return nearest_on(self.fusion, self.root)

    def leg(self, member: str) -> float | None:
        """Return joint root to toe along the surface, mm, for drawing; None where either is missing."""
        complete = self.weld.complete_butting if member == "butting" else self.weld.complete_nonbutting
        if self.root is None or member not in self.lines or not complete:
            return None
        toe = self.face[0] if member == "butting" else self.face[-1]
        return float((toe - self.root) @ self.along[member])


def _surface(plan: _Plan, member: str, line: SurfaceLine) -> Surface:
    at, along = np.asarray(line.point), np.asarray(line.direction)
    curve = np.vstack([plan.weld.face, plan.weld.fusion])
    reach = (curve - at) @ along
    span = float(np.ptp(reach))
    low, high = -0.5 * line.length, 0.5 * line.length
    begin, end = float(reach.min()) - 0.12 * span, float(reach.max()) + 0.12 * span
    seen = None if line.length <= 0 else np.array([at + low * along, at + high * along])
    if seen is None:
        return Surface(member, None, (np.array([at + begin * along, at + end * along]),))
    hidden = []
    if begin < low:
        hidden.append(np.array([at + begin * along, at + low * along]))
    if end > high:
        hidden.append(np.array([at + high * along, at + end * along]))
    return Surface(member, seen, tuple(hidden))


def _has(measured: Measurements, key: str) -> bool:
    quantity = measured.quantities.get(key)
    return quantity is not None and isinstance(quantity.value, float | int)


def _number(measured: Measurements, key: str) -> float:
    quantity = measured.quantities.get(key)
    return float(quantity.value) if quantity is not None and isinstance(quantity.value, float | int) else 0.0


def _stands_out(measured: Measurements, key: str) -> bool:
    """Whether a length is more than half its U95: what is less would be a mark without an extent."""
    quantity = measured.quantities.get(key)
    spread = 0.0 if quantity is None or quantity.U95 is None else quantity.U95
    return _number(measured, key) > 0.5 * spread


def _leg_dimensions(plan: _Plan, measured: Measurements) -> list[Dimension]:
    """Legs stand in the air: each parallel to its surface, moved along the other one until clear of the weld."""
    if plan.root is None:
        return []
    out = []
    legs = {m: plan.leg(m) for m in plan.lines}
    known = [leg for leg in legs.values() if leg is not None]
    for member, other in (("butting", "nonbutting"), ("nonbutting", "butting")):
        leg = legs.get(member)
        if leg is None or not _has(measured, f"leg_{member}"):
            continue
        away = plan.along[other]
        clear = float(((plan.face - plan.root) @ away).max())
        shift = (clear + _BEYOND * float(np.mean(known))) * away
        toe = plan.face[0] if member == "butting" else plan.face[-1]
        near, far = plan.root + shift, plan.root + leg * plan.along[member] + shift
        out.append(Dimension(f"leg_{member}", np.array([near, far]), (np.array([toe, far]),)))
    return out


def _inner_dimensions(plan: _Plan, measured: Measurements) -> list[Dimension]:
    out = []
    if plan.weld_root is not None and _has(measured, "actual_throat"):
        foot = nearest_on(plan.face, plan.weld_root)
        out.append(Dimension("actual_throat", np.array([plan.weld_root, foot])))
    for member in plan.lines:
        key = f"depth_of_fusion_{member}"
        if _number(measured, key) > 0:
            line = _deepest(plan, measured, member)
            if line is not None:
                out.append(Dimension(key, line))
    if plan.root is not None and plan.weld_root is not None:
        line = np.array([plan.root, plan.weld_root])
        keys = ("root_penetration", "root_shortfall")
        out += [Dimension(key, line) for key in keys if _stands_out(measured, key)]
    return out


def _deepest(plan: _Plan, measured: Measurements, member: str) -> FloatArray | None:
    """Line from a surface to the deepest point of fusion under it: at the profile's peak, else from the outline."""
    profile = measured.profiles.get(member) or measured.profiles.get("surface")
    origin = plan.origin(member)
    if profile is not None and len(profile.s_mm) and origin is not None and np.isfinite(profile.d_mm).any():
        k = int(np.nanargmax(profile.d_mm))
        foot = origin + float(profile.s_mm[k]) * plan.along[member]
        return np.array([foot, foot + float(profile.d_mm[k]) * plan.inward[member]])
    part = plan.fusion
    if plan.weld.joint != "bead" and plan.weld_root is not None:
        split = int(np.argmin(((part - plan.weld_root) ** 2).sum(axis=1)))
        part = part[split:] if member == "butting" else part[: split + 1]
    depth = (part - plan.on[member]) @ plan.inward[member]
    if origin is not None and plan.weld.joint != "bead":
        depth = np.where((part - origin) @ plan.along[member] >= 0, depth, -np.inf)
    k = int(np.argmax(depth))
    if not np.isfinite(depth[k]) or depth[k] <= 0:
        return None
    return np.array([plan.foot(member, part[k]), part[k]])


def _unfused(plan: _Plan, measured: Measurements, member: str) -> tuple[FloatArray, ...]:
    quantity = measured.quantities.get(f"unfused_spans_{member}")
    origin = plan.origin(member)
    if quantity is None or not isinstance(quantity.value, tuple) or origin is None:
        return ()
    along = plan.along[member]
    return tuple(
        plan.px(np.array([origin + v[0] * along, origin + v[1] * along]))
        for v in quantity.value
        if isinstance(v, tuple) and v[1] > v[0]
    )


def _bead_dimensions(plan: _Plan, measured: Measurements) -> list[Dimension]:
    out = []
    left, right = plan.face[0], plan.face[-1]
    height = plan.face
    if "nonbutting" in plan.lines:
        outward = -plan.inward["nonbutting"]
        rise = (height - plan.on["nonbutting"]) @ outward
        top = int(np.argmax(rise))
        if _number(measured, "reinforcement_height") > 0 and rise[top] > 0:
            foot = plan.foot("nonbutting", height[top])
            out.append(Dimension("reinforcement_height", np.array([foot, height[top]])))
        if (
            _number(measured, "depth_of_fusion") > 0
            and (line := _deepest(plan, measured, "nonbutting")) is not None
        ):
            out.append(Dimension("depth_of_fusion", line))
    else:
        chord = (right - left) / max(float(np.hypot(*(right - left))), 1e-12)
        outward = np.array([-chord[1], chord[0]])
        outward = outward if (height - left).mean(axis=0) @ outward > 0 else -outward
        rise = (height - left) @ outward
    if _has(measured, "bead_width") and plan.weld.complete_butting and plan.weld.complete_nonbutting:
        shift = (float(rise.max()) + _BEYOND * 0.5 * float(np.hypot(*(right - left)))) * outward
        line = np.array([left + shift, right + shift])
        out.append(Dimension("bead_width", line, (np.array([left, line[0]]), np.array([right, line[1]]))))
    return out
