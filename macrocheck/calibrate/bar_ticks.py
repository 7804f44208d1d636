"""The end ticks of a bar, on both sides of its line or on one: whether they are there, and where."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.calibrate.bar_bracket import one_sided
from macrocheck.calibrate.bar_ends import (
    End,
    Patch,
    as_drawn,
    closer_end,
    evidence,
    plain_end,
    tick_shows,
    ticked_end,
)
from macrocheck.calibrate.bar_pair import Pair, fit_pair
from macrocheck.calibrate.bar_site import Lean, Site, Tip, joined, leans, likeness

TICK_U, ONE_SIDED_U = 0.027, 0.045
"""Least standard uncertainty of a tick's middle, and of one on one side, of which half as many pixels tell, px."""
LEAST_BRIGHT = 12.0
"""Step of brightness from which a tick is measured by brightness, grey levels."""
LEAST_SHOWN, SURELY_SHOWN = 0.35, 0.6
"""How much of the misfit of a plain end a tick must make good for it to be there: rendered ticks 0.48 to 1, 19 of
20 ends without one 0.3 at most."""
HINTED, AS_WIDE = 0.3, (1.3, 1.0)
"""How much a tick that is told by the evidence for it must show at least, and how thick it is at most, in parts of
its bar's thickness and px more."""
SEEN_PART = 0.6
"""Least that a bar is taken to be thick by such evidence, in parts of what is seen: compression spreads colour."""
STUB = 0.4
"""By how much a tick on one side that the evidence alone tells is taller than 1.4 thicknesses of its bar, px."""
TELLS, EVEN_CHANCE, PER_E, LEAST_CHANCE = (5.0, 20.0), 22.0, 3.0, 0.02
"""Evidence (`evidence`) from which a tick may be one that blur makes no taller than its bar seems, and from which
the other end's is looked for as its like; that of both ends together at which ticks are as likely as none, by how
much more they are e times likelier, and the chance that is not worth a doubt. Of 274 rendered bars without ticks
none had both ends like ticks with 19 or more together, of 164 with ticks all but one had 37 or more."""
NEXT_GROUND = 0.3
"""Change of the ground past both ends, in parts of the bar's contrast, from which faint ticks are the edges of the
next ground: 0.33 and 0.46 at a seam from a cavity to a plate's end; an estimate, one such seam was seen."""
LEAST_ONE_SIDED, SURE_CHANCE, STANDS, THIN, DEBLURRED = 0.5, 0.95, 0.2, 0.04, 0.8
"""The same as `LEAST_SHOWN` for ticks on one side of the bar only, which may show less where both together are as
likely as the next says; by how much likeness to the bar (1 its tone, 0 its ground) one exceeds, close beside the
bar, what lies there further back; how thick such a bar is at most, in parts of its length: the ground between a bar
and the edge of its box has ends like that; and how thick it is at least, in parts of what is seen, which blur
widens; estimates."""


