"""Lines, arrows and signs with a dark rim, drawn on an RGB array at sub-pixel places."""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.report.palette import INK, Colour, Stroke

_SHIFT = 4
"""OpenCV takes coordinates in 1/16 px with this many fractional bits."""


def fixed(points: FloatArray) -> NDArray[np.int32]:
    """Return (n, 2) points as OpenCV's fixed-point coordinates, (n, 1, 2) int32."""
    far = np.clip(np.asarray(points, dtype=np.float64), -1e6, 1e6)
    return np.asarray(np.rint(far.reshape(-1, 1, 2) * 2**_SHIFT), dtype=np.int32)


def pieces(points: FloatArray, on: float, off: float) -> list[FloatArray]:
    """Cut a polyline (n, 2) into dashes of length `on` with gaps of `off`, px; ends with a whole or cut dash."""
    step = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    total = float(along[-1])
    if total <= on:
        return [points]
    out = []
    for begin in np.arange(0.0, total, on + off):
        end = min(begin + on, total)
        inner = (along > begin) & (along < end)
        at = np.concatenate([[begin], along[inner], [end]])
        out.append(np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])]))
    return out


class Pen:
    """Draws on `canvas` (h, w, 3) uint8 with lines of `width` px and rims of `rim` px."""

    def __init__(self, canvas: ByteArray, width: float) -> None:
        self.canvas = canvas
        self.width = width
        self.rim = max(1.0, 0.36 * width)

    def lines(self, lines: Sequence[FloatArray], colour: Colour, width: float, *, closed: bool = False) -> None:
        """Draw polylines: all rims first, then all colours."""
        kept = [fixed(line) for line in lines if len(line) > 1]
        if not kept:
            return
        thick = max(1, round(width))
        for tint, size in ((INK, thick + 2 * max(1, round(self.rim))), (colour, thick)):
            cv2.polylines(self.canvas, kept, closed, tint, size, cv2.LINE_AA, _SHIFT)

    def fill(self, points: FloatArray, colour: Colour) -> None:
        """Fill a polygon and rim it."""
        shape = fixed(points)
        cv2.polylines(self.canvas, [shape], True, INK, 2 * max(1, round(self.rim)) + 1, cv2.LINE_AA, _SHIFT)
        cv2.fillPoly(self.canvas, [shape], colour, cv2.LINE_AA, _SHIFT)

    def stroke(self, points: FloatArray, stroke: Stroke) -> None:
        """Draw a polyline in a stroke's style; the styles of dimensions draw their ends too."""
        w = stroke.width * self.width
        match stroke.style:
            case "dashed":
                self.lines(pieces(points, 5 * self.width, 4 * self.width), stroke.colour, w)
            case "dotted":
                self.lines(pieces(points, 1.2 * self.width, 3.2 * self.width), stroke.colour, w)
            case "hatched":
                self._hatched(points, stroke, w)
            case "solid":
                self.lines([points], stroke.colour, w)
            case _:
                self._dimension(points, stroke, w)

    def _dimension(self, points: FloatArray, stroke: Stroke, w: float) -> None:
        a, b = points[0], points[-1]
        length = float(np.hypot(*(b - a)))
        if length < 1e-6:
            return
        along = (b - a) / length
        across = np.array([-along[1], along[0]])
        size = 3.2 * self.width
        if stroke.style == "arrows":
            size = min(size, 0.3 * length)
            self.lines([np.array([a + size * along, b - size * along])], stroke.colour, w)
            for tip, way in ((a, along), (b, -along)):
                self.fill(
                    np.array(
                        [
                            tip,
                            tip + way * 1.5 * size + across * 0.6 * size,
                            tip + way * 1.5 * size - across * 0.6 * size,
                        ]
                    ),
                    stroke.colour,
                )
        elif stroke.style == "dot":
            self.lines([np.array([a, b])], stroke.colour, w)
            self.lines([np.array([a - across * size * 0.7, a + across * size * 0.7])], stroke.colour, w)
            self.disc(b, 1.5 * self.width, stroke.colour)
        else:
            ends = across if stroke.style == "bars" else (across + along) / np.sqrt(2)
            half = 0.9 * size * ends
            self.lines(
                [np.array([a, b]), np.array([a - half, a + half]), np.array([b - half, b + half])], stroke.colour, w
            )

    def _hatched(self, points: FloatArray, stroke: Stroke, w: float) -> None:
        """A thick line crossed by slanting ticks, as unfused stretches are shaded in section drawings."""
        a, b = points[0], points[-1]
        length = float(np.hypot(*(b - a)))
        if length < 1e-6:
            return
        along = (b - a) / length
        slant = (np.array([-along[1], along[0]]) + 0.7 * along) * 2.2 * self.width
        count = max(2, int(length / (4.5 * self.width)) + 1)
        ticks = [a + t * (b - a) + np.outer([-1.0, 1.0], slant) for t in np.linspace(0, 1, count)]
        self.lines([np.array([a, b]), *ticks], stroke.colour, 0.55 * w)
        self.lines([np.array([a, b])], stroke.colour, 0.8 * w)

    def disc(self, centre: FloatArray, radius: float, colour: Colour) -> None:
        """Draw a filled disc with a rim."""
        at = fixed(centre)[0, 0]
        for size, tint in ((radius + self.rim, INK), (radius, colour)):
            cv2.circle(
                self.canvas, (int(at[0]), int(at[1])), round(size * 2**_SHIFT), tint, -1, cv2.LINE_AA, _SHIFT
            )

    def ring(self, centre: FloatArray, radius: float, colour: Colour) -> None:
        """Draw an open ring with cross hairs outside it: the middle stays to be seen."""
        turn = np.linspace(0, 2 * np.pi, 33)
        circle = centre + radius * np.column_stack([np.cos(turn), np.sin(turn)])
        hairs = [
            centre + np.outer([radius, 2.0 * radius], [np.cos(q), np.sin(q)]) for q in np.arange(4) * np.pi / 2
        ]
        self.lines([circle, *hairs], colour, 0.7 * self.width)

    def diamond(self, centre: FloatArray, radius: float, colour: Colour) -> None:
        """Draw an open diamond."""
        corners = centre + radius * np.array([[0, -1], [1, 0], [0, 1], [-1, 0], [0, -1]])
        self.lines([corners], colour, 0.7 * self.width)

    def square(self, centre: FloatArray, radius: float, colour: Colour) -> None:
        """Draw an open square."""
        corners = centre + radius * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]])
        self.lines([corners], colour, 0.7 * self.width)
