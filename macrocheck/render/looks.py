"""The knobs of a picture's look: how the section was etched, lit and photographed. Grey levels are on 0-255."""

from dataclasses import dataclass, field
from typing import Literal

GroundKind = Literal["plain", "noise", "cloth", "paper", "resin", "brushed", "check"]
GrainKind = Literal["none", "columnar", "coarse", "layers"]
BandKind = Literal["flat", "outer", "inner", "two-tone"]
Colour = tuple[float, float, float]
NEUTRAL: Colour = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Ground:
    """Background: mean `tone`, kind of pattern, its `amplitude` (standard deviation, grey levels), dust specks."""

    tone: float = 25.0
    kind: GroundKind = "plain"
    amplitude: float = 2.0
    pitch_mm: float = 0.6
    dust: int = 0
    tint: Colour = NEUTRAL


@dataclass(frozen=True, slots=True)
class Plate:
    """One member: mean `tone`, fine grain (standard deviation, grey levels), rolling bands, slow mottling."""

    tone: float = 150.0
    grain: float = 4.0
    grain_mm: float = 0.04
    bands: float = 0.0
    mottle: float = 0.0
    tint: Colour = NEUTRAL


@dataclass(frozen=True, slots=True)
class Band:
    """Heat-affected band of one member: `change` of tone, edge softness, `rim` at its outer edge, grain factor."""

    change: float = 0.0
    kind: BandKind = "flat"
    soft_mm: float = 0.08
    rim: float = 0.0
    grain: float = 1.0
    width_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Deposit:
    """Weld metal: mean `tone`; structure of `amplitude` (standard deviation, grey levels).

    `pitch_mm`: width of a column or grain; `aspect`: columns' length over width; `lean`: columns' slant off the
    fusion boundary's normal (tangent); `widening`: share of double-width columns far in; `centre`: change of tone
    where columns meet. `fine`: fine grain on top.
    `pass_line`, `pass_band`: change of tone on and beside the lines between passes; `crescents`: (count, change).
    `fusion_line`: change of tone on the fusion boundary, `fusion_line_mm` wide.
    """

    tone: float = 110.0
    kind: GrainKind = "none"
    amplitude: float = 4.0
    pitch_mm: float = 0.15
    aspect: float = 8.0
    lean: float = 0.0
    widening: float = 0.75
    centre: float = 0.0
    fine: float = 3.0
    mottle: float = 0.0
    pass_line: float = 0.0
    pass_band: float = 0.0
    pass_band_mm: float = 0.6
    crescents: tuple[int, float] = (0, 0.0)
    fusion_line: float = 0.0
    fusion_line_mm: float = 0.05
    tint: Colour = NEUTRAL


@dataclass(frozen=True, slots=True)
class Finish:
    """State of the ground face: seams, rims, scratches and dirt; changes of tone in grey levels.

    `scale`: ragged mill scale on the plates' surfaces.
    """

    seam: float = -60.0
    seam_mm: float = 0.05
    rim: float = 0.0
    rim_mm: float = 0.15
    shadow: float = 0.0
    scale: float = 0.0
    scale_mm: float = 0.1
    scratches: int = 0
    scratch: float = 20.0
    grinding: float = 0.0
    grinding_deg: float = 20.0
    stains: float = 0.0
    indents: int = 0
    pits: int = 0


@dataclass(frozen=True, slots=True)
class Clutter:
    """What else lies in the picture: `pieces` of loose metal, words written, a jaw or tape along the edge."""

    pieces: int = 0
    words: int = 0
    jaw: bool = False
    arrows: int = 0


@dataclass(frozen=True, slots=True)
class Camera:
    """Light and camera. `gradient`, `vignette`: relative fall of light; `glare`: grey levels at its middle."""

    gradient: float = 0.0
    gradient_deg: float = 0.0
    vignette: float = 0.0
    glare: float = 0.0
    glare_size: float = 0.2
    gamma: float = 1.0
    gain: float = 1.0
    cast: Colour = NEUTRAL
    blur_px: float = 0.7
    defocus_px: float = 0.0
    sharpen: float = 0.0
    noise: float = 2.0
    chroma_noise: float = 0.0
    jpeg: int = 92
    grey: bool = False


@dataclass(frozen=True, slots=True)
class Look:
    """Everything about a picture that is not the section's geometry."""

    name: str = "plain"
    ground: Ground = field(default_factory=Ground)
    butting: Plate = field(default_factory=Plate)
    nonbutting: Plate = field(default_factory=Plate)
    band_butting: Band | None = None
    band_nonbutting: Band | None = None
    deposit: Deposit = field(default_factory=Deposit)
    finish: Finish = field(default_factory=Finish)
    clutter: Clutter = field(default_factory=Clutter)
    camera: Camera = field(default_factory=Camera)
