"""The photograph with everything that was found and measured drawn in, and a panel that says it in words."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.outline import WeldOutline
from macrocheck.photo import Photo
from macrocheck.report.costs import cost_map
from macrocheck.report.frame import Frame, choose_frame
from macrocheck.report.geometry import WeldPoints, weld_points
from macrocheck.report.labels import (
    Label,
    PlacedLabel,
    ScaleBar,
    draw_label,
    draw_leaders,
    place_labels,
    place_scale_bar,
    weld_labels,
)
from macrocheck.report.numbers import LengthUnit
from macrocheck.report.palette import PAPER, RULE, STROKE_OF, STROKES, WHITE
from macrocheck.report.panel import COLUMN_EM, Block, Panel, fill_panel, numbered_flags
from macrocheck.report.sheet import Sheet
from macrocheck.report.strokes import Pen
from macrocheck.results import Result

_LINE = 0.125
"""Line width in em."""

_SCREEN = (1.6, 1.0)
"""Shape of the screen that a drawing is laid out for; common practice, no source."""


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where everything goes: sizes in px of the drawing; `columns` of the panel from `x`, `y` on, `step` apart."""

    frame: Frame
    em: float
    columns: Sequence[Sequence[Block]]
    x: float
    y: float
    step: float
    width: int
    height: int


def draw_overlay(photo: Photo, result: Result, *, unit: LengthUnit = "mm") -> ByteArray:
    """Return the photograph with the result drawn in and a panel beside or under it, (h, w, 3) uint8 sRGB.

    The picture part, at the top left, is a copy whose long side has 1600 to 2400 px: the whole photograph, or,
    where the welds are a small part of it, only what is around them, with the whole photograph small in the panel.
    `overlay_frame` tells how photo pixels map to it. Margin is added where labels would otherwise lie on the weld.
    Geometry or numbers that are missing are left out; the reasons are in the panel. `unit`: of all lengths.
    """
    points = _points(result)
    layout = _layout(photo, result, points, unit)
    frame = layout.frame
    picture = frame.render(photo.pixels)
    pen = Pen(picture, max(1.0, _LINE * layout.em))
    for weld, found in zip(result.outline.welds, points, strict=True):
        _draw_weld(pen, weld, found, frame)
    canvas = np.empty((layout.height, layout.width, 3), np.uint8)
    canvas[:] = PAPER
    sheet = Sheet(canvas, Pen(canvas, pen.width))
    bar, placed = _placed(pen, result, points, frame, layout.em, unit)
    draw_leaders(pen, placed)
    canvas[: frame.height, : frame.width] = picture
    _put_labels(sheet, bar, placed, layout.em)
    for i, column in enumerate(layout.columns):
        x, y = layout.x + i * layout.step, layout.y
        for block in column:
            block.draw(sheet, x, y)
            y += block.height
    return sheet.finished()


def draw_on(
    picture: ByteArray, frame: Frame, result: Result, *, unit: LengthUnit = "mm", text_per_side: float = 74.0
) -> ByteArray:
    """Return a picture of `frame` with the result drawn in and labelled, without a panel, (h, w, 3) uint8.

    `picture`: (frame.height, frame.width, 3) uint8, what `frame` shows of the photograph; it is not changed.
    `text_per_side`: how many times the size of the text goes into the longer side.
    """
    points = _points(result)
    em = max(14.0, max(frame.width, frame.height) / text_per_side)
    canvas = picture.copy()
    pen = Pen(canvas, max(1.0, _LINE * em))
    for weld, found in zip(result.outline.welds, points, strict=True):
        _draw_weld(pen, weld, found, frame)
    bar, placed = _placed(pen, result, points, frame, em, unit)
    draw_leaders(pen, placed)
    sheet = Sheet(canvas, pen)
    _put_labels(sheet, bar, placed, em)
    return sheet.finished()


def section_frame(result: Result) -> Frame:
    """Return the part of the photograph that shows all that is drawn of a result, its long side 1600 to 2400 px."""
    return _frame(result, _points(result))


def overlay_frame(photo: Photo, result: Result, *, unit: LengthUnit = "mm") -> Frame:
    """Return the frame that `draw_overlay` uses: `frame.place` maps photo pixels to pixels of the overlay."""
    return _layout(photo, result, _points(result), unit).frame


