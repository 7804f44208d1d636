"""What a picture is to look like: the numbers drawn for each of the three looks."""

from dataclasses import dataclass

import numpy as np

LOOKS = ("fair", "grain", "hard")


@dataclass(frozen=True, slots=True)
class Look:
    """Tones in grey levels, lengths in mm unless the name says px; amplitudes are standard deviations in grey."""

    name: str
    background: float
    background_rough: float
    tone_b: float
    tone_n: float
    tone_w: float
    plate_b: float
    plate_n: float
    plate_fine_px: float
    rolled: float
    haz_b: float
    haz_n: float
    haz_mm_b: float
    haz_mm_n: float
    haz_edge: float
    rim_b: float
    rim_n: float
    coarse: float
    """Amplitude of coarse grain next to the fusion line in the heat-affected zone."""
    columnar: float
    dendrite: float
    cast: float
    grain_mm: float
    own_way: float
    fusion_line: float
    fusion_mm: float
    passes: int
    crescent: float
    seam: float
    seam_mm: float
    blur_px: float
    noise: float
    jpeg: int
    light: float
    vignette: float
    patchy: float
    gamma: float
    tint: tuple[float, float, float]
    sharpen: float
    scratches: int
    stains: int
    glare: float
    heat_tint: float
    bright_rim: float
    indents: bool
    text: bool
    ruler: bool
    second_piece: bool
    mount: bool
    focus_px: float


def _pick(rng: np.random.Generator, *values: float) -> float:
    return float(values[int(rng.integers(len(values)))])


def draw_look(name: str, rng: np.random.Generator) -> Look:
    """Draw the look of one picture."""
    if name not in LOOKS:
        msg = f"look is one of {', '.join(LOOKS)}, not {name!r}"
        raise ValueError(msg)
    if name == "fair":
        return _fair(rng)
    return _grain(rng, hard=name == "hard")


def _tints(rng: np.random.Generator, strength: float) -> tuple[float, float, float]:
    shift = rng.normal(0, strength, 3)
    return float(shift[0]), float(shift[1]), float(shift[2])


def _fair(rng: np.random.Generator) -> Look:
    contrast = rng.uniform(28, 75) * (1 if rng.random() < 0.5 else -1)
    low, high = (95, 215 - contrast) if contrast > 0 else (75 - contrast, 215)
    plate = rng.uniform(low, high)
    other = plate + rng.uniform(-10, 10) * (abs(contrast) > 45)
    light_ground = rng.random() < 0.2 and max(plate, other, plate + contrast) < 185
    haz = rng.uniform(-0.45, 0.45, 2) * abs(contrast) * (rng.random() < 0.7)
    return Look(
        name="fair", background=rng.uniform(235, 250) if light_ground else rng.uniform(8, 35),
        background_rough=rng.uniform(0.5, 3), tone_b=plate, tone_n=other, tone_w=plate + contrast,
        plate_b=rng.uniform(2, 6), plate_n=rng.uniform(2, 6), plate_fine_px=rng.uniform(0.6, 1.1),
        rolled=_pick(rng, 0, 0, 0.4), haz_b=float(haz[0]), haz_n=float(haz[1]), haz_mm_b=rng.uniform(0.4, 1.8),
        haz_mm_n=rng.uniform(0.4, 1.8), haz_edge=rng.uniform(0.05, 0.4), rim_b=0, rim_n=0, coarse=0,
        columnar=rng.uniform(0, 6), dendrite=rng.uniform(0, 6), cast=0, grain_mm=rng.uniform(0.08, 0.25),
        own_way=rng.uniform(0, 0.5), fusion_line=_pick(rng, 0, 0, -12, 8), fusion_mm=rng.uniform(0.03, 0.06),
        passes=1 if rng.random() < 0.8 else 2, crescent=rng.uniform(-8, 8), seam=rng.uniform(0.5, 1),
        seam_mm=rng.uniform(0.03, 0.07), blur_px=rng.uniform(0.5, 1.0), noise=rng.uniform(1, 4),
        jpeg=int(rng.integers(82, 97)), light=rng.uniform(0, 0.06), vignette=rng.uniform(0, 0.08), patchy=0,
        gamma=rng.uniform(0.9, 1.1), tint=_tints(rng, 3), sharpen=0, scratches=0, stains=0, glare=0, heat_tint=0,
        bright_rim=0, indents=False, text=False, ruler=False, second_piece=False, mount=False, focus_px=0,
    )  # fmt: skip


def _quality(rng: np.random.Generator, *, low: bool) -> int:
    return int(rng.integers(40, 71) if low else rng.integers(74, 96))


def _sharpen(rng: np.random.Generator, *, hard: bool) -> float:
    if hard:
        return float(rng.uniform(0.8, 2.2)) if rng.random() < 0.35 else 0.0
    return float(rng.uniform(0.3, 1.0)) if rng.random() < 0.25 else 0.0


