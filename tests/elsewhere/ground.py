"""What a section lies on: dark or light, resin, cloth, bench, paper, a hand."""

import cv2
import numpy as np

from tests.elsewhere.recipe import Recipe
from tests.elsewhere.scene import Scene
from tests.elsewhere.textures import Plane, cells, clouds, streaks


def lay_ground(rng: np.random.Generator, scene: Scene, r: Recipe) -> Plane:
    """Return the ground, (h, w, 3) float32."""
    tone = np.full(scene.shape, r.ground_tone, np.float32)
    colour = np.ones(3)
    long = float(max(scene.shape))
    if r.ground == "black":
        tone += np.float32(rng.uniform(0, 3)) * clouds(rng, scene.shape, 5, 2)
        dust = rng.random(scene.shape) < rng.uniform(0, 4e-4)
        tone += 60 * cv2.GaussianBlur(dust.astype(np.float32), (0, 0), 0.8)
    elif r.ground == "resin":
        tone += np.float32(rng.uniform(2, 7)) * clouds(rng, scene.shape, long / 3) + 3 * clouds(
            rng, scene.shape, 8, 2
        )
        colour = 1 + rng.normal(0, 0.12, 3)
    elif r.ground == "cloth":
        pitch, a = rng.uniform(4, 14), rng.uniform(0, 3.1)
        y, x = np.mgrid[0 : scene.shape[0], 0 : scene.shape[1]].astype(np.float32)
        u, v = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
        weave = np.sin(2 * np.pi * u / pitch) * np.sin(2 * np.pi * v / pitch)
        tone += np.float32(rng.uniform(3, 10)) * weave.astype(np.float32) + 6 * clouds(
            rng, scene.shape, long / 5, 3
        )
        colour = 1 + rng.normal(0, 0.2, 3)
    elif r.ground == "bench":
        tone += 8 * streaks(rng, scene.shape, rng.uniform(0, 3.1), long, rng.uniform(3, 12))
        tone += 5 * clouds(rng, scene.shape, long / 6)
        colour = np.array([1.18, 1.0, 0.78]) if rng.random() < 0.6 else 1 + rng.normal(0, 0.08, 3)
    elif r.ground == "paper":
        tone += 1.5 * clouds(rng, scene.shape, 4, 2) + 4 * clouds(rng, scene.shape, long / 2, 2)
        if rng.random() < 0.5:
            step = int(rng.uniform(0.02, 0.05) * long)
            tone[:: max(step, 8)] -= 45
            if rng.random() < 0.5:
                tone[:, :: max(step, 8)] -= 45
    elif r.ground == "hand":
        tone += 5 * cells(rng, scene.shape, long / 60) + 6 * clouds(rng, scene.shape, long / 3)
        colour = np.array([1.25, 0.95, 0.85]) if rng.random() < 0.5 else np.array([0.75, 0.9, 1.3])
    elif r.ground == "colour":
        colour = 1 + rng.uniform(-0.4, 0.4, 3)
    elif r.ground in ("grey", "bright"):
        tone += np.float32(rng.uniform(0, 4)) * clouds(rng, scene.shape, long / 2, 3)
    return np.asarray(tone[..., None] * colour.astype(np.float32), dtype=np.float32)


def throw_shadow(rng: np.random.Generator, scene: Scene, image: Plane) -> None:
    """Darken the ground beside the part, as a lamp from one side does."""
    shift = rng.normal(0, 0.012, 2) * max(scene.shape)
    soft = max(float(np.hypot(*shift)), 3.0)
    moved = cv2.warpAffine(
        scene.solid,
        np.array([[1, 0, shift[0]], [0, 1, shift[1]]], np.float32),
        scene.shape[::-1],
        borderMode=cv2.BORDER_REPLICATE,
    )
    dark = cv2.GaussianBlur(moved, (0, 0), soft) * (1 - scene.solid) * np.float32(rng.uniform(0.25, 0.6))
    image *= (1 - dark)[..., None]


def lay_fingers(rng: np.random.Generator, scene: Scene, image: Plane) -> None:
    """Lay one or two fingertips, gloved or bare, over a border of the picture, well off the welds."""
    h, w = scene.shape
    far = cv2.distanceTransform((scene.welds < 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    colours = np.array([[205, 160, 135], [60, 90, 190], [30, 30, 34], [235, 235, 230], [150, 105, 80]], np.float32)
    colour = colours[rng.integers(len(colours))]
    for _ in range(int(rng.integers(1, 3))):
        side = int(rng.integers(4))
        t = rng.uniform(0.1, 0.9)
        foot = np.array([(t * w, 0), (t * w, h), (0, t * h), (w, t * h)][side])
        inward = np.array([(0, 1), (0, -1), (1, 0), (-1, 0)][side], float) + rng.normal(0, 0.3, 2)
        length, thick = rng.uniform(0.06, 0.16) * max(h, w), int(rng.uniform(0.05, 0.1) * max(h, w))
        tip = foot + inward * length
        one = np.zeros((h, w), np.uint8)
        ends = [tuple(int(v) for v in p) for p in (foot - 2 * thick * inward, tip)]
        cv2.line(one, ends[0], ends[1], 255, 2 * thick)
        if far[one > 0].min(initial=1e9) < 0.05 * max(h, w):
            continue
        inside = cv2.distanceTransform(one, cv2.DIST_L2, 5) / thick
        round_light = np.sqrt(np.clip(1 - (1 - inside) ** 2, 0, 1)) * 0.55 + 0.45
        skin = colour * (round_light + 0.02 * clouds(rng, (h, w), 6, 2))[..., None]
        cover = cv2.GaussianBlur(one.astype(np.float32) / 255, (0, 0), 1.5)[..., None]
        image += cover * (skin - image)
