"""Reference marks drawn onto a picture with exact truth: bars, rules, discs.

Every edge is anti-aliased by the exact integral of the pixel's footprint along the edge's normal, which leaves the
edge where it was asked for at any sub-pixel position. Blur, noise and compression are the caller's. An image is
(height, width, 3), uint8 or float; the functions return a new image of the same type and the mark's truth.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, FloatArray, Point

Colour = tuple[float, float, float]
"""Red, green, blue on the 0-255 scale."""

INK: Colour = (20.0, 20.0, 20.0)
WHITE: Colour = (255.0, 255.0, 255.0)
STEEL: Colour = (176.0, 178.0, 180.0)


@dataclass(frozen=True, slots=True)
class DrawnMark:
    """Truth of a drawn mark.

    `length_px`: what the mark's nominal length is in the picture (bar: its length; rule: one pitch; disc: the
    diameter). `points_px`: (n, 2), the bar's ends, every tick's foot on the rule's edge that lies in the
    picture, or points on the disc's outline.
    """

    length_px: float
    points_px: FloatArray


class _Frame:
    """Pixels of a picture's part in a frame along (u) and across (v) a mark; v is to the right of u, y down."""

    def __init__(self, shape: tuple[int, ...], origin: Point, angle_deg: float, box: FloatArray) -> None:
        a = np.deg2rad(angle_deg)
        self.origin = np.array(origin, dtype=np.float64)
        self.axes = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
        self.ramp = float(np.abs(self.axes[0]).sum())
        corners = self.to_picture(box)
        x0, y0 = np.maximum(np.floor(corners.min(axis=0)) - 2, 0).astype(int)
        x1 = min(int(np.ceil(corners[:, 0].max())) + 3, shape[1])
        y1 = min(int(np.ceil(corners[:, 1].max())) + 3, shape[0])
        self.part = (slice(y0, max(y0, y1)), slice(x0, max(x0, x1)))
        y, x = np.mgrid[self.part].astype(np.float64)
        self.u = (x - origin[0]) * self.axes[0, 0] + (y - origin[1]) * self.axes[0, 1]
        self.v = (x - origin[0]) * self.axes[1, 0] + (y - origin[1]) * self.axes[1, 1]

    def to_picture(self, uv: AnyArray) -> FloatArray:
        """Map (n, 2) points (u, v) to picture px."""
        return np.asarray(self.origin + np.asarray(uv, dtype=np.float64).reshape(-1, 2) @ self.axes)

    def band(self, values: FloatArray, low: float | FloatArray, high: float | FloatArray) -> FloatArray:
        """Part of each pixel's footprint between `low` and `high` along u or v."""
        w = self.ramp
        return np.asarray(
            np.clip(0.5 + (values - low) / w, 0, 1) - np.clip(0.5 + (values - high) / w, 0, 1), dtype=np.float64
        )

    def rectangle(self, u0: float, u1: float, v0: float, v1: float) -> FloatArray:
        """Coverage of a rectangle."""
        return self.band(self.u, u0, u1) * self.band(self.v, v0, v1)


def _blend(image: AnyArray, part: tuple[slice, slice], cover: AnyArray, colour: Any) -> None:
    """Mix `colour` (three numbers, or an (h, w, 3) array) into a part of `image`, in place."""
    if cover.size == 0:
        return
    below = image[part].astype(np.float64)
    mixed = below + (np.asarray(colour, dtype=np.float64) - below) * cover[..., None]
    if np.issubdtype(image.dtype, np.integer):
        mixed = np.clip(np.rint(mixed), 0, 255)
    image[part] = mixed.astype(image.dtype)


def _box(u0: float, u1: float, v0: float, v1: float) -> FloatArray:
    return np.array([[u0, v0], [u1, v0], [u1, v1], [u0, v1]], dtype=np.float64)


