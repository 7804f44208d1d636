"""What else is in the picture: a round mount, clamps, a second piece of metal, spatter; notes drawn over it."""

import cv2
import numpy as np

from tests.elsewhere.recipe import Recipe
from tests.elsewhere.scene import Scene
from tests.elsewhere.textures import Plane, clouds, grains, streaks


def _clear(scene: Scene, mm: float) -> Plane:
    """1 where nothing of the section lies within `mm`."""
    far = cv2.distanceTransform((scene.solid < 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    return (far > mm * scene.px).astype(np.float32)


def mount(rng: np.random.Generator, scene: Scene, image: Plane) -> None:
    """The round resin mount that the section was cast into: all outside it is another ground."""
    h, w = scene.shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    at = np.argwhere(scene.welds > 0.5).mean(axis=0)
    radius = rng.uniform(0.45, 0.75) * max(h, w)
    off = np.hypot(x - at[1] - rng.normal(0, 0.05) * w, y - at[0] - rng.normal(0, 0.05) * h) - radius
    outside = np.clip(off + 0.5, 0, 1)
    tone = np.float32(rng.choice([8.0, 60.0, 150.0, 245.0]))
    rim = np.exp(-np.abs(off) / np.float32(rng.uniform(2, 10))) * rng.uniform(-40, 60)
    beyond = np.full(3, tone, np.float32) + 4 * clouds(rng, scene.shape, 0.2 * w)[..., None]
    image += outside[..., None] * (beyond - image) + rim[..., None].astype(np.float32)


def clamp(rng: np.random.Generator, scene: Scene, image: Plane) -> None:
    """A jaw of bright or dark metal from one border, where the section leaves room."""
    h, w = scene.shape
    side, deep = int(rng.integers(4)), rng.uniform(0.05, 0.18)
    area = np.zeros(scene.shape, np.float32)
    y0, y1, x0, x1 = 0, h, 0, w
    if side == 0:
        y1 = int(deep * h)
    elif side == 1:
        y0 = int((1 - deep) * h)
    elif side == 2:
        x1 = int(deep * w)
    else:
        x0 = int((1 - deep) * w)
    area[y0:y1, x0:x1] = 1
    area *= 1 - scene.solid
    if rng.random() < 0.5:
        area *= _clear(scene, 0.3)
    tone = rng.uniform(40, 220) + 8 * streaks(rng, scene.shape, (side > 1) * np.pi / 2, 0.5 * w, 3)
    cover = cv2.GaussianBlur(area, (0, 0), 1.0) * (1 - scene.solid)
    image += cover[..., None] * (tone[..., None] - image)


def loose_piece(rng: np.random.Generator, scene: Scene, r: Recipe, image: Plane) -> None:
    """A second bit of metal of the plates' tone, anywhere off the section."""
    h, w = scene.shape
    room = np.argwhere(_clear(scene, 1.0)[:: max(h // 60, 1), :: max(w // 60, 1)] > 0.5)
    if len(room) == 0:
        return
    at = room[rng.integers(len(room))][::-1] * np.array([max(w // 60, 1), max(h // 60, 1)])
    count = int(rng.integers(3, 8))
    turn = np.sort(rng.uniform(0, 2 * np.pi, count))
    reach = rng.uniform(0.05, 0.2) * max(h, w) * rng.uniform(0.6, 1.2, count)
    ring = at + np.column_stack([np.cos(turn), np.sin(turn)]) * reach[:, None]
    one = np.zeros(scene.shape, np.uint8)
    cv2.fillPoly(one, [np.round(ring * 8).astype(np.int32)], 255, cv2.LINE_AA, 3)
    cover = one.astype(np.float32) / 255 * _clear(scene, 0.6)
    tone = r.plates[0] + 6 * grains(rng, scene.shape, 0.06 * scene.px)
    image += cover[..., None] * (tone[..., None] * np.asarray(r.tint, np.float32) - image)


def spatter(rng: np.random.Generator, scene: Scene, r: Recipe, image: Plane) -> None:
    """Droplets and dirt in the air beside the part."""
    h, w = scene.shape
    one = np.zeros(scene.shape, np.uint8)
    for _ in range(int(rng.integers(10, 120))):
        c = (int(rng.uniform(0, w)), int(rng.uniform(0, h)))
        cv2.circle(
            one, c, max(int(rng.exponential(0.08) * scene.px), 1), int(rng.uniform(90, 255)), -1, cv2.LINE_AA
        )
    cover = one.astype(np.float32) / 255 * _clear(scene, 0.15)
    image += cover[..., None] * (np.float32(rng.uniform(0.3, 1.2) * r.plates[0]) - image)


COLOURS = ((255, 40, 30), (255, 240, 0), (30, 220, 60), (255, 255, 255), (0, 0, 0), (60, 120, 255))


def notes(rng: np.random.Generator, scene: Scene, image: Plane) -> None:
    """Arrows, letters and thin measuring lines that somebody drew over the picture, mostly off the weld's edge."""
    h, w = scene.shape
    size = max(w, 600) / 1000
    at = np.argwhere(scene.welds > 0.5)
    low, high = at.min(axis=0)[::-1], at.max(axis=0)[::-1]
    for _ in range(int(rng.integers(1, 4))):
        colour = np.asarray(COLOURS[rng.integers(len(COLOURS))], np.float32)
        one = np.zeros((h, w), np.uint8)
        kind, thick = rng.integers(3), max(round(rng.uniform(1, 2.5) * size), 1)
        a = rng.uniform(0, 2 * np.pi)
        out = np.array([np.cos(a), np.sin(a)])
        tip = 0.5 * (low + high) + out * 0.62 * np.hypot(*(high - low))
        tail = tip + out * rng.uniform(60, 160) * size
        ends = [(int(p[0]), int(p[1])) for p in (tail, tip)]
        if kind == 0:
            cv2.arrowedLine(one, ends[0], ends[1], 255, thick, cv2.LINE_AA, tipLength=0.2)
            text = str(rng.choice(["toe", "HAZ", "a", "FZ", "root", "1", "z2"]))
            cv2.putText(one, text, ends[0], cv2.FONT_HERSHEY_SIMPLEX, 0.7 * size, 255, thick, cv2.LINE_AA)
        elif kind == 1:  # a measuring line beside the weld
            across = np.array([-out[1], out[0]]) * 0.4 * np.hypot(*(high - low))
            a0, a1 = (tuple(int(v) for v in tip + s * across) for s in (-1, 1))
            cv2.line(one, a0, a1, 255, thick, cv2.LINE_AA)
            label = f"{rng.uniform(3, 12):.1f}"
            cv2.putText(one, label, ends[0], cv2.FONT_HERSHEY_SIMPLEX, 0.6 * size, 255, thick, cv2.LINE_AA)
        else:
            where = (int(rng.uniform(0.03, 0.6) * w), int(rng.uniform(0.06, 0.97) * h))
            text = str(rng.choice(["Sample 4", "No. 12-B", "x10", "section B-B", "2% nital 20 s"]))
            cv2.putText(one, text, where, cv2.FONT_HERSHEY_DUPLEX, 0.8 * size, 255, thick, cv2.LINE_AA)
            if float((one * scene.welds).max()) > 0:
                continue
        image += (one.astype(np.float32) / 255)[..., None] * (colour - image)