def _placed(
    pen: Pen, result: Result, points: Sequence[WeldPoints], frame: Frame, em: float, unit: LengthUnit
) -> tuple[ScaleBar | None, list[PlacedLabel]]:
    """Dot the flags' places and find places for the scale bar and every label."""
    labels = [lb for i, p in enumerate(points) for lb in weld_labels(result, i, p, unit)]
    labels += _weld_names(result) + _flag_labels(result, pen, frame)
    costs = cost_map(result, points, frame, em)
    middle = np.mean([w.face.mean(axis=0) for w in result.outline.welds] or [np.zeros(2)], axis=0)
    bar = place_scale_bar(costs, result.scale, frame, unit, em, (float(middle[0]), float(middle[1])))
    return bar, place_labels(costs, labels, frame, em)


def _put_labels(sheet: Sheet, bar: ScaleBar | None, placed: Sequence[PlacedLabel], em: float) -> None:
    if bar is not None:
        bar.draw(sheet, em)
    for item in placed:
        draw_label(sheet, item, em)


def _points(result: Result) -> list[WeldPoints]:
    pairs = zip(result.outline.welds, result.measurements, strict=True)
    return [weld_points(weld, measured, result.scale) for weld, measured in pairs]


def _frame(result: Result, points: Sequence[WeldPoints]) -> Frame:
    drawn = [c for w in result.outline.welds for c in (w.face, w.fusion)]
    drawn += [d.line for p in points for d in p.dimensions]
    return choose_frame(result.outline.width, result.outline.height, np.vstack(drawn) if drawn else None)


def _layout(photo: Photo, result: Result, points: Sequence[WeldPoints], unit: LengthUnit) -> _Layout:
    """Try the panel beside the picture and under it; take what shows largest on a screen."""
    frame = _frame(result, points)
    em = max(14.0, max(frame.width, frame.height) / 74)
    size = round(0.86 * em)
    pad = 1.3 * size
    used = _used(result, points)
    least = COLUMN_EM * size + 2 * pad

    def laid_out(count: int, step: float, *, side: bool) -> _Layout:
        panel = Panel(step - 2 * pad, size)
        whole = _whole_photo(photo, result, frame, min(panel.width, 15.0 * size)) if frame.cropped else None
        fill_panel(panel, result, unit, used, whole)
        columns = panel.arranged(count)
        tallest = max(sum(block.height for block in column) for column in columns) + 2 * pad
        if side:
            grown = frame.taller(round(tallest), photo.height)
            size_px = round(frame.width + len(columns) * step), max(grown.height, round(tallest))
            return _Layout(grown, em, columns, frame.width + pad, pad, step, *size_px)
        return _Layout(
            frame, em, columns, pad, frame.height + pad, step, frame.width, round(frame.height + tallest)
        )

    under = max(1, int(frame.width / least))
    tries = [laid_out(count, least, side=True) for count in (1, 2, 3)]
    tries.append(laid_out(under, frame.width / under, side=False))
    return max(tries, key=lambda t: min(_SCREEN[0] / t.width, _SCREEN[1] / t.height))


def _draw_weld(pen: Pen, weld: WeldOutline, points: WeldPoints, frame: Frame) -> None:
    """Draw one weld's curves and dimensions; what matters most comes last, on top."""
    for name, lines in _faint_lines(weld):
        for line in lines:
            pen.stroke(frame.place(line), STROKES[name])
    surface = STROKES["surface"]
    for found in points.surfaces:
        if found.seen is not None:
            pen.lines([frame.place(found.seen)], surface.colour, surface.width * pen.width)
        for hidden in found.hidden:
            pen.stroke(frame.place(hidden), surface)
    for dimension in points.dimensions:
        for helper in dimension.helpers:
            thin = Pen(pen.canvas, max(1.6, 0.55 * pen.width))
            thin.lines([frame.place(helper)], RULE, thin.width)
    pen.stroke(frame.place(weld.face), STROKES["face"])
    for spans in points.unfused.values():
        for span in spans:
            pen.stroke(frame.place(span), STROKES["unfused"])
    pen.stroke(frame.place(weld.fusion), STROKES["fusion"])
    for dimension in points.dimensions:
        pen.stroke(frame.place(dimension.line), STROKES[STROKE_OF[dimension.key]])
    _draw_signs(pen, points, frame)


