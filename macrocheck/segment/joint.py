"""Which kind of joint the picture shows: told from how the butting member lies to the nonbutting one."""

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.flags import Flag
from macrocheck.outline import Joint
from macrocheck.segment.face_run import clear_of_border
from macrocheck.segment.maps import BACKGROUND, BUTTING, NONBUTTING, WELD, RegionMaps, sample

_LEAST_MEMBER = 0.04
"""Share of the metal in sight under which a member is not there at all (bead on plate)."""
_WORDS: dict[Joint, str] = {"tee": "tee", "lap": "lap", "bead": "bead on plate"}
_LEAST_EDGE = 12
"""Map px of bare outline under which it tells nothing."""
_ALIKE = 0.8
"""Cosine of the angle within which a stretch of outline lies along the seam, or across it."""
_TEE, _LAP = 0.35, 0.55
"""Share of tops in tops and sides up to which the joint is a tee, and from which it is a lap."""


def _largest_part(maps: RegionMaps, region: int) -> ByteArray:
    """The largest connected part of a region, 0/1: a rule, or a stray strip at the crop's border, is no member."""
    mask: ByteArray = (maps.regions[region] > 0.5).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        return mask
    own: ByteArray = (labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))).astype(np.uint8)
    return own


def _points(maps: RegionMaps, region: int) -> FloatArray:
    ys, xs = np.nonzero(_largest_part(maps, region))
    return maps.photo_points(np.column_stack([xs, ys]).astype(np.float64))


def _seam_direction(maps: RegionMaps) -> FloatArray | None:
    """Direction of the border between the two members, where there is enough of it."""
    kernel = np.ones((5, 5), np.uint8)
    near = cv2.dilate(_largest_part(maps, BUTTING), kernel) > 0
    ys, xs = np.nonzero(near & (cv2.dilate(_largest_part(maps, NONBUTTING), kernel) > 0))
    if len(xs) < 40:
        return None
    points = np.column_stack([xs, ys]).astype(np.float64)
    _, spread, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    return np.asarray(axes[0]) if spread[1] < 0.35 * spread[0] else None


def _bare(maps: RegionMaps, photo_size: tuple[int, int], seam: FloatArray) -> tuple[float, float]:
    """Lengths, map px, of the butting member's outline in the air that lie along the seam, and across it.

    Along it is what a lap's upper plate shows, its top; across it are the sides of a tee's member. `seam`: unit
    vector, map px.
    """
    part = _largest_part(maps, BUTTING)
    air = maps.regions[BACKGROUND] > 0.5
    ys, xs = np.nonzero((part > 0) & (cv2.dilate(air.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0))
    at = np.column_stack([xs, ys]).astype(np.float64)
    at = at[clear_of_border(maps, photo_size, at)] if len(at) else at
    other = np.nonzero(_largest_part(maps, NONBUTTING))
    own = np.nonzero(part)
    if len(at) < _LEAST_EDGE or not len(other[0]):
        return 0.0, 0.0
    off = np.array([-seam[1], seam[0]])
    away = np.array([own[1].mean() - other[1].mean(), own[0].mean() - other[0].mean()])
    off = off if off @ away >= 0 else -off
    soft = cv2.GaussianBlur(part.astype(np.float32), (0, 0), 2.0)
    grad = [
        sample(np.asarray(cv2.Sobel(soft, cv2.CV_32F, i, j), np.float32), at.astype(np.float32))
        for i, j in ((1, 0), (0, 1))
    ]
    normal = -np.column_stack(grad)
    normal /= np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-9)[:, None]
    return float((normal @ off > _ALIKE).sum()), float((np.abs(normal @ seam) > _ALIKE).sum())


def tell_joint(close: RegionMaps, coarse: RegionMaps, photo_size: tuple[int, int]) -> tuple[Joint, Flag | None]:
    """Tell tee, lap or bead; the flag says where that is not sure.

    A tee's butting member shows its sides, which leave the seam across it; a lap's upper plate its top, which lies
    along it. `close`: maps of the weld, `coarse`: of the whole photo; `photo_size`: its (width, height), px.
    """
    sizes = [float((coarse.regions[k] > 0.5).sum()) for k in (WELD, BUTTING, NONBUTTING)]
    near = [float((close.regions[k] > 0.5).sum()) for k in (WELD, BUTTING, NONBUTTING)]
    if min(near[1], near[2]) < _LEAST_MEMBER * sum(near) and min(sizes[1], sizes[2]) < _LEAST_MEMBER * sum(sizes):
        return "bead", None
    maps = coarse if sizes[1] > 150 else close
    butting = _points(maps, BUTTING)
    seam = _seam_direction(close)
    if seam is None or len(butting) < 50:
        text = "The kind of joint could not be told with confidence; it was taken for a tee: give --joint."
        return "tee", Flag("joint_unsure", text)
    tops, sides = (sum(pair) for pair in zip(*(_bare(m, photo_size, seam) for m in (close, coarse)), strict=True))
    share = tops / max(tops + sides, 1e-9)
    if tops + sides >= 2 * _LEAST_EDGE and not _TEE < share < _LAP:
        return ("lap" if share >= _LAP else "tee"), None
    _, spread, axes = np.linalg.svd(butting - butting.mean(axis=0), full_matrices=False)
    lean = abs(float(axes[0] @ seam))
    kind: Joint = "lap" if lean > np.cos(np.deg2rad(40)) else "tee"
    stretched = float(spread[0] / max(spread[1], 1e-9))
    if stretched < 1.25 or abs(lean - np.cos(np.deg2rad(40))) < 0.12:
        text = f"The kind of joint could not be told with confidence; it was taken for a {kind}: give --joint."
        return kind, Flag("joint_unsure", text)
    return kind, None


def unlike(stated: Joint, told: tuple[Joint, Flag | None]) -> Flag | None:
    """Flag for a joint that was stated where the picture clearly shows another; `told`: from `tell_joint`."""
    kind, doubt = told
    if doubt is not None or kind == stated:
        return None
    text = f"This looks like a {_WORDS[kind]}, but was measured as a {_WORDS[stated]}: check which joint it is."
    return Flag("joint_unsure", text)
