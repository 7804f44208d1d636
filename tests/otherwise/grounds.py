"""What the section lies on and in: bench, cloth, paper, velvet, resin, a clamp, a microscope's dark field."""

import cv2
import numpy as np

from macrocheck.arrays import FloatArray
from tests.otherwise.raster import Plane, View, clouds, cover, stripes
from tests.otherwise.section import Section

GROUNDS = ("wood", "cloth", "paper", "squared", "velvet", "resin", "resin", "clamp", "scan", "micro", "stone")
TONES = {
    "wood": (90, 175),
    "cloth": (40, 190),
    "paper": (205, 245),
    "squared": (205, 240),
    "velvet": (4, 22),
    "resin": (15, 215),
    "clamp": (50, 130),
    "scan": (2, 254),
    "micro": (4, 60),
    "stone": (80, 160),
}


def ground_tone(rng: np.random.Generator, kind: str, tones: tuple[float, ...], apart: float) -> float:
    """Return a tone of this ground that is `apart` grey levels from every one of `tones`."""
    low, high = TONES[kind]
    for _ in range(60):
        tone = float(rng.choice([3.0, 250.0]) if kind == "scan" else rng.uniform(low, high))
        if all(abs(tone - t) >= apart for t in tones):
            return tone
    free = [t for t in range(4, 253, 3) if all(abs(t - other) >= apart for other in tones)]
    if free:
        return float(min(free, key=lambda t: abs(t - (low + high) / 2)))
    return 4.0 if min(tones) > 255 - max(tones) else 252.0


def _coloured(grey: Plane, colour: FloatArray) -> FloatArray:
    return np.asarray(grey[..., None] * colour, dtype=np.float64)


def paint_ground(rng: np.random.Generator, view: View, section: Section, kind: str, tone: float) -> FloatArray:
    """Return the ground (h, w, 3), of about this tone where the section lies."""
    h, w, mm = view.height, view.width, 1 / view.mm_per_px
    plain = np.full((h, w), tone, np.float32)
    if kind == "wood":
        return _wood(rng, h, w, mm, tone)
    if kind == "cloth":
        return _cloth(rng, h, w, mm, tone)
    if kind in ("paper", "squared"):
        grey = plain + 1.5 * clouds(rng, h, w, 0.6 * mm)
        got = _coloured(grey, np.array([1.0, 0.99, 0.97]))
        return _squares(rng, got, mm) if kind == "squared" else got
    if kind == "resin":
        return _resin(rng, view, section, tone)
    if kind == "clamp":
        return _clamp(rng, view, section, plain)
    if kind == "velvet":
        dust = (clouds(rng, h, w, 2.0, 1) > 3.1).astype(np.float32)
        return _coloured(
            plain + 2 * clouds(rng, h, w, 2.5, 2) + 90 * cv2.GaussianBlur(dust, (0, 0), 0.7), np.ones(3)
        )
    if kind == "stone":
        return _coloured(
            plain + 7 * clouds(rng, h, w, 0.8 * mm) + 4 * clouds(rng, h, w, 12 * mm), np.array([0.98, 1, 1.02])
        )
    return _coloured(plain + (1.5 if kind == "micro" else 0.5) * clouds(rng, h, w, 8, 2), np.ones(3))


def _wood(rng: np.random.Generator, h: int, w: int, mm: float, tone: float) -> FloatArray:
    angle = float(rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.1))
    ys, xs = np.mgrid[0:h, 0:w].astype(np.float32) / np.float32(mm)
    across = -np.sin(angle) * xs + np.cos(angle) * ys + 0.8 * clouds(rng, h, w, 40 * mm, 2)
    rings = np.abs((across / float(rng.uniform(3, 7))) % 1 - 0.5) * 2
    grey = tone + 9 * (rings**2 - 0.4) + 4 * stripes(rng, h, w, max(0.2 * mm, 1.5), angle, 40)
    return _coloured(np.asarray(grey, np.float32), np.array([1.12, 1.0, 0.8]))


