"""Two or more sections side by side: one scale, one joint frame, root at one place, and the table under them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.outline import WeldOutline
from macrocheck.photo import Photo
from macrocheck.report.geometry import WeldPoints, weld_points
from macrocheck.report.numbers import LengthUnit, converted, number_text, shown_unit, spread_text, written
from macrocheck.report.palette import FADED, INK, PAPER, RULE, STROKES, VERMILION, WHITE
from macrocheck.report.sheet import Sheet, shortened, text_width, wrapped
from macrocheck.report.strokes import Pen, pieces
from macrocheck.results import Quantity, Result
from macrocheck.study.joint_frame import JointFrame, joint_frame
from macrocheck.study.photo_comparison import ComparedQuantity, PhotoComparison
from macrocheck.units import MM_PER_INCH

PANEL_PX = 760
"""Width of a section's picture."""
MOST_ACROSS = 4
TALLEST = 1.25
"""Height over width of a section's picture at the most."""
ROOM = 0.28
"""Room around the welds, as a fraction of their size."""
SIZE = 20
"""Text, px."""
MARGIN = 28
_NICE = (1, 2, 5)
_OUTSIDE = (226, 224, 217)
"""What lies outside the photograph."""

MAIN: tuple[str, ...] = (
    "leg_butting", "leg_nonbutting", "size", "actual_throat", "effective_throat", "convexity", "concavity",
    "depth_of_fusion_butting", "depth_of_fusion_nonbutting", "root_penetration", "root_shortfall",
    "unfused_butting", "unfused_nonbutting", "weld_area", "dilution", "bead_width", "reinforcement_height",
    "depth_of_fusion",
)  # fmt: skip
"""What the table under the picture holds; the printed table and the JSON hold everything."""


@dataclass(frozen=True, slots=True)
class _Window:
    """The part of the joint frame that every panel shows, mm, and px per mm."""

    left: float
    right: float
    bottom: float
    top: float
    zoom: float

    @property
    def size(self) -> tuple[int, int]:
        return round((self.right - self.left) * self.zoom), round((self.top - self.bottom) * self.zoom)

    def place(self, points_mm: FloatArray) -> FloatArray:
        """Map (n, 2) mm of the joint frame to px of the panel."""
        return np.column_stack(
            [(points_mm[:, 0] - self.left) * self.zoom, (self.top - points_mm[:, 1]) * self.zoom]
        )


