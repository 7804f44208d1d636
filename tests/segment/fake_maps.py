"""Network-like maps of a section with known truth, and a plain painting of it.

The maps are the truth's own, with what a network does to them: borders displaced by a smooth random field, ramps
of about the width of that displacement, weaker confidence in places, islands, holes, jittered points.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, Float32Array, FloatArray, Point
from macrocheck.photo import Photo
from macrocheck.render.coverage import section_covers
from macrocheck.render.raster import View, make_view, region_map, seam_map, void_map, weld_coordinates
from macrocheck.render.sampling import sample_spec
from macrocheck.render.section import Section, SectionJoint, WeldGeometry, build_section
from macrocheck.segment.maps import RegionMaps


def line_cross(p: FloatArray, d: FloatArray, q: FloatArray, e: FloatArray) -> FloatArray:
    """Crossing of two lines given by point and direction."""
    cross = d[0] * e[1] - d[1] * e[0]
    t = ((q[0] - p[0]) * e[1] - (q[1] - p[1]) * e[0]) / cross
    return np.asarray(p + t * d)


def maps_of(regions: Float32Array, *, scale: float = 1.0) -> RegionMaps:
    """Maps that say nothing but `regions` (4, h, w); `scale`: photo px a map px."""
    none = np.zeros(regions.shape[1:], np.float32)
    return RegionMaps(
        regions=regions,
        haz=none,
        fusion_line=none,
        seam=none,
        void=none,
        points=np.stack([none] * 3),
        to_photo=scale * np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
    )


def photo_of(picture: AnyArray, *, noise: float, seed: int = 3) -> Photo:
    """A grey picture (h, w) smoothed a little and noisy, like a photograph."""
    noisy = cv2.GaussianBlur(picture, (0, 0), 1.0) + np.random.default_rng(seed).normal(0, noise, picture.shape)
    return Photo(np.repeat(noisy.clip(0, 255).astype(np.uint8)[..., None], 3, axis=2), "made-up", "0" * 64)


@dataclass(frozen=True)
class Truth:
    """True geometry of one weld in photo px; lines as (point, direction)."""

    root: FloatArray
    along_butting: FloatArray
    along_nonbutting: FloatArray
    face: FloatArray
    fusion: FloatArray
    split: int
    px_per_mm: float


@dataclass(frozen=True)
class Case:
    """One made-up case."""

    section: Section
    view: View
    weld: WeldGeometry
    truth: Truth
    maps: RegionMaps
    photo: Photo

    @property
    def joint(self) -> str:
        return self.section.spec.joint


def smooth_field(rng: np.random.Generator, shape: tuple[int, int], length: float) -> Float32Array:
    """Unit-variance random field that is alike over about `length` px."""
    h, w = shape
    n = (max(4, int(h / length * 2) + 4), max(4, int(w / length * 2) + 4))
    f = cv2.resize(rng.standard_normal(n).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
    return np.asarray((f - f.mean()) / f.std(), np.float32)


def truth_of(weld: WeldGeometry, view: View) -> Truth:
    a = np.deg2rad(weld.psi)
    unit = weld.to_section(np.array([[0.0, 0.0], [np.cos(a), np.sin(a)], [1.0, 0.0]]))
    px = view.to_px(unit)
    b, n = px[1] - px[0], px[2] - px[0]
    return Truth(
        px[0],
        b / np.hypot(*b),
        n / np.hypot(*n),
        view.to_px(weld.face),
        view.to_px(weld.fusion),
        weld.split,
        view.px_per_mm,
    )


def crop_affine(
    truth: Truth, rng: np.random.Generator, size: int, *, times: float = 2.0, jitter: float = 0.06
) -> FloatArray:
    """Map px to photo px of a square crop in which the weld's box takes about 1 / `times`."""
    polygon = np.vstack([truth.face, truth.fusion])
    low, high = polygon.min(axis=0), polygon.max(axis=0)
    side = float((high - low).max()) * times * rng.uniform(0.9, 1.15)
    centre = (low + high) / 2 + rng.uniform(-jitter, jitter, 2) * side
    scale = side / size
    offset = centre - scale * (size - 1) / 2
    return np.array([[scale, 0.0, offset[0]], [0.0, scale, offset[1]]])


def view_in_map(view: View, to_photo: FloatArray, size: int) -> View:
    inverse = np.linalg.inv(to_photo[:, :2])
    m = inverse @ view.matrix[:, :2]
    t = inverse @ (view.matrix[:, 2] - to_photo[:, 2])
    return View(np.column_stack([m, t]), size, size)


