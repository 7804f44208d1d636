"""The labels in the picture: dimensions with their values, welds, flags, and a scale bar."""

import math
from dataclasses import dataclass

import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.report.frame import Frame
from macrocheck.report.geometry import WeldPoints
from macrocheck.report.numbers import LengthUnit, written
from macrocheck.report.palette import FADED, INK, PAPER, RULE, STROKE_OF, STROKES
from macrocheck.report.sheet import Sheet, text_width
from macrocheck.report.strokes import Pen
from macrocheck.report.tables import worst
from macrocheck.report.tags import Map, Place
from macrocheck.results import Result
from macrocheck.scale import Scale
from macrocheck.units import MM_PER_INCH

_TITLES = {
    "leg_butting": "leg",
    "leg_nonbutting": "leg",
    "actual_throat": "throat",
    "depth_of_fusion_butting": "depth of fusion",
    "depth_of_fusion_nonbutting": "depth of fusion",
    "depth_of_fusion": "depth of fusion",
    "root_penetration": "root penetration",
    "root_shortfall": "short of the root",
    "bead_width": "width",
    "reinforcement_height": "reinforcement",
    "unfused_butting": "unfused",
    "unfused_nonbutting": "unfused",
}
"""Short names: what is named is where the leader points."""

_ORDER = tuple(_TITLES)

_NICE = (1.0, 2.0, 5.0)


@dataclass(frozen=True, slots=True)
class Label:
    """A label before it has a place: `anchor` px of the photo; `stroke` gives the colour of its tab."""

    anchor: FloatArray
    title: str
    text: str
    stroke: str | None = None
    verdict: str = ""
    flag: int | None = None


@dataclass(frozen=True, slots=True)
class PlacedLabel:
    """A label and its place in the drawing."""

    label: Label
    place: Place


def weld_labels(result: Result, index: int, points: WeldPoints, unit: LengthUnit) -> list[Label]:
    """Return the labels of one weld's dimensions, the ones that must lie nearest first; anchors in photo px."""
    measured = result.measurements[index]
    verdicts = result.verdicts.per_weld[index] if index < len(result.verdicts.per_weld) else ()
    anchors = {d.key: d.line.mean(axis=0) for d in points.dimensions}
    for dimension in points.dimensions:
        if dimension.key.startswith("depth_of_fusion"):
            anchors[dimension.key] = dimension.line[1]
        elif dimension.key == "actual_throat":
            anchors[dimension.key] = dimension.line[0] + 0.75 * (dimension.line[1] - dimension.line[0])
    for member, spans in points.unfused.items():
        longest = max(spans, key=lambda s: float(np.hypot(*(s[1] - s[0]))))
        anchors[f"unfused_{member}"] = longest.mean(axis=0)
    labels = []
    for key in _ORDER:
        quantity = measured.quantities.get(key)
        if key not in anchors or quantity is None or quantity.value is None:
            continue
        word = worst([v.word for v in verdicts if v.quantity == key])
        labels.append(Label(anchors[key], _TITLES[key], written(quantity, unit).full, STROKE_OF[key], word or ""))
    return labels


def place_labels(costs: Map, labels: list[Label], frame: Frame, em: float) -> list[PlacedLabel]:
    """Find a place for every label, in order."""
    return [PlacedLabel(lb, costs.put(frame.place(lb.anchor)[0], *_size(lb, em))) for lb in labels]


def draw_leaders(pen: Pen, placed: list[PlacedLabel]) -> None:
    """Draw the thin lines from labels to what they name, with a dot at that end."""
    for item in placed:
        if item.place.leader is None:
            continue
        stroke = STROKES[item.label.stroke] if item.label.stroke else None
        thin = Pen(pen.canvas, max(1.6, 0.6 * pen.width))
        colour = stroke.colour if stroke else PAPER
        thin.lines([item.place.leader], colour, thin.width)
        thin.disc(item.place.leader[0], 0.9 * pen.width, colour)


def draw_label(sheet: Sheet, item: PlacedLabel, em: float) -> None:
    """Draw one label: a paper tag with a tab in the colour of its line."""
    label, place = item.label, item.place
    if label.flag is not None:
        sheet.number(label.flag, place.x + 0.46 * place.width, place.y + 0.5 * place.height, 0.5 * place.height)
        return
    small, size = _sizes(em)
    sheet.box(place.x, place.y, place.width, place.height, PAPER, INK)
    x = place.x + 0.35 * em
    if label.stroke is not None:
        sheet.box(place.x, place.y, 0.4 * em, place.height, STROKES[label.stroke].colour, INK)
        x += 0.4 * em
    middle = place.y + 0.5 * place.height
    if not label.text:
        sheet.text(x, middle, label.title, size, INK, heavy=True)
        return
    sheet.text(x, place.y + 0.62 * em, label.title, small, FADED)
    sheet.text(x, place.y + 1.62 * em, label.text, size, INK, heavy=True)
    if label.verdict:
        sheet.sign(label.verdict, place.x + place.width - 0.85 * em, middle, 0.56 * em)


def _sizes(em: float) -> tuple[int, int]:
    return max(9, round(0.72 * em)), max(11, round(0.95 * em))


def _size(label: Label, em: float) -> tuple[float, float]:
    if label.flag is not None:
        return 1.6 * em, 1.2 * em
    small, size = _sizes(em)
    wide = max(text_width(label.title, small if label.text else size), text_width(label.text, size)) * 1.03
    wide += (0.7 if label.stroke is None else 1.1) * em + (1.5 * em if label.verdict else 0)
    return wide, 2.3 * em if label.text else 1.5 * em


@dataclass(frozen=True, slots=True)
class ScaleBar:
    """A bar of round length and the box it stands in, px of the drawing."""

    x: float
    y: float
    width: float
    height: float
    bar: float
    text: str

    def draw(self, sheet: Sheet, em: float) -> None:
        """Draw the bar on its own paper."""
        size = _sizes(em)[1]
        sheet.box(self.x, self.y, self.width, self.height, PAPER, RULE)
        left = self.x + 0.5 * (self.width - self.bar)
        sheet.box(left, self.y + self.height - 0.71 * em, self.bar, 0.32 * em, INK)
        sheet.text(self.x + 0.5 * (self.width - text_width(self.text, size)), self.y + 0.75 * em, self.text, size)


def place_scale_bar(
    costs: Map, scale: Scale, frame: Frame, unit: LengthUnit, em: float, at_px: tuple[float, float]
) -> ScaleBar | None:
    """Place a bar of round length in the emptiest corner of the picture, at the scale that holds at `at_px`."""
    per_unit = 1.0 if unit == "mm" else MM_PER_INCH
    drawn_per_unit = per_unit / scale.mm_per_px_at(at_px) * frame.zoom
    longest = 0.2 * frame.width / drawn_per_unit
    if not (math.isfinite(longest) and longest > 0):
        return None
    decade = 10.0 ** math.floor(math.log10(longest))
    length = max(n * decade for n in _NICE if n * decade <= longest * (1 + 1e-9))
    bar = length * drawn_per_unit
    text = f"{length:g} {unit}"
    width, height = max(bar, text_width(text, _sizes(em)[1])) + 1.4 * em, 2.1 * em
    edge = 0.5 * em
    corners = [(x, y) for y in (frame.height - height - edge, edge) for x in (edge, frame.width - width - edge)]
    x, y = min(corners, key=lambda c: costs.covered(c[0], c[1], width, height))
    costs.take(x, y, width, height)
    return ScaleBar(x, y, width, height, bar, text)
