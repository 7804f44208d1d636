"""What lies around one end of a bar: its ground beside and past it, and the ways in which the end may be read."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.profile import strip
from macrocheck.photo import LUMA

GROUND_CHANGE = 0.5
"""A bar that seems to end where its ground changes by more than this part of its contrast may go on unseen."""
SEEN = 75.0
"""Distance of a bar's colour from a ground's by which anyone sees where it ends there, however far it is from its
usual ground's: black ink on a white plate that ends on the dark ground beside it. Grey levels (root of the sum of
the squares of red, green and blue); the bars that may be told at all have 73."""
AT_CHANGE, TICK_AT_CHANGE = 0.35, 0.14
"""Shift of an outer end and of a tick's middle, in blurs, where the ground changes by as much as the bar stands
out: estimates, held only by the errors of all rendered bars over their uncertainty."""
LEAST_COVER = 0.25
"""Least part of its ground that a bar may cover: the thinnest drawn one under the softest blur."""
COLOUR_U, LEAST_COLOUR_U = 25.0, 0.1
"""Standard uncertainty of an end that is told by colour alone, px grey levels, and px at least: JPEG files keep a
colour for every second pixel at best, and round faint ones most; from rendered bars."""
FAINT_TINT, TINTED_BY = 25.0, 1.5
"""Step of colour from which an end is measured by colour, grey levels, and in parts of the step of brightness."""
CLEARED, CLUTTERED = 0.25, 0.4
"""Difference from the bar's ground, in parts of its contrast, up to which what lies past an end is that ground, and
from which it is something else: a label, the edge of the bar's box, another plate."""
NEAREST_EDGE, EDGE_BLUR, OTHER_GROUND = 6.0, 2.0, 0.8
"""How near to a bar's side the edge of its strip or box is looked for, px, what its blur may take of the ground
before it, px, and the difference from the bar's ground, in parts of its contrast, that is another ground."""
LEAST_CLEAR = 3
"""Shortest stretch of its ground past an end that is clear, px."""


@dataclass(frozen=True, slots=True)
class Tip:
    """One end as measured: how far past where it was looked for, its standard uncertainty, the blur, all px."""

    at: float
    u: float
    blur: float
    tick: bool

    def unsurer(self, doubt: float) -> "Tip":
        """The same with a further standard uncertainty, px."""
        return replace(self, u=math.hypot(self.u, doubt))


@dataclass(frozen=True, slots=True)
class Foot:
    """Where an end is looked for: `at` px, `outward` a unit vector, colours (3,) of the bar and its ground."""

    at: FloatArray
    outward: FloatArray
    on: FloatArray
    ground: FloatArray

    @property
    def contrast(self) -> float:
        """Distance of the two colours, grey levels."""
        return math.dist(self.on, self.ground)

    @property
    def least_step(self) -> float:
        """Least distance of the bar's colour from another ground's that is seen there, grey levels."""
        return min(GROUND_CHANGE * self.contrast, SEEN)


@dataclass(frozen=True, slots=True)
class Lean:
    """A way to read an end: (RGB - ground) . lean is 1 on the bar, 0 off it.

    `u`: standard uncertainty of a place that is told so, beside what its fit says, px.
    """

    lean: FloatArray
    ground: FloatArray
    u: float


def likeness(rgb: FloatArray, on: FloatArray, ground: FloatArray) -> FloatArray:
    """1 where a colour is the bar's, 0 where it is as far from it as the usual ground, less where farther.

    Linear along every mixture of the bar with a ground of any colour, so a blurred edge keeps its half-way point.
    """
    far = math.sqrt(float((on - ground) @ (on - ground)))
    return np.asarray(1.0 - np.sqrt(np.sum((rgb - on) ** 2, axis=-1)) / far)


def leans(
    on: FloatArray, ground: FloatArray, usual: FloatArray, least: float, tinted_by: float = TINTED_BY
) -> tuple[Lean, ...]:
    """How an end may be read, by its brightness, its colour or both; the usual ground where that is plainer."""
    step = on - ground
    if float(step @ step) < min(0.3 * float((on - usual) @ (on - usual)), SEEN**2):
        ground, step = usual, on - usual
    # compression keeps colour at half the sharpness and less, and shifts it; a ground's texture has little of it
    bright = float(step @ np.array(LUMA))
    tint = step - step.mean()
    size = float(tint @ tint)
    if size <= FAINT_TINT**2:
        tint, size = step, float(step @ step)
    coloured = Lean(tint / size, ground, max(COLOUR_U / math.sqrt(size), LEAST_COLOUR_U))
    if abs(bright) <= least:
        return (coloured,)
    plain = Lean(np.array(LUMA) / bright, ground, 0.0)
    tinted = tint is not step and size > (tinted_by * bright) ** 2
    return (plain, coloured) if tinted else (plain,)


def joined(tips: Sequence[Tip]) -> Tip:
    """One end as read in several ways: the mean by their uncertainties, in more doubt where they differ."""
    weight = np.array([tip.u**-2 for tip in tips])
    weight /= weight.sum()
    at = np.array([tip.at for tip in tips])
    mean = float(weight @ at)
    each = float(weight**2 @ np.array([tip.u**2 for tip in tips]))
    u = math.sqrt(each + float(weight @ (at - mean) ** 2))
    return Tip(mean, u, min(tip.blur for tip in tips), tips[0].tick)


