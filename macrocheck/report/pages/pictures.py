"""The pictures of a section in a report: the photograph with what was measured, and the whole of it, small."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.errors import InputError
from macrocheck.report.encode import encode_jpeg
from macrocheck.report.frame import Frame, choose_frame
from macrocheck.report.numbers import LengthUnit
from macrocheck.report.overlay import draw_on, section_frame
from macrocheck.report.pages.photos import Found, Small, decode, shrunk
from macrocheck.report.palette import STROKES, WHITE, YELLOW
from macrocheck.report.strokes import Pen

if TYPE_CHECKING:
    from macrocheck.report.pages.facts import SectionFacts
    from macrocheck.results import Result

QUALITIES = (82, 70, 55, 40)
"""JPEG, best first."""
_GROUND = (238, 236, 230)
_METAL = (206, 202, 192)
_MOST_ENLARGED = 2.0
_TEXT_PER_SIDE = 47.0
"""Text of 2.2 mm in a picture of 105 mm, as it stands on an A4 page."""
_WHOLE_PX = 360
"""Long side of the small picture of the whole photograph."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG with its size in px, and `mm_per_px` of the drawing where it has a scale."""

    content: bytes
    width: int
    height: int
    mm_per_px: float | None = None


@dataclass(frozen=True, slots=True)
class SectionPictures:
    """`main`: the section with what was measured; `whole`: the whole photograph, small; `note`: what is missing."""

    main: Picture | None
    whole: Picture | None
    note: str = ""


def section_pictures(
    section: "SectionFacts", found: Found, *, long_px: int, most_bytes: int, unit: LengthUnit
) -> SectionPictures:
    """Return the pictures of a section, the main one `long_px` long and of at most `most_bytes`.

    Without the photograph the outline is drawn alone, and the note says why.
    """
    document = section.document
    size = None if document is None else (document["photo"]["width"], document["photo"]["height"])
    frame = _frame(section, size, long_px)
    small, note = None, found.why_not
    if found.content is not None:
        try:
            name = section.photo.name if section.photo is not None else "photo"
            small = decode(found.content, name, size, frame.zoom if frame is not None else 0.5)
        except InputError as error:
            note = str(error)
    if small is not None and frame is None:
        return SectionPictures(_plain(small, long_px, most_bytes), None, note)
    if frame is None:
        return SectionPictures(None, None, note)
    if note:
        note += " The outline is drawn alone."
    canvas, frame = _ground(section, frame, small)
    if section.result is not None:
        drawn = draw_on(canvas, frame, section.result, unit=unit, text_per_side=_TEXT_PER_SIDE)
        scale = section.result.scale.mm_per_px / frame.zoom
    else:
        drawn, scale = _polygons(canvas, frame, _outlines(section)), None
    whole = None if small is None else _whole(small, frame, section.result, most_bytes)
    return SectionPictures(_picture(drawn, most_bytes, scale), whole, note)


def _frame(section: "SectionFacts", size: tuple[int, int] | None, long_px: int) -> Frame | None:
    """Return the part of the photograph to show; None for a section that was not measured."""
    if section.result is not None:
        frame = section_frame(section.result)
    elif size is not None and _outlines(section):
        frame = choose_frame(*size, np.vstack(_outlines(section)))
    else:
        return None
    longest = max(frame.right - frame.left, frame.bottom - frame.top)
    return replace(frame, zoom=min(long_px / longest, _MOST_ENLARGED))


def _outlines(section: "SectionFacts") -> list[FloatArray]:
    """Return the weld outlines (n, 2) px that the result document itself holds."""
    welds = [] if section.document is None else section.document["welds"]
    return [np.asarray(w["weld_outline_px"], np.float64).reshape(-1, 2) for w in welds if w["weld_outline_px"]]


def _ground(section: "SectionFacts", frame: Frame, small: Small | None) -> tuple[ByteArray, Frame]:
    """Return what is drawn on, and the frame widened to whole pixels of the small photograph."""
    if small is None:
        canvas = np.empty((frame.height, frame.width, 3), np.uint8)
        canvas[:] = _GROUND
        for polygon in _outlines(section):
            shape = np.rint(frame.place(polygon) * 16).astype(np.int32).reshape(-1, 1, 2)
            cv2.fillPoly(canvas, [shape], _METAL, cv2.LINE_AA, 4)
        return canvas, frame
    f = small.factor
    frame = replace(
        frame,
        left=frame.left // f * f,
        top=frame.top // f * f,
        right=-(-frame.right // f) * f,
        bottom=-(-frame.bottom // f) * f,
    )
    reduced = replace(
        frame,
        left=frame.left // f,
        top=frame.top // f,
        right=frame.right // f,
        bottom=frame.bottom // f,
        zoom=frame.zoom * f,
    )
    return reduced.render(small.pixels), frame


def _polygons(canvas: ByteArray, frame: Frame, polygons: Sequence[FloatArray]) -> ByteArray:
    pen = Pen(canvas, max(1.0, max(frame.width, frame.height) / 600))
    for polygon in polygons:
        pen.stroke(frame.place(np.vstack([polygon, polygon[:1]])), STROKES["fusion"])
    return canvas


def _whole(small: Small, frame: Frame, result: "Result | None", most_bytes: int) -> Picture | None:
    """Return the whole photograph with the part shown framed and the marks as found; None with neither."""
    marks = () if result is None else result.scale.marks
    if not frame.cropped and not marks:
        return None
    canvas, zoom = shrunk(small.pixels, _WHOLE_PX)
    size = canvas.shape[1], canvas.shape[0]
    pen = Pen(canvas, 1.6)
    step = zoom / small.factor
    if frame.cropped:
        box = np.array(
            [
                [frame.left, frame.top],
                [frame.right, frame.top],
                [frame.right, frame.bottom],
                [frame.left, frame.bottom],
            ]
        )
        inside = np.clip(box * step, 1, (size[0] - 2, size[1] - 2))
        pen.lines([inside], WHITE, pen.width, closed=True)
    for mark in marks:
        if len(mark.points_px) > 1:
            pen.lines([mark.points_px[[0, -1]] * step], YELLOW, 2.0)
    return _picture(canvas, most_bytes)


def _plain(small: Small, long_px: int, most_bytes: int) -> Picture:
    """Return a photograph that nothing was measured in."""
    canvas, _ = shrunk(small.pixels, round(0.6 * long_px))
    return _picture(canvas, most_bytes)


def _picture(rgb: ByteArray, most_bytes: int, mm_per_px: float | None = None) -> Picture:
    """Encode a picture at the best quality that keeps it under `most_bytes`, the lowest where none does."""
    content = b""
    for quality in QUALITIES:
        content = encode_jpeg(rgb, quality)
        if len(content) <= most_bytes:
            break
    return Picture(content, rgb.shape[1], rgb.shape[0], mm_per_px)
