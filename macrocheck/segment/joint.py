"""Which kind of joint the picture shows: told from how the butting member lies to the nonbutting one."""

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.flags import Flag
from macrocheck.outline import Joint
from macrocheck.segment.maps import BUTTING, NONBUTTING, WELD, RegionMaps

_LEAST_MEMBER = 0.04
"""Share of the metal in sight under which a member is not there at all (bead on plate)."""


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


def tell_joint(close: RegionMaps, coarse: RegionMaps) -> tuple[Joint, Flag | None]:
    """Tell tee, lap or bead; the flag says where that is not sure.

    A tee's butting member leaves the seam across it, a lap's upper plate lies along it. `close` are the maps of
    the weld, `coarse` those of the whole photo.
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
    _, spread, axes = np.linalg.svd(butting - butting.mean(axis=0), full_matrices=False)
    lean = abs(float(axes[0] @ seam))
    kind: Joint = "lap" if lean > np.cos(np.deg2rad(40)) else "tee"
    stretched = float(spread[0] / max(spread[1], 1e-9))
    if stretched < 1.25 or abs(lean - np.cos(np.deg2rad(40))) < 0.12:
        text = f"The kind of joint could not be told with confidence; it was taken for a {kind}: give --joint."
        return kind, Flag("joint_unsure", text)
    return kind, None
