"""A plain tee without its weld: two plates with an opening between them, drawn exactly, and its maps."""

import numpy as np

from macrocheck.arrays import Float32Array, FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.lines import Line
from macrocheck.segment.maps import RegionMaps

WIDTH, HEIGHT = 900, 700
PLATE, AIR = 150.0, 20.0


def _soft(distance: FloatArray) -> Float32Array:
    """Cover of the half plane distance < 0, with the ramp of a pixel's width and a lens."""
    return np.asarray(1 / (1 + np.exp(np.clip(distance / 0.45, -40, 40))), np.float32)


def tee_parts(
    *, gap: float, surface: float = 402.3, left: float = 120.6, right: float = 700.0, lean: float = 0.0
) -> tuple[Float32Array, Float32Array]:
    """Cover (HEIGHT, WIDTH) of the nonbutting and the butting member.

    The nonbutting surface is the row y = `surface`. The butting member ends `gap` px over it and reaches from
    x = `left` to `right` there; its left side leans by `lean` px a px upwards.
    """
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float64)
    nonbutting = _soft(surface - y)
    height = surface - y
    butting = (
        _soft(gap - height) * _soft((left + lean * height - x) / np.hypot(1, lean)) * _soft(np.asarray(x - right))
    )
    return nonbutting, np.asarray(butting, np.float32)


def painted(nonbutting: Float32Array, butting: Float32Array, *, noise: float, seam: float = 0.0) -> Photo:
    """Both members in one tone, the rest dark; `seam`: px width of a line half as dark on y = 402.3."""
    rng = np.random.default_rng(1)
    y = np.mgrid[:HEIGHT, :WIDTH][0]
    grey = AIR + (PLATE - AIR) * np.clip(nonbutting + butting, 0, 1)
    if seam > 0:
        line = _soft(np.abs(y - 402.3) - seam / 2)
        grey = grey - 0.5 * (PLATE - AIR) * line
    grey = grey + rng.normal(0, noise, grey.shape)
    pixels = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    return Photo(np.repeat(pixels[..., None], 3, axis=2), "made-up", "0" * 64)


def maps_of_parts(nonbutting: Float32Array, butting: Float32Array, *, step: int) -> RegionMaps:
    """What a network would say of it, `step` photo px a map px, without faults."""
    import cv2

    size = (WIDTH // step, HEIGHT // step)
    parts = [cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in (butting, nonbutting)]
    air = np.clip(1 - parts[0] - parts[1], 0, 1)
    none = np.zeros_like(air)
    half = (step - 1) / 2
    return RegionMaps(
        regions=np.stack([air, none, parts[0], parts[1]]),
        haz=none,
        fusion_line=none,
        seam=none,
        void=none,
        points=np.stack([none] * 3),
        to_photo=np.array([[step, 0, half], [0, step, half]], np.float64),
    )


def nonbutting_line(surface: float = 402.3) -> Line:
    """Nonbutting surface pointing to the right, off a weld at x = 700."""
    return Line(np.array([750.0, surface]), np.array([1.0, 0.0]), 0.1, 0.0005, -50.0, 100.0)
