"""A hand-made tee: legs of 5 mm, 1 mm fused into each member, at 0.02 mm per px, as photo and as outline."""

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from macrocheck.outline import Outline, SurfaceLine, WeldOutline
from macrocheck.outline_file import outline_bytes

MARK = "px:0.02mm"
WIDTH, HEIGHT = 800, 600
ROOT, LEG = (300.0, 400.0), 250.0


def tee(leg_px: float = LEG) -> WeldOutline:
    """Return the weld: joint root at `ROOT`, butting member up, nonbutting member to the right."""
    x, y = ROOT
    along = np.linspace(0.0, 1.0, 101)[:, None]
    top, right = np.array([x, y - leg_px]), np.array([x + leg_px, y])
    face = top + (right - top) * along
    fusion = np.array([right, [x + leg_px - 20, y + 50], [x - 50, y + 50], [x - 50, y - leg_px + 20], top])
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(fusion, axis=0).T))])
    at = np.linspace(0.0, steps[-1], 301)
    at = np.unique(np.concatenate([at, steps]))
    fusion = np.column_stack([np.interp(at, steps, fusion[:, k]) for k in (0, 1)])
    return WeldOutline(
        joint="tee",
        surface_butting=SurfaceLine((x, y - leg_px - 60), (0.0, -1.0), 0.3, 0.001, 100.0),
        surface_nonbutting=SurfaceLine((x + leg_px + 60, y), (1.0, 0.0), 0.3, 0.001, 100.0),
        face=face,
        fusion=fusion,
        u_face=np.full(len(face), 0.8),
        u_fusion=np.full(len(fusion), 1.0),
        correlation_px=12.0,
    )


def outline(leg_px: float = LEG) -> Outline:
    return Outline(WIDTH, HEIGHT, (tee(leg_px),))


def write_photo(path: Path) -> Path:
    """Write a drawing of it as a picture file of the kind that the name says."""
    picture = Image.new("RGB", (WIDTH, HEIGHT), (30, 30, 32))
    draw = ImageDraw.Draw(picture)
    x, y = ROOT
    draw.rectangle((0, y, WIDTH, HEIGHT - 40), fill=(150, 148, 145))
    draw.rectangle((100, 0, x, y - 1), fill=(150, 148, 145))
    weld = tee().polygon
    draw.polygon([(float(a), float(b)) for a, b in weld], fill=(96, 92, 90))
    path.parent.mkdir(parents=True, exist_ok=True)
    picture.save(path)
    return path


def write_outline(path: Path, leg_px: float = LEG) -> Path:
    path.write_bytes(outline_bytes(outline(leg_px)))
    return path
