"""The sheet that a drawing is made on: shapes at once, text at the end in one go."""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.report.palette import INK, PAPER, RULE, VERDICT_COLOUR, WHITE, Colour
from macrocheck.report.strokes import Pen


@lru_cache(maxsize=32)
def font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Return Pillow's own scalable font at `size` px."""
    return ImageFont.load_default(size)


@lru_cache(maxsize=4096)
def text_width(text: str, size: int) -> float:
    """Return the width of a line of text, px."""
    return float(font(size).getlength(text))


def wrapped(text: str, size: int, width: float) -> list[str]:
    """Break text into lines no wider than `width` px, at blanks where there are any."""
    lines: list[str] = []
    for word in text.split():
        trial = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(trial, size) <= width:
            lines[-1] = trial
            continue
        rest = word
        while text_width(rest, size) > width and len(rest) > 1:
            cut = next((i for i in range(len(rest) - 1, 1, -1) if text_width(rest[:i], size) <= width), 1)
            lines.append(rest[:cut])
            rest = rest[cut:]
        lines.append(rest)
    return lines


def shortened(text: str, size: int, width: float) -> str:
    """Return the text, its middle left out where it is wider than `width` px."""
    if text_width(text, size) <= width:
        return text
    for keep in range(len(text) - 1, 3, -1):
        trial = f"{text[: keep // 2]}...{text[-(keep - keep // 2) :]}"
        if text_width(trial, size) <= width:
            return trial
    return text[:2]


@dataclass(frozen=True, slots=True)
class _Text:
    x: float
    y: float
    text: str
    size: int
    colour: Colour
    heavy: bool


class Sheet:
    """Shapes on `canvas` (h, w, 3) uint8, and the text that is still to be set on it."""

    def __init__(self, canvas: ByteArray, pen: Pen) -> None:
        self.canvas = canvas
        self.pen = pen
        self._texts: list[_Text] = []

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: int,
        colour: Colour = INK,
        *,
        heavy: bool = False,
        right: bool = False,
    ) -> None:
        """Set a line of text with its left (or right) end at x and its middle at y, px."""
        if right:
            x -= text_width(text, size)
        self._texts.append(_Text(x, y, text, size, colour, heavy))

    def box(
        self, x: float, y: float, width: float, height: float, colour: Colour, edge: Colour | None = None
    ) -> None:
        """Fill a rectangle."""
        corners = (round(x), round(y)), (round(x + width), round(y + height))
        cv2.rectangle(self.canvas, *corners, colour, -1)
        if edge is not None:
            cv2.rectangle(self.canvas, *corners, edge, max(1, round(0.25 * self.pen.width)), cv2.LINE_AA)

    def rule(self, x: float, y: float, width: float) -> None:
        """Draw a thin horizontal rule."""
        cv2.line(
            self.canvas,
            (round(x), round(y)),
            (round(x + width), round(y)),
            RULE,
            max(1, round(0.3 * self.pen.width)),
        )

    def sign(self, word: str, x: float, y: float, radius: float) -> None:
        """Draw a verdict's sign about (x, y): tick in a disc, bar in a diamond, cross in a square."""
        at, colour = np.array([x, y]), VERDICT_COLOUR.get(word, INK)
        r, fine = radius, Pen(self.canvas, max(1.0, 0.3 * radius))
        fine.rim = max(1.0, 0.08 * radius)
        thick = max(1, round(0.3 * radius))
        if word == "accept":
            fine.disc(at, r, colour)
            _plain(self.canvas, at + r * np.array([[-0.5, 0.02], [-0.12, 0.4], [0.5, -0.35]]), WHITE, thick)
        elif word == "undecided":
            fine.fill(at + 1.2 * r * np.array([[0, -1], [1, 0], [0, 1], [-1, 0]]), colour)
            _plain(self.canvas, at + r * np.array([[-0.5, 0.0], [0.5, 0.0]]), INK, thick)
        else:
            fine.fill(at + 0.95 * r * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]), colour)
            for cross in ([[-0.5, -0.5], [0.5, 0.5]], [[-0.5, 0.5], [0.5, -0.5]]):
                _plain(self.canvas, at + r * np.array(cross), WHITE, thick)

    def number(self, number: int, x: float, y: float, radius: float) -> None:
        """Draw a flag's number in a pennant-like five-sided plate about (x, y)."""
        shape = np.array([[-1.0, -0.9], [0.75, -0.9], [1.35, 0.0], [0.75, 0.9], [-1.0, 0.9]])
        self.pen.fill(np.array([x, y]) + radius * shape, INK)
        size = max(8, round(1.35 * radius))
        text = str(number)
        self.text(x - 0.5 * text_width(text, size), y, text, size, PAPER, heavy=True)

    def finished(self) -> ByteArray:
        """Set the text and return the sheet, (h, w, 3) uint8."""
        if not self._texts:
            return self.canvas
        image = Image.fromarray(self.canvas)
        draw = ImageDraw.Draw(image)
        for t in self._texts:
            weight = 0.03 * t.size if t.heavy else 0
            draw.text(
                (t.x, t.y), t.text, t.colour, font(t.size), anchor="lm", stroke_width=weight, stroke_fill=t.colour
            )
        return np.array(image)


def _plain(canvas: ByteArray, points: FloatArray, colour: Colour, thick: int) -> None:
    shape = np.rint(points * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(canvas, [shape], False, colour, thick, cv2.LINE_AA, 4)
