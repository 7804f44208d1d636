"""What a picture is made of, drawn by seed: tones, textures, zones, lines; one make after another's fashion.

Tones are grey levels 0 to 255. In the fair look the weld metal differs from what lies beside it by 28 or more,
or by a grain that nobody overlooks, or by a line all round it; in the hard one by about half of that.
"""

from dataclasses import dataclass

import numpy as np

Texture = tuple[str, float, float]
"""Kind, amplitude in grey levels, size in mm."""

MAKES = ("drawn", "photo", "micro", "phone", "scan", "worn", "grain", "line", "mirror", "outshone")


@dataclass
class Recipe:
    """How to paint one section; see the module."""

    make: str
    ground: str
    ground_tone: float
    plates: tuple[float, float]
    weld: float
    plate_textures: tuple[Texture, ...] = ()
    weld_textures: tuple[Texture, ...] = ()
    zone: str = "none"
    zone_tones: tuple[float, float] = (0.0, 0.0)
    line: float = 0.0
    line_mm: float = 0.05
    line_patches: float = 0.0
    bead_line: float = 0.0
    bead_tone: float = 0.0
    reheat: float = 0.0
    rim: float = 0.0
    rim_mm: float = 0.1
    seam_mm: float = 0.06
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    weld_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    zone_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    shading: float = 0.0
    reflection: float = 0.0
    core: float = 0.0
    bands: float = 0.0
    fade: float = 0.0
    segregation: bool = False
    on_metal: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
    way: str = "none"


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def _tint(rng: np.random.Generator, strength: float) -> tuple[float, float, float]:
    warm, green = rng.normal(0, strength), rng.normal(0, 0.4 * strength)
    return 1 + warm, 1 + green, 1 - warm


def draw_recipe(rng: np.random.Generator, look: str) -> Recipe:
    """Draw a recipe for a look."""
    make = str(rng.choice(MAKES, p=[0.09, 0.17, 0.11, 0.13, 0.09, 0.1, 0.1, 0.06, 0.06, 0.09]))
    hard = look == "hard"
    r = _tones(rng, make, hard=hard)
    _textures(rng, r, hard=hard)
    _set_off(r, hard=hard)
    _zone(rng, r, hard=hard)
    _lines(rng, r, hard=hard)
    if make not in ("scan", "micro"):
        strength = {"phone": 0.08, "worn": 0.12, "photo": 0.04, "drawn": 0.04}.get(make, 0.03)
        r.tint, r.weld_tint, r.zone_tint = (
            _tint(rng, strength),
            _tint(rng, 0.4 * strength),
            _tint(rng, 0.4 * strength),
        )
    _extras(rng, r, hard=hard)
    r.shading = rng.uniform(0, 0.1) if make == "drawn" else rng.uniform(0.03, 0.22)
    return r


def _tones(rng: np.random.Generator, make: str, *, hard: bool) -> Recipe:
    least, most = (11, 24) if hard else (30, 75)
    plate = rng.uniform(80, 190)
    unlike = rng.normal(0, 22) if rng.random() < 0.4 else rng.normal(0, 4)
    gap = _sign(rng) * rng.uniform(least, most)
    if make in ("grain", "outshone"):
        gap, unlike = rng.uniform(-4, 4), rng.normal(0, 3) if not hard else rng.normal(0, 12)
    if make == "line":
        gap, unlike = rng.uniform(-8, 8), rng.normal(0, 5)
    plates = (float(np.clip(plate + unlike / 2, 45, 215)), float(np.clip(plate - unlike / 2, 45, 215)))
    outer = max(plates) if gap > 0 else min(plates)
    weld = outer + gap
    if not 25 <= weld <= 238:
        weld = (min(plates) if gap > 0 else max(plates)) - gap
    grounds = {
        "drawn": ["black", "white", "grey", "colour"],
        "photo": ["black", "resin", "grey", "cloth", "bright"],
        "micro": ["black", "grey", "resin"],
        "phone": ["bench", "cloth", "paper", "black", "hand"],
        "scan": ["white", "black", "paper", "grey"],
        "worn": ["bench", "cloth", "black", "paper"],
        "grain": ["black", "resin", "grey"],
        "line": ["black", "white", "bright"],
        "mirror": ["cloth", "black", "bright"],
        "outshone": ["black", "resin", "grey", "bright"],
    }[make]
    ground = str(rng.choice(grounds))
    tone = {
        "black": rng.uniform(3, 30),
        "white": rng.uniform(225, 255),
        "grey": rng.uniform(40, 200),
        "colour": rng.uniform(60, 200),
        "resin": rng.uniform(20, 90),
        "cloth": rng.uniform(30, 190),
        "bright": rng.uniform(195, 245),
        "bench": rng.uniform(70, 170),
        "paper": rng.uniform(185, 240),
        "hand": rng.uniform(40, 120),
    }[ground]
    return Recipe(make, ground, float(tone), plates, float(weld))


