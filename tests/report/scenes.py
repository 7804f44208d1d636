"""Sections drawn by hand: a 90 degree tee fillet with 5 mm legs whose every dimension is plain to see."""

from dataclasses import replace

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.flags import Flag
from macrocheck.outline import Outline, SurfaceLine, WeldOutline
from macrocheck.photo import Photo
from macrocheck.quantities import BY_KEY
from macrocheck.results import Measurements, PhotoFacts, Profile, Quantity, Result, Verdict, Verdicts, VerdictWord
from macrocheck.scale import FoundMark, Scale

MM_PER_PX = 0.025
LEG_PX = 200.0
"""5 mm at 0.025 mm/px."""
DEPTH_PX = 40.0
"""1 mm: depth of fusion in both members."""


def turned(points: FloatArray, root: tuple[float, float], degrees: float, *, mirror: bool = False) -> FloatArray:
    """Map points of the joint frame (x along the nonbutting surface, y out of it, px) into the picture."""
    a = np.deg2rad(degrees)
    p = np.asarray(points, dtype=np.float64) * (-1 if mirror else 1, -1)
    return np.asarray(p @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + root)


def tee_weld(
    root: tuple[float, float] = (500.0, 600.0), degrees: float = 0.0, *, mirror: bool = False, leg: float = LEG_PX
) -> WeldOutline:
    """Return a flat fillet with both legs `leg` px; fusion reaches DEPTH_PX * leg / LEG_PX into both members."""
    face = np.linspace([0.0, leg], [leg, 0.0], 41)
    s = np.linspace(0, leg, 41)
    d = DEPTH_PX * leg / LEG_PX * np.sin(np.pi * s / leg)
    fusion = np.vstack([np.column_stack([s, -d])[::-1], np.column_stack([-d, s])[1:]])

    def put(p: FloatArray) -> FloatArray:
        return turned(p, root, degrees, mirror=mirror)

    def line(a: list[float], b: list[float]) -> SurfaceLine:
        ends = put(np.array([a, b]))
        way = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
        middle = ends.mean(axis=0)
        length = float(np.hypot(*(ends[1] - ends[0])))
        return SurfaceLine((float(middle[0]), float(middle[1])), (float(way[0]), float(way[1])), 0.2, 0.001, length)

    return WeldOutline(
        joint="tee",
        surface_butting=line([0, leg], [0, 1.8 * leg]),
        surface_nonbutting=line([leg, 0], [1.9 * leg, 0]),
        face=put(face),
        fusion=put(fusion),
        u_face=np.full(len(face), 0.5),
        u_fusion=np.full(len(fusion), 0.8),
        correlation_px=20.0,
    )


def numbers(**values: float | tuple[float, float] | None) -> Measurements:
    """Return measurements of a tee_weld; key=(value, U95), key=value, or key=None to withhold one."""
    plain: dict[str, float | tuple[float, float] | None] = {
        "leg_butting": (5.0, 0.06), "leg_nonbutting": (5.0, 0.07), "size": (5.0, 0.06),
        "actual_throat": (3.536, 0.05), "effective_throat": (3.536, 0.05), "convexity": (0.0, 0.02),
        "depth_of_fusion_butting": (1.0, 0.08), "depth_of_fusion_nonbutting": (1.0, 0.08),
        "root_penetration": (0.0, 0.05), "toe_angle_butting": (135.0, 3.2), "toe_angle_nonbutting": (135.0, 3.1),
        **values,
    }  # fmt: skip
    quantities = {}
    for key, v in plain.items():
        unit = BY_KEY[key].unit
        value, spread = v if isinstance(v, tuple) else (v, 0.1)
        quantities[key] = (
            Quantity(None, None, None, unit, "The toe lies outside the picture.")
            if value is None
            else Quantity(value, spread / 2, spread, unit)
        )
    s = np.linspace(0, 5, 41)
    profile = Profile(s, np.sin(np.pi * s / 5), np.full(41, 0.04))
    return Measurements(quantities, {"butting": profile, "nonbutting": profile}, (), {"fusion_threshold_mm": 0.1})