def _sign(rng: np.random.Generator) -> float:
    return 1.0 if rng.random() < 0.5 else -1.0


def _grain(rng: np.random.Generator, *, hard: bool) -> Look:
    def maybe(chance: float) -> bool:
        return hard and bool(rng.random() < chance)

    tone_n = rng.uniform(95, 200)
    apart = rng.uniform(10, 55) * _sign(rng) if rng.random() < 0.75 else rng.uniform(-8, 8)
    tone_b = float(np.clip(tone_n + apart, 85, 222))
    nearer = tone_b if rng.random() < 0.5 else tone_n
    weld = float(np.clip(nearer + rng.normal(0, 7), 80, 220))
    mode = rng.random()
    strength = rng.uniform(11, 26) * (rng.uniform(0.5, 1.0) if hard else 1.0)
    columnar, dendrite, cast = (strength * 0.55, strength * 0.85, 0.0)
    if mode > 0.72:
        columnar, dendrite, cast = (0.0, strength * 0.3, strength * 0.9)
    elif mode > 0.5:
        columnar, dendrite, cast = (strength * 0.9, strength * 0.35, strength * 0.2)
    both = _sign(rng)
    split = rng.random() < 0.4
    haz = rng.uniform(8, 38, 2) * np.array([both, -both if split else both])
    rims = rng.uniform(5, 22, 2) * (rng.random(2) < 0.45) * np.sign(rng.standard_normal(2))
    dark = min(tone_b, tone_n)
    ground = rng.uniform(6, 32)
    pick = rng.random()
    if hard and pick < 0.3:
        ground = dark + rng.uniform(-12, 6)
    elif hard and pick < 0.45:
        ground = rng.uniform(200, 246)
    elif pick > 0.85:
        ground = rng.uniform(35, 60)
    passes = 1 if rng.random() < (0.5 if hard else 0.7) else int(rng.integers(2, 4))
    return Look(
        name="hard" if hard else "grain", background=ground, background_rough=rng.uniform(1.5, 9 if hard else 5),
        tone_b=tone_b, tone_n=tone_n, tone_w=weld, plate_b=rng.uniform(5, 15), plate_n=rng.uniform(5, 13),
        plate_fine_px=rng.uniform(0.6, 1.2), rolled=_pick(rng, 0, 0.2, 0.5, 0.9), haz_b=float(haz[0]),
        haz_n=float(haz[1]), haz_mm_b=rng.uniform(0.3, 2.0), haz_mm_n=rng.uniform(0.3, 2.0),
        haz_edge=rng.uniform(0.02, 0.12) if rng.random() < 0.6 else rng.uniform(0.12, 0.5), rim_b=float(rims[0]),
        rim_n=float(rims[1]), coarse=rng.uniform(0, 9) if rng.random() < 0.5 else 0.0, columnar=columnar,
        dendrite=dendrite, cast=cast, grain_mm=rng.uniform(0.07, 0.22), own_way=rng.uniform(0, 0.6),
        fusion_line=_pick(rng, 0, 0, 0, -14, -7, 9), fusion_mm=rng.uniform(0.02, 0.05), passes=passes,
        crescent=rng.uniform(6, 22) * _sign(rng), seam=rng.uniform(0.3, 1) if rng.random() < 0.8 else 0.0,
        seam_mm=rng.uniform(0.02, 0.06), blur_px=rng.uniform(0.4, 1.1 if not hard else 2.0),
        noise=rng.uniform(2, 6 if not hard else 11), jpeg=_quality(rng, low=maybe(0.7)),
        light=rng.uniform(0, 0.15 if not hard else 0.4), vignette=rng.uniform(0, 0.15 if not hard else 0.5),
        patchy=rng.uniform(0.2, 0.8) if maybe(0.5) else 0.0, gamma=rng.uniform(0.8, 1.25),
        tint=_tints(rng, 2 if rng.random() < 0.6 else 10), sharpen=_sharpen(rng, hard=hard),
        scratches=int(rng.integers(2, 25)) if hard or rng.random() < 0.25 else 0,
        stains=int(rng.integers(1, 5)) if maybe(0.5) else 0, glare=rng.uniform(30, 90) if maybe(0.35) else 0.0,
        heat_tint=rng.uniform(0.2, 0.8) if maybe(0.25) else 0.0,
        bright_rim=rng.uniform(15, 50) if rng.random() < 0.4 else 0.0,
        indents=maybe(0.3), text=maybe(0.4), ruler=maybe(0.25), second_piece=maybe(0.25), mount=maybe(0.25),
        focus_px=rng.uniform(1, 3) if maybe(0.25) else 0.0,
    )  # fmt: skip