def make_maps(
    section: Section,
    view: View,
    weld: WeldGeometry,
    to_photo: FloatArray,
    rng: np.random.Generator,
    *,
    size: int = 448,
    displacement: float = 1.2,
    blemishes: float = 0.3,
) -> RegionMaps:
    v = view_in_map(view, to_photo, size)
    shape = (size, size)
    fine = region_map(section, v, finer=3)
    hot = np.stack(
        [cv2.resize((fine == k).astype(np.float32), shape, interpolation=cv2.INTER_AREA) for k in range(4)]
    )
    near_air = cv2.GaussianBlur(cv2.dilate(hot[0], np.ones((5, 5))), (0, 0), 4)
    length = float(rng.uniform(20, 40))
    amp = displacement * (1 - 0.7 * np.clip(near_air * 1.5, 0, 1)) * np.exp(0.3 * smooth_field(rng, shape, 60))
    y, x = np.mgrid[:size, :size].astype(np.float32)
    mx = (x + amp * smooth_field(rng, shape, length)).astype(np.float32)
    my = (y + amp * smooth_field(rng, shape, length)).astype(np.float32)

    def moved(layer: AnyArray) -> Float32Array:
        return np.asarray(
            cv2.remap(layer.astype(np.float32), mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
            np.float32,
        )

    def soft(layer: Float32Array) -> Float32Array:
        sharp, wide = cv2.GaussianBlur(layer, (0, 0), 0.8), cv2.GaussianBlur(layer, (0, 0), 1.0 + displacement)
        return np.asarray(sharp * (1 - mix) + wide * mix, np.float32)

    mix = np.clip(1 - 1.3 * near_air, 0.0, 1).astype(np.float32)
    regions = np.stack([soft(moved(h)) for h in hot])
    if rng.random() < blemishes:  # an island of "weld" in a member, a hole in the weld
        for source, target in ((1, 3), (1, 2), (3, 1)):
            inside = cv2.erode((regions[target] > 0.9).astype(np.uint8), np.ones((25, 25)))
            ys, xs = np.nonzero(inside)
            if len(ys) == 0:
                continue
            i = int(rng.integers(len(ys)))
            blob = np.exp(-0.5 * (((x - xs[i]) / rng.uniform(4, 9)) ** 2 + ((y - ys[i]) / rng.uniform(4, 9)) ** 2))
            blob = (blob * rng.uniform(0.5, 0.95)).astype(np.float32)
            regions *= 1 - blob
            regions[source] += blob
    regions /= regions.sum(axis=0)
    line = np.zeros((size * 2, size * 2), np.uint8)
    seams = np.asarray(seam_map(section, v.finer(2), width_px=5), np.float32)
    for w in section.welds:
        pts = np.round(v.finer(2).to_px(w.fusion) * 16).astype(np.int32)
        cv2.polylines(line, [pts], isClosed=False, color=255, thickness=5, lineType=cv2.LINE_AA, shift=4)
    ridge = cv2.resize(line.astype(np.float32) / 255, shape, interpolation=cv2.INTER_AREA)
    seam = cv2.resize(seams, shape, interpolation=cv2.INTER_AREA)
    coordinates = weld_coordinates(section, v)
    exact = region_map(section, v)
    width = np.where(exact == 2, weld.spec.haz_butting, weld.spec.haz_nonbutting) * v.px_per_mm
    haz = ((coordinates.distance < width) & (exact >= 2)).astype(np.float32)
    heat = []
    truth = truth_of(weld, v)
    for p, there in ((truth.root, True), (truth.face[0], True), (truth.face[-1], True)):
        q = p + rng.normal(0, 1.5, 2)
        g = np.exp(-0.5 * ((x - q[0]) ** 2 + (y - q[1]) ** 2) / 4.0**2) * rng.uniform(0.5, 0.95)
        heat.append(g.astype(np.float32) if there else np.zeros(shape, np.float32))
    trust = np.clip(0.85 + 0.1 * smooth_field(rng, shape, 50), 0.3, 1).astype(np.float32)
    return RegionMaps(
        regions=regions.astype(np.float32),
        haz=np.asarray(cv2.GaussianBlur(moved(haz), (0, 0), 1.5), np.float32),
        fusion_line=np.asarray(cv2.GaussianBlur(moved(ridge), (0, 0), 1.0) * trust, np.float32),
        seam=np.asarray(cv2.GaussianBlur(moved(seam), (0, 0), 1.0) * trust, np.float32),
        void=np.asarray(cv2.GaussianBlur(moved(void_map(section, v).astype(np.float32)), (0, 0), 1.0), np.float32),
        points=np.stack(heat),
        to_photo=to_photo,
    )


def plain_painting(
    section: Section, view: View, rng: np.random.Generator, *, contrast: float = 35.0, noise: float = 5.0
) -> Photo:
    """Regions in tones `contrast` grey levels apart, soft HAZ bands, grain noise, blur."""
    covers = section_covers(section, view)
    polarity = 1 if rng.random() < 0.5 else -1
    base = rng.uniform(110, 150)
    other = base + rng.normal(0, 12)
    air = rng.uniform(5, 45) if rng.random() < 0.75 else rng.uniform(205, 245)
    tones = np.array([air, (base + other) / 2 + polarity * contrast, base, other], np.float32)
    layers = (covers.background, covers.weld, covers.butting, covers.nonbutting)
    picture = 25 * covers.void
    for tone, layer in zip(tones, layers, strict=True):
        picture = picture + tone * layer
    coords = weld_coordinates(section, view)
    exact = region_map(section, view)
    width = max(2.0, section.welds[0].spec.haz_nonbutting * view.px_per_mm)
    band = np.clip(1.2 - coords.distance / width, 0, 1) * (exact >= 2)
    tint = np.float32(rng.uniform(-25, 25))
    picture = picture + np.asarray(cv2.GaussianBlur(band.astype(np.float32), (0, 0), 1.5), np.float32) * tint
    seam = np.asarray(seam_map(section, view, width_px=2), np.float32) * (rng.random() < 0.7)
    picture = picture * (1 - 0.6 * cv2.GaussianBlur(seam, (0, 0), 0.7))
    texture = cv2.GaussianBlur(rng.standard_normal(picture.shape).astype(np.float32), (0, 0), 1.2) * 4.2 * noise
    picture = picture + texture * (exact > 0) * 0.7
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.6, 1.4)), np.float32)
    picture += (rng.standard_normal(picture.shape) * noise * 0.5).astype(np.float32)
    grey = np.clip(picture, 0, 255).astype(np.uint8)
    return Photo(np.repeat(grey[..., None], 3, axis=2), "made-up", "0" * 64)


