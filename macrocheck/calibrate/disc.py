"""A disc of known diameter, a coin, a pin, a ball's silhouette, anywhere in the picture and partly covered.

The diameter is read off the ellipse through the sub-pixel outline. An outline that is no circle is a disc in a
tilted plane: the axis ratio is the cosine of the tilt, and the plane is squared up by it.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray, FloatArray
from macrocheck.calibrate.disc_fit import LEAST_TILT_DEG, Disc, measure
from macrocheck.calibrate.disc_seeds import LOOK_SIDE, VOTE_SIDE, Circle, reduced, settle, stands_out, votes
from macrocheck.calibrate.mark import Candidate, Mark
from macrocheck.calibrate.profile import sample
from macrocheck.flags import Flag
from macrocheck.photo import Photo
from macrocheck.scale import Tilt

LEAST_SUPPORT = 0.5
"""Part of the rays that must agree on a circle before it is measured."""
WEAKEST = 0.3
"""A disc with a step this much weaker than the strongest one's is taken for a shade."""

SMALLEST = 0.05
"""Least diameter over the picture's longest side, as measured; beside what is looked for, `LEAST_DIAMETER`."""
UNLIKE = 0.35
"""Least contrast of what lies within a disc to its ground, part of its outline's."""
PLAIN, MOST_MIXED = 0.6, 0.08
"""Contrast within a disc, part of its outline's, and the part of it that may be that unlike the rest of it."""
ALL_ROUND, NO_LETTER = 0.85, 0.08
"""Part of the outline seen, and diameter over the picture's longest side, from which it is no letter's."""

RIM, RIM_STEP, RIM_SEEN = 1.3, 0.2, 0.8
"""How far around a disc its outermost outline may lie, in radii, its least step against the inner one's, and the
least part of it that is seen against that of the inner one."""


CROP = 1.5
"""How much of the picture around a disc its outer outlines are looked at in, radii: those that lie at `RIM` too."""
ORIGIN: FloatArray = np.zeros(2)
"""The picture's first pixel, (x, y)."""
FULLY, SEEN_MORE, SURER = 0.9, 0.04, 0.7
"""A disc of whose outline grey shows less than this is looked for in colour, which must show so much more of it and
place it so much more surely."""
HALF_SEEN = 0.6
"""Part of an outline around a disc that must be seen for it to speak against the disc."""
RIM_SURE = 0.86
"""Part of the rays that must show an outline around a ring for it to be there, though it cannot be measured."""
OFF_CENTRE = 0.03
"""Most that a rim's middle may be off its disc's, part of the radius."""
RIM_ROOM = 0.65
"""How much of a rim is looked at for its outer outline: beyond it lies the inner one."""


def find(photo: Photo, mark: Mark) -> tuple[Candidate, ...]:
    """Return every disc in the picture, best seen first."""
    if mark.length_mm is None or min(photo.width, photo.height) < 40:
        return ()
    discs = find_discs(photo)
    return tuple(_candidate(disc, mark, mark.length_mm) for disc in discs)


def find_discs(photo: Photo) -> list[Disc]:
    """Return the discs in the picture, best seen first; of discs within each other the outermost."""
    shrunk, look_px = reduced(photo.pixels, LOOK_SIDE)
    layers = _layers(shrunk)
    small, ratio = reduced(shrunk, VOTE_SIDE)
    rng = np.random.default_rng(0)
    found: list[Disc] = []
    doubtful: list[Disc] = []
    for vote in votes(small):
        x, y = (np.array([vote.x, vote.y]) + 0.5) * ratio - 0.5
        seed = Circle(float(x), float(y), vote.radius * float(ratio.mean()))
        disc = _look(photo.grey, layers[0], look_px, seed, rng, found)
        if disc is None or disc.seen < FULLY:
            disc = _in_colour(photo.pixels, layers, look_px, seed, disc, found)
        while disc is not None:
            found.append(disc)
            x, y = (disc.centre + 0.5) / look_px - 0.5
            ring = Circle(float(x), float(y), disc.radius / float(look_px.mean()))
            # a raised rim shows more strongly than the outline around it, and either may show in colour alone
            outer = _looks(photo.pixels, layers, look_px, ring, rng, found, (1.025, RIM))
            around = [
                o
                for o in outer
                if o is not None
                and _within(disc, o)
                and o.step > RIM_STEP * disc.step
                and o.seen > RIM_SEEN * disc.seen
            ]
            half_seen = any(
                o is not None
                and o.axes[0] == o.axes[1]
                and o.radius > 1.05 * disc.radius
                and o.seen > HALF_SEEN
                for o in outer
            )
            if not around and (
                half_seen or any(_hidden(layer, look_px, ring, rng, found) for layer in layers)
            ):
                doubtful.append(disc)
            disc = max(around, key=lambda o: o.seen * o.step, default=None)
    found = [a for a in found if not any(_within(a, b) for b in found if b is not a)]
    found = [d for d in found if not any(d is other for other in doubtful) and _whole(photo.pixels, d)]
    found.sort(key=lambda d: -d.seen * d.step)
    return [d for d in found if d.step >= WEAKEST * max(o.step for o in found)]


