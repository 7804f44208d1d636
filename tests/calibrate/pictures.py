"""Pictures with one mark of known truth, drawn over clutter; fixed by seed."""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray, FloatArray
from macrocheck.render.marks import Colour, draw_bar, draw_disc, draw_ruler
from tests.calibrate.scenes import CLUTTER, backdrop, camera

BAR_COLOURS: tuple[Colour, ...] = ((255, 255, 255), (0, 0, 0), (220, 30, 30), (255, 255, 0))


@dataclass(frozen=True)
class Picture:
    """`length_px`: of the bar, or one pitch of the rule."""

    pixels: ByteArray
    length_px: float
    what: str


def blank(seed: int, width: int) -> ByteArray:
    """A picture without a mark."""
    rng = np.random.default_rng([1, seed])
    image = backdrop(9000 + seed, width, round(0.75 * width), CLUTTER[seed % len(CLUTTER)])
    return camera(
        image, seed=seed, blur=rng.uniform(0, 3), noise=rng.uniform(0, 6), quality=int(rng.integers(60, 97))
    )


def _direction(angle_deg: float) -> FloatArray:
    a = np.deg2rad(angle_deg)
    return np.array([np.cos(a), np.sin(a)])


def _along(image: AnyArray, start: FloatArray, end: FloatArray) -> FloatArray:
    at = start + (end - start) * np.linspace(0, 1, 15)[:, None]
    h, w = image.shape[:2]
    x, y = np.clip(at[:, 0], 0, w - 1).astype(int), np.clip(at[:, 1], 0, h - 1).astype(int)
    return np.asarray(image[y, x], dtype=np.float64)


def with_bar(seed: int, width: int) -> Picture:
    """A bar somewhere, often burned in level, in a colour that stands out from what it lies on."""
    rng = np.random.default_rng([2, seed])
    height = round(0.75 * width)
    image = backdrop(seed, width, height, CLUTTER[seed % len(CLUTTER)])
    length = width * rng.uniform(0.08, 0.35)
    ticked = rng.random() < 0.4
    thick = max(width * rng.uniform(0.0012, 0.003 if ticked else 0.008), 2.0)
    thick = min(thick, 0.12 * length)
    tick = min(max(thick * rng.uniform(3, 7), 8.0), 0.25 * length) if ticked else 0.0
    angle = float(rng.choice([0, 0, 0, 90, rng.uniform(-180, 180)]))
    along = _direction(angle)
    start = np.array([width, height]) / 2 - along * length / 2
    # three authors in four put it where the ground is evenest of a dozen places, one anywhere
    places = 12 if rng.random() < 0.75 else 1
    evenest = np.inf
    for _ in range(500):
        at = rng.uniform(0.05, 0.95, 2) * [width, height]
        end = at + along * length
        if not ((end > 0.04 * width).all() and end[0] < 0.96 * width and end[1] < 0.96 * height):
            continue
        uneven = float(_along(image, at, end).std(axis=0).mean())
        if uneven < evenest:
            start, evenest = at, uneven
        places -= 1
        if places <= 0:
            break
    ground = _along(image, start, start + along * length)
    strip: Colour | None = None
    # an author picks a colour that shows against everything under the bar
    shows = [c for c in BAR_COLOURS if np.sqrt(((ground - np.array(c)) ** 2).mean(axis=1)).min() > 60]
    colour = shows[int(rng.integers(len(shows)))] if shows else BAR_COLOURS[0]
    if rng.random() < 0.4 or not shows:
        strip = (0, 0, 0) if sum(colour) > 300 else (255, 255, 255)
    image, _ = draw_bar(
        image,
        start=(float(start[0]), float(start[1])),
        length_px=length,
        angle_deg=angle,
        thickness_px=thick,
        colour=colour,
        end_tick_px=tick,
        label="10 mm" if rng.random() < 0.6 else "",
        label_height_px=max(12.0, 0.012 * width),
        strip=strip,
    )
    blur = rng.uniform(0, 3)
    pixels = camera(image, seed=seed, blur=blur, noise=rng.uniform(0, 6), quality=int(rng.integers(60, 97)))
    return Picture(
        pixels, length, f"{CLUTTER[seed % len(CLUTTER)]} {length:.1f} px {angle:.0f} deg tick {tick:.0f}"
    )


EDGES: dict[float, tuple[tuple[int, float], ...]] = {
    0.5: ((1, 4.0), (2, 6.0), (10, 9.0)),
    25.4 / 16: ((1, 2.4), (2, 3.3), (4, 4.2), (8, 5.1), (16, 6.2)),
    25.4 / 32: ((1, 2.2), (2, 3.0), (4, 3.8), (8, 4.6), (16, 5.6), (32, 6.8)),
    25.4 / 64: ((1, 2.2), (2, 3.0), (4, 3.8), (8, 4.6), (16, 5.6), (32, 6.8), (64, 8.2)),
}
"""Pitch, mm -> (every so many ticks, their length in pitches); common practice, no source."""


