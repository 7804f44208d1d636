"""What lies on etched metal besides the weld and misleads an eye: bands, cores, indents, stamps, pen, cracks."""

import cv2
import numpy as np

from macrocheck.arrays import FloatArray
from tests.elsewhere.recipe import Recipe
from tests.elsewhere.scene import Scene
from tests.elsewhere.textures import Plane, clouds, streaks


def weld_core(rng: np.random.Generator, scene: Scene, k: int, strength: float) -> Plane:
    """A tone step inside the weld: its middle froze last and etches otherwise; its edge is no fusion boundary."""
    inner = cv2.distanceTransform((scene.metal[k] > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    deep = max(float(inner.max()), 1.0)
    level = rng.uniform(0.25, 0.5) * deep * (1 + 0.15 * clouds(rng, scene.shape, 1.2 * scene.px, 2))
    soft = rng.uniform(0.02, 0.12) * deep
    return np.asarray(np.clip((inner - level) / soft, 0, 1) * strength, dtype=np.float32)


def bands(rng: np.random.Generator, scene: Scene, k: int, strength: float) -> Plane:
    """Crescents parallel to the fusion boundary inside the weld, where the pool stood still."""
    pitch = rng.uniform(0.25, 0.7) * scene.px
    wave = np.sin(
        scene.off_fusion * np.float32(2 * np.pi / pitch) + 1.5 * clouds(rng, scene.shape, 2 * scene.px, 2)
    )
    fade = np.exp(-scene.off_fusion / np.float32(rng.uniform(1, 3) * scene.px))
    return np.asarray(strength * np.clip(wave * 2 - 0.8, 0, 1) * fade * scene.metal[k], dtype=np.float32)


def segregation(rng: np.random.Generator, scene: Scene, k: int, angle: float) -> Plane:
    """A few strong lines along a rolled plate, most at its middle."""
    lines = streaks(rng, scene.shape, angle, 60 * scene.px, 0.25 * scene.px)
    return np.asarray(-rng.uniform(6, 16) * np.clip(lines - 1.1, 0, 1.5) * scene.members[k], dtype=np.float32)


def _spots(rng: np.random.Generator, cover: Plane, clear_px: float) -> FloatArray | None:
    """A place (x, y) px on a region, off its edge; None where there is no room."""
    inside = cv2.distanceTransform((cover > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    y, x = np.nonzero(inside > clear_px)
    if len(x) == 0:
        return None
    k = int(rng.integers(len(x)))
    return np.array([x[k], y[k]], dtype=np.float64)


def indents(rng: np.random.Generator, scene: Scene, image: Plane) -> None:
    """A row of small dark diamonds across weld, zone and plate, as a hardness test leaves them."""
    at = _spots(rng, scene.solid, 0.4 * scene.px)
    if at is None:
        return
    a, side = rng.uniform(0, 2 * np.pi), rng.uniform(0.06, 0.2) * scene.px
    step = rng.uniform(0.6, 1.2) * scene.px
    mark = np.zeros(scene.shape, np.uint8)
    for n in range(int(rng.integers(5, 16))):
        c = at + n * step * np.array([np.cos(a), np.sin(a)])
        diamond = c + np.array([[side, 0], [0, side], [-side, 0], [0, -side]])
        cv2.fillPoly(mark, [np.round(diamond * 8).astype(np.int32)], 255, cv2.LINE_AA, 3)
    cover = mark.astype(np.float32) / 255 * scene.solid
    image *= 1 - 0.7 * cover[..., None]


def stamp(rng: np.random.Generator, scene: Scene, image: Plane) -> None:
    """Letters struck or penned on a plate."""
    cover = scene.members[int(rng.integers(2))] * (1 - scene.welds)
    at = _spots(rng, cover, 1.5 * scene.px)
    if at is None:
        return
    text = str(rng.choice(["7", "A3", "B12", "4-2", "K", "S2 19", "X", "03"]))
    mark = np.zeros(scene.shape, np.uint8)
    size, thick = rng.uniform(0.05, 0.12) * scene.px, max(int(rng.uniform(0.1, 0.3) * scene.px), 1)
    where = (int(at[0] - 0.8 * scene.px), int(at[1] + 0.8 * scene.px))
    cv2.putText(mark, text, where, cv2.FONT_HERSHEY_SIMPLEX, size, 255, thick, cv2.LINE_AA)
    ink = np.array([[20, 20, 30], [30, 40, 140], [150, 30, 30], [240, 240, 240]], np.float32)[rng.integers(4)]
    share = mark.astype(np.float32) / 255 * cover * 0.8
    image += share[..., None] * (ink - image)


def crack(rng: np.random.Generator, scene: Scene, image: Plane, k: int) -> None:
    """A thin dark crooked line within the weld."""
    at = _spots(rng, scene.metal[k], 0.25 * scene.px)
    if at is None:
        return
    a, line = rng.uniform(0, 2 * np.pi), [at]
    for _ in range(int(rng.integers(8, 40))):
        a += rng.normal(0, 0.35)
        line.append(line[-1] + 0.06 * scene.px * np.array([np.cos(a), np.sin(a)]))
    mark = np.zeros(scene.shape, np.uint8)
    pts = np.round(np.asarray(line) * 8).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(mark, [pts], False, 255, max(int(0.03 * scene.px), 1), cv2.LINE_AA, 3)
    image *= 1 - 0.75 * (mark.astype(np.float32) / 255 * scene.metal[k])[..., None]


def skin_layer(rng: np.random.Generator, scene: Scene, r: Recipe, image: Plane) -> None:
    """Mill scale or a decarburised skin: a thin layer along the plates' surfaces, none on the weld."""
    air = cv2.distanceTransform((scene.solid > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    away = cv2.distanceTransform((scene.welds < 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    thick = rng.uniform(0.05, 0.3) * scene.px
    layer = np.clip(1.5 - air / thick, 0, 1) * scene.solid * np.clip(away / (0.3 * scene.px) - 0.3, 0, 1)
    tone = rng.choice([-1, 1]) * rng.uniform(12, 40)
    uneven = np.clip(0.8 + 0.3 * clouds(rng, scene.shape, scene.px, 2), 0, 1.2)
    image += (layer * uneven * tone)[..., None].astype(np.float32)
    np.clip(image, 2, 255, out=image)
    r.rim = 0.0


def partial_etch(rng: np.random.Generator, scene: Scene, strength: float) -> Plane:
    """How much (1 to 1 - strength) of the weld's contrast the etch has brought out, from place to place."""
    field = clouds(rng, scene.shape, 0.5 * np.sqrt(max(float(scene.welds.sum()), 1.0)) * 2, 2)
    return np.asarray(1 - strength * np.clip(0.5 + 0.6 * field, 0, 1), dtype=np.float32)