def _write(image: AnyArray, text: str, frame: _Frame, u: float, v: float, height: float, colour: Colour) -> None:
    """Write `text` centred on u with its middle at v, `height` px tall, along the frame's direction."""
    font, scale = cv2.FONT_HERSHEY_SIMPLEX, 2.0
    thick = 5
    (w, h), base = cv2.getTextSize(text, font, scale, thick)
    patch: AnyArray = np.zeros((h + base + 12, w + 12), dtype=np.uint8)
    cv2.putText(patch, text, (6, h + 6), font, scale, (255,), thick, cv2.LINE_AA)
    shrink = height / h
    if shrink < 0.5:
        patch = cv2.GaussianBlur(patch, (0, 0), 0.35 / shrink)
    middle = np.array([6 + w / 2, 6 + h / 2])
    linear = frame.axes.T * shrink
    offset = frame.to_picture(np.array([[u, v]]))[0] - linear @ middle
    corners = np.array([[0, 0], [patch.shape[1], 0], [0, patch.shape[0]], [patch.shape[1], patch.shape[0]]])
    placed = corners @ linear.T + offset
    low = np.maximum(np.floor(placed.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(placed.max(axis=0)) + 1, [image.shape[1], image.shape[0]]).astype(int)
    if np.any(high <= low):
        return
    matrix = np.column_stack([linear, offset - low])
    size = (int(high[0] - low[0]), int(high[1] - low[1]))
    cover = cv2.warpAffine(patch, matrix, size, flags=cv2.INTER_LINEAR)
    _blend(image, (slice(low[1], high[1]), slice(low[0], high[0])), cover / 255.0, colour)


def draw_bar(
    image: AnyArray,
    *,
    start: Point,
    length_px: float,
    angle_deg: float = 0.0,
    thickness_px: float = 6.0,
    colour: Colour = WHITE,
    end_tick_px: float = 0.0,
    tick_thickness_px: float | None = None,
    tick_side: int = 0,
    label: str = "",
    label_height_px: float = 24.0,
    strip: Colour | None = None,
) -> tuple[AnyArray, DrawnMark]:
    """Draw a bar of `length_px` from `start` in direction `angle_deg` (clockwise on the screen).

    `start` is on the bar's middle line. Without ticks the bar is solid and its outer ends are `length_px` apart.
    With `end_tick_px` > 0 (the ticks' full length across the bar) the tick *centres* are `length_px` apart;
    with `tick_side` 1 or -1 only the half of each tick is drawn that lies on the right or left of the direction.
    `label` stands on the left of the direction (above a bar that points right); `strip` is the plain
    ground under both.
    """
    image = image.copy()
    tick = thickness_px if tick_thickness_px is None else tick_thickness_px
    across = max(thickness_px, end_tick_px) / 2
    above = across + (label_height_px * 2.0 if label else 0.0)
    if strip is not None:
        margin = 0.12 * length_px + tick
        box = (-margin, length_px + margin, -above - 0.6 * thickness_px - 6, across + 0.6 * thickness_px + 8)
        frame = _Frame(image.shape, start, angle_deg, _box(*box))
        _blend(image, frame.part, frame.rectangle(*box), strip)
    half = tick / 2 if end_tick_px > 0 else 0.0
    frame = _Frame(image.shape, start, angle_deg, _box(-half, length_px + half, -across, across))
    cover = frame.rectangle(-half, length_px + half, -thickness_px / 2, thickness_px / 2)
    if end_tick_px > 0:
        for centre in (0.0, length_px):
            sides = [-end_tick_px / 2, end_tick_px / 2]
            if tick_side:
                sides[0 if tick_side > 0 else 1] = -tick_side * thickness_px / 2
            ends = frame.rectangle(centre - half, centre + half, sides[0], sides[1])
            cover = np.maximum(cover, ends)
    _blend(image, frame.part, cover, colour)
    if label:
        v = -across - label_height_px * 1.1
        _write(image, label, frame, length_px / 2, v, label_height_px, colour)
    ends_px = frame.to_picture(np.array([[0.0, 0.0], [length_px, 0.0]]))
    return image, DrawnMark(length_px, ends_px)


def draw_ruler(
    image: AnyArray,
    *,
    origin: Point,
    pitch_px: float,
    count: int,
    angle_deg: float = 0.0,
    tick_lengths: tuple[float, float, float] = (3.0, 4.5, 6.0),
    every: tuple[int, int] = (5, 10),
    classes: tuple[tuple[int, float], ...] = (),
    tick_thickness_px: float | None = None,
    colour: Colour = INK,
    body: Colour | None = STEEL,
    body_width: float = 14.0,
    figures: bool = True,
    figure_first: int = 0,
    figure_step: int = 10,
    grain: float = 4.0,
    glare: float = 0.0,
    placing: float = 0.0,
    seed: int = 0,
) -> tuple[AnyArray, DrawnMark]:
    """Draw a rule: `count` graduations `pitch_px` apart from `origin` in direction `angle_deg`.

    `origin`: foot of the first tick, on the rule's graduated edge; the rule's body lies on the right of the
    direction (below an edge that points right). `tick_lengths`: short, middle, long, in pitches; `every`: a tick
    is middle every so many, long every so many. `classes`: instead of both, (every so many, length in pitches) from
    the shortest ticks (1, ...) to the longest, as on an inch rule. `tick_thickness_px` is 0.18 pitch by default.
    `body`: the rule's tone, None for graduations straight on the picture. `body_width` in pitches. `grain`:
    standard deviation of the brushed finish, grey levels. `glare`: 0-1, how far a bright band across the rule
    washes the ticks out. `placing`: standard deviation of each tick's own position error, in pitches.
    """
    image = image.copy()
    rng = np.random.default_rng(seed)
    tick = 0.18 * pitch_px if tick_thickness_px is None else tick_thickness_px
    classes = classes or ((1, tick_lengths[0]), (every[0], tick_lengths[1]), (every[1], tick_lengths[2]))
    tall = classes[-1][1] * pitch_px
    length = (count - 1) * pitch_px
    before, after = 1.6 * pitch_px, 1.6 * pitch_px
    width = body_width * pitch_px if body is not None else tall
    frame = _Frame(image.shape, origin, angle_deg, _box(-before, length + after, 0.0, width))
    if frame.u.size == 0:
        return image, DrawnMark(pitch_px, np.empty((0, 2)))
    ticks_u = np.arange(count) * pitch_px + rng.normal(0, 1, count) * placing * pitch_px
    k = np.clip(np.rint(frame.u / pitch_px), 0, count - 1).astype(np.intp)
    index = k + figure_first
    reach = np.zeros(index.shape)
    for step, length_of in classes:
        reach = np.where(index % step == 0, length_of * pitch_px, reach)
    centre = ticks_u[k]
    cover = frame.band(frame.u, centre - tick / 2, centre + tick / 2) * frame.band(frame.v, 0.0, reach)
    if body is not None:
        brushed = cv2.GaussianBlur(rng.normal(0, 1, frame.u.shape), (0, 0), 1.0) * 3.5 * grain
        tone = (
            np.asarray(body) * (1 + 0.05 * np.sin(frame.u / (11 * pitch_px) + 1.0))[..., None] + brushed[..., None]
        )
        _blend(image, frame.part, frame.rectangle(-before, length + after, 0.0, width), tone)
    _blend(image, frame.part, cover, colour)
    if figures:
        first = -(-figure_first // figure_step) * figure_step
        height = min(2.2 * pitch_px, 0.45 * tall)
        for number in range(first, figure_first + count, figure_step):
            u = (number - figure_first) * pitch_px
            _write(image, str(number), frame, u, tall + 0.9 * height, height, colour)
    if glare > 0:
        at = rng.uniform(0.2, 0.8) * length
        band = np.exp(-0.5 * ((frame.u - at + 0.3 * frame.v) / max(0.12 * length, 1.0)) ** 2)
        on = frame.rectangle(-before, length + after, 0.0, width)
        _blend(image, frame.part, band * on * glare, WHITE)
    feet = frame.to_picture(np.column_stack([np.arange(count) * pitch_px, np.zeros(count)]))
    inside = (feet >= -0.5).all(axis=1) & (feet[:, 0] < image.shape[1]) & (feet[:, 1] < image.shape[0])
    return image, DrawnMark(pitch_px, feet[inside])


def draw_disc(
    image: AnyArray,
    *,
    centre: Point,
    diameter_px: float,
    colour: Colour = (150.0, 140.0, 120.0),
    rim: Colour | None = None,
    rim_px: float = 3.0,
    tilt: float = 1.0,
    tilt_angle_deg: float = 0.0,
    relief: float = 0.0,
    seed: int = 0,
) -> tuple[AnyArray, DrawnMark]:
    """Draw a disc of `diameter_px`, as seen with its axis at `tilt_angle_deg` shortened by the factor `tilt`.

    `rim`: colour of the outermost `rim_px`, None for none. `relief`: standard deviation of the pattern on its
    face, grey levels.
    """
    image = image.copy()
    rng = np.random.default_rng(seed)
    radius = diameter_px / 2
    frame = _Frame(image.shape, centre, tilt_angle_deg, _box(-radius, radius, -radius, radius))
    u, v = frame.u / tilt, frame.v
    r = np.hypot(u, v)
    # distance from the outline along its normal: the implicit function over its own gradient
    gradient = np.hypot(u / tilt, v) / np.maximum(r, 1e-9)
    distance = (radius - r) / np.maximum(gradient, 1e-9)
    cover = np.clip(0.5 + distance, 0, 1)
    tone = np.broadcast_to(np.asarray(colour, dtype=np.float64), (*cover.shape, 3)).copy()
    if relief > 0 and cover.size:
        spread = max(radius / 25, 1.0)
        pattern = cv2.GaussianBlur(rng.normal(0, 1, cover.shape), (0, 0), spread) * (2 * np.sqrt(np.pi) * spread)
        tone += (pattern * relief * np.clip((radius * 0.92 - r) / (radius * 0.04), 0, 1))[..., None]
    if rim is not None:
        on = np.clip(0.5 + (r - (radius - rim_px)), 0, 1)[..., None]
        tone = tone * (1 - on) + np.asarray(rim) * on
    _blend(image, frame.part, cover, tone)
    t = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    outline = frame.to_picture(np.column_stack([tilt * radius * np.cos(t), radius * np.sin(t)]))
    return image, DrawnMark(diameter_px, outline)
