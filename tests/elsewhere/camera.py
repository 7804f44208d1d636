"""What a camera, a scanner or years do to a picture: light, blur, stains, scratches, noise, compression."""

import cv2
import numpy as np

from macrocheck.arrays import ByteArray
from tests.elsewhere.ground import lay_fingers, throw_shadow
from tests.elsewhere.lens import reproduce
from tests.elsewhere.recipe import Recipe
from tests.elsewhere.scene import Scene
from tests.elsewhere.textures import Plane, clouds, scratches


def _vignette(rng: np.random.Generator, shape: tuple[int, int], strength: float) -> Plane:
    h, w = shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    cx, cy = w * rng.uniform(0.4, 0.6), h * rng.uniform(0.4, 0.6)
    r2 = ((x - cx) ** 2 + (y - cy) ** 2) / (0.25 * (h * h + w * w))
    return np.asarray(1 - np.float32(strength) * np.clip(r2, 0, 1.4), dtype=np.float32)


def _soft_far(rng: np.random.Generator, scene: Scene, image: Plane) -> Plane:
    """Out of focus away from the welds."""
    far = cv2.distanceTransform((scene.welds < 0.5).astype(np.uint8), cv2.DIST_L2, 5) / max(scene.shape)
    soft = cv2.GaussianBlur(image, (0, 0), rng.uniform(2, 5))
    share = np.clip((far - 0.08) * 5, 0, 1)[..., None].astype(np.float32)
    return np.asarray(image * (1 - share) + soft * share, dtype=np.float32)


def _stitched(rng: np.random.Generator, image: Plane) -> None:
    """Tiles of a little unlike brightness, each darker to its corners."""
    h, w = image.shape[:2]
    side = int(rng.uniform(0.3, 0.6) * max(h, w))
    for y in range(0, h, side):
        for x in range(0, w, side):
            tile = image[y : y + side, x : x + side]
            tile *= np.float32(1 + rng.normal(0, 0.012)) * _vignette(rng, tile.shape[:2], 0.06)[..., None]


def _stains(rng: np.random.Generator, scene: Scene, image: Plane, *, hard: bool) -> None:
    """Water marks, rust and etchant run over the metal."""
    top = 0.28 if hard else 0.16
    for _ in range(int(rng.integers(1, 4))):
        field = clouds(rng, scene.shape, rng.uniform(0.15, 0.5) * max(scene.shape), 4)
        level = rng.uniform(0.7, 1.6)
        spot = np.clip((field - level) * 3, 0, 1)
        ring = np.exp(-(((field - level) / 0.06) ** 2)) * (rng.random() < 0.5)
        kind = rng.random()
        colour = (1.25, 0.8, 0.5) if kind < 0.4 else (0.85, 0.9, 1.0) if kind < 0.7 else (0.9, 0.88, 0.8)
        wash = (spot * rng.uniform(0.3, 1.0) * top + ring * top * 0.6) * scene.solid
        image *= 1 - wash[..., None] * (1.5 - np.asarray(colour, np.float32))


def _glare(rng: np.random.Generator, scene: Scene, image: Plane, *, hard: bool) -> None:
    h, w = scene.shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    a = rng.uniform(0, np.pi)
    cx, cy = rng.uniform(0, w), rng.uniform(0, h)
    u = (x - cx) * np.cos(a) + (y - cy) * np.sin(a)
    v = (y - cy) * np.cos(a) - (x - cx) * np.sin(a)
    size = rng.uniform(0.1, 0.3) * max(h, w)
    light = np.exp(-((u / (2.2 * size)) ** 2) - (v / size) ** 2)
    image += (light * scene.solid * rng.uniform(15, 60 if hard else 40))[..., None].astype(np.float32)


