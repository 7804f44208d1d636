"""Looking for discs about one seed after the other: in grey, in colour, and for what lies around each of them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import cv2
import numpy as np

from macrocheck.arrays import AnyArray, ByteArray, FloatArray
from macrocheck.calibrate.disc_fit import Disc, measure
from macrocheck.calibrate.disc_seeds import LOOK_SIDE, VOTE_SIDE, Circle, reduced, settle, stands_out, votes
from macrocheck.calibrate.disc_whole import whole
from macrocheck.photo import Photo

LEAST_SUPPORT = 0.5
"""Part of the rays that must agree on a circle before it is measured."""
FULLY, SHARE_MORE, SEEN_MORE, SURER = 0.9, 0.03, 0.04, 0.7
"""A disc of whose outline grey shows less than this is looked for in colour, of which
more rays must agree by so much, show so much more of it and place it so much more surely."""
RIM, RIM_STEP, RIM_SEEN = 1.3, 0.2, 0.8
"""How far around a disc its outermost outline may lie, in radii, its least step against the inner one's, and the
least part of it that is seen against that of the inner one."""
HALF_SEEN = 0.6
"""Part of an outline around a disc that must be seen for it to speak against the disc."""
RIM_SURE = 0.86
"""Part of the rays that must show an outline around a ring for it to be there, though it cannot be measured."""
OFF_CENTRE = 0.03
"""Most that a rim's middle may be off its disc's, part of the radius."""
RIM_ROOM = 0.65
"""How much of a rim is looked at for its outer outline: beyond it lies the inner one."""
CROP = 1.5
"""How much of the picture around a seed is looked at in colour, radii."""
NEAR, AROUND, ABOUT = (0.78, 1.26), (1.025, RIM), (0.93, 1.07)
"""Radii looked at, in a seed's: of a seed, around a disc, and about a disc that is known from another colour."""


