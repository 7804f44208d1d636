"""A disc that was found, measured once more: its outline's blur and rim from all around, then its place.

Brightness and colour are read together. A plain outline is placed ray by ray, only a ray's place and heights left
open: a step that a shaded ground or clutter beside it leads astray when its blur is free as well stays in its
place. One with a rim is fitted to all rays at once (`disc_joint`): no ray alone tells a rim that melts into it.
"""

import math
from dataclasses import replace

import numpy as np

from macrocheck.arrays import BoolArray, ByteArray, FloatArray
from macrocheck.calibrate.disc_fit import Disc
from macrocheck.calibrate.disc_joint import alike_rays, joint
from macrocheck.calibrate.disc_rim import SPACING, Melted, heights, melted, steps_at
from macrocheck.calibrate.profile import LUMA_CHROMA, sample

RAYS = 240
LEAST_RAYS = 60
INWARD, OUTWARD = 2.0, 2.2
"""How far a ray is read inwards of the rim and outwards, in blurs: further in lies the face's pattern."""
ALIKE = 20
"""Rays over which what is left of a fit may be alike."""
UNUSUAL, AT_LEAST = 3.0, 12.0
"""How much less than the middle one's a ray looks like the disc within its outline where it is covered; and grey
levels that are no difference."""
BLURRED = 1.2
"""How far within the outline, in blurs, a ray is its ground's as well: that does not make it unlike the others."""
U_SHAPE_PX, RAYS_DOUBT = 0.01, 1.2
"""Standard uncertainty of the radius that no fit shows (sampling, tone curve), px, and how much more than the fits
say the rays leave open; as measured on rendered pictures."""
ONCE_MORE = 0.3
"""Move of a disc's middle, px, from which it is read along new rays once more."""
MOST_MOVE = 0.06
"""Most that the radius may change, part of it; beyond that something else was measured."""


def refined(pixels: ByteArray, disc: Disc) -> Disc:
    """Return the disc with its outline measured in brightness and colour; as it was where that fails."""
    blur = disc.blur
    t = np.arange(-3.5 * blur - 3.0, 2.5 * blur + 2.6, SPACING)
    outline: Melted | None = None
    for _ in range(2):
        values, inside = _profiles(pixels, disc, t)
        if np.count_nonzero(inside) < LEAST_RAYS:
            return disc
        on = _usual(values, inside, t, BLURRED * blur)
        if np.count_nonzero(on) < LEAST_RAYS:
            return disc
        outline = melted(t, _mean(values, on, t, blur), blur)
        blur = outline.blur
        t = np.arange(-outline.gap - 3 * blur - 1.5, 3 * blur + 1.6 + max(outline.at, 0.0), SPACING)
    if outline is None:
        return disc
    if not outline.gap:
        return _placed(pixels, disc, outline)
    rimmed = _rimmed(pixels, disc, outline)
    if math.dist(rimmed.centre, disc.centre) > ONCE_MORE:
        rimmed = _rimmed(pixels, rimmed, replace(outline, at=0.0))
    return rimmed


def _normals(disc: Disc) -> tuple[FloatArray, FloatArray]:
    turn = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    normal = unit @ np.linalg.inv(disc.shape)
    return unit, normal / np.hypot(normal[:, 0], normal[:, 1])[:, None]


