"""Bars of every make that software draws, laid into rendered photographs and clutter of any size; fixed by seed.

Thin or thick, with or without end ticks, plain, outlined or with a shadow, on a box, on a caption's strip or
straight over the picture, the label on any side, sharp to the pixel or anti-aliased, now and then at the border.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, FloatArray
from macrocheck.render.marks import Colour, draw_bar
from macrocheck.render.photo import render_photo
from tests.calibrate.pictures import Picture
from tests.calibrate.scenes import CLUTTER, backdrop, camera

INKS: tuple[Colour, ...] = (
    (255, 255, 255),
    (0, 0, 0),
    (255, 235, 0),
    (230, 20, 20),
    (0, 230, 230),
    (225, 225, 225),
    (35, 35, 35),
)
FONTS = (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_PLAIN)
SHOWS = 55.0
"""Least difference of ink from what is under nine tenths of a bar, grey levels: an author sees it."""


@dataclass(frozen=True)
class _Make:
    """How one bar is drawn; lengths in px."""

    length: float
    thick: float
    tick: float
    ink: Colour
    edging: Colour | None
    edge: float
    shadow: float
    upright: bool
    side: int = 0

    def on(self, image: AnyArray, at: FloatArray) -> AnyArray:
        """Draw it with its first end at `at`, edging or shadow first."""
        if self.edging is not None:
            image = self._one(image, at + self.shadow, self.edging, self.edge)
        return self._one(image, at, self.ink, 0.0)

    def _one(self, image: AnyArray, at: FloatArray, colour: Colour, more: float) -> AnyArray:
        past = 0.0 if self.tick else more
        start = at - past * (np.array([0.0, 1.0]) if self.upright else np.array([1.0, 0.0]))
        return draw_bar(
            image,
            start=(float(start[0]), float(start[1])),
            length_px=self.length + 2 * past,
            angle_deg=90.0 if self.upright else 0.0,
            thickness_px=self.thick + 2 * more,
            colour=colour,
            end_tick_px=self.tick + 2 * more if self.tick else 0.0,
            tick_thickness_px=self.thick + 2 * more,
            tick_side=self.side,
        )[0]


def _ground(seed: int, rng: np.random.Generator) -> tuple[AnyArray, float]:
    """A picture and its px per mm."""
    if rng.random() < 0.6:
        photo = render_photo(seed, "hard")
        image, ppm = photo.rgb, 1 / photo.mm_per_px
        if image.shape[1] < 600:
            times = rng.uniform(600, 1100) / image.shape[1]
            image = np.asarray(cv2.resize(image, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC))
            ppm *= times
        return image, ppm
    width = round(float(np.exp(rng.uniform(np.log(600), np.log(4000)))))
    scene = backdrop(seed, width, round(0.75 * width), CLUTTER[seed % len(CLUTTER)])
    return np.rint(scene).astype(np.uint8), width / rng.uniform(12, 60)


def _size(text: str, font: int, height: float) -> tuple[int, int, float, int]:
    """Width, height, font scale and line thickness of a text `height` px tall."""
    scale = height / cv2.getTextSize("8", font, 1.0, 1)[0][1]
    line = max(round(height / 9), 1)
    (w, h), _ = cv2.getTextSize(text, font, scale, line)
    return w, h, scale, line


def _write(
    image: AnyArray, text: str, at: FloatArray, font: int, height: float, ink: Colour, edging: Colour | None
) -> None:
    """Write with the lower left corner of the text at `at`."""
    _, _, scale, line = _size(text, font, height)
    where = (round(float(at[0])), round(float(at[1])))
    if edging is not None:
        cv2.putText(image, text, where, font, scale, edging, line + 3, cv2.LINE_AA)
    cv2.putText(image, text, where, font, scale, ink, line, cv2.LINE_AA)


def _length(rng: np.random.Generator, ppm: float, width: int) -> tuple[float, float]:
    """Length in mm and px of a bar that an author picks for a picture: a round one, not too short nor too long."""
    fits = [mm for mm in (1, 2, 3, 5, 10, 20) if max(50.0, 0.075 * width) < mm * ppm < 0.42 * width]
    if fits:
        mm = float(fits[int(rng.integers(len(fits)))])
        return mm, mm * ppm
    px = 0.2 * width
    return round(px / ppm, 1), round(px / ppm, 1) * ppm


def with_hard_bar(seed: int, *, bracket: bool = False) -> tuple[Picture, str]:
    """A bar with or without a label; and how it is stated.

    `bracket`: the same picture with a thin bar, 1 px and up, whose end ticks stand on one side only.
    """
    rng = np.random.default_rng([8, seed])
    image, ppm = _ground(seed, rng)
    h, w = image.shape[:2]
    mm, length = _length(rng, ppm, w)
    upright = rng.random() < 0.1 and length < 0.7 * h
    sharp = rng.random() < 0.4
    thick = float(np.exp(rng.uniform(np.log(2.0), np.log(max(0.012 * w, 4.0)))))
    ticked = rng.random() < 0.35
    thick = min(thick, (0.03 if ticked else 0.12) * length)
    thick = max(thick, 2.0)
    tick = max(thick * rng.uniform(3, 7), 8.0) if ticked else 0.0
    tick_side = 0
    if bracket:
        own = np.random.default_rng([9, seed])  # all else stays as it is drawn with this seed
        tick_side = int(own.choice([1, -1]))
        thick = min(float(np.exp(own.uniform(0.0, np.log(max(0.005 * w, 3.0))))), 0.03 * length)
        tick = max(thick * own.uniform(4, 11), 8.0)
    if sharp:  # whole pixels, as a program without anti-aliasing draws them
        thick, length = float(round(thick)), float(round(length))
        tick = 2.0 * round((tick - thick) / 2) + thick if tick else 0.0
    ink = INKS[int(rng.integers(len(INKS)))]
    light = 0.3 * ink[0] + 0.59 * ink[1] + 0.11 * ink[2] > 110
    kind = str(rng.choice(["over", "box", "strip"], p=[0.45, 0.4, 0.15]))
    edge, shadow, edging = 0.0, 0.0, None
    if kind == "over" and (draw := rng.random()) < 0.35:
        edging = (0.0, 0.0, 0.0) if light else (255.0, 255.0, 255.0)
        if draw < 0.2:
            edge = float(rng.choice([1.0, 1.0, 2.0, rng.uniform(0.8, 3)]))
        else:
            shadow = float(rng.choice([1.0, 2.0, 3.0]))
        if rng.random() < 0.3:
            edging = (90.0, 90.0, 90.0) if light else (170.0, 170.0, 170.0)
    tone = rng.uniform(0, 60) if light else rng.uniform(190, 255)
    plate: Colour = (tone, tone, tone)
    make = _Make(length, thick, tick, ink, edging, edge, shadow, upright, tick_side)
    font, height = FONTS[int(rng.integers(len(FONTS)))], max(9.0, w * rng.uniform(0.012, 0.03))
    text = f"{mm:g} mm" if rng.random() < 0.85 else ""
    wide, tall, _, _ = _size(text, font, height) if text else (0, 0, 0.0, 0)
    side = str(rng.choice(["above", "above", "below", "right", "left"]))
    across = max(thick, tick) / 2 + edge
    bar = np.array([[-across, 0.0], [across, length]]) if upright else np.array([[0.0, -across], [length, across]])
    if tick:
        bar += (np.array([0, thick / 2]) if upright else np.array([thick / 2, 0])) * np.array([[-1], [1]])
    gap = max(0.35 * height, 4.0)
    middle = bar.mean(axis=0)
    corner = {  # lower left corner of the text
        "above": np.array([middle[0] - wide / 2, bar[0, 1] - gap]),
        "below": np.array([middle[0] - wide / 2, bar[1, 1] + gap + tall]),
        "right": np.array([bar[1, 0] + 1.5 * gap, middle[1] + tall / 2]),
        "left": np.array([bar[0, 0] - 1.5 * gap - wide, middle[1] + tall / 2]),
    }[side]
    low, high = bar[0].copy(), bar[1].copy()
    if text:
        low, high = np.minimum(low, corner - [0, tall]), np.maximum(high, corner + np.array([wide, 0.3 * tall]))
    pad = max(3.0, rng.uniform(0.15, 0.9) * height)
    room = np.array([w, h]) - (high - low) - 2 * pad
    room = np.maximum(room, 2.0)
    corner_wise = rng.random() < (0.5 if kind == "over" else 0.8)
    best, at = -np.inf, np.zeros(2)
    for _ in range(14 if kind == "over" else 1):
        place = rng.random(2) * room + pad - low
        if corner_wise:
            rim = rng.uniform(0, 0.03) * w if kind == "box" else rng.uniform(0.005, 0.03) * w
            place = np.where(rng.random(2) < [0.7, 0.8], rim, room - rim) + pad - low
            place = np.clip(place, pad - low, room + pad - low)
        on = (
            place
            + (np.array([[0, 1.0]]) if upright else np.array([[1.0, 0]])) * np.linspace(0, length, 60)[:, None]
        )
        x, y = np.clip(on[:, 0], 0, w - 1).astype(int), np.clip(on[:, 1], 0, h - 1).astype(int)
        plain = float(np.percentile(np.sqrt(((image[y, x] - np.array(ink)) ** 2).mean(axis=1)), 10))
        if plain > best:
            best, at = plain, place
    if kind == "over" and best < SHOWS and edging is None:
        kind = "box"  # an author sees that it does not show, and lays it on a box
    at = np.round(at) + (0.0 if not sharp else 0.5)
    if sharp:
        odd = round(thick) % 2
        at = at - (np.array([0.5 * odd, 0]) if upright else np.array([0, 0.5 * odd]))
        if tick and odd:
            at = at - (np.array([0, 0.5]) if upright else np.array([0.5, 0]))
    else:
        at = at + rng.uniform(-0.5, 0.5, 2)
    image = image.copy()
    if kind != "over":
        # now and then the bar's side touches the edge of its box; its ends never do: nobody could see them
        reach = np.full(2, pad)
        if rng.random() < 0.12 and text:  # without a label such a box would be a bar itself
            reach[0 if upright else 1] = 0.0
        reach = np.maximum(reach, max(4.0, thick) * np.array([not upright, upright]))
        x0, y0 = np.floor(at + low - reach).astype(int)
        x1, y1 = np.ceil(at + high + reach).astype(int)
        if kind == "strip":
            x0, x1 = 0, w
            y0, y1 = (y0, h) if at[1] > h / 2 else (0, y1)
        part = (slice(max(y0, 0), max(y1, 0)), slice(max(x0, 0), max(x1, 0)))
        cover = 1.0 if rng.random() < 0.8 else rng.uniform(0.55, 0.85)
        image[part] = np.rint(image[part] * (1 - cover) + np.array(plate) * cover).astype(np.uint8)
    if text:
        _write(image, text, at + corner, font, height, ink, edging)
    image = make.on(image, at)
    blur = 0.0 if rng.random() < 0.6 else rng.uniform(0.3, 1.4)
    quality = int(rng.integers(60, 98)) if rng.random() < 0.85 else None
    pixels = camera(image, seed=seed, blur=blur, noise=rng.uniform(0, 2.5), quality=quality)
    dress = f"outline {edge:.1f}" if edge else (f"shadow {shadow:.0f}" if shadow else "plain")
    drawn = f"{thick:.1f} thick, tick {tick:.0f}, {ink}, {kind}, {dress}, {'sharp' if sharp else 'smooth'}"
    label = f"label {side if text else 'none'}, {'upright ' if upright else ''}at {at[0]:.0f},{at[1]:.0f}"
    what = f"{w}x{h} {length:.1f} px, {drawn}, blur {blur:.1f}, jpeg {quality}, {label}"
    return Picture(pixels, length, what), f"bar:{length / ppm if sharp else mm:g}mm"