def _cloth(rng: np.random.Generator, h: int, w: int, mm: float, tone: float) -> FloatArray:
    pitch = float(rng.uniform(0.35, 0.9)) * mm
    angle = rng.uniform(0, np.pi)
    ys, xs = np.mgrid[0:h, 0:w].astype(np.float32)
    xs, ys = xs + 0.4 * pitch * clouds(rng, h, w, 15 * mm, 2), ys + 0.4 * pitch * clouds(rng, h, w, 15 * mm, 2)
    u, v = (np.cos(angle) * xs + np.sin(angle) * ys) / pitch, (-np.sin(angle) * xs + np.cos(angle) * ys) / pitch
    weave = np.abs(np.sin(np.pi * u)) * ((np.floor(u) + np.floor(v)) % 2) + np.abs(np.sin(np.pi * v)) * (
        (np.floor(u) + np.floor(v) + 1) % 2
    )
    grey = tone * (1 + 0.12 * (weave - 0.6)) + 0.05 * tone * clouds(rng, h, w, 25 * mm, 2)
    return _coloured(np.asarray(grey, np.float32), 1 + rng.normal(0, 0.08, 3))


def _squares(rng: np.random.Generator, image: FloatArray, mm: float) -> FloatArray:
    """Squared paper: 5 mm squares as printed, seldom true to the millimetre."""
    h, w = image.shape[:2]
    step, turn = float(rng.uniform(4.7, 5.3)) * mm, float(rng.normal(0, 0.03))
    ys, xs = np.mgrid[0:h, 0:w]
    for along in (np.cos(turn) * xs + np.sin(turn) * ys, -np.sin(turn) * xs + np.cos(turn) * ys):
        line = np.clip(0.5 + max(0.12 * mm, 1.0) / 2 - np.abs((along / step) % 1 - 0.5) * step, 0, 1)
        image = image * (1 - 0.25 * line[..., None] * np.array([1.0, 0.7, 0.4]))
    return image


def _middle(section: Section) -> FloatArray:
    x0, y0, x1, y1 = np.array([m.bounds for m in section.members if not m.is_empty]).T
    return np.array([(x0.min() + x1.max()) / 2, (y0.min() + y1.max()) / 2])


def _resin(rng: np.random.Generator, view: View, section: Section, tone: float) -> FloatArray:
    """A disc of resin round all of the section, on a bench."""
    corners = np.vstack([np.asarray(m.exterior.coords) for m in section.members])
    middle = _middle(section)
    radius = float(np.hypot(*(corners - middle).T).max()) * float(rng.uniform(1.08, 1.3)) / view.mm_per_px
    at = view.to_px(middle[None])[0]
    a = np.linspace(0, 2 * np.pi, 500, endpoint=False)
    disc = cover([at + radius * np.column_stack([np.cos(a), np.sin(a)])], view.height, view.width)
    h, w = view.height, view.width
    bench = float(np.clip(tone + rng.choice([-1, 1]) * rng.uniform(40, 110), 10, 245))
    outside = _coloured(bench + 3 * clouds(rng, h, w, 60), 1 + rng.normal(0, 0.03, 3))
    colour = 1 + np.array([0.16, 0.02, -0.2]) * rng.uniform(-0.4, 1) * (0.1 if tone > 200 else 1)
    inside = _coloured(tone + 1.5 * clouds(rng, h, w, 12) + 3 * clouds(rng, h, w, 300, 2), colour)
    ys, xs = np.mgrid[0:h, 0:w]
    rim = np.exp(-(((np.hypot(xs - at[0], ys - at[1]) - radius) / max(0.004 * radius, 1.5)) ** 2))
    return np.asarray(outside + disc[..., None] * (inside - outside) + rng.uniform(-40, 50) * rim[..., None])


def _clamp(rng: np.random.Generator, view: View, section: Section, plain: Plane) -> FloatArray:
    """Steel jaws that hold the nonbutting member by its ends; they reach to the picture's edge."""
    h, w = plain.shape
    image = _coloured(plain + 2 * clouds(rng, h, w, 40), 1 + rng.normal(0, 0.03, 3))
    x0, y0, x1, y1 = section.members[1].bounds
    tone = float(np.clip(plain[0, 0] + rng.choice([-1, 1]) * rng.uniform(30, 60), 20, 235))
    for x, way in ((x0, -1.0), (x1, 1.0)):
        low, high = y0 - rng.uniform(0, 6), y0 + (y1 - y0) * rng.uniform(0.3, 0.8)
        jaw = np.array([[x, low], [x, high], [x + way * 80, high + 3], [x + way * 80, low - 3]])
        over = cover([view.to_px(jaw)], h, w)
        steel = np.float32(tone) + np.float32(6) * stripes(rng, h, w, 3.0, float(rng.uniform(0, 3)), 40)
        image = image + over[..., None] * (steel[..., None] - image)
    return image
