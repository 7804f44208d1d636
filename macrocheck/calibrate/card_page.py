"""The card as a page to print: vector PDF, lengths exact in the PDF's own unit.

User space is 1/72 inch by ISO 32000-1:2008, 8.3.2.3, and the inch 25.4 mm, so a millimetre is 72 / 25.4 units.
Paper sizes: A4 by ISO 216; letter is 8.5 by 11 inches (ANSI/ASME Y14.1, from memory). Needs reportlab, the extra
`macrocheck[card]`.
"""

import io
from typing import TYPE_CHECKING, Literal

from macrocheck.calibrate.card_board import (
    BOARD_MM,
    CELLS,
    CHECK_MM,
    FIRST_ID,
    MARKER_MM,
    SQUARE_MM,
    SQUARES,
)
from macrocheck.errors import InputError

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

Paper = Literal["a4", "letter"]
PAPERS: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Paper -> width and height, mm."""
MM = 72 / 25.4
"""PDF units to the millimetre."""

CARD_MM = (98.0, 92.0)
"""What is cut out: width and height, mm."""
TOP_MM = 42.0
"""From the paper's upper edge to the card's, mm."""
BOARD_AT = (7.0, 7.0)
"""The board's upper left corner on the card, mm."""
INK = (0.0, 0.0, 0.0)
TEXT = (0.16, 0.18, 0.22)
FAINT = (0.45, 0.48, 0.53)
ACCENT = (0.70, 0.31, 0.10)

STEPS: tuple[tuple[str, str], ...] = (
    (
        "Print at 100 %.",
        "Choose actual size: no scaling, no fitting to the page. Matt paper; a glossy print shines back the lamp.",
    ),
    (
        "Measure both check lines with a caliper.",
        "From the middle of one end tick to the middle of the other. Write both on the card and state their mean "
        "with the mark: --mark card:49.7mm. Where the two differ by more than 0.2 mm the printer stretches one "
        "way: print again. Without a reading (--mark card) every length is sure to 0.5 % at best.",
    ),
    (
        "Cut it out and glue it to something flat and stiff.",
        "It may be cut smaller or have a window cut for the weld: 4 by 3 whole squares in the picture are the "
        "least, more are surer, and squares on all sides of the weld are best.",
    ),
    (
        "Lay it in the plane of the section.",
        "Print and etched face level and parallel: 1 mm higher or lower is about 0.3 % at 300 mm from the camera. "
        "It takes out the camera's tilt, not its own.",
    ),
    (
        "Photograph weld and card together.",
        "Both sharp, no glare on the squares, nothing lying over them next to the weld.",
    ),
)
CAUTION = "A visual measurement of one section is not a qualification of a procedure or a welder."


def page(paper: Paper = "a4") -> bytes:
    """Return the card as a PDF document of one page; raises InputError where reportlab is not installed."""
    try:
        from reportlab.pdfgen.canvas import Canvas
    except ImportError as error:
        msg = "Writing the card needs reportlab; install it with: pip install 'macrocheck[card]'"
        raise InputError(msg) from error
    wide, high = PAPERS[paper]
    out = io.BytesIO()
    # invariant: the same page is the same bytes, without the clock
    canvas = Canvas(out, pagesize=(wide * MM, high * MM), invariant=1, pageCompression=1)
    canvas.setTitle("macrocheck card")
    canvas.setSubject("Scale card for photographs of weld sections; print at 100 %")
    canvas.setViewerPreference("PrintScaling", "None")
    # from here on millimetres, y down from the upper left corner of the paper, as the board is counted
    canvas.transform(MM, 0, 0, -MM, 0, high * MM)
    left = (wide - CARD_MM[0]) / 2
    _heading(canvas, left)
    canvas.saveState()
    canvas.translate(left, TOP_MM)
    _card(canvas)
    canvas.restoreState()
    _steps(canvas, left - 21, TOP_MM + CARD_MM[1] + 14, CARD_MM[0] + 42)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def black_cells() -> list[tuple[float, float, float, float]]:
    """Return what is black on the board as rectangles (x, y, width, height), mm from its upper left, y down."""
    rectangles = []
    number = FIRST_ID
    for row in range(SQUARES[1]):
        for column in range(SQUARES[0]):
            x, y = column * SQUARE_MM, row * SQUARE_MM
            if (row + column) % 2 == 0:
                rectangles.append((x, y, SQUARE_MM, SQUARE_MM))
                continue
            margin = (SQUARE_MM - MARKER_MM) / 2
            rectangles += [(x + margin + a, y + margin + b, w, h) for a, b, w, h in _marker(number)]
            number += 1
    return rectangles


