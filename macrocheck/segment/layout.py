"""Where the weld lies in the maps: its cleaned region, its face, its toes, the surfaces beyond them.

Everything here is in map pixels and good to about a map pixel; the other modules refine it on the photo.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, Float32Array, FloatArray
from macrocheck.errors import NotFoundError
from macrocheck.outline import Joint
from macrocheck.photo import Photo
from macrocheck.segment.face_run import clear_of_border, face_run
from macrocheck.segment.hints import Hints
from macrocheck.segment.maps import (
    BUTTING,
    NONBUTTING,
    WELD,
    RegionMaps,
    sample,
)
from macrocheck.segment.members import beside, continues_behind, leaning, seen_behind

_SMALLEST_WELD = 60
"""Map px of weld metal below which there is no weld to speak of."""


_CLEAR_VOTE = 1.0
"""Votes of the maps about which member is which over which the photo need not be asked."""


@dataclass(frozen=True, eq=False)
class Layout:
    """The weld in the maps, map px throughout.

    `weld`: (h, w) uint8 0/1, its own region with holes filled. `p_weld`: (h, w) float32, its probability without
    islands and holes. `face`: (n, 2) from the butting to the nonbutting toe. `fusion`: (m, 2) from the nonbutting
    to the butting toe. `beyond_butting`, `beyond_nonbutting`: (k, 2) metal's outline from each toe away from the
    weld. `complete_*`: False where the toe is cut off. `member_margin`: how surely the ends were told apart, 0-1.
    `second_part`: centre of another part of weld metal of notable size next to this one, or None.
    """

    weld: ByteArray
    p_weld: Float32Array
    face: FloatArray
    fusion: FloatArray
    beyond_butting: FloatArray
    beyond_nonbutting: FloatArray
    complete_butting: bool
    complete_nonbutting: bool
    member_margin: float
    second_part: tuple[float, float] | None
    centre: tuple[float, float]


def _choose_weld(maps: RegionMaps) -> tuple[ByteArray, tuple[float, float] | None]:
    """The one region of weld metal this crop is about, holes filled, and any second part of notable size."""
    mask = (maps.regions[WELD] > 0.5).astype(np.uint8)
    n, labels, stats, centres = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if n < 2 or int(stats[1:, cv2.CC_STAT_AREA].max()) < _SMALLEST_WELD:
        msg = (
            "no weld metal was found here; if there is one, crop the photo closer to it or draw its outline by hand"
        )
        raise NotFoundError(msg)
    h, w = maps.shape
    box = stats[1:, [cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP]] + stats[1:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]] / 2
    off = np.hypot(box[:, 0] - w / 2, box[:, 1] - h / 2) / (0.3 * max(h, w))
    area = stats[1:, cv2.CC_STAT_AREA].astype(float)
    score = np.sqrt(area) * np.exp(-0.5 * off**2)
    heat = maps.points.max(axis=0)
    for k in range(1, n):
        if area[k - 1] > 0.02 * area.max():
            near = cv2.dilate((labels == k).astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
            score[k - 1] *= 0.5 + float(heat[near].max(initial=0.0))
        else:
            score[k - 1] = 0.0
    best = int(np.argmax(score)) + 1
    own = _cut_along_ridge(maps, (labels == best).astype(np.uint8))
    contours, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(own)
    cv2.drawContours(filled, [max(contours, key=cv2.contourArea)], -1, (1,), cv2.FILLED)
    second = None
    reach = int(0.12 * np.sqrt(area[best - 1]) + 3)
    around = cv2.dilate(own, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
    for k in np.argsort(-area) + 1:
        if k != best and area[k - 1] > 0.06 * area[best - 1] and bool((around & (labels == k)).any()):
            second = (float(centres[k, 0]), float(centres[k, 1]))
            break
    return filled, second


def _cut_along_ridge(maps: RegionMaps, own: ByteArray) -> ByteArray:
    """Take off what hangs on the weld past a fusion ridge and is not surely weld metal itself."""
    ridge = (maps.fusion_line > 0.4).astype(np.uint8)
    n, labels, stats, _ = cv2.connectedComponentsWithStats(own & (1 - ridge), connectivity=4)
    if n < 3:
        return own
    area = stats[:, cv2.CC_STAT_AREA].astype(float)
    area[0] = 0.0
    keep = np.zeros(n, np.bool_)
    for k in range(1, n):
        sure = float(maps.regions[WELD][labels == k].mean())
        keep[k] = area[k] == area.max() or area[k] < _SMALLEST_WELD or sure > 0.85
    if keep[1:].all():
        return own
    # Grown back over the ridge's own width, each pixel to the part it is nearest to.
    far = [
        cv2.distanceTransform(1 - np.isin(labels, np.flatnonzero(side)).astype(np.uint8), cv2.DIST_L2, 3)
        for side in (keep & (np.arange(n) > 0), ~keep & (np.arange(n) > 0))
    ]
    left = (own > 0) & (far[0] <= far[1]) & (far[0] < 4.0)
    count, parts, sizes, _ = cv2.connectedComponentsWithStats(left.astype(np.uint8), connectivity=4)
    if count < 2:
        return own
    return np.asarray(parts == 1 + int(np.argmax(sizes[1:, cv2.CC_STAT_AREA])), np.uint8)


def _clean_probability(maps: RegionMaps, weld: ByteArray) -> Float32Array:
    """P(weld) with every other part of weld metal taken out and holes closed."""
    p = maps.regions[WELD]
    away = cv2.distanceTransform(1 - weld, cv2.DIST_L2, 3)
    deep = cv2.distanceTransform(weld, cv2.DIST_L2, 3)
    # Where a hole or an island meets the true border, the ramp of about three pixels there is left as it is.
    other = (p > 0.5) & (weld == 0)
    fade = np.ones_like(p)
    if other.any():
        from_other = cv2.distanceTransform(1 - other.astype(np.uint8), cv2.DIST_L2, 3)
        fade = np.clip((from_other - away) / 4 + 0.5, 0, 1).astype(np.float32)
    hole = (p <= 0.5) & (weld > 0)
    out = p * fade
    if hole.any():
        grown = cv2.dilate(hole.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        floor = np.clip(0.5 + deep / 6, 0, 1)
        out = np.where(grown & (weld > 0), np.maximum(out, floor), out)
    return np.asarray(out, np.float32)


def _fusion_arc(weld: ByteArray, face: FloatArray) -> FloatArray:
    """The part of the weld region's outline that is not the face, from the face's end back to its start."""
    contours, _ = cv2.findContours(weld, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = max(contours, key=cv2.contourArea)[:, 0, :].astype(np.float64)
    n = len(ring)
    i = int(np.argmin(np.hypot(*(ring - face[-1]).T)))
    j = int(np.argmin(np.hypot(*(ring - face[0]).T)))
    forth = ring[(i + np.arange((j - i) % n + 1)) % n]
    back = ring[(i - np.arange((i - j) % n + 1)) % n]
    mask = np.ones(weld.shape, np.uint8)
    whole = np.round(face).astype(int)
    mask[np.clip(whole[:, 1], 0, weld.shape[0] - 1), np.clip(whole[:, 0], 0, weld.shape[1] - 1)] = 0
    away = cv2.distanceTransform(mask, cv2.DIST_L2, 3)

    def far(arc: FloatArray) -> float:
        return float(sample(away, arc).sum())

    return forth if far(forth) >= far(back) else back


def _told(hints: Hints, maps: RegionMaps, ends: tuple[FloatArray, FloatArray]) -> float:
    """Return +2 where a person's point in the butting member lies nearer to the outline's first end, else -2."""
    at = maps.map_points(np.asarray(hints.butting[:1]))[0]
    away = [float(np.hypot(*(end - at).T).min()) for end in ends]
    return 2.0 if away[0] <= away[1] else -2.0


def lay_out(
    maps: RegionMaps,
    *,
    joint: Joint,
    photo_size: tuple[int, int],
    photo: Photo | None = None,
    hints: Hints | None = None,
) -> Layout:
    """Find the weld, its face, toes and surroundings in the maps; `photo_size` is (width, height) px.

    `photo`: looked at where the maps alone do not tell the members apart. `hints`: may tell them apart.

    Raises:
        NotFoundError: where the maps show no weld metal, or none with a face.
    """
    weld, second = _choose_weld(maps)
    toes = () if hints is None else tuple(maps.map_points(np.asarray(hints.toes[:2]).reshape(-1, 2)))
    run = face_run(maps, weld, photo_size, toes)
    face, before, after, cut_b, cut_n = run.points, run.before, run.after, run.cut_before, run.cut_after
    ys, xs = np.nonzero(weld)
    centre = np.array([xs.mean(), ys.mean()])
    if joint == "bead":
        margin = 1.0
        chord = face[-1] - face[0]
        metal = maps.regions[NONBUTTING] + maps.regions[BUTTING]
        ys, xs = np.nonzero(metal > 0.5)
        inward = (np.array([xs.mean(), ys.mean()]) if len(xs) else centre) - face.mean(axis=0)
        turn = chord[0] * inward[1] - chord[1] * inward[0] < 0
    else:
        lean_start, lean_end = (
            leaning(maps, walk, toe, beside(weld, face, toe))
            for walk, toe in ((before, face[0]), (after, face[-1]))
        )
        seam_start = continues_behind(maps, weld, face, before, opening=joint == "tee")
        seam_end = continues_behind(maps, weld, face, after, opening=joint == "tee")
        # Positive: the outline's start is on the butting member.
        vote = (lean_start - lean_end) / 2 + 1.3 * (seam_end - seam_start)
        if photo is not None and abs(vote) < _CLEAR_VOTE:
            seen = [seen_behind(photo, maps, weld, face, walk) for walk in (before, after)]
            vote += 0.8 * (seen[1] - seen[0])
        if hints is not None and hints.butting:
            vote = _told(hints, maps, (np.vstack([face[:1], before]), np.vstack([face[-1:], after])))
        margin = min(abs(vote), 1.0)
        turn = vote < 0
    if turn:
        face, before, after, cut_b, cut_n = face[::-1], after, before, cut_n, cut_b
    fusion = _fusion_arc(weld, face)
    clear = clear_of_border(maps, photo_size, fusion)
    ok = np.flatnonzero(clear)
    if len(ok) > 4:
        # What runs along the border at either end is the picture's edge, not fusion boundary.
        first = int(ok[0]) if cut_n else 0
        last = int(ok[-1]) if cut_b else len(fusion) - 1
        fusion = fusion[first : last + 1]
    if len(face) < 4 or len(fusion) < 4:
        msg = "the weld metal found here is too small to measure; photograph it closer or crop nearer to it"
        raise NotFoundError(msg)
    return Layout(
        weld=weld,
        p_weld=_clean_probability(maps, weld),
        face=face,
        fusion=fusion,
        beyond_butting=before,
        beyond_nonbutting=after,
        complete_butting=not cut_b,
        complete_nonbutting=not cut_n,
        member_margin=margin,
        second_part=second,
        centre=(float(centre[0]), float(centre[1])),
    )
