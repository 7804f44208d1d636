"""The two ends of one bar: middles of end ticks, or outer ends, read by brightness, by colour or by both."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.bar_bracket import one_sided
from macrocheck.calibrate.bar_ends import End, Patch, closer_end, plain_end, tick_shows, ticked_end
from macrocheck.calibrate.profile import fit_edge, sample, strip
from macrocheck.photo import LUMA

TEXTURE = 0.8
"""Shift of an end, in blurs, for a ground textured as strongly as the bar stands out; from rendered bars."""
GROUND_CHANGE = 0.5
"""A bar that seems to end where its ground changes by more than this part of its contrast may go on unseen."""
AT_CHANGE, TICK_AT_CHANGE = 0.35, 0.14
"""Shift of an outer end and of a tick's middle, in blurs, where the ground changes by as much as the bar stands
out: estimates, held only by the errors of all rendered bars over their uncertainty."""
LEAST_COVER = 0.25
"""Least part of its ground that a bar may cover: the thinnest drawn one under the softest blur."""
LEAST_U = 0.02
"""Least standard uncertainty of an end, px: bilinear reading and the camera's tone curve; from rendered bars."""
TICK_U, ONE_SIDED_U = 0.027, 0.045
"""The same for the middle of a tick, and of one on one side only, of which half as many pixels tell."""
COLOUR_U, LEAST_COLOUR_U = 25.0, 0.1
"""Standard uncertainty of an end that is told by colour alone, px grey levels, and px at least: JPEG files keep a
colour for every second pixel at best, and round faint ones most; from rendered bars."""
LEAST_BRIGHT, LEAST_BRIGHT_END = 12.0, 6.0
"""Step of brightness from which a tick and an outer end are measured by brightness, grey levels."""
FAINT_TINT, TINTED_BY = 25.0, 1.5
"""Step of colour from which an end is measured by colour, grey levels, and in parts of the step of brightness."""
LEAST_SHOWN, SURELY_SHOWN = 0.35, 0.6
"""How much of the misfit of a plain end a tick must make good for it to be there: rendered ticks 0.48 to 1, 19 of
20 ends without one 0.3 at most."""
LEAST_ONE_SIDED, STANDS, THIN, DEBLURRED = 0.5, 0.2, 0.04, 0.8
"""The same for ticks on one side of the bar only; by how much likeness to the bar (1 its tone, 0 its ground) one
exceeds, close beside the bar, what lies there further back; how thick such a bar is at most, in parts of its
length: the ground between a bar and the edge of its box has ends like that; and how thick it is at least, in parts
of what is seen, which blur widens; estimates."""
CLEARED, CLUTTERED = 0.25, 0.4
"""Difference from the bar's ground, in parts of its contrast, up to which what lies past an end is that ground, and
from which it is something else: a label, the edge of the bar's box, another plate."""
LEAST_CLEAR = 3
"""Shortest stretch of its ground past an end that is clear, px."""
RINGS = 4
"""Half circles around an end that are read: what goes on past the end is seen on all of them."""
MOST_ALIKE = 0.6
"""Most that the ground around an end may be like the bar: 1 is its tone, 0 that of what lies beyond the end."""
SOFT_END = 0.55, 0.8
"""An end is as sharp as the sides: its blur is at most this part of the thickness, and so many px."""


@dataclass(frozen=True, slots=True)
class Tip:
    """One end as measured: how far past where it was looked for, its standard uncertainty, the blur, all px."""

    at: float
    u: float
    blur: float
    tick: bool


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


def _leans(on: FloatArray, ground: FloatArray, usual: FloatArray, least: float) -> tuple[Lean, ...]:
    """How an end may be read, by its brightness, its colour or both; the usual ground where that is plainer."""
    step = on - ground
    if float(step @ step) < 0.3 * float((on - usual) @ (on - usual)):
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
    tinted = tint is not step and size > (TINTED_BY * bright) ** 2
    return (plain, coloured) if tinted else (plain,)