def _whole(pixels: ByteArray, disc: Disc) -> bool:
    """Whether an outline is that of a thing: seen all round and of some size, or plain and unlike its ground.

    A digit's or a letter's round stroke is open or straight in part, and has its ground within it as well.
    """
    size = 2 * disc.radius / max(pixels.shape[:2])
    if size < SMALLEST:
        return False
    if disc.seen > ALL_ROUND and size > NO_LETTER:
        return True
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    tones: list[FloatArray] = []
    mixed = 1.0
    for low, high in ((0.0, 0.6), (1.06, 1.16), (1.35, 1.7)):
        far = np.linspace(low, high, 12)[:, None, None]
        at = disc.centre + far * (unit @ disc.shape)
        inside = (at >= 0).all(axis=2) & (at[..., 0] < pixels.shape[1]) & (at[..., 1] < pixels.shape[0])
        if np.count_nonzero(inside) < 60:
            if not tones:
                return False
            continue
        read = sample(pixels, at[..., 0], at[..., 1])[inside]
        tones.append(np.median(read, axis=0))
        if len(tones) == 1:
            mixed = float(np.mean(np.abs(read - tones[0]).max(axis=1) > PLAIN * disc.step))
    # of a stroke's inner outline the stroke lies just outside, and the ground within it beyond
    unlike = min((float(np.abs(tones[0] - tone).max()) for tone in tones[1:]), default=math.inf)
    return unlike > UNLIKE * disc.step and mixed < MOST_MIXED


def _layers(pixels: ByteArray) -> list[ByteArray]:
    """A picture in grey, in two of its colours, and in red against blue: a rim may be as light as its ground."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    red, blue = (cv2.extractChannel(pixels, c) for c in (0, 2))
    against = cv2.addWeighted(red, 0.5, cv2.bitwise_not(blue), 0.5, 0.0)
    return [np.asarray(layer, dtype=np.uint8) for layer in (grey, red, blue, against)]


def _in_colour(
    pixels: ByteArray,
    layers: Sequence[ByteArray],
    look_px: FloatArray,
    seed: Circle,
    disc: Disc | None,
    known: list[Disc],
) -> Disc | None:
    """The disc near a seed as the layer shows it that shows it best; `disc`: as grey does."""
    reach = (0.78, 1.26)
    if disc is not None:
        x, y = (disc.centre + 0.5) / look_px - 0.5
        seed, reach = Circle(float(x), float(y), disc.radius / float(look_px.mean())), (0.93, 1.07)
    looks = _looks(pixels, layers, look_px, seed, np.random.default_rng(0), known, reach, first=1)
    seen = [d for d in looks if d is not None]
    if disc is None:
        return max(seen, key=lambda d: d.seen, default=None)
    surer = [d for d in seen if d.seen > disc.seen + SEEN_MORE and _doubt(d) < SURER * _doubt(disc)]
    if surer or _whole(pixels, disc):
        return min(surer, key=_doubt, default=disc)
    return max((d for d in seen if _whole(pixels, d)), key=lambda d: d.seen, default=disc)


def _doubt(disc: Disc) -> float:
    """Relative standard uncertainty of a disc's radius, with what one ellipse leaves open of a tilt."""
    minor, major = disc.axes
    return math.hypot(disc.u_radius / disc.radius, (1 - minor / major) / math.sqrt(3))


def _looks(
    pixels: ByteArray,
    layers: Sequence[ByteArray],
    look_px: FloatArray,
    seed: Circle,
    rng: np.random.Generator,
    known: list[Disc],
    reach: tuple[float, float],
    first: int = 0,
) -> list[Disc | None]:
    """What lies around a seed in each of `layers` from `first` on, measured in that part of the whole picture."""
    h, w = pixels.shape[:2]
    middle = (np.array([seed.x, seed.y]) + 0.5) * look_px - 0.5
    far = CROP * seed.radius * float(look_px.max()) + 10 * float(look_px.max())
    x0, y0 = (int(np.clip(c - far, 0, most - 1)) for c, most in zip(middle, (w, h), strict=True))
    x1, y1 = (int(np.clip(c + far, low + 1, most)) for c, low, most in zip(middle, (x0, y0), (w, h), strict=True))
    parts = _layers(np.ascontiguousarray(pixels[y0:y1, x0:x1]))
    corner = np.array([x0, y0], dtype=np.float64)
    return [
        _look(part, layer, look_px, seed, rng, known, reach, corner)
        for part, layer in zip(parts[first:], layers[first:], strict=True)
    ]