def ticks_of(sites: list[Site], inward: float, *, thin: bool) -> tuple[Tip, Tip] | float | None:
    """Both end ticks; where it has none, what it may be too long by for ones that hide; None where they contradict.

    `thin`: whether it may have them on one side only. What hidden ticks may add is a standard uncertainty, px.
    """
    changes = []
    for site in sites:
        change = site.change(np.arange(-1.8, -1.0, 0.1) * site.window)
        if site.unseen(change) or math.dist(site.foot.on, site.beyond) < site.foot.least_step:
            return None
        changes.append(change)
    ends = [_tick_read(site, change, inward) for site, change in zip(sites, changes, strict=True)]
    best = [_surest(readings) for readings in ends]
    weak = int(np.argmin([r.shows for r in best]))
    if best[weak].shows < LEAST_SHOWN and (best[1 - weak].shows >= SURELY_SHOWN or best[1 - weak].tells > TELLS[1]):
        # one end shows its tick: the other's is like it, whatever else stands there
        again = _tick_read(sites[weak], changes[weak], inward, like=best[1 - weak].end)
        ends[weak] = again if _surest(again).shows > best[weak].shows else ends[weak]
        best[weak] = _surest(ends[weak])
    shown = [r.shows for r in best]
    paired = _pair(ends, LEAST_SHOWN)
    if paired and min(shown) >= SURELY_SHOWN:
        return _both(ends)
    bracket = _bracket(sites, changes, inward) if thin else None
    if bracket is not None and not (paired and bracket[0] < min(shown)):
        return bracket[1]
    chance = _chance(ends)
    doubt = sum(max(r.past, 0.0) for r in best)
    if paired or chance > 0.5:
        faint = max(shown) < SURELY_SHOWN
        if faint and all(_meets_ground(site) for site in sites):
            return None
        return _both(ends, 0.0 if paired else doubt * math.sqrt(1.0 - chance))
    return doubt * math.sqrt(chance) if max(shown) < SURELY_SHOWN else None


@dataclass(frozen=True, slots=True)
class _Reading:
    """A tick read in one way: how much it shows (`tick_shows`), as fitted, and where it is.

    `tells`: the evidence for it; `past`: how far past its middle the end lies where it is none, px; `patch`: what
    it was fitted in, read in this `way`; `shift`: standard uncertainty for a ground that changes there, px.
    """

    shows: float
    end: End
    tip: Tip
    tells: float
    past: float
    patch: Patch
    way: Lean
    shift: float

    @property
    def bright(self) -> bool:
        """Whether it is read by brightness."""
        return self.way.u == 0.0

    def again(self, pair: Pair, end: int) -> Tip:
        """The tick as fitted with the other end's."""
        least = ONE_SIDED_U if self.end.side else TICK_U
        return Tip(pair.at[end], math.hypot(pair.u[end], least, self.way.u, self.shift), pair.blur, tick=True)


def _surest(readings: Sequence[_Reading]) -> _Reading:
    return max(readings, key=lambda r: (r.shows, r.tells))


def _chance(ends: Sequence[list[_Reading]]) -> float:
    """How likely both ends have ticks, by the evidence of both; 0 where one has none that could be, or unlike ones.

    A tick that blur spreads shows little at any one pixel, and much in all of them together.
    """
    best = [max(readings, key=lambda r: r.tells) for readings in ends]
    if any(r.end.wide > AS_WIDE[0] * r.end.thickness + AS_WIDE[1] for r in best):
        return 0.0
    if min(r.tells for r in best) < TELLS[0] or not _pair([[r] for r in best], HINTED):
        return 0.0
    both = sum(r.tells for r in best)
    chance = 1.0 / (1.0 + math.exp(min((EVEN_CHANCE - both) / PER_E, 50.0)))
    return chance if chance > LEAST_CHANCE else 0.0


def _tick_read(
    site: Site, change: FloatArray, inward: float, side: int = 0, like: End | None = None
) -> list[_Reading]:
    """The tick at one end, read in every way; `side`: 1 or -1 for one on that side of the bar only.

    `like`: the other end's tick, where this one is looked for as its like.
    """
    foot, readings, aside = site.foot, [], site.aside()
    for way in leans(foot.on, site.beyond, foot.ground, LEAST_BRIGHT):
        patch = Patch.cut(
            site.pixels, foot.at, foot.outward, site.thick, way.lean, way.ground, inward, site.reach, side, aside
        )
        plain = plain_end(patch, 0.0)
        end = ticked_end(patch, plain, side, like)
        tells = evidence(plain, end)
        seen = max(as_drawn(site.thick, end.blur), SEEN_PART * site.thick) if tells > TELLS[0] else site.thick
        shows = tick_shows(patch, plain, end)
        stub = bool(side) and tells > TELLS[1]
        if not _is_tick(end, DEBLURRED * seen if side else seen, STUB if stub else 1.0):
            shows = tells = 0.0
        if side and shows and not one_sided(patch, end, site.read, foot.contrast):
            shows = tells = 0.0
        if shows >= LEAST_SHOWN:
            end = closer_end(patch.around(end), end)
        shift = site.shift(change, end.blur, tick=True)
        u = math.hypot(end.u, ONE_SIDED_U if side else TICK_U, way.u, shift)
        tip = Tip(end.at, u, end.blur, tick=True)
        readings.append(_Reading(shows, end, tip, tells, plain.at - end.at, patch, way, shift))
    return readings


