"""A section laid out in pixels: which region each pixel belongs to, and the weld's own coordinates.

The weld's own coordinates are what grain and heat-affected bands are drawn in: the distance of a pixel from the
fusion boundary, and how far along that boundary its nearest point lies.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, Float32Array, FloatArray
from macrocheck.render.section import Section

BACKGROUND, WELD, BUTTING, NONBUTTING = 0, 1, 2, 3


@dataclass(frozen=True, slots=True)
class View:
    """How section millimetres (y up) become pixels: `matrix` 2x3 affine, picture size in px."""

    matrix: FloatArray
    width: int
    height: int

    @property
    def px_per_mm(self) -> float:
        """Mean scale of the view, px per mm."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix[:, :2]))))

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Map (n, 2) section points in mm to (n, 2) pixels."""
        return np.asarray(points_mm @ self.matrix[:, :2].T + self.matrix[:, 2])

    def finer(self, factor: int) -> "View":
        """Return the same view with `factor` times the pixels a side (pixel centres stay at integers)."""
        m = self.matrix * factor
        m[:, 2] += (factor - 1) / 2
        return View(m, self.width * factor, self.height * factor)


def make_view(
    *,
    px_per_mm: float,
    width: int,
    height: int,
    centre_mm: tuple[float, float],
    rotation_deg: float = 0.0,
    mirror: bool = False,
    shear: float = 0.0,
) -> View:
    """Return a view with `centre_mm` of the section in the middle of the picture."""
    a = np.deg2rad(rotation_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    flip = np.array([[-1.0 if mirror else 1.0, 0], [0, -1.0]])
    m = px_per_mm * turn @ np.array([[1, shear], [0, 1]]) @ flip
    t = np.array([(width - 1) / 2, (height - 1) / 2]) - m @ np.asarray(centre_mm)
    return View(np.column_stack([m, t]), width, height)


def _fixed(points: FloatArray) -> "np.ndarray[tuple[int, ...], np.dtype[np.int32]]":
    return np.round(np.clip(points, -30000, 30000) * 16).astype(np.int32)


def region_map(section: Section, view: View, *, finer: int = 1) -> ByteArray:
    """Region of every (sub)pixel: BACKGROUND, WELD, BUTTING or NONBUTTING, (h * finer, w * finer) uint8."""
    v = view.finer(finer) if finer > 1 else view
    out = np.zeros((v.height, v.width), np.uint8)
    cv2.fillPoly(out, [_fixed(v.to_px(section.nonbutting))], NONBUTTING, cv2.LINE_8, 4)
    if section.butting is not None:
        cv2.fillPoly(out, [_fixed(v.to_px(section.butting))], BUTTING, cv2.LINE_8, 4)
    for weld in section.welds:
        cv2.fillPoly(out, [_fixed(v.to_px(weld.polygon))], WELD, cv2.LINE_8, 4)
    return out


def void_map(section: Section, view: View, *, finer: int = 1) -> BoolArray:
    """Where the weld metal has a hole, (h * finer, w * finer) bool."""
    v = view.finer(finer) if finer > 1 else view
    out = np.zeros((v.height, v.width), np.uint8)
    for weld in section.welds:
        for void in weld.voids:
            cv2.fillPoly(out, [_fixed(v.to_px(void))], 1, cv2.LINE_8, 4)
    return out > 0


def _closer(line: FloatArray, step: float = 1.5) -> FloatArray:
    """Add vertices so that no step is over `step` px; without them the grain would show facets."""
    length = np.hypot(*np.diff(line, axis=0).T)
    count = np.maximum(np.ceil(length / step), 1).astype(np.intp)
    at = np.repeat(np.arange(len(count)), count)
    part = (np.arange(len(at)) - np.repeat(np.cumsum(count) - count, count)) / count[at]
    return np.vstack([line[at] + part[:, None] * np.diff(line, axis=0)[at], line[-1:]])


@dataclass(frozen=True, slots=True)
class WeldCoordinates:
    """Per pixel, (h, w) float32: `distance` to the nearest fusion boundary, px, and `along`, px along it.

    Welds follow one another in `along` with a wide space between them.
    """

    distance: Float32Array
    along: Float32Array


def weld_coordinates(section: Section, view: View) -> WeldCoordinates:
    """Compute the weld's own coordinates for every pixel of the view."""
    index = np.zeros((view.height, view.width), np.int32)
    starts: list[float] = [0.0]
    offset = 1000.0
    for weld in section.welds:
        line = _closer(view.to_px(weld.fusion))
        steps = np.hypot(*np.diff(line, axis=0).T)
        along = offset + np.concatenate([[0], np.cumsum(steps)])
        fixed = _fixed(line)
        for i in range(len(line) - 1):
            starts.append(float((along[i] + along[i + 1]) / 2))
            cv2.line(index, fixed[i].tolist(), fixed[i + 1].tolist(), len(starts) - 1, 1, cv2.LINE_8, 4)
        offset = along[-1] + 5000.0
    if not index.any():
        far = np.full(index.shape, 1e4, np.float32)
        return WeldCoordinates(far, np.zeros_like(far))
    distance, labels = cv2.distanceTransformWithLabels(
        (index == 0).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    table = np.zeros(int(labels.max()) + 1, np.float32)
    on = index > 0
    table[labels[on]] = np.asarray(starts, np.float32)[index[on]]
    return WeldCoordinates(np.asarray(distance, np.float32), table[labels])


def seam_map(section: Section, view: View, *, width_px: int = 1) -> BoolArray:
    """Unfused interfaces drawn as lines, (h, w) bool."""
    out = np.zeros((view.height, view.width), np.uint8)
    for seam in section.seams:
        cv2.polylines(
            out,
            [_fixed(view.to_px(seam))],
            isClosed=False,
            color=1,
            thickness=width_px,
            lineType=cv2.LINE_8,
            shift=4,
        )
    return out > 0


def pass_map(section: Section, view: View) -> BoolArray:
    """Boundaries between passes drawn as lines, (h, w) bool."""
    out = np.zeros((view.height, view.width), np.uint8)
    for weld in section.welds:
        for line in weld.passes:
            cv2.polylines(
                out, [_fixed(view.to_px(line))], isClosed=False, color=1, thickness=1, lineType=cv2.LINE_8, shift=4
            )
    return out > 0