def _look(
    image: AnyArray,
    look: AnyArray,
    look_px: FloatArray,
    seed: Circle,
    rng: np.random.Generator,
    known: list[Disc],
    reach: tuple[float, float] = (0.78, 1.26),
    corner: FloatArray = ORIGIN,
) -> Disc | None:
    """Measure the disc near a seed (px of `look`); None where there is none or it is known.

    `image`: the whole picture, or a part of it whose first pixel is `corner` (x, y).
    """
    settled = settle(look, seed, rng, reach)
    if settled is None or settled[1] < LEAST_SUPPORT:
        return None
    circle = settled[0]
    x, y = (np.array([circle.x, circle.y]) + 0.5) * look_px - 0.5
    radius = circle.radius * float(look_px.mean())
    if any(_same(disc, float(x), float(y), radius) for disc in known):
        return None
    slack = min(0.02, 0.4 * (reach[1] - 1)) * radius + float(look_px.mean())
    inner = seed.radius * float(look_px.mean())
    room = math.inf if reach[0] < 1 else max(RIM_ROOM * (radius - inner), 2.5)
    disc = measure(image, float(x - corner[0]), float(y - corner[1]), radius, slack, room)
    disc = None if disc is None else replace(disc, centre=disc.centre + corner)
    if disc is None or any(_same(d, float(disc.centre[0]), float(disc.centre[1]), disc.radius) for d in known):
        return None
    return disc


def _hidden(look: AnyArray, look_px: FloatArray, ring: Circle, rng: np.random.Generator, known: list[Disc]) -> bool:
    """Whether most rays show an outline around a ring, unmeasured: the ring is then a rim's inside."""
    settled = settle(look, ring, rng, (1.035, RIM))
    if settled is None or settled[1] < RIM_SURE:
        return False
    off = math.hypot(settled[0].x - ring.x, settled[0].y - ring.y)
    if off > OFF_CENTRE * ring.radius or not stands_out(look, settled[0], ring.radius, RIM):
        return False
    x, y = (np.array([settled[0].x, settled[0].y]) + 0.5) * look_px - 0.5
    return not any(_same(d, float(x), float(y), settled[0].radius * float(look_px.mean())) for d in known)


def _same(disc: Disc, x: float, y: float, radius: float) -> bool:
    apart = math.hypot(disc.centre[0] - x, disc.centre[1] - y)
    return apart < 0.02 * radius + 1.0 and abs(disc.radius - radius) < 0.02 * radius + 1.0


def _within(a: Disc, b: Disc) -> bool:
    """Whether `a` is a ring of the disc `b`: its rim, its core, a hole."""
    apart = float(np.hypot(*(a.centre - b.centre)))
    return b.radius > a.radius and apart + a.radius < 1.03 * b.radius and b.seen > 0.6 * a.seen


def _candidate(disc: Disc, mark: Mark, diameter_mm: float) -> Candidate:
    minor, major = disc.axes
    mm_per_px = diameter_mm / (2 * disc.radius)
    u_found = disc.u_radius / disc.radius
    tilt = math.degrees(math.acos(min(minor / major, 1.0)))
    flags: tuple[Flag, ...] = ()
    plane: FloatArray | None = None
    told: Tilt | None = None
    if tilt > 0.9 * LEAST_TILT_DEG:
        plane = np.eye(3)
        plane[:2, :2] = np.linalg.inv(disc.shape) * diameter_mm / 2
        # what squaring up by one ellipse leaves: nearer parts look larger, by an amount that one disc cannot show
        left = (1 - minor / major) / math.sqrt(3)
        u_found = math.hypot(u_found, left)
        text = (
            f"The disc is {2 * major:.1f} px long and {2 * minor:.1f} px wide: the camera was tilted by about "
            f"{tilt:.0f} degrees. Lengths are squared up by it; {100 * left:.1g} % for what one disc cannot show "
            f"is in the uncertainty."
        )
        x, y = disc.centre
        flags = (Flag("scale_tilt", text, ((float(x), float(y)),)),)
        told = Tilt(tilt, math.degrees(disc.u_ratio / math.sin(math.radians(tilt))), "the disc's axes")
    name = f"{mark.name}, " if mark.name else ""
    return Candidate(
        mm_per_px=mm_per_px,
        u_found=u_found,
        points_px=disc.outline(),
        what=f"disc {name}{diameter_mm:g} mm, {2 * disc.radius:.1f} px across",
        flags=flags,
        plane=plane,
        extent_px=2 * disc.radius,
        tilt=told,
    )