def _marker(number: int) -> list[tuple[float, float, float, float]]:
    """Return the black runs of one marker, row by row, mm from its upper left corner."""
    from macrocheck.calibrate.card import dictionary

    black = dictionary().generateImageMarker(number, CELLS) < 128
    side = MARKER_MM / CELLS
    runs = []
    for row, line in enumerate(black.tolist()):
        start = None
        for column, dark in enumerate([*line, False]):
            if dark and start is None:
                start = column
            elif not dark and start is not None:
                runs.append((start * side, row * side, (column - start) * side, side))
                start = None
    return runs


def _heading(canvas: "Canvas", left: float) -> None:
    canvas.setFillColorRGB(*ACCENT)
    canvas.rect(left - 21, 17, 2.2, 12.5, stroke=0, fill=1)
    _text(canvas, left - 15, 22.2, "Scale card for weld sections", size=17, bold=True)
    _text(
        canvas,
        left - 15,
        28.6,
        "Print at 100 %, measure the check lines, lay it in the plane of the section.",
        size=10,
    )


def _card(canvas: "Canvas") -> None:
    canvas.setStrokeColorRGB(*FAINT)
    canvas.setLineWidth(0.15)
    canvas.setDash([1.6, 1.2])
    canvas.rect(0, 0, *CARD_MM, stroke=1, fill=0)
    canvas.setDash([])
    canvas.saveState()
    canvas.translate(*BOARD_AT)
    canvas.setFillColorRGB(*INK)
    path = canvas.beginPath()  # one path: no hairlines between touching cells
    for rectangle in black_cells():
        path.rect(*rectangle)
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.restoreState()
    x, y = check_lines()
    _check_line(canvas, x, upright=False)
    _check_line(canvas, y, upright=True)
    # a place to write what the caliper said, one at the end of each line
    low = BOARD_AT[1] + BOARD_MM[1]
    _entry(canvas, BOARD_AT[0] + CHECK_MM + 5, low + 8.5, "across")
    _entry(canvas, BOARD_AT[0] + CHECK_MM + 5, low + 17.5, "down")
    _text(canvas, BOARD_AT[0], low + 18.5, "50 mm as drawn, tick middle to tick middle", size=7)
    _text(canvas, BOARD_AT[0], low + 22.3, "State the mean: --mark card:49.7mm", size=7)
    _text(canvas, BOARD_AT[0], low + 27.0, "macrocheck", size=7.5, colour=ACCENT, bold=True)


def check_lines() -> tuple[tuple[float, float], tuple[float, float]]:
    """Return where the check line across and the one down begin, (x, y) mm on the card."""
    low, right = BOARD_AT[1] + BOARD_MM[1], BOARD_AT[0] + BOARD_MM[0]
    return (BOARD_AT[0], low + 10.0), (right + 10.0, BOARD_AT[1] + 2.0)


def _check_line(canvas: "Canvas", start: tuple[float, float], *, upright: bool) -> None:
    canvas.saveState()
    canvas.translate(*start)
    if upright:
        canvas.rotate(90)
    canvas.setStrokeColorRGB(*INK)
    canvas.setLineCap(0)
    canvas.setLineWidth(0.2)
    for end in (0.0, CHECK_MM):
        canvas.line(end, -3.5, end, 3.5)
    canvas.line(0, 0, CHECK_MM, 0)
    canvas.restoreState()


def _entry(canvas: "Canvas", x: float, y: float, what: str) -> None:
    _text(canvas, x, y + 2.6, what, size=8)
    canvas.setStrokeColorRGB(*TEXT)
    canvas.setLineWidth(0.2)
    canvas.line(x + 10, y + 3.4, x + 27, y + 3.4)
    _text(canvas, x + 28, y + 2.6, "mm", size=8)


def _steps(canvas: "Canvas", left: float, top: float, width: float) -> None:
    from reportlab.lib.utils import simpleSplit

    y = top
    for number, (lead, more) in enumerate(STEPS, start=1):
        _text(canvas, left, y, str(number), size=13, bold=True, colour=ACCENT)
        _text(canvas, left + 6, y, lead, size=10, bold=True)
        y += 4.6
        for line in simpleSplit(more, "Helvetica", 9.5, (width - 6) * MM):
            _text(canvas, left + 6, y, line, size=9.5)
            y += 4.3
        y += 3.2
    canvas.setStrokeColorRGB(*FAINT)
    canvas.setLineWidth(0.15)
    canvas.line(left, y - 1.5, left + width, y - 1.5)
    _text(canvas, left, y + 3.2, CAUTION, size=8.5, colour=FAINT)


def _text(
    canvas: "Canvas",
    x: float,
    y: float,
    text: str,
    *,
    size: float,
    bold: bool = False,
    colour: tuple[float, float, float] = TEXT,
) -> None:
    """Write text of so many points with its base line at (x, y) mm; the page's y runs down, letters stand up."""
    canvas.saveState()
    canvas.translate(x, y)
    canvas.scale(1 / MM, -1 / MM)
    canvas.setFillColorRGB(*colour)
    canvas.setFont("Helvetica-Bold" if bold else "Helvetica", size)
    canvas.drawString(0, 0, text)
    canvas.restoreState()