def _set_off(r: Recipe, *, hard: bool) -> None:
    """Move the ground's tone away from every tone of the metal, its single grains included."""
    apart = 18.0 if hard else 62.0
    coarse = ("columns", "dendrites", "coarse")
    apart += max((1.2 * a for k, a, _ in r.weld_textures if k in coarse), default=0.0) * (0.7 if hard else 1.0)
    tones, tone = (*r.plates, r.weld), r.ground_tone
    for step in (apart, -apart):
        near = [p for p in tones if abs(p - tone) < apart]
        if near:
            tone = float(np.clip((max if step > 0 else min)(near) + step * 1.05, 2, 253))
    if any(abs(p - tone) < apart for p in tones):
        tone = 8.0 if min(tones) - 8 > 250 - max(tones) else 250.0
    r.ground_tone = tone


def _textures(rng: np.random.Generator, r: Recipe, *, hard: bool) -> None:
    strong = 1.3 if hard else 1.0
    pick = rng.random
    if r.make == "drawn":
        if pick() < 0.6:
            r.plate_textures = (("clouds", rng.uniform(1, 5), rng.uniform(0.3, 4)),)
            r.weld_textures = (("clouds", rng.uniform(1, 6), rng.uniform(0.3, 3)),)
        return
    plates: list[Texture] = [("grains", strong * rng.uniform(2, 7), rng.uniform(0.03, 0.09))]
    if pick() < 0.5:
        plates.append(("rolled", strong * rng.uniform(1, 5), rng.uniform(0.05, 0.2)))
    if pick() < 0.7:
        plates.append(("clouds", strong * rng.uniform(1, 5), rng.uniform(1, 6)))
    told_by_grain = r.make in ("grain", "outshone")
    kind = str(rng.choice(["columns", "dendrites", "coarse", "cells", "fine"], p=[0.36, 0.2, 0.22, 0.1, 0.12]))
    if told_by_grain and kind in ("fine", "cells"):
        kind = "columns"
    strength = rng.uniform(9, 14) if hard and told_by_grain else rng.uniform(5, 13)
    if told_by_grain and not hard:
        strength = rng.uniform(17, 30)
    size = rng.uniform(0.06, 0.22) * (1.4 if told_by_grain else 1.0)
    if told_by_grain:
        plates = [(k, min(a, 4.0 if not hard else 6.0), s) for k, a, s in plates]
    welds: list[Texture] = [(kind, strength, size)]
    if pick() < 0.6:
        welds.append(("grains", rng.uniform(2, 6), rng.uniform(0.03, 0.08)))
    if pick() < 0.6:
        welds.append(("clouds", rng.uniform(1, 5), rng.uniform(0.5, 4)))
    if r.make == "scan":
        plates = [p for p in plates if p[0] != "rolled"]
    r.plate_textures, r.weld_textures = tuple(plates), tuple(welds)