def _profiles(pixels: ByteArray, disc: Disc, t: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Brightness and colour (RAYS, 3, t) at `t` px outside the outline, and which rays lie in the picture."""
    unit, normal = _normals(disc)
    at = (disc.centre + unit @ disc.shape)[:, None] + t[:, None] * normal[:, None]
    h, w = pixels.shape[:2]
    inside = np.asarray(((at >= 1) & (at < [w - 2, h - 2])).all(axis=(1, 2)))
    return np.moveaxis(sample(pixels, at[..., 0], at[..., 1]) @ LUMA_CHROMA.T, 2, 1), inside


def _usual(values: FloatArray, inside: BoolArray, t: FloatArray, far: float) -> BoolArray:
    """Which rays (RAYS, 3, t) look within the outline as most do: the others are covered."""
    on = inside.copy()
    within = t < -max(far, SPACING)
    for _ in range(2):
        off = np.abs(values - np.median(values[on], axis=0))[:, :, within].max(axis=(1, 2))
        on = inside & (off < max(UNUSUAL * float(np.median(off[inside])), AT_LEAST))
    return on


def _mean(values: FloatArray, on: BoolArray, t: FloatArray, blur: float) -> FloatArray:
    """The mean profile (3, t), rays weighed by the step they show: a ground is darker here and lighter there."""
    far = np.abs(t) > min(1.2 * blur, -0.5 * float(t[0]), 0.5 * float(t[-1]))
    step = values[:, :, far & (t > 0)].mean(axis=2) - values[:, :, far & (t < 0)].mean(axis=2)
    step *= on[:, None]
    soft = np.asarray(sum(np.roll(step, k, axis=0) for k in range(-4, 5))) * on[:, None]
    total = np.einsum("rc,rct->ct", soft, values)
    return np.asarray(total / np.maximum(np.abs(soft).sum(axis=0), 1e-9)[:, None])


def _rays(pixels: ByteArray, disc: Disc, outline: Melted) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Where each ray shows the outline, px outside the disc's, its doubt in px, and whether it shows one at all."""
    blur = outline.blur
    t = np.arange(-INWARD * blur - 1.0, OUTWARD * blur + 1.6, SPACING)
    values, inside = _profiles(pixels, disc, t)
    widths = np.broadcast_to(outline.blurs, (RAYS, 3))
    at = np.full(RAYS, outline.at)
    bent, left = np.zeros(RAYS), values
    for _ in range(6):
        step, by_at, _ = steps_at(t, at, widths)
        base = np.stack([np.ones_like(values), step], axis=3)
        high, after = heights(base, values[..., None])
        left = after[..., 0]
        slope = heights(base, (high[:, :, 1] * by_at)[..., None])[1][..., 0]
        bent = np.maximum((slope * slope).sum(axis=(1, 2)), 1e-6)
        change = (slope * left).sum(axis=(1, 2)) / bent
        at = np.clip(at + np.clip(change, -1.0, 1.0), outline.at - 4 * blur, outline.at + 4 * blur)
    noise = np.sqrt((left**2).mean(axis=(1, 2)))
    doubt = np.maximum(noise, np.median(noise)) / np.sqrt(bent)
    return at, doubt, inside & (np.abs(at - outline.at) < 3.9 * blur)


def _placed(pixels: ByteArray, disc: Disc, outline: Melted) -> Disc:
    """The plain disc through its rays' places."""
    at, doubt, use = _rays(pixels, disc, outline)
    if np.count_nonzero(use) < LEAST_RAYS:
        return disc
    base, mean = _moves(disc)
    trust = np.where(use, 1 / np.maximum(doubt, 0.5 * np.median(doubt[use])) ** 2, 0.0)
    trust /= trust.max()
    change = mean * float(np.median(at[use])) / float(mean @ mean)
    weight = trust
    for _ in range(15):
        miss = np.abs(at - base @ change)
        reach = 4 * (1.4826 * float(np.median(miss[use])) + 0.02)
        weight = np.where(use & (miss < reach), (1 - np.minimum(miss / reach, 1) ** 2) ** 2, 0.0) * trust
        if np.count_nonzero(weight) < LEAST_RAYS:
            return disc
        root = np.sqrt(weight)
        change = np.asarray(np.linalg.lstsq(base * root[:, None], at * root, rcond=None)[0])
    try:
        cov = np.linalg.inv(base.T @ (base * weight[:, None]))
    except np.linalg.LinAlgError:
        return disc
    residual = at - base @ change
    cov = cov @ alike_rays(base * (weight * residual)[:, None], ALIKE) @ cov
    new = _moved(disc, change, outline.blur, math.sqrt(float(mean @ cov @ mean)))
    return new if abs(new.radius / disc.radius - 1) < MOST_MOVE else disc


def _rimmed(pixels: ByteArray, disc: Disc, outline: Melted) -> Disc:
    """The disc with a rim, through all of its rays at once; in doubt by its rim's width where that fails."""
    doubtful = replace(disc, u_radius=math.hypot(disc.u_radius, outline.gap / math.sqrt(3)))
    begun = replace(disc, shape=disc.shape * (1 + outline.at / disc.radius))
    t = np.arange(-outline.gap - INWARD * outline.blur - 1.0, OUTWARD * outline.blur + 1.6, SPACING)
    values, inside = _profiles(pixels, begun, t)
    use = _usual(values, inside, t, BLURRED * outline.blur)
    if np.count_nonzero(use) < LEAST_RAYS:
        return doubtful
    base, mean = _moves(begun)
    found = joint(t, values, use, base, outline, ALIKE)
    if found is None:
        return doubtful
    new = _moved(begun, found.change, found.blur, math.sqrt(max(float(mean @ found.cov @ mean), 0.0)))
    return new if abs(new.radius / disc.radius - 1) < MOST_MOVE else doubtful


def _moves(disc: Disc) -> tuple[FloatArray, FloatArray]:
    """How far outward rays move with a circle's or an ellipse's parameters (RAYS, g), and the radius (g,)."""
    unit, normal = _normals(disc)
    if disc.axes[0] == disc.axes[1]:
        return np.column_stack([unit, np.ones(RAYS)]), np.array([0.0, 0.0, 1.0])
    cross = normal[:, 0] * unit[:, 1] + normal[:, 1] * unit[:, 0]
    return np.column_stack([normal, normal * unit, cross]), np.array([0.0, 0.0, 0.5, 0.5, 0.0])


def _moved(disc: Disc, change: FloatArray, blur: float, u_mean: float) -> Disc:
    """The disc changed by its parameters; `u_mean`: what the rays leave open of its radius, px."""
    if len(change) == 3:
        shape = disc.shape + np.eye(2) * change[2]
    else:
        shape = disc.shape + np.array([[change[2], change[4]], [change[4], change[3]]])
    moved = replace(disc, centre=disc.centre + change[:2], shape=shape, blur=blur)
    # a blurred disc's half-way line lies inside its outline by sigma^2 / 2 r (second order of the blur)
    inside = blur**2 / (2 * moved.radius)
    u_radius = math.sqrt((RAYS_DOUBT * u_mean) ** 2 + U_SHAPE_PX**2 + (0.3 * inside) ** 2)
    return replace(moved, shape=shape * (1 + inside / moved.radius), u_radius=u_radius)