def _window(thick: float, length: float) -> float:
    return min(max(12.0, 2.0 * thick), 0.2 * length)


def tips_of(pixels: ByteArray, feet: tuple[Foot, Foot], thick: float, length: float) -> tuple[Tip, Tip] | None:
    """Both ends of a bar `thick` and `length` px; None where one is not seen or they contradict each other."""
    rows = np.array([-0.25, 0.0, 0.25]) * thick if thick < 4 else np.linspace(-0.35, 0.35, 15) * thick
    sites = [_Site.seen(pixels, foot, thick, rows, _window(thick, length)) for foot in feet]
    ticks = _ticks(sites, 0.4 * length, thin=thick < THIN * length)
    if ticks is None or ticks:
        return ticks or None
    a, b = (_end(site) for site in sites)
    return None if a is None or b is None else (a, b)


@dataclass(frozen=True, slots=True)
class _Site:
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
    def seen(cls, pixels: ByteArray, foot: Foot, thick: float, rows: FloatArray, window: float) -> "_Site":
        clear = _clear(pixels, foot, thick, rows, window)
        if clear is not None:
            ahead = np.arange(clear[0], clear[1] + 0.5, 1.0)
            beyond = np.median(strip(pixels, foot.at, foot.outward, ahead, rows), axis=(0, 1))
            return cls(pixels, foot, thick, rows, window, np.asarray(beyond), clear[1])
        beyond = foot.on
        for part in (0.35, 0.7):  # a blurred tick may reach past the nearer place
            ahead = np.arange(part * window, (part + 0.35) * window, 1.0)
            beyond = np.median(strip(pixels, foot.at, foot.outward, ahead, rows), axis=(0, 1))
            if math.dist(foot.on, beyond) >= GROUND_CHANGE * foot.contrast:
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

    def unseen(self, change: FloatArray) -> bool:
        """Whether a bar that seems to end where its ground changes may go on there, too like that ground to show.

        A thin blurred bar takes on some of its ground, nobody knows how much: every cover is thought of that a
        paint between black and white allows.
        """
        step = self.foot.on - self.foot.ground
        room = np.where(step > 0, 255.0 - self.foot.ground, self.foot.ground)
        least = float(np.clip(np.max(np.abs(step) / np.maximum(room, 1.0)), LEAST_COVER, 1.0))
        steps = step - np.linspace(least, 1.0, 6)[:, None] * change
        return bool(np.linalg.norm(steps, axis=1).min() < GROUND_CHANGE * self.foot.contrast)

    def shift(self, change: FloatArray, blur: float, *, tick: bool) -> float:
        """Standard uncertainty of an end that lies about where its ground changes, px."""
        part = math.hypot(*change) / self.foot.contrast
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


def _ticks(sites: list[_Site], inward: float, *, thin: bool) -> tuple[Tip, Tip] | tuple[()] | None:
    """Both end ticks; () where the bar has none, None where the two ends contradict.

    `thin`: whether it may have them on one side only.
    """
    changes = []
    for site in sites:
        change = site.change(np.arange(-1.8, -1.0, 0.1) * site.window)
        if site.unseen(change) or math.dist(site.foot.on, site.beyond) < GROUND_CHANGE * site.foot.contrast:
            return None
        changes.append(change)
    ends = [_tick_read(site, change, inward) for site, change in zip(sites, changes, strict=True)]
    best = [max(readings, key=lambda r: r[0]) for readings in ends]
    shown = [r[0] for r in best]
    paired = _pair(ends, LEAST_SHOWN)
    if paired and min(shown) >= SURELY_SHOWN:
        return _both(ends)
    bracket = _bracket(sites, changes, inward) if thin else None
    if bracket is not None and not (paired and bracket[0] < min(shown)):
        return bracket[1]
    if paired:
        return _both(ends)
    return () if max(shown) < SURELY_SHOWN else None