def view_of(weld: WeldGeometry, rng: np.random.Generator, *, width: int, height: int, px_per_mm: float) -> View:
    polygon = np.vstack([weld.face, weld.fusion])
    size = float(np.ptp(polygon, axis=0).max())
    middle = (polygon.min(axis=0) + polygon.max(axis=0)) / 2 + rng.uniform(-0.25, 0.25, 2) * size
    centre: Point = (float(middle[0]), float(middle[1]))
    return make_view(
        px_per_mm=px_per_mm,
        width=width,
        height=height,
        centre_mm=centre,
        rotation_deg=float(rng.choice([rng.normal(0, 4), rng.uniform(0, 360)], p=[0.6, 0.4])),
        mirror=bool(rng.random() < 0.5),
    )


def make_case(
    seed: int,
    *,
    joint: SectionJoint = "tee",
    wild: float = 1.0,
    displacement: float = 1.2,
    contrast: float = 35.0,
    noise: float = 5.0,
    size: int = 448,
    width: int = 1400,
    height: int = 1050,
) -> Case:
    """One weld of a random section, its maps and a plain painting, deterministic by `seed`."""
    rng = np.random.default_rng(seed)
    spec = sample_spec(rng, wild=wild, joints=(joint,))
    section = build_section(spec)
    weld = section.welds[int(rng.integers(len(section.welds)))]
    leg = max(weld.spec.leg_nonbutting, weld.spec.leg_butting)
    px_per_mm = float(rng.uniform(0.28, 0.42) * height / leg)
    view = view_of(weld, rng, width=width, height=height, px_per_mm=px_per_mm)
    truth = truth_of(weld, view)
    to_photo = crop_affine(truth, rng, size)
    maps = make_maps(section, view, weld, to_photo, rng, size=size, displacement=displacement)
    photo = plain_painting(section, view, rng, contrast=contrast, noise=noise)
    return Case(section, view, weld, truth, maps, photo)