def _zone(rng: np.random.Generator, r: Recipe, *, hard: bool) -> None:
    chance = {"drawn": 0.55, "line": 0.25, "mirror": 0.5}.get(r.make, 0.8)
    if r.make == "outshone":  # the zone's outer edge is the strongest line there is; the weld is told by its grain
        r.zone = str(rng.choice(["flat", "outer", "flat", "mottled"]))
        sizes = [s * float(rng.uniform(25, 55)) for s in (_sign(rng), _sign(rng))]
        if rng.random() < 0.6:
            sizes[1] = sizes[0]
        r.zone_tones = (sizes[0], sizes[1])
        return
    if rng.random() > chance:
        return
    r.zone = str(rng.choice(["flat", "fading", "outer", "bands", "inner", "mottled"]))
    sign = _sign(rng)
    size = rng.uniform(8, 34) * sign
    second = size if rng.random() < 0.75 else -size * rng.uniform(0.3, 1)
    least = 10 if hard else 27
    tones = []
    for plate, step in zip(r.plates, (size, second), strict=True):
        beside = plate + step
        if r.make not in ("grain", "line") and abs(beside - r.weld) < least:
            beside = plate - step
            if abs(beside - r.weld) < least:
                beside = plate
        tones.append(float(np.clip(beside, 15, 245) - plate))
    r.zone_tones = (tones[0], tones[1])


def _lines(rng: np.random.Generator, r: Recipe, *, hard: bool) -> None:
    chance = {"drawn": 0.4, "line": 1.0, "grain": 0.15, "outshone": 0.1}.get(r.make, 0.4)
    if rng.random() < chance:
        strength = rng.uniform(12, 24) if hard else rng.uniform(25, 60)
        r.line = _sign(rng) * (strength + (22 if r.make == "line" else 0))
        r.line_mm = rng.uniform(0.03, 0.09) if r.make != "line" else rng.uniform(0.07, 0.16)
        r.line_patches = rng.uniform(0.1, 0.5) if rng.random() < 0.4 and (hard or r.make != "line") else 0.0
    r.bead_line = _sign(rng) * rng.uniform(4, 16)
    r.bead_tone = rng.uniform(2, 9)
    r.reheat = _sign(rng) * rng.uniform(0, 10)
    if rng.random() < 0.45:
        r.rim, r.rim_mm = _sign(rng) * rng.uniform(10, 45), rng.uniform(0.05, 0.25)
    r.seam_mm = rng.uniform(0.02, 0.06)
    if r.make == "mirror":
        r.reflection = rng.uniform(15, 45) * (0.6 if hard else 0.4)


def _extras(rng: np.random.Generator, r: Recipe, *, hard: bool) -> None:
    """What misleads besides: steps inside the weld, marks on the metal, things beside it, other optics."""
    often = 1.5 if hard else 1.0
    if r.make not in ("drawn", "grain", "outshone"):
        if rng.random() < 0.14 * often:
            r.core = _sign(rng) * rng.uniform(5, 14)
        if hard and rng.random() < 0.3:
            r.fade = rng.uniform(0.3, 0.7)
    if rng.random() < 0.12 * often:
        r.bands = _sign(rng) * rng.uniform(6, 18)
    r.segregation = bool(rng.random() < 0.12 * often and r.make not in ("drawn", "grain"))
    chances = {"indents": 0.08, "stamp": 0.1, "crack": 0.06, "skin": 0.1}
    r.on_metal = tuple(k for k, p in chances.items() if rng.random() < p * often)
    chances = {"mount": 0.06, "clamp": 0.07, "piece": 0.08, "spatter": 0.08, "notes": 0.12}
    r.beside = tuple(k for k, p in chances.items() if rng.random() < p * often)
    if rng.random() < 0.22 * often:
        r.way = str(rng.choice(["defocus", "few", "false", "halftone", "steps", "shake", "sepia"]))