_Readings = list[tuple[float, float, Tip]]
"""How much a tick shows, how long it is, px, and where: one for each way in which an end is read."""


def _tick_read(site: _Site, change: FloatArray, inward: float, side: int = 0) -> _Readings:
    """The tick at one end, read in every way; `side`: 1 or -1 for one on that side of the bar only."""
    foot, readings = site.foot, []
    for way in _leans(foot.on, site.beyond, foot.ground, LEAST_BRIGHT):
        patch = Patch.cut(
            site.pixels, foot.at, foot.outward, site.thick, way.lean, way.ground, inward, site.reach, side
        )
        plain = plain_end(patch, 0.0)
        end = ticked_end(patch, plain, side)
        shows = (
            tick_shows(patch, plain, end) if _is_tick(end, DEBLURRED * site.thick if side else site.thick) else 0.0
        )
        if side and shows and not one_sided(patch, end, site.read, foot.contrast):
            shows = 0.0
        if shows >= LEAST_SHOWN:
            end = closer_end(patch.around(end), end)
        u = math.hypot(end.u, ONE_SIDED_U if side else TICK_U, way.u, site.shift(change, end.blur, tick=True))
        readings.append((shows, end.tick, Tip(end.at, u, end.blur, tick=True)))
    return readings


def _pair(ends: Sequence[_Readings], least: float) -> bool:
    """Whether both ends show a tick, and one about as long as the other."""
    best = [max(readings, key=lambda r: r[0]) for readings in ends]
    tall = sorted(r[1] for r in best)
    return min(r[0] for r in best) >= least and tall[1] <= 1.5 * tall[0] + 2.0


def _both(ends: Sequence[_Readings]) -> tuple[Tip, Tip]:
    a, b = (_joint([tip for shows, _, tip in readings if shows >= LEAST_SHOWN]) for readings in ends)
    return a, b


def _bracket(sites: list[_Site], changes: list[FloatArray], inward: float) -> tuple[float, tuple[Tip, Tip]] | None:
    """The ticks of a bar that has them on one side only, `|____|`, and how much they show; None without them."""
    found = []
    for side in (1, -1):  # v of the two ends runs in opposite directions
        turned = (side, -side)
        if not all(_stands(site, s) for site, s in zip(sites, turned, strict=True)):
            continue
        ends = [_tick_read(site, change, inward, s) for site, change, s in zip(sites, changes, turned, strict=True)]
        if _pair(ends, LEAST_ONE_SIDED):
            found.append((min(max(r[0] for r in readings) for readings in ends), _both(ends)))
    return max(found, key=lambda one: one[0]) if found else None


def _stands(site: _Site, side: int) -> bool:
    """Whether something of the bar's tone stands beside its end on one side that does not beside the bar."""
    v = side * (0.5 * site.thick + np.array([1.0, 1.5, 2.0]))
    near = np.arange(-4.0 - 0.5 * site.thick, 4.1 + 0.5 * site.thick)
    far = np.arange(-0.8 * site.window, -0.5 * site.window, 1.0) - 4.0 - site.thick
    at_end, before = (likeness(site.read(u, v), site.foot.on, site.foot.ground).mean(axis=0) for u in (near, far))
    return bool(at_end.max() - np.median(before) > STANDS)


def _joint(tips: Sequence[Tip]) -> Tip:
    """One end as read in several ways: the mean by their uncertainties, in more doubt where they differ."""
    weight = np.array([tip.u**-2 for tip in tips])
    weight /= weight.sum()
    at = np.array([tip.at for tip in tips])
    mean = float(weight @ at)
    each = float(weight**2 @ np.array([tip.u**2 for tip in tips]))
    u = math.sqrt(each + float(weight @ (at - mean) ** 2))
    return Tip(mean, u, min(tip.blur for tip in tips), tips[0].tick)


