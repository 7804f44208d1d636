"""Random looks: `fair_look` (a good etch), `grain_look` (told by grain only), `hard_look` (what goes wrong)."""

from dataclasses import replace

import numpy as np

from macrocheck.render.looks import (
    NEUTRAL,
    Band,
    BandKind,
    Camera,
    Clutter,
    Colour,
    Deposit,
    Finish,
    GrainKind,
    Ground,
    GroundKind,
    Look,
    Plate,
)

FAIR_CONTRAST = 34.0
"""Least difference of tone at a fair fusion boundary in the scene; light and lens leave at least 25 of it."""


def _u(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def _chance(rng: np.random.Generator, p: float) -> bool:
    return bool(rng.random() < p)


def _tint(rng: np.random.Generator, spread: float) -> Colour:
    """A colour cast of unit mean."""
    c = np.exp(rng.normal(0, spread, 3))
    c = c / c.mean()
    return float(c[0]), float(c[1]), float(c[2])


def _kind(rng: np.random.Generator) -> BandKind:
    kinds: tuple[BandKind, ...] = ("flat", "outer", "inner", "two-tone")
    return kinds[int(rng.choice(4, p=[0.4, 0.25, 0.25, 0.1]))]


def _ground(rng: np.random.Generator, tone: float, *, amplitude: float) -> Ground:
    kinds: tuple[GroundKind, ...] = ("plain", "noise", "paper", "cloth", "resin", "brushed", "check")
    return Ground(
        tone=tone,
        kind=kinds[int(rng.choice(7, p=[0.35, 0.25, 0.12, 0.08, 0.1, 0.07, 0.03]))],
        amplitude=amplitude * _u(rng, 0.3, 1.0),
        pitch_mm=_u(rng, 0.2, 1.0),
        dust=int(rng.integers(0, 40)) if _chance(rng, 0.5) else 0,
        tint=_tint(rng, 0.06) if _chance(rng, 0.5) else NEUTRAL,
    )


def _fair_band(rng: np.random.Generator, plate: float, weld: float) -> Band:
    """A heat-affected band whose tone leaves a fair contrast against the weld metal."""
    away = -np.sign(weld - plate)
    room = max(abs(weld - plate) - FAIR_CONTRAST, 0.0)
    change = away * _u(rng, 8, 32) if room < 8 or _chance(rng, 0.6) else -away * _u(rng, 5, room)
    change = float(np.clip(plate + change, 22, 236) - plate)
    # "outer" fades towards the boundary, "inner" overshoots there by 15 %; both keep the contrast
    kinds: tuple[BandKind, ...] = ("flat", "outer") if change * away < 0 else ("flat", "outer", "inner")
    return Band(
        change=change,
        kind=kinds[int(rng.integers(len(kinds)))],
        soft_mm=_u(rng, 0.03, 0.3),
        width_factor=1.0,
    )


def fair_look(rng: np.random.Generator) -> Look:
    """A good etch: at least 25 grey levels between weld metal and what adjoins it, in either polarity."""
    base = _u(rng, 95, 185)
    other = base + _u(rng, -9, 9)
    darkest = min(base, other)
    brightest = max(base, other)
    down = darkest - 24 >= FAIR_CONTRAST
    up = 238 - brightest >= FAIR_CONTRAST
    dark = down and (not up or _chance(rng, 0.55))
    if dark:
        weld = darkest - _u(rng, FAIR_CONTRAST, min(85, darkest - 22))
    else:
        weld = brightest + _u(rng, FAIR_CONTRAST, min(75, 238 - brightest))
    low, high = min(darkest, weld), max(brightest, weld)
    options = [
        t
        for t in (_u(rng, 6, max(low - 45, 8)), _u(rng, min(high + 28, 246), 250))
        if low - t > 40 or t - high > 26
    ]
    ground_tone = options[int(rng.integers(len(options)))] if options else max(low - 45, 4)
    grain = _u(rng, 1.0, 6.0)
    grains: tuple[GrainKind, ...] = ("none", "columnar", "coarse", "layers")
    kind = grains[int(rng.choice(4, p=[0.3, 0.4, 0.2, 0.1]))]
    bands = _chance(rng, 0.6)
    butting = Plate(base, grain, _u(rng, 0.03, 0.08), _u(rng, 0, 3), _u(rng, 0, 4))
    nonbutting = replace(butting, tone=other, grain=grain * _u(rng, 0.7, 1.4))
    fusion_line = _u(rng, 12, 45) * (_sign(rng) if _chance(rng, 0.3) else -1.0) if _chance(rng, 0.35) else 0.0
    return Look(
        name="fair",
        ground=_ground(rng, ground_tone, amplitude=6),
        butting=butting,
        nonbutting=nonbutting,
        band_butting=_fair_band(rng, base, weld) if bands else None,
        band_nonbutting=_fair_band(rng, other, weld) if bands else None,
        deposit=Deposit(
            tone=weld,
            kind=kind,
            amplitude=_u(rng, 2, 9),
            pitch_mm=_u(rng, 0.08, 0.35),
            aspect=_u(rng, 5, 16),
            lean=_u(rng, -0.3, 0.3),
            widening=_u(rng, 0.3, 0.75),
            centre=_u(rng, -10, 10) if kind == "columnar" else 0.0,
            fine=_u(rng, 1, 5),
            mottle=_u(rng, 0, 4),
            pass_line=_u(rng, -25, 10),
            pass_band=_u(rng, -8, 8),
            fusion_line=fusion_line,
            fusion_line_mm=_u(rng, 0.03, 0.09),
        ),
        finish=Finish(
            seam=-_u(rng, 25, 90) if _chance(rng, 0.75) else 0.0,
            seam_mm=_u(rng, 0.03, 0.09),
            rim=_u(rng, -15, 25) if _chance(rng, 0.3) else 0.0,
            rim_mm=_u(rng, 0.05, 0.2),
            shadow=_u(rng, -10, 10) if _chance(rng, 0.3) else 0.0,
            scratches=int(rng.integers(0, 8)),
            scratch=_u(rng, 4, 14),
            grinding=_u(rng, 0, 2.0),
            grinding_deg=_u(rng, 0, 180),
            pits=int(rng.integers(0, 20)),
        ),
        camera=Camera(
            gradient=_u(rng, 0, 0.07),
            gradient_deg=_u(rng, 0, 360),
            vignette=_u(rng, 0, 0.08),
            gain=_u(rng, 0.95, 1.05),
            cast=_tint(rng, 0.03),
            blur_px=_u(rng, 0.5, 1.3),
            noise=_u(rng, 0.8, 4.0),
            chroma_noise=_u(rng, 0, 2.0),
            sharpen=_u(rng, 0, 0.3) if _chance(rng, 0.3) else 0.0,
            jpeg=int(rng.integers(82, 97)),
            grey=_chance(rng, 0.15),
        ),
    )


def grain_look(rng: np.random.Generator) -> Look:
    """Weld metal told by its grain alone, with heat-affected bands that outshine the fusion boundary."""
    base = _u(rng, 85, 180)
    other = base + (_sign(rng) * _u(rng, 12, 45) if _chance(rng, 0.6) else _u(rng, -5, 5))
    tones = (base, other)
    near = tones[int(rng.integers(2))] if _chance(rng, 0.6) else (base + other) / 2
    weld = near + float(np.clip(rng.normal(0, 5), -10, 10))
    dark_ground = _chance(rng, 0.75)
    ground = _u(rng, 4, 40) if dark_ground else _u(rng, 205, 250)
    plate_grain = _u(rng, 4, 13)
    butting = Plate(base, plate_grain, _u(rng, 0.025, 0.06), _u(rng, 0, 5), _u(rng, 0, 6))
    nonbutting = replace(
        butting,
        tone=other,
        grain=plate_grain * _u(rng, 0.4, 1.3),
        grain_mm=_u(rng, 0.025, 0.07),
        bands=_u(rng, 0, 5),
    )
    sign = _sign(rng)
    second = sign if _chance(rng, 0.55) else -sign

    def band(way: float) -> Band:
        return Band(
            change=way * _u(rng, 12, 48),
            kind=_kind(rng),
            soft_mm=_u(rng, 0.02, 0.25),
            rim=_sign(rng) * _u(rng, 8, 40) if _chance(rng, 0.4) else 0.0,
            grain=_u(rng, 0.3, 1.1),
        )

    columnar = _chance(rng, 0.78)
    return Look(
        name="grain",
        ground=_ground(rng, ground, amplitude=7),
        butting=butting,
        nonbutting=nonbutting,
        band_butting=band(sign) if _chance(rng, 0.9) else None,
        band_nonbutting=band(second) if _chance(rng, 0.9) else None,
        deposit=Deposit(
            tone=weld,
            kind="columnar" if columnar else "coarse",
            amplitude=_u(rng, 13, 30),
            pitch_mm=_u(rng, 0.06, 0.2) if columnar else _u(rng, 0.14, 0.4),
            aspect=_u(rng, 7, 20),
            lean=_u(rng, -0.5, 0.5),
            widening=_u(rng, 0.15, 0.75),
            centre=_u(rng, -18, 18) if _chance(rng, 0.5) else 0.0,
            fine=plate_grain * _u(rng, 0.8, 1.5),
            mottle=_u(rng, 0, 7),
            pass_line=_u(rng, -35, 20),
            pass_band=_u(rng, -18, 18),
            pass_band_mm=_u(rng, 0.3, 1.2),
            crescents=(int(rng.integers(1, 4)), _sign(rng) * _u(rng, 8, 24)) if _chance(rng, 0.3) else (0, 0.0),
            fusion_line=_sign(rng) * _u(rng, 8, 30) if _chance(rng, 0.35) else 0.0,
            fusion_line_mm=_u(rng, 0.03, 0.08),
        ),
        finish=Finish(
            seam=-_u(rng, 25, 110) if _chance(rng, 0.75) else 0.0,
            seam_mm=_u(rng, 0.03, 0.09),
            rim=_u(rng, -20, 60) if _chance(rng, 0.4) else 0.0,
            rim_mm=_u(rng, 0.04, 0.15),
            scratches=int(rng.integers(0, 8)),
            scratch=_u(rng, 6, 20),
            grinding=_u(rng, 0, 2.5),
            grinding_deg=_u(rng, 0, 180),
            pits=int(rng.integers(0, 60)),
            indents=int(rng.integers(1, 3)) if _chance(rng, 0.15) else 0,
        ),
        camera=Camera(
            gradient=_u(rng, 0, 0.12),
            gradient_deg=_u(rng, 0, 360),
            vignette=_u(rng, 0, 0.2),
            gain=_u(rng, 0.85, 1.1),
            gamma=_u(rng, 0.85, 1.2),
            cast=_tint(rng, 0.04),
            blur_px=_u(rng, 0.5, 1.2),
            noise=_u(rng, 1.0, 5.0),
            chroma_noise=_u(rng, 0, 2.0),
            sharpen=_u(rng, 0, 0.9) if _chance(rng, 0.4) else 0.0,
            jpeg=int(rng.integers(72, 97)),
            grey=_chance(rng, 0.4),
        ),
    )


def hard_look(rng: np.random.Generator) -> Look:
    """What goes wrong on a bench: weak and patchy etches, dirt, scratches, glare, clutter, poor pictures."""
    look = grain_look(rng) if _chance(rng, 0.5) else fair_look(rng)
    if look.deposit.tone and _chance(rng, 0.5):
        look = _weakened(rng, look)
    low = min(look.butting.tone, look.nonbutting.tone)
    kind = rng.random()
    if kind < 0.2:
        tone = low + _u(rng, -20, 20)  # plates as dark as the background
    elif kind < 0.3:
        tone = _u(rng, 200, 250)
    elif kind < 0.45:
        tone = _u(rng, 60, 160)
    else:
        tone = look.ground.tone
    if _chance(rng, 0.15):
        drop = low - _u(rng, 25, 60)
        look = _darker(look, drop)
    tint = _tint(rng, 0.13)
    ground = replace(_ground(rng, tone, amplitude=22), tint=tint, dust=int(rng.integers(0, 120)))
    metal = _tint(rng, 0.06)
    finish = replace(
        look.finish,
        seam=-_u(rng, 20, 110) if _chance(rng, 0.6) else 0.0,
        rim=_u(rng, -40, 80) if _chance(rng, 0.5) else 0.0,
        rim_mm=_u(rng, 0.05, 0.4),
        shadow=_u(rng, -30, 40) if _chance(rng, 0.4) else 0.0,
        scale=-_u(rng, 20, 90) if _chance(rng, 0.3) else 0.0,
        scale_mm=_u(rng, 0.03, 0.2),
        scratches=int(rng.integers(0, 70)),
        scratch=_u(rng, 8, 45),
        grinding=_u(rng, 0, 9) if _chance(rng, 0.6) else 0.0,
        stains=_u(rng, 5, 35) if _chance(rng, 0.5) else 0.0,
        pits=int(rng.integers(0, 200)),
        indents=int(rng.integers(1, 4)) if _chance(rng, 0.25) else 0,
    )
    clutter = Clutter(
        pieces=int(rng.integers(1, 3)) if _chance(rng, 0.35) else 0,
        words=int(rng.integers(1, 4)) if _chance(rng, 0.35) else 0,
        jaw=_chance(rng, 0.15),
        arrows=int(rng.integers(1, 3)) if _chance(rng, 0.12) else 0,
    )
    camera = replace(
        look.camera,
        gradient=_u(rng, 0, 0.35),
        vignette=_u(rng, 0, 0.5),
        glare=_u(rng, 20, 110) if _chance(rng, 0.35) else 0.0,
        glare_size=_u(rng, 0.08, 0.5),
        gamma=_u(rng, 0.7, 1.5),
        gain=_u(rng, 0.65, 1.25),
        cast=_tint(rng, 0.09),
        blur_px=_u(rng, 0.5, 2.4),
        defocus_px=_u(rng, 1, 5) if _chance(rng, 0.25) else 0.0,
        sharpen=_u(rng, 0.3, 2.0) if _chance(rng, 0.35) else 0.0,
        noise=_u(rng, 1.0, 10.0),
        chroma_noise=_u(rng, 0, 8.0),
        jpeg=int(rng.integers(35, 95)),
        grey=_chance(rng, 0.2),
    )
    return replace(
        look,
        name="hard",
        ground=ground,
        butting=replace(look.butting, tint=metal, mottle=_u(rng, 0, 14), bands=_u(rng, 0, 8)),
        nonbutting=replace(
            look.nonbutting, tint=_tint(rng, 0.05) if _chance(rng, 0.4) else metal, mottle=_u(rng, 0, 14)
        ),
        deposit=replace(look.deposit, tint=_tint(rng, 0.06) if _chance(rng, 0.4) else metal, mottle=_u(rng, 0, 12)),
        finish=finish,
        clutter=clutter,
        camera=camera,
    )


def _weakened(rng: np.random.Generator, look: Look) -> Look:
    """A short etch: weld metal and bands come within a few grey levels of the plate."""
    middle = (look.butting.tone + look.nonbutting.tone) / 2
    share = _u(rng, 0.15, 0.5)

    def fade(band: Band | None) -> Band | None:
        return None if band is None else replace(band, change=band.change * share, rim=band.rim * share)

    return replace(
        look,
        band_butting=fade(look.band_butting),
        band_nonbutting=fade(look.band_nonbutting),
        deposit=replace(
            look.deposit,
            tone=middle + share * (look.deposit.tone - middle),
            amplitude=look.deposit.amplitude * max(share, 0.35),
            fusion_line=_sign(rng) * _u(rng, 6, 25) if _chance(rng, 0.6) else 0.0,
        ),
    )


def _darker(look: Look, drop: float) -> Look:
    """All metal darker by `drop` grey levels, no darker than 18."""

    def down(tone: float) -> float:
        return max(tone - drop, 18.0)

    def band(own: Band | None, tone: float) -> Band | None:
        # a band as black as the background would be no metal to anybody
        return None if own is None else replace(own, change=max(own.change, -0.5 * down(tone)))

    return replace(
        look,
        band_butting=band(look.band_butting, look.butting.tone),
        band_nonbutting=band(look.band_nonbutting, look.nonbutting.tone),
        butting=replace(look.butting, tone=down(look.butting.tone)),
        nonbutting=replace(look.nonbutting, tone=down(look.nonbutting.tone)),
        deposit=replace(look.deposit, tone=down(look.deposit.tone)),
    )
