"""The two ends of one bar: middles of end ticks, or outer ends, read by brightness, by colour or by both."""

import math

import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate.bar_sides import AS_SIDES, colour_end, side_blur
from macrocheck.calibrate.bar_site import Foot, Lean, Site, Tip, joined, leans, likeness
from macrocheck.calibrate.bar_ticks import THIN, ticks_of
from macrocheck.calibrate.profile import fit_edge, sample

TEXTURE = 0.8
"""Shift of an end, in blurs, for a ground textured as strongly as the bar stands out; from rendered bars."""
LEAST_U = 0.02
"""Least standard uncertainty of an end, px: bilinear reading and the camera's tone curve; from rendered bars."""
LEAST_BRIGHT = 6.0
"""Step of brightness from which an outer end is measured by brightness, grey levels."""
RINGS = 4
"""Half circles around an end that are read: what goes on past the end is seen on all of them."""
MOST_ALIKE = 0.6
"""Most that the ground around an end may be like the bar: 1 is its tone, 0 that of what lies beyond the end."""
SOFT_END, SOFTER = (0.55, 0.8), 1.0
"""An end is as sharp as the sides: its blur is at most this part of the thickness, and so many px; by colour so
many more."""
WINDOW, KNOWN_WINDOW = 3.0, 2.0
"""How far to either side of an end it is measured, in its blurs, and where the sides tell how large that is."""
TINTED_BY = 1.0
"""Step of colour from which an end is measured by colour as well, in parts of the step of brightness."""
COLOUR_PART = 0.6
"""What is left of the uncertainty of colour (`Lean.u`) where it is read smoothed; from rendered bars."""


def _window(thick: float, length: float) -> float:
    return min(max(12.0, 2.0 * thick), 0.2 * length)


def tips_of(pixels: ByteArray, feet: tuple[Foot, Foot], thick: float, length: float) -> tuple[Tip, Tip] | None:
    """Both ends of a bar `thick` and `length` px; None where one is not seen or they contradict each other."""
    rows = np.array([-0.25, 0.0, 0.25]) * thick if thick < 4 else np.linspace(-0.35, 0.35, 15) * thick
    sites = [Site.seen(pixels, foot, thick, rows, _window(thick, length)) for foot in feet]
    ticks = ticks_of(sites, 0.4 * length, thin=thick < THIN * length)
    if not isinstance(ticks, float):
        return ticks
    blur = side_blur(pixels, feet[0].at, feet[1].at, thick)
    a, b = (_end(site, blur) for site in sites)
    if a is None or b is None:
        return None
    # What may be a short tick under blur is measured to its outer edge here, and would be to its middle.
    doubt = ticks / math.sqrt(2.0)
    return a.unsurer(doubt), b.unsurer(doubt)


def _end(site: Site, blur: float | None) -> Tip | None:
    """One end of a bar without ticks; None where it is no sharp end. `blur`: as the bar's sides tell it, px."""
    change = site.change(np.arange(-0.7 * site.window, -0.3 * site.window, 1.0))
    if site.unseen(change):
        return None
    ways = leans(site.foot.on, site.beyond, site.foot.ground, LEAST_BRIGHT, TINTED_BY)
    tips = [tip for tip in (_end_read(site, way, change, blur) for way in ways) if tip is not None]
    return joined(tips) if tips else None


def _end_read(site: Site, way: Lean, change: FloatArray, blur: float | None) -> Tip | None:
    """One end without a tick, read one way."""
    foot, thick, window = site.foot, site.thick, site.window
    coloured = way.u > 0.0
    known = None if blur is None or coloured else (blur, AS_SIDES * blur)

    def profile(u: FloatArray, rows: FloatArray = site.rows) -> FloatArray:
        return np.asarray(((site.read(u, rows) - way.ground) @ way.lean).mean(axis=0))

    u = np.arange(-window, min(window, site.reach) + 0.01, 1.0)
    fit = fit_edge(u, profile(u), 0.0)
    if fit is None:
        return None
    softest = min(0.2 * window + 3.0, SOFT_END[0] * thick + SOFT_END[1]) + SOFTER * coloured
    # once more in a window as wide as the blur asks for, so that clutter beyond the end weighs little
    near = WINDOW * min(fit[2], softest) if known is None else KNOWN_WINDOW * known[0]
    near = max(3.5, near + 1.5)
    u = np.arange(-near, min(near, site.reach - fit[0]) + 0.01, 0.5) + fit[0]
    fit = fit_edge(u, profile(u), fit[0], known) or fit
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
    # the ground's own texture moves the half-way point as well
    texture = TEXTURE * float(np.std((around[-1] - way.ground) @ way.lean)) / fit[3] * fit[2]
    doubt = math.hypot(
        texture, LEAST_U, site.shift(change, fit[2], tick=False, lean=way.lean if coloured else None)
    )
    if coloured:
        wide = math.ceil(0.5 * thick + 1.0)  # half a block's colour lies beside a thin bar
        rows = np.arange(-wide, wide + 0.5)
        at = colour_end(lambda u: profile(u, rows), site.reach, fit[0], fit[2] if blur is None else blur)
        if at is not None:
            return Tip(at, math.hypot(COLOUR_PART * way.u, doubt), fit[2], tick=False)
    # samples half a px apart share pixels and compression ties neighbours, so residuals hold less than their
    # number says (2.1: from rendered bars)
    u_at = math.hypot(2.1 * fit[1], way.u, doubt)
    return Tip(fit[0], u_at, fit[2], tick=False)


def _rings(site: Site, at: float, blur: float) -> FloatArray:
    """Colours (rings, angles, 3) on half circles around an end `at` px, from just past it to a bar's width off."""
    foot, turn = site.foot, np.deg2rad(np.arange(-60, 61, 4.0))
    outer = 0.9 * site.thick + 1.5 * blur + 2.0
    radius = np.linspace(min(3.0 * blur + 2.0, outer), outer, RINGS)[:, None]
    across = np.array([-foot.outward[1], foot.outward[0]])
    ahead = np.minimum(radius * np.cos(turn), site.reach - at)
    spots = foot.at + (at + ahead)[..., None] * foot.outward + (radius * np.sin(turn))[..., None] * across
    return sample(site.pixels, spots[..., 0], spots[..., 1])