def draw_side_by_side(
    photos: Sequence[Photo],
    results: Sequence[Result],
    comparison: PhotoComparison,
    *,
    unit: LengthUnit = "mm",
) -> ByteArray:
    """Return the picture, (h, w, 3) uint8 sRGB: a panel a photo with its outline, a scale bar, the table."""
    welds = [r.outline.welds[n - 1] for r, n in zip(results, comparison.welds, strict=True)]
    frames = _aligned([joint_frame(w, r.scale) for w, r in zip(welds, results, strict=True)], welds)
    window = _window(welds, frames)
    points = [
        weld_points(w, r.measurements[n - 1], r.scale)
        for w, r, n in zip(welds, results, comparison.welds, strict=True)
    ]
    panels = [_panel(*each, window) for each in zip(photos, welds, frames, points, strict=True)]
    down = math.ceil(len(panels) / MOST_ACROSS)
    across = math.ceil(len(panels) / down)
    wide, high = window.size
    head = 2 * round(1.5 * SIZE)
    columns = MARGIN + across * (wide + MARGIN)
    rows = [r for key in MAIN for r in comparison.rows if r.key == key and any(_shown(q) for q in r.values)]
    table = _Table(rows, comparison, unit)
    width = max(columns, table.width + 2 * MARGIN)
    notes = wrapped(_foot(comparison), SIZE - 4, width - 2 * MARGIN)
    top = MARGIN + down * (head + high + MARGIN)
    height = top + table.height + MARGIN + round(1.4 * (SIZE - 4) * len(notes)) + MARGIN
    canvas = np.empty((height, width, 3), np.uint8)
    canvas[:] = PAPER
    sheet = Sheet(canvas, Pen(canvas, 3.0))
    left = (width - columns) // 2
    for i, panel in enumerate(panels):
        x, y = left + MARGIN + (i % across) * (wide + MARGIN), MARGIN + (i // across) * (head + high + MARGIN)
        _title(sheet, x, y, wide, chr(ord("A") + i), comparison.names[i], frames[i])
        canvas[y + head : y + head + high, x : x + wide] = panel
        cv2.rectangle(canvas, (x, y + head), (x + wide - 1, y + head + high - 1), RULE, 1)
        _scale_bar(sheet, x, y + head + high, window, unit)
    table.draw(sheet, (width - table.width) / 2, top)
    for i, line in enumerate(notes):
        sheet.text(MARGIN, top + table.height + MARGIN + (i + 0.5) * 1.4 * (SIZE - 4), line, SIZE - 4, FADED)
    return sheet.finished()


def _aligned(frames: Sequence[JointFrame], welds: Sequence[WeldOutline]) -> list[JointFrame]:
    """Put a weld without a known joint root so that its toe lies where the others' toes lie on average."""
    toes = [
        f.to_frame(w.face[-1:])[0]
        for f, w in zip(frames, welds, strict=True)
        if not f.by_toes and w.joint != "bead"
    ]
    if not toes:
        return list(frames)
    along = float(np.mean([t[0] for t in toes]))
    return [replace(f, origin=f.origin - along * f.ex) if f.by_toes else f for f in frames]


def _window(welds: Sequence[WeldOutline], frames: Sequence[JointFrame]) -> _Window:
    points = np.vstack([f.to_frame(w.polygon) for w, f in zip(welds, frames, strict=True)])
    points = np.vstack([points, [[0.0, 0.0]]])
    low, high = points.min(axis=0), points.max(axis=0)
    room = ROOM * float((high - low).max())
    low, high = low - room, high + room
    wide = float(high[0] - low[0])
    wide = max(wide, float(high[1] - low[1]) / TALLEST)
    spare = (wide - float(high[0] - low[0])) / 2
    finest = max(1.0 / f.scale.mm_per_px for f in frames)
    zoom = min(PANEL_PX / wide, 2.0 * finest)
    zoom = max(zoom, 320 / wide)
    return _Window(float(low[0]) - spare, float(high[0]) + spare, float(low[1]), float(high[1]), zoom)


def _panel(photo: Photo, weld: WeldOutline, frame: JointFrame, points: WeldPoints, window: _Window) -> ByteArray:
    wide, high = window.size
    columns, rows = np.meshgrid(np.arange(wide), np.arange(high))
    mm = np.column_stack(
        [window.left + (columns.ravel() + 0.5) / window.zoom, window.top - (rows.ravel() + 0.5) / window.zoom]
    )
    at = frame.to_px(mm).astype(np.float32).reshape(high, wide, 2)
    coarser = 1.0 / (frame.scale.mm_per_px * window.zoom)
    pixels = photo.pixels
    if coarser > 1.2:  # smooth first what is drawn smaller, or grain turns into false patterns
        pixels = np.asarray(cv2.GaussianBlur(pixels, (0, 0), 0.45 * coarser), dtype=np.uint8)
    panel = np.asarray(
        cv2.remap(
            pixels, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=_OUTSIDE
        ),
        dtype=np.uint8,
    ).copy()
    pen = Pen(panel, 2.2)
    if not frame.by_toes:
        _axes(pen, weld, window)
    unfused = [span for spans in points.unfused.values() for span in spans]
    lines = [(weld.fusion, "fusion"), (weld.face, "face"), *((span, "unfused") for span in unfused)]
    for line, name in lines:
        pen.stroke(window.place(frame.to_frame(line)), STROKES[name])
    return panel


def _axes(pen: Pen, weld: WeldOutline, window: _Window) -> None:
    """Draw the lines that all panels share: the nonbutting member's surface, and the joint root on it."""
    ends = window.place(np.array([[window.left, 0.0], [window.right, 0.0]]))
    for dash in pieces(ends, 14, 12):
        cv2.line(pen.canvas, _whole(dash[0]), _whole(dash[-1]), WHITE, 1, cv2.LINE_AA)
    if weld.joint != "bead":
        pen.ring(window.place(np.array([[0.0, 0.0]]))[0], 9.0, WHITE)


def _whole(point: FloatArray) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def _title(sheet: Sheet, x: float, y: float, wide: int, letter: str, name: str, frame: JointFrame) -> None:
    line = 1.5 * SIZE
    sheet.text(x, y + 0.5 * line, letter, SIZE + 4, INK, heavy=True)
    sheet.text(x + 1.6 * SIZE, y + 0.5 * line, shortened(name, SIZE, wide - 1.8 * SIZE), SIZE)
    said = [f"{frame.scale.method}, ± {200 * frame.scale.u_rel:.2g} % (U95)"]
    if frame.mirrored:
        said.append("shown mirrored")
    if frame.by_toes:
        said.append("joint root not known: placed by its toe")
    sheet.text(x, y + 1.45 * line, shortened("; ".join(said), SIZE - 5, wide), SIZE - 5, FADED)


def _scale_bar(sheet: Sheet, x: float, bottom: float, window: _Window, unit: LengthUnit) -> None:
    per = window.zoom * (1.0 if unit == "mm" else MM_PER_INCH)
    longest = 0.25 * window.size[0] / per
    decade = 10.0 ** math.floor(math.log10(longest))
    length = max(n * decade for n in _NICE if n * decade <= longest * (1 + 1e-9))
    bar, text = length * per, f"{length:g} {unit}"
    small = SIZE - 3
    width = max(bar, text_width(text, small)) + 18
    left, top = x + 8, bottom - 8 - 44
    sheet.box(left, top, width, 44, PAPER, RULE)
    sheet.text(left + (width - text_width(text, small)) / 2, top + 15, text, small)
    sheet.box(left + (width - bar) / 2, top + 30, bar, 6, INK)


def _shown(quantity: Quantity | None) -> bool:
    """Tell whether a quantity is worth a row: 0 in all photos is not."""
    return quantity is not None and quantity.value not in {None, 0.0}


class _Table:
    """Rows of quantities: value with U95 a photo, then each photo's difference to the first."""

    def __init__(self, rows: Sequence[ComparedQuantity], comparison: PhotoComparison, unit: LengthUnit) -> None:
        letters = [chr(ord("A") + i) for i in range(len(comparison.names))]
        self.head = ["", *letters, *(f"{x} less A" for x in letters[1:]), ""]
        self.cells: list[tuple[list[str], list[bool]]] = []
        for row in rows:
            cells = [row.name, *(difference_value(q, unit) for q in row.values)]
            marks = [False] * len(cells)
            for d in row.differences:
                cells.append(difference_text(d.difference, d.U95, row.unit, unit))
                marks.append(bool(d.exceeds))
            # The font of the drawings has no raised 2.
            cells.append(f"sq {unit}" if row.unit == "mm2" else shown_unit(row.unit, unit))
            self.cells.append((cells, [*marks, False]))
        sizes = [max((text_width(c[i], SIZE) for c, _ in self.cells), default=0.0) for i in range(len(self.head))]
        self.sizes = [max(s, text_width(h, SIZE)) + 30 for s, h in zip(sizes, self.head, strict=True)]
        self.line = round(1.6 * SIZE)
        self.width = round(sum(self.sizes))
        self.height = self.line * (len(self.cells) + 1) + 10

    def draw(self, sheet: Sheet, x: float, y: float) -> None:
        self._line(sheet, x, y, self.head, [False] * len(self.head), heavy=True)
        sheet.rule(x, y + self.line, self.width)
        for i, (cells, marks) in enumerate(self.cells, 1):
            self._line(sheet, x, y + i * self.line + 4, cells, marks)

    def _line(
        self, sheet: Sheet, x: float, y: float, cells: Sequence[str], marks: Sequence[bool], *, heavy: bool = False
    ) -> None:
        right = x
        for i, (cell, size, marked) in enumerate(zip(cells, self.sizes, marks, strict=True)):
            right += size
            middle = y + 0.5 * self.line
            if i in {0, len(cells) - 1}:
                sheet.text(right - size + (8 if i else 0), middle, cell, SIZE, FADED if i else INK, heavy=heavy)
                continue
            sheet.text(right - 14, middle, cell, SIZE, INK, heavy=heavy or marked, right=True)
            if marked:  # told by the bold figure and the bar, not by colour alone
                sheet.box(right - 9, middle - 0.45 * SIZE, 5, 0.9 * SIZE, VERMILION)


def difference_value(quantity: Quantity | None, unit: LengthUnit) -> str:
    """Return a quantity as "5.02 ± 0.06", or a dash."""
    if quantity is None or quantity.value is None:
        return "-"
    text = written(quantity, unit)
    return f"{text.value} ± {text.u95}" if text.u95 else text.value


def difference_text(difference: float | None, u95: float | None, of: str, unit: LengthUnit) -> str:
    """Return a difference as "+0.31 ± 0.08", or a dash."""
    if difference is None:
        return "-"
    spread, places = spread_text(converted(u95 or 0.0, of, unit), shown_unit(of, unit))
    text = number_text(converted(difference, of, unit), places)
    sign = "+" if difference > 0 and text.strip("-0.") else ""
    return f"{sign}{text}" + (f" ± {spread}" if spread else "")


def _foot(comparison: PhotoComparison) -> str:
    return (
        "One scale and one joint frame for all. Blue: weld face; orange: fusion boundary; hatched: unfused; "
        "dashed: nonbutting member's surface; ring: joint root. ±: U95, of a difference that of both photos; a bar "
        f"and bold mark a difference that exceeds it. {comparison.cautions[0]}"
    )
