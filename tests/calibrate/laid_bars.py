"""Rendered photographs of the hard look with a bar and its label laid in as software does; fixed by seed."""

import numpy as np

from macrocheck.render.marks import Colour, draw_bar
from macrocheck.render.photo import render_photo
from tests.calibrate.pictures import Picture
from tests.calibrate.scenes import camera

INKS: tuple[Colour, ...] = ((0, 0, 0), (255, 255, 255), (230, 20, 20), (255, 230, 0))


def with_laid_bar(seed: int) -> tuple[Picture, str]:
    """A level bar of 2 or 10 mm, on a caption's strip or straight over the picture; and how it is stated."""
    photo = render_photo(seed, "hard")
    rng = np.random.default_rng([7, seed])
    h, w = photo.rgb.shape[:2]
    ppm = 1 / photo.mm_per_px
    mm = 10 if 10 * ppm < 0.4 * w else 2
    length = mm * ppm
    thick = max(3.0, w * rng.uniform(0.003, 0.008))
    text = max(11.0, 0.018 * w)
    tick = thick * rng.uniform(3.5, 6) if rng.random() < 0.3 else 0.0
    strip: Colour | None = None
    ink = INKS[int(rng.integers(len(INKS)))]
    if rng.random() < 0.4:
        ink = INKS[seed % 2]
        strip = INKS[1 - seed % 2]
    margin = 0.14 * length + 10
    low, high = np.array([margin, 3 * text + tick]), np.array([w - length - margin, h - 12.0 - tick])
    at = (low + high) / 2
    # a corner or an edge, as captions are; of a dozen places the one where the ink shows best
    best = -np.inf
    for _ in range(12 if strip is None else 1):
        place = low + rng.random(2) * (high - low)
        if rng.random() < 0.6:
            place[1] = high[1] if rng.random() < 0.8 else low[1]
        x, y = (place[0] + np.linspace(0, length, 40)).astype(int), int(place[1])
        under = photo.rgb[y, np.clip(x, 0, w - 1)].astype(float)
        plain = float(np.percentile(np.sqrt(((under - np.array(ink)) ** 2).mean(axis=1)), 10))
        if plain > best:
            at, best = place, plain
    image, drawn = draw_bar(
        photo.rgb,
        start=(float(at[0]), float(at[1])),
        length_px=length,
        thickness_px=thick,
        colour=ink,
        end_tick_px=tick,
        label=f"{mm} mm",
        label_height_px=text,
        strip=strip,
    )
    pixels = camera(image, seed=seed, blur=0.0, noise=0.0, quality=int(rng.integers(70, 97)))
    what = f"{w}x{h} {length:.1f} px, {thick:.1f} thick, tick {tick:.0f}, {ink}, {'strip' if strip else 'over'}"
    return Picture(pixels, drawn.length_px, f"{what} at {at[0]:.0f},{at[1]:.0f}"), f"bar:{mm}mm"
