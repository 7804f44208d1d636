"""Colours and styles of the drawings.

Hues: the colour-blind-safe set of M. Okabe and K. Ito, "Color Universal Design" (2002, revised 2008). Nothing is
told by hue alone: every kind of line also has its own style or ends, and every line a dark rim, so that it stands
out from light metal by the rim and from dark metal by its own lightness.
"""

from dataclasses import dataclass
from typing import Literal

Colour = tuple[int, int, int]
"""sRGB, 0 to 255."""

ORANGE: Colour = (230, 159, 0)
SKY: Colour = (86, 180, 233)
GREEN: Colour = (0, 158, 115)
YELLOW: Colour = (240, 228, 66)
VERMILION: Colour = (213, 94, 0)
PURPLE: Colour = (204, 121, 167)

INK: Colour = (22, 27, 34)
PAPER: Colour = (250, 249, 245)
FADED: Colour = (96, 103, 112)
RULE: Colour = (206, 204, 196)
WHITE: Colour = (255, 255, 255)

Style = Literal["solid", "dashed", "dotted", "hatched", "arrows", "ticks", "dot", "bars"]


@dataclass(frozen=True, slots=True)
class Stroke:
    """How one kind of line looks: `width` in units of the drawing's line width; `name` in the key."""

    name: str
    colour: Colour
    style: Style
    width: float = 1.0


STROKES: dict[str, Stroke] = {
    "fusion": Stroke("fusion boundary", ORANGE, "solid", 1.1),
    "face": Stroke("weld face", SKY, "solid", 1.0),
    "surface": Stroke("member surface (dashed: extended)", WHITE, "dashed", 0.8),
    "leg": Stroke("leg", PAPER, "ticks", 0.7),
    "throat": Stroke("actual throat, weld root to face", YELLOW, "arrows", 0.9),
    "depth": Stroke("depth of fusion", PURPLE, "dot", 1.0),
    "root": Stroke("root penetration", GREEN, "bars", 1.5),
    "unfused": Stroke("unfused surface", VERMILION, "hatched", 1.5),
    "haz": Stroke("heat-affected zone, outer edge", WHITE, "dotted", 0.6),
    "void": Stroke("void", SKY, "dotted", 0.8),
    "indication": Stroke("indication: look here", VERMILION, "dotted", 0.9),
    "width": Stroke("width, toe to toe", PAPER, "ticks", 0.7),
    "height": Stroke("reinforcement", YELLOW, "arrows", 0.9),
    "shortfall": Stroke("root shortfall", VERMILION, "bars", 1.2),
}

STROKE_OF: dict[str, str] = {
    "leg_butting": "leg",
    "leg_nonbutting": "leg",
    "actual_throat": "throat",
    "depth_of_fusion_butting": "depth",
    "depth_of_fusion_nonbutting": "depth",
    "depth_of_fusion": "depth",
    "root_penetration": "root",
    "root_shortfall": "shortfall",
    "bead_width": "width",
    "reinforcement_height": "height",
    "unfused_butting": "unfused",
    "unfused_nonbutting": "unfused",
}
"""Quantity key -> the stroke that its dimension is drawn with."""

VERDICT_COLOUR: dict[str, Colour] = {"accept": GREEN, "undecided": ORANGE, "reject": VERMILION}
"""Always beside a sign of its own shape: tick in a disc, bar in a diamond, cross in a square."""
