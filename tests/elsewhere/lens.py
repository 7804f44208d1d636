"""Optics and reproduction other than a good camera's: defocus, few pixels, false colour, halftone, banding."""

import cv2
import numpy as np

from tests.elsewhere.textures import Plane

WAYS = ("none", "defocus", "few", "false", "halftone", "steps", "shake", "sepia")


def reproduce(rng: np.random.Generator, image: Plane, way: str, *, hard: bool) -> Plane:
    """Return the picture (h, w, 3) float32 after another way of taking or printing it."""
    h, w = image.shape[:2]
    size = max(w, 700) / 1100
    if way == "defocus":
        radius = rng.uniform(1.2, 2.6 if hard else 1.8) * size
        n = int(np.ceil(radius)) * 2 + 1
        y, x = np.mgrid[0:n, 0:n] - n // 2
        disc = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1)
        return np.asarray(cv2.filter2D(image, -1, disc / disc.sum()), dtype=np.float32)
    if way == "few":
        times = rng.uniform(1.5, 2.6 if hard else 2.0)
        small = cv2.resize(image, (round(w / times), round(h / times)), interpolation=cv2.INTER_AREA)
        how = cv2.INTER_LINEAR if rng.random() < 0.7 else cv2.INTER_CUBIC
        return np.asarray(cv2.resize(small, (w, h), interpolation=how), dtype=np.float32)
    if way == "false":
        grey = np.clip(image.mean(axis=2), 0, 255)
        stops = np.array(
            [[0, 0, 20], [60, 30, 100], [170, 70, 60], [240, 190, 90], [250, 250, 220]]
            if rng.random() < 0.5
            else [[5, 15, 10], [20, 80, 90], [90, 150, 140], [190, 210, 150], [255, 250, 235]],
            np.float64,
        )
        at = np.linspace(0, 255, len(stops))
        return np.stack([np.interp(grey, at, stops[:, k]) for k in range(3)], axis=-1).astype(np.float32)
    if way == "halftone":
        pitch, a = rng.uniform(2.6, 4.5), rng.uniform(0.2, 1.3)
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        u, v = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
        dots = np.cos(2 * np.pi * u / pitch) * np.cos(2 * np.pi * v / pitch)
        return np.asarray(image + (rng.uniform(6, 22) * dots)[..., None], dtype=np.float32)
    if way == "steps":
        levels = int(rng.integers(14, 28))
        return np.asarray(np.round(image / 255 * levels) / levels * 255, dtype=np.float32)
    if way == "shake":
        n = max(int(rng.uniform(3, 7) * size), 2)
        kernel = np.zeros((2 * n + 1, 2 * n + 1), np.float32)
        a = rng.uniform(0, np.pi)
        step = np.array([np.cos(a), np.sin(a)]) * n / 2
        ends = [tuple(round(v) for v in n + s * step) for s in (-1, 1)]
        cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_AA)
        y, x = np.mgrid[0 : 2 * n + 1, 0 : 2 * n + 1]
        kernel /= kernel.sum()
        centre = [float((kernel * p).sum()) - n for p in (x, y)]
        blurred = cv2.filter2D(image, -1, kernel)
        back = np.array([[1, 0, centre[0]], [0, 1, centre[1]]], np.float32)
        return np.asarray(cv2.warpAffine(blurred, back, (w, h), borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)
    if way == "sepia":
        grey = image.mean(axis=2)
        return np.stack([grey * 1.08 + 8, grey * 0.96 + 2, grey * 0.78], axis=-1).astype(np.float32)
    return image