def _pair(ends: Sequence[list[_Reading]], least: float) -> bool:
    """Whether both ends show a tick, and one about as long as the other."""
    best = [_surest(readings) for readings in ends]
    tall = sorted(r.end.tick for r in best)
    return min(r.shows for r in best) >= least and tall[1] <= 1.5 * tall[0] + 2.0


def _both(ends: Sequence[list[_Reading]], doubt: float = 0.0) -> tuple[Tip, Tip]:
    """Both ticks; `doubt`: standard uncertainty of the bar's length for ticks that may be none, px."""
    first, last = ([r for r in readings if r.shows >= LEAST_SHOWN] or [_surest(readings)] for readings in ends)
    pairs = [
        (one, other, pair)
        for one in first
        for other in last
        if one.bright == other.bright
        and (pair := fit_pair((one.patch, other.patch), (one.end, other.end))) is not None
    ]
    if pairs:
        a = joined([one.again(pair, 0) for one, _, pair in pairs])
        b = joined([other.again(pair, 1) for _, other, pair in pairs])
    else:
        a, b = (joined([r.tip for r in readings]) for readings in (first, last))
    return a.unsurer(doubt / math.sqrt(2.0)), b.unsurer(doubt / math.sqrt(2.0))


def _bracket(sites: list[Site], changes: list[FloatArray], inward: float) -> tuple[float, tuple[Tip, Tip]] | None:
    """The ticks of a bar that has them on one side only, `|____|`, and how much they show; None without them."""
    found = []
    for side in (1, -1):  # v of the two ends runs in opposite directions
        turned = (side, -side)
        if not all(_stands(site, s) for site, s in zip(sites, turned, strict=True)):
            continue
        ends = [_tick_read(site, change, inward, s) for site, change, s in zip(sites, changes, turned, strict=True)]
        if _pair(ends, LEAST_ONE_SIDED) or (_pair(ends, LEAST_SHOWN) and _chance(ends) > SURE_CHANCE):
            found.append((min(_surest(readings).shows for readings in ends), _both(ends)))
    return max(found, key=lambda one: one[0]) if found else None


def _meets_ground(site: Site) -> bool:
    """Whether another ground lies past an end: the rim of a cavity or the edge of a plate stands across there."""
    return math.dist(site.beyond, site.foot.ground) > NEXT_GROUND * site.foot.contrast


def _stands(site: Site, side: int) -> bool:
    """Whether something of the bar's tone stands beside its end on one side that does not beside the bar."""
    v = side * (0.5 * site.thick + np.array([1.0, 1.5, 2.0]))
    near = np.arange(-4.0 - 0.5 * site.thick, 4.1 + 0.5 * site.thick)
    far = np.arange(-0.8 * site.window, -0.5 * site.window, 1.0) - 4.0 - site.thick
    at_end, before = (likeness(site.read(u, v), site.foot.on, site.foot.ground).mean(axis=0) for u in (near, far))
    return bool(at_end.max() - np.median(before) > STANDS)


def _is_tick(end: End, seen: float, more: float = 1.0) -> bool:
    """Whether a fitted tick is one: taller by `more` px than its bar, as fitted and as `seen`, px."""
    return end.tick > max(1.4 * end.thickness, seen) + more and 0.3 < end.height < 25.0
