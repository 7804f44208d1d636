"""The photograph with the reference marks drawn where they were found, so that a wrong find is seen at once."""

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.photo import Photo
from macrocheck.report.frame import Frame, choose_frame
from macrocheck.report.labels import Label, draw_label, draw_leaders, place_labels
from macrocheck.report.numbers import percent_u95
from macrocheck.report.palette import INK, PAPER, VERMILION, YELLOW
from macrocheck.report.panel import scale_sentence
from macrocheck.report.sheet import Sheet, wrapped
from macrocheck.report.strokes import Pen
from macrocheck.report.tags import Map
from macrocheck.scale import FoundMark, Scale

_OUTLINES = ("coin", "disc", "outline")
"""Kinds of mark whose points run around them."""
LETTERING, LETTERING_COST = 35, 20.0
"""Least contrast of what is written beside a mark, grey levels, and the cost of covering it, per square em."""
LETTERING_PART, LETTERING_EMS, STROKE_EMS = 0.3, 3.0, 0.8
"""How far from a mark it is looked for, in parts of its length and in text sizes more; the widest stroke and gap of
a letter, text sizes."""


def draw_scale(photo: Photo, scale: Scale) -> ByteArray:
    """Return the photograph with every found mark, its points crossed out and its scale beside it, (h, w, 3) uint8.

    Two points are the ends of a bar or a stated distance and are joined; more are a rule's ticks or an outline. The
    picture is the whole photo, or what is around the marks where they are a small part of it, 1600 to 2400 px long;
    under it stand the scale and its flags.
    """
    frame = scale_frame(photo, scale)
    em = max(14.0, max(frame.width, frame.height) / 74)
    size = round(0.95 * em)
    pad = 0.8 * em
    sentences = [f"Scale: {scale_sentence(scale, 'mm')}", *(flag.text for flag in scale.flags)]
    if not any(len(m.points_px) for m in scale.marks):
        sentences.insert(1, "There is no mark to show: the scale was stated, not found in the picture.")
    rows = [row for sentence in sentences for row in wrapped(sentence, size, frame.width - 2 * pad)]
    step = 1.4 * size
    picture = frame.render(photo.pixels)
    pen = Pen(picture, max(1.0, 0.11 * em))
    costs = Map(frame.width, frame.height, em)
    labels = []
    for mark in scale.marks:
        if len(mark.points_px):
            _keep_lettering(costs, picture, frame.place(mark.points_px))
    for mark in scale.marks:
        points = frame.place(mark.points_px)
        if not len(points):
            continue
        _draw_mark(pen, mark, points, em)
        above = np.array([0.0, 1.2 * em])
        for point in points:
            costs.line(np.array([point - above, point + above]), 40.0, 2.0)
        costs.line(points, 40.0, 1.5)
        about = f"{mark.mm_per_px:.5g} mm/px ± {percent_u95(mark.u_rel)}"
        labels.append(Label(_middle(mark.points_px), mark.text, about, "throat"))
    placed = place_labels(costs, labels, frame, em)
    draw_leaders(pen, placed)
    canvas = np.empty((frame.height + round(len(rows) * step + 2 * pad), frame.width, 3), np.uint8)
    canvas[:] = PAPER
    canvas[: frame.height] = picture
    sheet = Sheet(canvas, Pen(canvas, pen.width))
    for item in placed:
        draw_label(sheet, item, em)
    for i, row in enumerate(rows):
        sheet.text(pad, frame.height + pad + (i + 0.5) * step, row, size, INK)
    return sheet.finished()


def scale_frame(photo: Photo, scale: Scale) -> Frame:
    """Return the frame that `draw_scale` uses."""
    found = [m.points_px for m in scale.marks if len(m.points_px)]
    return choose_frame(photo.width, photo.height, np.vstack(found) if found else None)


def _keep_lettering(costs: Map, picture: ByteArray, points: FloatArray) -> None:
    """Make what is written beside a mark costly to cover: a bar's own figure says what the mark is.

    Letters are short strokes close to each other, lighter or darker than what is around them.
    """
    em = costs.em
    reach = LETTERING_PART * float(np.hypot(*np.ptp(points, axis=0))) + LETTERING_EMS * em
    low = np.maximum(points.min(axis=0) - reach, 0).astype(int)
    high = np.minimum(np.ceil(points.max(axis=0) + reach).astype(int), picture.shape[1::-1])
    if (high - low < 3).any():
        return
    grey = cv2.cvtColor(picture[low[1] : high[1], low[0] : high[0]], cv2.COLOR_RGB2GRAY)
    side, air = max(3, round(STROKE_EMS * em)), 0.5 * em
    block = np.ones((side, side), np.uint8)
    stroke = np.maximum(
        cv2.morphologyEx(grey, cv2.MORPH_TOPHAT, block), cv2.morphologyEx(grey, cv2.MORPH_BLACKHAT, block)
    )
    inked = cv2.morphologyEx((stroke > LETTERING).astype(np.uint8), cv2.MORPH_CLOSE, block)
    found, _ = cv2.findContours(inked, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    for outline in found:
        x, y, w, h = cv2.boundingRect(outline)
        x, y = x + int(low[0]), y + int(low[1])
        left, right, top, bottom = x - air, x + w + air, y - air, y + h + air
        box = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
        costs.area(box, LETTERING_COST)


def _middle(points: FloatArray) -> FloatArray:
    return np.asarray(points.mean(axis=0) if len(points) == 2 else points[len(points) // 2])


def _draw_mark(pen: Pen, mark: FoundMark, points: FloatArray, em: float) -> None:
    """Draw a mark: ends ringed and joined, ticks as strokes, corners ringed, faces, an outline closed."""
    if mark.kind in _OUTLINES and len(points) > 2:
        pen.lines([np.vstack([points, points[:1]])], YELLOW, pen.width)
        return
    if mark.kind == "plate" and len(points) == 4:
        short, long = sorted((points[:2], points[2:]), key=lambda face: float(np.hypot(*(face[1] - face[0]))))
        along = (long[1] - long[0]) / np.hypot(*(long[1] - long[0]))
        middle = short.mean(axis=0)
        foot = long[0] + along * float((middle - long[0]) @ along)
        pen.lines([short, long, np.array([middle, foot])], YELLOW, pen.width)
        for point in (middle, foot):
            pen.ring(point, 0.3 * em, VERMILION)
        return
    if mark.kind == "card":
        for point in points:
            pen.ring(point, 0.22 * em, YELLOW)
        return
    if len(points) == 2:
        pen.lines([points], YELLOW, pen.width)
        for point in points:
            pen.ring(point, 0.5 * em, VERMILION)
        return
    ends = points[-1] - points[0]
    length = float(np.hypot(*ends))
    if length == 0:
        return
    across = np.array([-ends[1], ends[0]]) / length
    pitch = length / max(len(points) - 1, 1)
    half = min(0.5 * em, 0.6 * pitch)
    pen.lines([np.array([p - half * across, p + half * across]) for p in points], YELLOW, 0.7 * pen.width)
    for point in points[[0, -1]]:
        pen.ring(point, 0.5 * em, VERMILION)