def layers_of(pixels: ByteArray) -> list[ByteArray]:
    """A picture in grey, in two of its colours, and in red against blue: a rim may be as light as its ground."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    red, blue = (cv2.extractChannel(pixels, c) for c in (0, 2))
    against = cv2.addWeighted(red, 0.5, cv2.bitwise_not(blue), 0.5, 0.0)
    return [np.asarray(layer, dtype=np.uint8) for layer in (grey, red, blue, against)]


@dataclass
class Search:
    """One picture looked through: `found` are its discs, `doubtful` those of them that are only a rim's inside."""

    photo: Photo
    found: list[Disc] = field(default_factory=list)
    doubtful: list[Disc] = field(default_factory=list)
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(0))

    @cached_property
    def _reduced(self) -> tuple[ByteArray, FloatArray]:
        return reduced(self.photo.pixels, LOOK_SIDE)

    @cached_property
    def _layers(self) -> list[ByteArray]:
        """The reduced picture's layers."""
        return layers_of(self._reduced[0])

    @cached_property
    def seeds(self) -> list[Circle]:
        """Circles that the edges vote for, px of the reduced picture."""
        small, ratio = reduced(self._reduced[0], VOTE_SIDE)
        seeds = []
        for vote in votes(small):
            x, y = (np.array([vote.x, vote.y]) + 0.5) * ratio - 0.5
            seeds.append(Circle(float(x), float(y), vote.radius * float(ratio.mean())))
        return seeds

    def look(self, *, colour: bool) -> None:
        """Find the disc next to every seed, with what lies around it; in `colour` where grey shows none."""
        for seed in self.seeds:
            if colour:
                seen = self._in_layers(seed, NEAR, range(1, 4), self.rng)
                disc = max((d for d in seen if d is not None), key=lambda d: d.seen, default=None)
            else:
                disc = self._in_grey(seed)
            while disc is not None:
                self.found.append(disc)
                disc = self._outside(disc)

    def _in_grey(self, seed: Circle) -> Disc | None:
        """The disc next to a seed as grey shows it, or as a colour does that shows more of it."""
        place = self._settled(0, seed, NEAR, self.rng)
        disc = None if place is None else self._measured(self.photo.grey, np.zeros(2), place, seed, NEAR)
        if disc is None or disc.seen > FULLY:
            return disc
        ring, is_whole = self._ring(disc), whole(self.photo.pixels, disc)
        which: Sequence[int] = range(1, 4)
        # on most pictures no colour shows more, and measuring costs ten times as much as this
        if is_whole and disc.axes[0] == disc.axes[1]:
            shares = [self._share(i, ring) for i in range(4)]
            which = [i for i in which if shares[i] > shares[0] + SHARE_MORE]
        looks = self._in_layers(ring, ABOUT, which, np.random.default_rng(0))
        seen = [d for d in looks if d is not None]
        surer = [d for d in seen if d.seen > disc.seen + SEEN_MORE and _doubt(d) < SURER * _doubt(disc)]
        if surer or is_whole:
            return min(surer, key=_doubt, default=disc)
        return max((d for d in seen if whole(self.photo.pixels, d)), key=lambda d: d.seen, default=disc)

    def _share(self, layer: int, ring: Circle) -> float:
        """Part of the rays that agree on a circle about a ring in a layer."""
        settled = settle(self._layers[layer], ring, np.random.default_rng(0), ABOUT)
        return 0.0 if settled is None else settled[1]

    def _outside(self, disc: Disc) -> Disc | None:
        """The disc of which `disc` is only the inside; it is doubtful where that one cannot be measured."""
        ring = self._ring(disc)
        # a raised rim shows more strongly than the outline around it, and either may show in colour alone
        seen = [o for o in self._in_layers(ring, AROUND, range(4), self.rng) if o is not None]
        around = [
            o for o in seen if within(disc, o) and o.step > RIM_STEP * disc.step and o.seen > RIM_SEEN * disc.seen
        ]
        half_seen = any(
            o.axes[0] == o.axes[1] and o.radius > 1.05 * disc.radius and o.seen > HALF_SEEN for o in seen
        )
        if not around and (half_seen or any(self._hidden(i, ring) for i in range(4))):
            self.doubtful.append(disc)
        return max(around, key=lambda o: o.seen * o.step, default=None)

    def _ring(self, disc: Disc) -> Circle:
        """A disc's circle, px of the reduced picture."""
        px = self._reduced[1]
        x, y = (disc.centre + 0.5) / px - 0.5
        return Circle(float(x), float(y), disc.radius / float(px.mean()))

    def _in_layers(
        self, seed: Circle, reach: tuple[float, float], which: Sequence[int], rng: np.random.Generator
    ) -> list[Disc | None]:
        """What lies around a seed in layers, measured in that part of the whole picture."""
        parts: tuple[list[ByteArray], FloatArray] | None = None
        seen: list[Disc | None] = []
        for i in which:
            place = self._settled(i, seed, reach, rng)
            if place is None:
                seen.append(None)
                continue
            parts = parts or self._part(seed)
            seen.append(self._measured(parts[0][i], parts[1], place, seed, reach))
        return seen

    def _part(self, seed: Circle) -> tuple[list[ByteArray], FloatArray]:
        """Layers of the whole picture's part around a seed, and its first pixel (x, y)."""
        h, w = self.photo.pixels.shape[:2]
        px = self._reduced[1]
        middle = (np.array([seed.x, seed.y]) + 0.5) * px - 0.5
        far = (CROP * seed.radius + 10) * float(px.max())
        x0, y0 = (int(np.clip(c - far, 0, most - 1)) for c, most in zip(middle, (w, h), strict=True))
        x1, y1 = (int(np.clip(c + far, 1, most)) for c, most in zip(middle, (w, h), strict=True))
        part = np.ascontiguousarray(self.photo.pixels[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)])
        return layers_of(part), np.array([x0, y0], dtype=np.float64)

    def _settled(
        self, layer: int, seed: Circle, reach: tuple[float, float], rng: np.random.Generator
    ) -> tuple[float, float, float] | None:
        """Where a circle lies about a seed in a layer: (x, y, radius) px of the whole picture, or None."""
        settled = settle(self._layers[layer], seed, rng, reach)
        if settled is None or settled[1] < LEAST_SUPPORT:
            return None
        place = self._whole_px(settled[0])
        return None if any(_same(disc, *place) for disc in self.found) else place

    def _whole_px(self, circle: Circle) -> tuple[float, float, float]:
        px = self._reduced[1]
        x, y = (np.array([circle.x, circle.y]) + 0.5) * px - 0.5
        return float(x), float(y), circle.radius * float(px.mean())

    def _measured(
        self,
        image: AnyArray,
        corner: FloatArray,
        place: tuple[float, float, float],
        seed: Circle,
        reach: tuple[float, float],
    ) -> Disc | None:
        """Measure the disc at a place in a part of the picture whose first pixel is `corner`; None if known."""
        x, y, radius = place
        px = float(self._reduced[1].mean())
        slack = min(0.02, 0.4 * (reach[1] - 1)) * radius + px
        room = math.inf if reach[0] < 1 else max(RIM_ROOM * (radius - seed.radius * px), 2.5)
        disc = measure(image, x - float(corner[0]), y - float(corner[1]), radius, slack, room)
        if disc is None:
            return None
        disc = replace(disc, centre=disc.centre + corner)
        at = float(disc.centre[0]), float(disc.centre[1]), disc.radius
        return None if any(_same(d, *at) for d in self.found) else disc

    def _hidden(self, layer: int, ring: Circle) -> bool:
        """Whether most rays show an outline around a ring, unmeasured: the ring is then a rim's inside."""
        look = self._layers[layer]
        settled = settle(look, ring, self.rng, (1.035, RIM))
        if settled is None or settled[1] < RIM_SURE:
            return False
        off = math.hypot(settled[0].x - ring.x, settled[0].y - ring.y)
        if off > OFF_CENTRE * ring.radius or not stands_out(look, settled[0], ring.radius, RIM):
            return False
        return not any(_same(d, *self._whole_px(settled[0])) for d in self.found)


def within(a: Disc, b: Disc) -> bool:
    """Whether `a` is a ring of the disc `b`: its rim, its core, a hole."""
    apart = float(np.hypot(*(a.centre - b.centre)))
    return b.radius > a.radius and apart + a.radius < 1.03 * b.radius and b.seen > 0.6 * a.seen


def _doubt(disc: Disc) -> float:
    """Relative standard uncertainty of a disc's radius, with what one ellipse leaves open of a tilt."""
    minor, major = disc.axes
    return math.hypot(disc.u_radius / disc.radius, (1 - minor / major) / math.sqrt(3))


def _same(disc: Disc, x: float, y: float, radius: float) -> bool:
    apart = math.hypot(disc.centre[0] - x, disc.centre[1] - y)
    return apart < 0.02 * radius + 1.0 and abs(disc.radius - radius) < 0.02 * radius + 1.0