def _is_tick(end: End, seen: float) -> bool:
    """Whether a fitted tick is one: taller than its bar, as fitted and as `seen`, px."""
    return end.tick > max(1.4 * end.thickness, seen) + 1.0 and 0.3 < end.height < 25.0


def _end(site: _Site) -> Tip | None:
    """One end of a bar without ticks; None where it is no sharp end."""
    change = site.change(np.arange(-0.7 * site.window, -0.3 * site.window, 1.0))
    if site.unseen(change):
        return None
    ways = _leans(site.foot.on, site.beyond, site.foot.ground, LEAST_BRIGHT_END)
    tips = [tip for tip in (_end_read(site, way, change) for way in ways) if tip is not None]
    return _joint(tips) if tips else None


def _end_read(site: _Site, way: Lean, change: FloatArray) -> Tip | None:
    """One end without a tick, read one way."""
    foot, thick, window = site.foot, site.thick, site.window

    def profile(u: FloatArray) -> FloatArray:
        return np.asarray(((site.read(u, site.rows) - way.ground) @ way.lean).mean(axis=0))

    u = np.arange(-window, min(window, site.reach) + 0.01, 1.0)
    fit = fit_edge(u, profile(u), 0.0)
    if fit is None:
        return None
    softest = min(0.2 * window + 3.0, SOFT_END[0] * thick + SOFT_END[1])
    # once more in a window as wide as the blur asks for, so that clutter beyond the end weighs little
    near = max(3.5, 3.0 * min(fit[2], softest) + 1.5)
    u = np.arange(-near, min(near, site.reach - fit[0]) + 0.01, 0.5) + fit[0]
    fit = fit_edge(u, profile(u), fit[0]) or fit
    if not 0.3 < fit[3] < 2.5 or fit[2] > softest or abs(fit[0]) > 0.8 * window:
        return None
    # nothing of the bar's tone goes on around the end: a band of the section turns a corner there
    around = _rings(site, fit[0], fit[2])
    # a tick stands beside the bar's end alone, what goes on along it is a ground of its tone
    at_end, before = (
        likeness(site.read(fit[0] + places, site.flanks), foot.on, site.beyond).mean(axis=1)
        for places in (np.array([-2.0, -1.0, 0.0]), np.arange(-0.8 * window, -0.5 * window, 1.0))
    )
    unseen_tick = bool(((at_end > 0.4) & (at_end - before > 0.2)).any())
    # what is parted from the end by its ground is a label or the like
    goes_on = likeness(around, foot.on, site.beyond).min(axis=0)
    if unseen_tick or float(np.percentile(goes_on, 90)) > MOST_ALIKE:
        return None
    # samples half a px apart share pixels and compression ties neighbours, so residuals hold less than their
    # number says (2.1: from rendered bars); the ground's own texture moves the half-way point as well
    texture = float(np.std((around[-1] - way.ground) @ way.lean)) / fit[3]
    u_at = math.hypot(
        2.1 * fit[1], TEXTURE * texture * fit[2], LEAST_U, way.u, site.shift(change, fit[2], tick=False)
    )
    return Tip(fit[0], u_at, fit[2], tick=False)


def _rings(site: _Site, at: float, blur: float) -> FloatArray:
    """Colours (rings, angles, 3) on half circles around an end `at` px, from just past it to a bar's width off."""
    foot, turn = site.foot, np.deg2rad(np.arange(-60, 61, 4.0))
    outer = 0.9 * site.thick + 1.5 * blur + 2.0
    radius = np.linspace(min(3.0 * blur + 2.0, outer), outer, RINGS)[:, None]
    across = np.array([-foot.outward[1], foot.outward[0]])
    ahead = np.minimum(radius * np.cos(turn), site.reach - at)
    spots = foot.at + (at + ahead)[..., None] * foot.outward + (radius * np.sin(turn))[..., None] * across
    return sample(site.pixels, spots[..., 0], spots[..., 1])
