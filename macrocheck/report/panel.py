"""The panel beside the picture: grade, scale, main numbers, limits, flags, key to the lines, cautions."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath

import numpy as np

from macrocheck.flags import Flag
from macrocheck.quantities import BY_KEY
from macrocheck.report.numbers import LengthUnit, bare_text, percent_u95
from macrocheck.report.palette import FADED, INK, STROKES, WHITE
from macrocheck.report.sheet import Sheet, shortened, text_width, wrapped
from macrocheck.report.strokes import Pen
from macrocheck.report.tables import SEVERITY, Row, limit_text, quantity_rows
from macrocheck.results import CAUTIONS, Quantity, Result, Verdict
from macrocheck.scale import Scale
from macrocheck.units import MM_PER_INCH

MAIN_NUMBERS: tuple[str, ...] = (
    "leg_butting", "leg_nonbutting", "size", "actual_throat", "effective_throat", "theoretical_throat",
    "convexity", "concavity", "depth_of_fusion_butting", "depth_of_fusion_nonbutting", "root_penetration",
    "unfused_butting", "unfused_nonbutting", "toe_angle_butting", "toe_angle_nonbutting",
    "bead_width", "reinforcement_height", "depth_of_fusion", "dilution", "toe_angle_left", "toe_angle_right",
)  # fmt: skip
"""What the panel lists; the rest is in the table and the result file. Graded ones are listed besides."""

FAULTS: tuple[str, ...] = (
    "root_shortfall", "root_gap", "undercut_butting", "undercut_nonbutting", "undercut_left", "undercut_right",
    "overlap_butting", "overlap_nonbutting", "largest_void",
)  # fmt: skip
"""Listed too where they are there for certain: by more than their U95."""

_MOST_LIMITS = 14
"""More limits than this: the accepted ones are counted, not listed."""

COLUMN_EM = 27.0
"""Width of a column of the panel in ems of its text."""


@dataclass(frozen=True, slots=True)
class Block:
    """A part of the panel that stays together: its height and how to draw it at (x, y), px; the heading over it."""

    height: float
    draw: Callable[[Sheet, float, float], None]
    heading: str = ""
    is_heading: bool = False


@dataclass(frozen=True, slots=True)
class NumberedFlag:
    """A flag with the number that marks it in the picture and the weld it belongs to (None: the whole photo)."""

    number: int
    flag: Flag
    weld: int | None


def faults_seen(quantities: Mapping[str, Quantity]) -> set[str]:
    """Keys of the faults that a weld shows for certain."""
    found = {key: quantities[key] for key in FAULTS if key in quantities}
    return {k for k, q in found.items() if isinstance(q.value, float) and q.value > (q.U95 or 0.0)}


def numbered_flags(result: Result) -> list[NumberedFlag]:
    """Number all flags of a result: scale, outline, then weld by weld; one that is given twice counts once."""
    found: list[tuple[Flag, int | None]] = [(f, None) for f in (*result.scale.flags, *result.outline.flags)]
    for i, (weld, measured) in enumerate(zip(result.outline.welds, result.measurements, strict=True)):
        found += [(f, i) for f in (*weld.flags, *measured.flags)]
    once = list(dict.fromkeys(found))
    return [NumberedFlag(n, flag, weld) for n, (flag, weld) in enumerate(once, start=1)]


class Panel:
    """Lays out text blocks of `width` px with text of `size` px."""

    def __init__(self, width: float, size: int) -> None:
        self.width, self.size = width, size
        self.line = 1.42 * size
        self.blocks: list[Block] = []
        self._heading = ""

    def add(self, height: float, draw: Callable[[Sheet, float, float], None]) -> None:
        """Add a block under the present heading."""
        self.blocks.append(Block(height, draw, self._heading))

    def lines(self, lines: Sequence[str], *, small: bool = False, faded: bool = False, heavy: bool = False) -> None:
        """Add wrapped paragraphs."""
        size = max(9, round(0.88 * self.size)) if small else self.size
        rows = [row for line in lines for row in wrapped(line, size, self.width)]
        step = 1.34 * size

        def draw(sheet: Sheet, x: float, y: float) -> None:
            for i, row in enumerate(rows):
                sheet.text(x, y + (i + 0.5) * step, row, size, FADED if faded else INK, heavy=heavy)

        self.add(step * len(rows) + 0.2 * size, draw)

    def heading(self, text: str) -> None:
        """Add a heading under a rule."""
        self._heading = text
        self.blocks.append(self._heading_block(text))

    def _heading_block(self, text: str) -> Block:
        def draw(sheet: Sheet, x: float, y: float) -> None:
            sheet.rule(x, y + 0.5 * self.size, self.width)
            sheet.text(x, y + 1.35 * self.size, text, self.size, INK, heavy=True)

        return Block(2.2 * self.size, draw, text, is_heading=True)

    def arranged(self, columns: int) -> list[list[Block]]:
        """Return the blocks in at most `columns` columns; one that goes on says so in its heading."""
        out = arrange(self.blocks, columns)
        for column in out[1:]:
            if column[0].heading and not column[0].is_heading:
                column.insert(0, self._heading_block(f"{column[0].heading}, continued"))
        return out

    def grade(self, result: Result) -> None:
        """Add the grade of the whole photograph."""
        word = result.verdicts.grade
        if word is None:
            self.lines(["measured, not graded: no limits were given"], faded=True)
            return
        name = result.verdicts.limits_name or ""
        big = round(1.5 * self.size)
        rows = wrapped(f"against {name}", self.size, self.width - 3.2 * self.size) if name else []

        def draw(sheet: Sheet, x: float, y: float) -> None:
            sheet.sign(word, x + 1.2 * self.size, y + 1.4 * self.size, self.size)
            sheet.text(x + 3.0 * self.size, y + 1.4 * self.size, word, big, INK, heavy=True)
            for i, row in enumerate(rows):
                sheet.text(x + 3.0 * self.size, y + 2.9 * self.size + i * self.line, row, self.size, FADED)

        self.add((2.7 if not rows else 2.4) * self.size + len(rows) * self.line, draw)

    def numbers(self, rows: Sequence[Row]) -> None:
        """Add a table: name, value with U95, unit, verdict sign; what has no value is listed under it by reason."""
        reasons: dict[str, list[str]] = {}
        for row in rows:
            if row.value:
                self._number(row)
            else:
                reasons.setdefault(row.reason or "no reason given", []).append(row.name[:1].lower() + row.name[1:])
        for reason, names in reasons.items():
            self.lines([f"Without a number: {', '.join(names)}: {reason.rstrip('.')}."], small=True, faded=True)

    def _number(self, row: Row) -> None:
        value = f"{row.value} ± {row.u95}" if row.u95 else row.value
        unit_at = self.width - 4.0 * self.size
        name = shortened(row.name, self.size, unit_at - text_width(value, self.size) - 1.0 * self.size)

        def draw(sheet: Sheet, x: float, y: float) -> None:
            middle = y + 0.5 * self.line
            sheet.text(x, middle, name, self.size)
            sheet.text(x + unit_at, middle, value, self.size, right=True)
            sheet.text(x + unit_at + 0.3 * self.size, middle, row.unit, self.size, FADED)
            if row.verdict:
                sheet.sign(row.verdict, x + self.width - 0.7 * self.size, middle, 0.52 * self.size)

        self.add(self.line, draw)

    def limits(self, verdicts: Sequence[Verdict], unit: LengthUnit) -> None:
        """Add one line a limit, the worst first."""
        ordered = sorted(verdicts, key=lambda v: -SEVERITY.index(v.word))
        shown = ordered
        if len(ordered) > _MOST_LIMITS:
            shown = [v for v in ordered if v.word != "accept"] or ordered[:_MOST_LIMITS]
        for verdict in shown:
            self._limit(verdict, unit)
        if len(shown) < len(ordered):
            self.lines([f"and {len(ordered) - len(shown)} limits more, accepted"], small=True, faded=True)

    def _limit(self, verdict: Verdict, unit: LengthUnit) -> None:
        bound = limit_text(verdict, unit) or "not worked out"
        small = max(9, round(0.88 * self.size))
        origin = " (from memory)" if verdict.mark == "from memory" else ""
        room = self.width - 1.8 * self.size - text_width(bound, small) - 0.8 * self.size
        kind = BY_KEY.get(verdict.quantity)
        of = kind.name[:1].lower() + kind.name[1:] if kind else verdict.quantity
        rows = wrapped(f"{verdict.limit}{origin}: {of}", small, max(room, 0.3 * self.width))
        step = 1.34 * small

        def draw(sheet: Sheet, x: float, y: float) -> None:
            sheet.sign(verdict.word, x + 0.7 * self.size, y + 0.5 * step, 0.46 * self.size)
            for i, row in enumerate(rows):
                sheet.text(x + 1.8 * self.size, y + (i + 0.5) * step, row, small)
            sheet.text(x + self.width, y + 0.5 * step, bound, small, FADED, right=True)

        self.add(step * len(rows) + 0.15 * small, draw)

    def flags(self, flags: Sequence[NumberedFlag], many: bool) -> None:
        """Add the flags with the numbers that mark them in the picture."""
        small = max(9, round(0.88 * self.size))
        step = 1.34 * small
        for item in flags:
            whose = f" (weld {item.weld + 1})" if many and item.weld is not None else ""
            where = "" if item.flag.where_px else " (no single place)"
            rows = wrapped(f"{item.flag.text}{whose}{where}", small, self.width - 2.6 * self.size)

            def draw(sheet: Sheet, x: float, y: float, number: int = item.number, rows: list[str] = rows) -> None:
                sheet.number(number, x + 0.9 * self.size, y + 0.55 * step, 0.62 * self.size)
                for i, row in enumerate(rows):
                    sheet.text(x + 2.6 * self.size, y + (i + 0.5) * step, row, small)

            self.add(max(step * len(rows), 1.5 * self.size) + 0.2 * small, draw)

    def key(self, used: Sequence[str]) -> None:
        """Add the key to the lines and signs that the picture uses."""
        small = max(9, round(0.88 * self.size))
        step = 1.55 * small
        swatch = 4.2 * self.size
        for name in used:

            def draw(sheet: Sheet, x: float, y: float, name: str = name) -> None:
                middle = y + 0.5 * step
                sheet.box(x, y + 0.06 * step, swatch, 0.88 * step, (150, 152, 155))
                _swatch(sheet, name, x, middle, swatch)
                sheet.text(x + swatch + 0.8 * self.size, middle, _KEY_NAMES.get(name, name), small)

            self.add(step, draw)


_KEY_NAMES = {
    **{key: stroke.name for key, stroke in STROKES.items()},
    "joint root": "joint root",
    "weld root": "weld root",
    "toe": "toe",
}


def _swatch(sheet: Sheet, name: str, x: float, middle: float, width: float) -> None:
    pen = Pen(sheet.canvas, max(1.0, 0.032 * width))
    at = np.array([x + 0.5 * width, middle])
    if name == "joint root":
        pen.ring(at, 0.08 * width, WHITE)
    elif name == "weld root":
        pen.square(at, 0.07 * width, WHITE)
    elif name == "toe":
        pen.diamond(at, 0.09 * width, WHITE)
    else:
        line = np.array([[x + 0.1 * width, middle], [x + 0.9 * width, middle]])
        pen.stroke(line, STROKES[name])


def scale_sentence(scale: Scale, unit: LengthUnit) -> str:
    """Return how the scale was had and how sure it is."""
    size = scale.mm_per_px if unit == "mm" else scale.mm_per_px / MM_PER_INCH
    tilt = ", tilt taken out" if scale.plane is not None else ""
    return f"{scale.method}; {size:.5g} {unit}/px ± {percent_u95(scale.u_rel)} (U95){tilt}"


def fill_panel(
    panel: Panel, result: Result, unit: LengthUnit, used: Sequence[str], whole: Block | None = None
) -> None:
    """Add everything that the panel of `result` says.

    `used`: the strokes and signs in the picture. `whole`: the whole photograph, where the picture is cropped.
    """
    name = shortened(PurePath(result.photo.path.replace("\\", "/")).name, panel.size, panel.width)
    panel.lines([name], heavy=True)
    panel.grade(result)
    panel.lines([f"Scale: {scale_sentence(result.scale, unit)}"], small=True)
    if whole is not None:
        panel.blocks.append(whole)
    many = len(result.outline.welds) > 1
    for i, weld in enumerate(result.outline.welds):
        panel.heading(f"Weld {i + 1} ({weld.joint})" if many else f"{weld.joint.capitalize()} weld")
        verdicts = result.verdicts.per_weld[i] if i < len(result.verdicts.per_weld) else ()
        graded = {v.quantity for v in verdicts}
        rows = quantity_rows(result, i, unit)
        listed = graded.union(MAIN_NUMBERS, faults_seen(result.measurements[i].quantities))
        panel.numbers([r for r in rows if r.key in listed])
        threshold = result.measurements[i].settings.get("fusion_threshold_mm")
        if threshold is not None and any(r.key.startswith("unfused_") for r in rows):
            panel.lines(
                [f"Unfused: depth of fusion under {bare_text(threshold, 'mm', unit)}."], small=True, faded=True
            )
        if verdicts:
            panel.heading("Limits" + (f", weld {i + 1}" if many else ""))
            panel.limits(verdicts, unit)
    flags = numbered_flags(result)
    if flags:
        panel.heading("Doubtful, look at these places")
        panel.flags(flags, many)
    panel.heading("Key")
    panel.key(used)
    panel.heading("Caution")
    panel.lines(CAUTIONS, small=True)


def arrange(blocks: Sequence[Block], columns: int) -> list[list[Block]]:
    """Split blocks over at most `columns` columns in order, as even in height as their sizes allow."""
    total = sum(b.height for b in blocks)
    tallest = max((b.height for b in blocks), default=0.0)
    height = max(total / max(columns, 1), tallest)
    while True:
        out: list[list[Block]] = [[]]
        filled = 0.0
        for block in blocks:
            if out[-1] and filled + block.height > height:
                # A heading does not stay behind at the foot of a column.
                out.append([out[-1].pop()] if len(out[-1]) > 1 and out[-1][-1].is_heading else [])
                filled = sum(b.height for b in out[-1])
            out[-1].append(block)
            filled += block.height
        if len(out) <= columns:
            return out
        height *= 1.03