def _faint_lines(weld: WeldOutline) -> list[tuple[str, list[FloatArray]]]:
    """Return what lies beside the weld's own outline: stroke and polylines."""
    edges = [e for e in (weld.haz_butting, weld.haz_nonbutting) if e is not None and len(e) > 1]
    voids = [np.vstack([void, void[:1]]) for void in weld.voids if len(void) > 1]
    return [("haz", edges), ("void", voids), ("indication", [line for line in weld.indications if len(line) > 1])]


def _draw_signs(pen: Pen, points: WeldPoints, frame: Frame) -> None:
    for toe in (points.toe_butting, points.toe_nonbutting):
        if toe is not None:
            pen.diamond(frame.place(toe)[0], 2.6 * pen.width, WHITE)
    if points.weld_root is not None:
        pen.square(frame.place(points.weld_root)[0], 2.2 * pen.width, WHITE)
    if points.joint_root is not None:
        pen.ring(frame.place(points.joint_root)[0], 2.6 * pen.width, WHITE)


def _used(result: Result, points: Sequence[WeldPoints]) -> list[str]:
    """Return the strokes and signs that occur in the picture, in the order of the key."""
    welds = result.outline.welds
    used = {"fusion", "face"} if welds else set()
    used |= {STROKE_OF[d.key] for p in points for d in p.dimensions}
    tests = {
        "surface": any(p.surfaces for p in points),
        "unfused": any(p.unfused for p in points),
        "haz": any(w.haz_butting is not None or w.haz_nonbutting is not None for w in welds),
        "void": any(w.voids for w in welds),
        "indication": any(w.indications for w in welds),
        "joint root": any(p.joint_root is not None for p in points),
        "weld root": any(p.weld_root is not None for p in points),
        "toe": any(p.toe_butting is not None or p.toe_nonbutting is not None for p in points),
    }
    used |= {name for name, there in tests.items() if there}
    return [name for name in (*STROKES, "joint root", "weld root", "toe") if name in used]


def _weld_names(result: Result) -> list[Label]:
    welds = result.outline.welds
    if len(welds) < 2:
        return []
    return [Label(w.face[len(w.face) // 2], f"weld {i}", "") for i, w in enumerate(welds, start=1)]


def _flag_labels(result: Result, pen: Pen, frame: Frame) -> list[Label]:
    """Dot the places of the flags and return their numbers as labels."""
    labels = []
    for item in numbered_flags(result):
        where = np.array(item.flag.where_px, dtype=np.float64).reshape(-1, 2)
        if not len(where):
            continue
        for at in frame.place(where):
            pen.disc(at, 1.1 * pen.width, WHITE)
        labels.append(Label(where[len(where) // 2], "", "", flag=item.number))
    return labels


def _whole_photo(photo: Photo, result: Result, frame: Frame, most: float) -> Block:
    """Return the whole photograph, small, with the drawn part framed and the scale's marks in it."""
    zoom = most / max(photo.width, photo.height)
    width, height = max(1, round(photo.width * zoom)), max(1, round(photo.height * zoom))
    gap = 0.035 * most

    def draw(sheet: Sheet, x: float, y: float) -> None:
        small = np.asarray(cv2.resize(photo.pixels, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        pen = Pen(small, max(1.0, most / 250))
        corner = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]])
        box = (frame.left, frame.top) + corner * (frame.right - frame.left, frame.bottom - frame.top)
        pen.lines([np.clip(box * zoom, 1, (width - 2, height - 2))], WHITE, pen.width)
        for mark in result.scale.marks:
            if len(mark.points_px):
                ends = mark.points_px[[0, -1]] * zoom
                pen.lines([ends], STROKES["throat"].colour, pen.width)
        a, b = round(x), round(y + gap)
        target = sheet.canvas[b : b + height, a : a + width]
        target[:] = small[: target.shape[0], : target.shape[1]]

    return Block(height + 2 * gap, draw)