def with_ruler(
    seed: int, width: int, low: float = 6.0, high: float = 60.0, pitch_mm: float = 1.0, *, whole: bool = False
) -> Picture:
    """A rule somewhere, 14 ticks or more in the picture, glare and covers included; `low` to `high` px per mm.

    `whole`: it lies across the whole picture. Its ticks are 5 px apart at least.
    """
    rng = np.random.default_rng([3, seed])
    height = round(0.75 * width)
    image = backdrop(seed, width, height, CLUTTER[seed % len(CLUTTER)])
    lowest = max(low * pitch_mm, width / 300, 5.0 if pitch_mm != 1.0 else 0.0)
    pitch = float(np.exp(rng.uniform(np.log(lowest), np.log(max(min(high * pitch_mm, width / 22), lowest)))))
    count = int(rng.integers(18, max(20, min(160, int(1.2 * width / pitch)))))
    if whole:
        count = int(0.8 * width / pitch)
    angle = float(rng.choice([0, 90, 180, -90, rng.uniform(-180, 180), rng.uniform(-180, 180)]))
    along = _direction(angle)
    across = np.array([-along[1], along[0]])
    seen = 0
    feet = np.zeros((count, 2))
    for _ in range(3000):
        start = rng.uniform(-0.3, 1.2, 2) * [width, height]
        feet = start + np.arange(count)[:, None] * pitch * along
        tips = feet + across * 6 * pitch
        inside = [(p > 2).all(axis=1) & (p < [width - 3, height - 3]).all(axis=1) for p in (feet, tips)]
        seen = int((inside[0] & inside[1]).sum())
        if seen >= (0.9 * count if whole else min(count, 14)):
            break
    dark = rng.random() < 0.7
    tone = rng.uniform(130, 235) if dark else rng.uniform(20, 110)
    body: Colour | None = (tone, tone, tone * rng.uniform(0.85, 1.05))
    if rng.random() < 0.25:
        body, dark = None, float(_along(image, feet[0], feet[-1]).mean()) > 110
    image, drawn = draw_ruler(
        image,
        origin=(float(feet[0, 0]), float(feet[0, 1])),
        pitch_px=pitch,
        count=count,
        angle_deg=angle,
        colour=(20, 20, 20) if dark else (240, 240, 240),
        body=body,
        glare=rng.uniform(0.3, 1) if rng.random() < 0.4 else 0.0,
        seed=seed,
        tick_thickness_px=max(pitch * rng.uniform(0.12, 0.22), 1.0),
        classes=EDGES.get(pitch_mm, ()),
        tick_lengths=((3, 4.5, 6), (3, 4.2, 5.5), (4, 5, 6.5))[int(rng.integers(0, 3))],
        placing=float(rng.choice([0, 0.005])),
        figure_first=int(rng.integers(0, 30)),
    )
    if rng.random() < 0.3 and seen > 25:
        x, y = drawn.points_px[int(rng.integers(2, len(drawn.points_px) - 2))]
        yy, xx = np.ogrid[:height, :width]
        image[np.hypot(xx - x, yy - y) < pitch * rng.uniform(2, 3.5)] = (90, 80, 70)
    blur = rng.uniform(0, min(3.0, 0.16 * pitch))
    pixels = camera(image, seed=seed, blur=blur, noise=rng.uniform(0, 6), quality=int(rng.integers(60, 97)))
    return Picture(
        pixels, pitch, f"{CLUTTER[seed % len(CLUTTER)]} pitch {pitch:.2f} px, {seen} ticks, {angle:.0f} deg"
    )


def with_disc(seed: int, width: int) -> Picture:
    """A coin or pin somewhere, on what shows it, now and then partly covered or over the picture's edge."""
    rng = np.random.default_rng([4, seed])
    height = round(0.75 * width)
    image = backdrop(seed, width, height, CLUTTER[seed % len(CLUTTER)])
    diameter = width * rng.uniform(0.09, 0.33)
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * (diameter / 2 + 4)
    over = rng.random() < 0.15
    room = 0.3 * diameter if over else 0.55 * diameter
    colour: Colour = (170.0, 150.0, 110.0)
    centre = np.array([width, height]) / 2
    for _ in range(500):
        centre = np.array([rng.uniform(room, width - room), rng.uniform(room, height - room)])
        tone = rng.uniform(20, 240)
        colour = (tone, tone * rng.uniform(0.75, 1.0), tone * rng.uniform(0.55, 1.0))
        on = centre + ring
        on = on[(on > 0).all(axis=1) & (on[:, 0] < width - 1) & (on[:, 1] < height - 1)]
        ground = np.array([image[int(y), int(x)].mean() for x, y in on])
        luma = 0.299 * colour[0] + 0.587 * colour[1] + 0.114 * colour[2]
        # somebody lays a coin where it shows
        if len(on) > 55 and np.quantile(np.abs(ground - luma), 0.2) > 25:
            break
    rim = tuple(float(np.clip(c + rng.uniform(-40, 40), 0, 255)) for c in colour)
    image, drawn = draw_disc(
        image,
        centre=(float(centre[0]), float(centre[1])),
        diameter_px=diameter,
        colour=colour,
        rim=(rim[0], rim[1], rim[2]) if rng.random() < 0.4 else None,
        rim_px=0.04 * diameter,
        relief=float(rng.choice([0.0, rng.uniform(4, 18)])),
        seed=seed,
    )
    covered = rng.random() < 0.25
    if covered:
        x, y = drawn.points_px[int(rng.integers(len(drawn.points_px)))]
        # a strip of plate lies over it
        away = np.array([x, y]) - centre
        away /= np.hypot(*away)
        wide = diameter * rng.uniform(0.1, 0.28)
        sides = np.array([-away[1], away[0]]) * wide
        start, stop = np.array([x, y]) - away * wide, np.array([x, y]) + away * diameter
        strip = np.array([start - sides, start + sides, stop + 1.4 * sides, stop - 1.4 * sides])
        cv2.fillPoly(image, [np.rint(strip).astype(np.int32)], (float(rng.uniform(40, 200)),) * 3)
    pixels = camera(
        image, seed=seed, blur=rng.uniform(0, 3), noise=rng.uniform(0, 6), quality=int(rng.integers(60, 97))
    )
    what = f"{CLUTTER[seed % len(CLUTTER)]} {diameter:.1f} px at {centre.round()}"
    return Picture(pixels, diameter, what + (" over the edge" if over else "") + (" covered" if covered else ""))