def spans(measured: Measurements, **values: tuple[tuple[float, float], ...]) -> Measurements:
    """Return measurements with unfused spans added, "butting" or "nonbutting" = ((start, end), ...) mm."""
    more = {}
    for member, value in values.items():
        more[f"unfused_spans_{member}"] = Quantity(value, 0.03, 0.06, "mm")
        more[f"unfused_{member}"] = Quantity(sum(b - a for a, b in value), 0.05, 0.1, "mm")
    return replace(measured, quantities={**measured.quantities, **more})


def photo_of(
    welds: tuple[WeldOutline, ...], size: tuple[int, int] = (1200, 900), *, light: bool = False, seed: int = 1
) -> Photo:
    """Return a picture of grey plates and darker (or lighter) weld metal with noise; `size` (width, height) px."""
    width, height = size
    ground, plate, metal = (225, 165, 110) if light else (20, 120, 170)
    picture = np.full((height, width), ground, np.uint8)
    for weld in welds:
        joint_root = weld.joint_root
        if joint_root is None or weld.surface_butting is None or weld.surface_nonbutting is None:
            continue
        root = np.array(joint_root)
        b, n = np.array(weld.surface_butting.direction), np.array(weld.surface_nonbutting.direction)
        long = 3.0 * float(np.hypot(*(weld.face[0] - root)))
        for corners in (
            [root, root + long * b, root + long * b - 0.4 * long * n, root - 0.4 * long * n],
            [root - long * n, root + long * n, root + long * n - 0.3 * long * b, root - long * n - 0.3 * long * b],
        ):
            cv2.fillPoly(picture, [np.rint(np.array(corners)).astype(np.int32)], plate)
    for weld in welds:
        cv2.fillPoly(picture, [np.rint(weld.polygon).astype(np.int32)], metal)
    noise = np.random.default_rng(seed).normal(0, 4, picture.shape)
    grey = np.clip(picture + noise, 0, 255).astype(np.uint8)
    return Photo(np.repeat(grey[..., None], 3, axis=2), "bench/coupon 7.jpg", "ab" * 32)


def scale_of(*, flags: tuple[Flag, ...] = (), marks: tuple[FoundMark, ...] = ()) -> Scale:
    """Return a plain scale of 0.025 mm/px."""
    return Scale(MM_PER_PX, 0.0012, "bar 10 mm, 400.0 px long", flags, marks)


def result_of(
    photo: Photo,
    welds: tuple[WeldOutline, ...],
    measured: tuple[Measurements, ...] | None = None,
    *,
    verdicts: Verdicts | None = None,
    scale: Scale | None = None,
) -> Result:
    """Join the parts to a result."""
    return Result(
        PhotoFacts(photo.path, photo.sha256, photo.width, photo.height),
        scale or scale_of(),
        Outline(photo.width, photo.height, welds),
        measured if measured is not None else tuple(numbers() for _ in welds),
        verdicts or Verdicts(tuple(() for _ in welds), None),
        "0.1.0",
    )


def verdict(
    quantity: str,
    word: VerdictWord,
    *,
    limit: str = "least size",
    at_least: float | None = 4.5,
    at_most: float | None = None,
    mark: str = "stated by the user",
) -> Verdict:
    """Return one verdict with a plain sentence."""
    return Verdict(
        limit=limit, quantity=quantity, word=word, at_least=at_least, at_most=at_most, unit="mm", value=5.0,
        guard=0.06, source="drawing 12", mark=mark, text=f"It is {word}ed.",
    )  # fmt: skip


def lines_in(picture: ByteArray, points: FloatArray, colour: tuple[int, int, int], reach: int = 1) -> FloatArray:
    """Return for each point the least distance (n,), in levels, of a pixel within `reach` px from `colour`."""
    h, w = picture.shape[:2]
    best = np.full(len(points), 1e9)
    at = np.rint(points).astype(int)
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            x, y = np.clip(at[:, 0] + dx, 0, w - 1), np.clip(at[:, 1] + dy, 0, h - 1)
            best = np.minimum(best, np.abs(picture[y, x].astype(float) - colour).max(axis=1))
    return np.asarray(best)