def photograph(rng: np.random.Generator, scene: Scene, r: Recipe, image: Plane, *, hard: bool) -> Plane:
    """Return the picture as light falls on the sensor, (h, w, 3) float32; `develop` does the rest."""
    make = r.make
    outdoors = make in ("phone", "worn", "mirror")
    if outdoors or (make == "photo" and rng.random() < 0.4):
        throw_shadow(rng, scene, image)
    if make == "worn" or (hard and rng.random() < 0.3):
        _stains(rng, scene, image, hard=hard)
    if make in ("worn", "mirror") or (make != "drawn" and rng.random() < 0.25):
        count = int(rng.integers(3, 60 if hard else 30))
        angle = float(rng.uniform(0, np.pi)) if rng.random() < 0.7 else None
        lines = scratches(rng, scene.shape, count, angle, 1.0) * scene.solid
        image += (lines * rng.uniform(-1, 1) * (30 if hard else 20))[..., None]
    if make in ("phone", "mirror") or rng.random() < 0.12 + 0.2 * hard:
        _glare(rng, scene, image, hard=hard)
    if (make == "phone" and rng.random() < 0.5) or r.ground == "hand":
        lay_fingers(rng, scene, image)
    if make == "micro":
        image = _soft_far(rng, scene, image)
        if rng.random() < 0.5:
            _stitched(rng, image)
        image = image * _vignette(rng, scene.shape, rng.uniform(0.15, 0.5))[..., None]
    elif rng.random() < 0.4:
        image = image * _vignette(rng, scene.shape, rng.uniform(0.02, 0.2))[..., None]
    blur = rng.uniform(0.3, 0.7) if make == "drawn" else rng.uniform(0.5, 1.1) * (1.3 if hard else 1.0)
    image = cv2.GaussianBlur(image, (0, 0), blur * max(1.0, scene.view.width / 1800)).astype(np.float32)
    return reproduce(rng, image, r.way, hard=hard)


def develop(rng: np.random.Generator, r: Recipe, image: Plane, metal: Plane, *, hard: bool) -> ByteArray:
    """Exposure, colour, noise, sharpening and compression: (h, w, 3) uint8. `metal` (h, w): the section."""
    make = r.make
    exposure = 1.0
    if make in ("worn", "phone") and rng.random() < 0.5:
        exposure = rng.uniform(0.55, 1.35) if hard else rng.uniform(0.75, 1.2)
    gamma = rng.uniform(0.85, 1.2)
    out = 255 * np.power(np.clip(image * exposure, 0, 255) / 255, gamma)
    if make in ("phone", "worn"):
        cast = 1 + np.clip(rng.normal(0, 0.05, 3), -0.09, 0.09)
        out = out * cast.astype(np.float32)
    grey = (make in ("scan", "micro") and rng.random() < 0.8) or rng.random() < 0.2
    if grey:
        out = np.repeat((out @ np.array([0.3, 0.59, 0.11], np.float32))[..., None], 3, axis=2)
    if make == "scan":
        middle, steep = rng.uniform(90, 150), rng.uniform(0.8, 1.5 if not hard else 1.1)
        out = 127 + (out - middle) * steep
        low = float(np.quantile(out[metal > 0.5], 0.03))
        out = out + max(12 - low, 0)
        if rng.random() < 0.3:
            out = 255 - out
    bright = float(np.quantile(out[metal > 0.5], 0.97))
    out = out * min(1.0, (244 if hard else 236) / max(bright, 1.0))  # what is metal is not burned out
    sigma = rng.uniform(1, 5) * (1.8 if hard else 1.0)
    noise = rng.standard_normal((*out.shape[:2], 1 if grey else 3)).astype(np.float32)
    if make == "phone" and rng.random() < 0.6:  # coarse colour noise that a phone's smoothing leaves
        noise = 1.6 * cv2.GaussianBlur(noise, (0, 0), 0.8).reshape(noise.shape)
    out = out + sigma * noise
    if make in ("phone", "photo") and rng.random() < 0.5:
        soft = cv2.GaussianBlur(out.astype(np.float32), (0, 0), rng.uniform(1, 2.2))
        out = out + rng.uniform(0.4, 1.3) * (out - soft)
    eight = np.clip(np.round(out), 0, 255).astype(np.uint8)
    if make in ("phone", "scan", "worn") or rng.random() < 0.3:
        quality = int(rng.uniform(45, 75) if hard else rng.uniform(65, 95))
        _, data = cv2.imencode(".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        eight = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8)[..., ::-1]
    return np.ascontiguousarray(eight)
