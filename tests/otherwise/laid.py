"""Marks laid into the section's plane beside it, before the camera: a rule with 1 mm ticks, a flat disc."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import FloatArray
from tests.otherwise.lettering import write
from tests.otherwise.raster import clouds, cover, stripes


@dataclass(frozen=True)
class Laid:
    """A mark to lay down: rule or disc, the mm it takes, the rule's visible part or the diameter, mm."""

    kind: str
    size: tuple[float, float]
    length: float
    text: str


DISCS = (23.25, 24.26, 19.05, 10.0, 12.0, 15.0, 20.0, 18.75, 16.25, 8.0)


def draw_laid(rng: np.random.Generator, span: float) -> Laid:
    """Draw what is laid beside a section `span` mm long."""
    if rng.random() < 0.55:
        length = float(np.clip(span * rng.uniform(0.6, 1.6), 12, 160))
        return Laid("rule", (length, float(rng.uniform(7.5, 22))), length, "ruler:1mm")
    small = [d for d in DISCS if d < 1.1 * span] or [8.0]
    d = float(rng.choice(small))
    return Laid("disc", (d, d), d, f"disc:{d:g}mm")


def lay_rule(
    rng: np.random.Generator, image: FloatArray, laid: Laid, at: FloatArray, way: FloatArray, mm: float
) -> FloatArray:
    """Lay the rule with its divided edge's middle at px `at`, running along `way`; `mm`: px to a millimetre."""
    h, w = image.shape[:2]
    across = np.array([-way[1], way[0]])
    width, half = float(laid.size[1]), laid.length / 2

    def box(x0: float, x1: float, y0: float, y1: float) -> FloatArray:
        return np.asarray(
            at + mm * (np.array([[x0], [x1], [x1], [x0]]) * way + np.array([[y0], [y0], [y1], [y1]]) * across)
        )

    steel = rng.random() < 0.6
    tone = float(rng.uniform(150, 215) if steel else rng.choice([245.0, 230.0, 190.0]))
    colour = np.ones(3) if steel or rng.random() < 0.5 else np.array([1.02, 0.92, 0.45])
    angle = float(np.arctan2(way[1], way[0]))
    body = np.full((h, w), tone, np.float32)
    body = body + (6 * stripes(rng, h, w, 2.0, angle, 80) + 8 * clouds(rng, h, w, 30 * mm, 1) if steel else 0)
    shape = cover([box(-half, half, 0, width)], h, w)
    shadow = cv2.GaussianBlur(np.roll(shape, (int(0.3 * mm), int(0.2 * mm)), (0, 1)), (0, 0), 0.4 * mm)
    image = image * (1 - 0.35 * np.maximum(shadow - shape, 0)[..., None])
    image = image + shape[..., None] * (body[..., None] * colour - image)
    ink = float(rng.uniform(10, 60))
    thick = float(rng.uniform(0.09, 0.2))
    lengths = np.array([2.5, 3.6, 4.8]) * float(rng.uniform(0.7, 1.15))
    first = int(rng.integers(0, 20))
    start = -half + float(rng.uniform(0.3, 1.2))
    count = int(2 * half - 2)
    inset = float(rng.choice([0.0, 0.0, 0.5]))
    rings = []
    in_cm = rng.random() < 0.7
    for k in range(count + 1):
        n = first + k
        long = lengths[2 if n % 10 == 0 else 1 if n % 5 == 0 else 0]
        x = start + k
        rings.append(box(x - thick / 2, x + thick / 2, inset, inset + long))
        if n % 10 == 0:
            figure = str(n // 10) if in_cm else str(n)
            image = write(
                image, figure, at + mm * ((x + 0.3) * way + (lengths[2] + 1.6) * across), 2.2 * mm, angle, ink
            )
    if width > 15 and rng.random() < 0.6:  # the other edge: half millimetres or sixteenths of an inch
        inch = rng.random() < 0.5
        pitch = 25.4 / 16 if inch else 0.5
        for k in range(int((2 * half - 2) / pitch)):
            x = -half + 0.7 + k * pitch
            long = lengths[2 if k % 10 == 0 else 1 if k % 2 == 0 else 0] * 0.8
            if inch:  # halved again and again: inches, halves, quarters, eighths, sixteenths
                long = lengths[2] * (1.0, 0.8, 0.62, 0.48, 0.36)[[k % n == 0 for n in (16, 8, 4, 2, 1)].index(True)]
            rings.append(box(x - thick / 2.5, x + thick / 2.5, width - long, width))
    return np.asarray(image + (cover(rings, h, w) * shape)[..., None] * (ink - image))


def lay_disc(
    rng: np.random.Generator, image: FloatArray, laid: Laid, at: FloatArray, mm: float, apart: float
) -> FloatArray:
    """Lay the disc with its middle at px `at`, `apart` grey levels off what lies about it."""
    h, w = image.shape[:2]
    radius = laid.length / 2 * mm
    a = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    ring = np.column_stack([np.cos(a), np.sin(a)])
    shape = cover([at + radius * ring], h, w)
    ys, xs = np.mgrid[0:h, 0:w]
    r = np.hypot(xs - at[0], ys - at[1]) / radius
    about = float(np.median(image.mean(axis=2)[(r > 1.0) & (r < 1.2)]))
    tones = [t for t in rng.uniform(60, 225, 40) if abs(t - about) >= apart]
    tone = float(tones[0]) if tones else (about + apart if about < 128 else about - apart)
    colour = 1 + np.array([1.0, 0.4, -1.4]) * float(rng.uniform(0, 0.2))
    face = np.full((h, w), tone, np.float32) + 3 * clouds(rng, h, w, 0.25 * radius)
    kind = str(rng.choice(["blank", "struck", "two"]))
    light = (xs - at[0]) * np.cos(a[90]) + (ys - at[1]) * np.sin(a[90])
    if kind != "blank":
        edge = float(rng.uniform(0.86, 0.93))
        face = face + 18 * np.sign(light) * np.exp(-(((r - edge) / 0.012) ** 2))
        relief = clouds(rng, h, w, 0.3 * radius, 3)
        lit = cv2.Sobel(relief, cv2.CV_32F, 1, 1, ksize=3)
        face = face + 12 * lit / max(float(lit.std()), 1e-6) * (r < edge - 0.06)
    inner = (r < 0.72)[..., None] if kind == "two" else np.zeros((h, w, 1), bool)
    picture = face[..., None] * np.where(inner, 1.0, colour)
    shadow = cv2.GaussianBlur(np.roll(shape, (int(0.25 * mm), int(0.2 * mm)), (0, 1)), (0, 0), 0.3 * mm)
    if rng.random() < 0.4:
        image = image * (1 - 0.3 * np.maximum(shadow - shape, 0)[..., None])
    return np.asarray(image + shape[..., None] * (picture - image))