@dataclass(frozen=True, slots=True)
class Site:
    """What lies around one end: `beyond` is the colour of the ground past it, (3,).

    `reach`: how far past the end nothing but ground lies, px; `window` and more where nothing else is near.
    """

    pixels: ByteArray
    foot: Foot
    thick: float
    rows: FloatArray
    window: float
    beyond: FloatArray
    reach: float

    @classmethod
    def seen(cls, pixels: ByteArray, foot: Foot, thick: float, rows: FloatArray, window: float) -> "Site":
        """Read what lies around the end; `rows`: lines along the bar, px across; `window`: how far it looks, px."""
        clear = _clear(pixels, foot, thick, rows, window)
        if clear is not None:
            ahead = np.arange(clear[0], clear[1] + 0.5, 1.0)
            beyond = np.median(strip(pixels, foot.at, foot.outward, ahead, rows), axis=(0, 1))
            return cls(pixels, foot, thick, rows, window, np.asarray(beyond), clear[1])
        beyond = foot.on
        for part in (0.35, 0.7):  # a blurred tick may reach past the nearer place
            ahead = np.arange(part * window, (part + 0.35) * window, 1.0)
            beyond = np.median(strip(pixels, foot.at, foot.outward, ahead, rows), axis=(0, 1))
            if math.dist(foot.on, beyond) >= foot.least_step:
                break
        return cls(pixels, foot, thick, rows, window, np.asarray(beyond), math.inf)

    @property
    def flanks(self) -> FloatArray:
        """Lines beside the bar, px across."""
        return np.array([-0.5 * self.thick - 3.0, 0.5 * self.thick + 3.0])

    def read(self, u: FloatArray, v: FloatArray) -> FloatArray:
        """Colours (len(v), len(u), 3)."""
        return strip(self.pixels, self.foot.at, self.foot.outward, u, v)

    def change(self, u: FloatArray) -> FloatArray:
        """How the ground past an end differs from that beside the bar at `u`, where it differs less, (3,)."""
        change = self.beyond - np.median(self.read(u, self.flanks), axis=1)
        return np.asarray(change[int(np.argmin(np.sum(change**2, axis=1)))])

    def aside(self) -> tuple[float, float]:
        """Least and greatest place across the bar up to which nothing but its ground lies beside it, px.

        Told behind the end, past its ticks, if any; infinite where it goes on.
        """
        u = np.arange(-(9.0 + 2.0 * self.thick), -(5.0 + self.thick) + 0.01, 1.0)
        far = np.arange(0.5 * self.thick + NEAREST_EDGE, 0.5 * self.thick + 10.0 + 3.5 * self.thick, 1.0)
        reach = []
        for side in (-1.0, 1.0):
            rgb = np.median(self.read(u, side * far), axis=1)
            off = np.flatnonzero(np.linalg.norm(rgb - self.foot.ground, axis=1) > OTHER_GROUND * self.foot.contrast)
            reach.append(side * (far[off[0]] - EDGE_BLUR) if off.size else side * math.inf)
        return float(reach[0]), float(reach[1])

    def unseen(self, change: FloatArray) -> bool:
        """Whether a bar that seems to end where its ground changes may go on there, too like that ground to show.

        A thin blurred bar takes on some of its ground, nobody knows how much: every cover is thought of that a
        paint between black and white allows.
        """
        step = self.foot.on - self.foot.ground
        room = np.where(step > 0, 255.0 - self.foot.ground, self.foot.ground)
        least = float(np.clip(np.max(np.abs(step) / np.maximum(room, 1.0)), LEAST_COVER, 1.0))
        steps = step - np.linspace(least, 1.0, 6)[:, None] * change
        return bool(np.linalg.norm(steps, axis=1).min() < self.foot.least_step)

    def shift(self, change: FloatArray, blur: float, *, tick: bool, lean: FloatArray | None = None) -> float:
        """Standard uncertainty of an end that lies about where its ground changes, px; `lean`: as it is read."""
        part = math.hypot(*change) / self.foot.contrast
        part = part if lean is None else min(part, abs(float(change @ lean)))
        return (TICK_AT_CHANGE if tick else AT_CHANGE) * part * blur if part > GROUND_CHANGE else 0.0


def _clear(
    pixels: ByteArray, foot: Foot, thick: float, rows: FloatArray, window: float
) -> tuple[float, float] | None:
    """First and last place past an end with nothing but the bar's ground, px; None where nothing else is near.

    None as well where the ground changes at the very end, so that no clear stretch is seen.
    """
    u = np.arange(0.0, 1.05 * window + 7.0 + 1.5 * thick, 1.0)
    rgb = strip(pixels, foot.at, foot.outward, u, rows).mean(axis=0)
    off = np.linalg.norm(rgb - foot.ground, axis=1) / foot.contrast
    clear = np.flatnonzero(off < CLEARED)
    if not clear.size or clear[0] > 0.5 * window:
        return None
    cluttered = np.flatnonzero(off[clear[0] :] > CLUTTERED)
    if not cluttered.size:
        return None
    last = clear[clear < clear[0] + cluttered[0]][-1]
    return (float(clear[0]), float(last)) if last - clear[0] + 1 >= LEAST_CLEAR else None
