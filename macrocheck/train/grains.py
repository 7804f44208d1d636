"""Textures for painting: grains with boundaries, cast structure, plates, and what lies behind, made on the GPU.

Everything is (b, 1, h, w) of about unit standard deviation unless it says otherwise.
"""

from typing import TYPE_CHECKING

import torch
import torch.nn.functional as F  # noqa: N812  the library's own usage
from torch import Tensor

if TYPE_CHECKING:
    from macrocheck.train.painting import Dice

_TABLE = 64
"""Cells after which a pattern of grains repeats, either way."""


def table_noise(u: Tensor, v: Tensor, *, mode: str = "bilinear", size: int = 256) -> Tensor:
    """Look a fresh random table up at (u, v) in cells; (b, 1, h, w), about unit sd for nearest."""
    b = u.shape[0]
    table = torch.randn(b, 1, size, size, device=u.device)
    grid = torch.cat([(u / size) % 1.0, (v / size) % 1.0], dim=1).permute(0, 2, 3, 1) * 2 - 1
    return F.grid_sample(table, grid, mode=mode, padding_mode="reflection", align_corners=False)


def cells(u: Tensor, v: Tensor) -> tuple[Tensor, Tensor]:
    """Irregular grains (Voronoi cells of jittered points) at (u, v) in cells: tone of each, nearness to a boundary.

    The nearness is 1 on a boundary between grains and falls to 0 inside them.
    """
    b, _, h, w = u.shape
    n = _TABLE * _TABLE
    jitter = torch.rand(b, 2, n, device=u.device)
    tones = torch.randn(b, n, device=u.device)
    p, q = u.reshape(b, -1), v.reshape(b, -1)
    at_p, at_q = torch.floor(p), torch.floor(q)
    first = torch.full_like(p, 9.0)
    second = torch.full_like(p, 9.0)
    tone = torch.zeros_like(p)
    for dp in (-1, 0, 1):
        for dq in (-1, 0, 1):
            cp, cq = at_p + dp, at_q + dq
            index = (cp.long() % _TABLE) * _TABLE + cq.long() % _TABLE
            away = (
                (cp + jitter[:, 0].gather(1, index) - p) ** 2 + (cq + jitter[:, 1].gather(1, index) - q) ** 2
            ).sqrt()
            nearer = away < first
            second = torch.where(nearer, first, torch.minimum(second, away))
            tone = torch.where(nearer, tones.gather(1, index), tone)
            first = torch.where(nearer, away, first)
    edge = (1 - (second - first) * 4).clamp(0, 1)
    return tone.reshape(b, 1, h, w), edge.reshape(b, 1, h, w)


def cast_structure(
    dice: "Dice", distance: Tensor, along: Tensor, xy: tuple[Tensor, Tensor], warp: tuple[Tensor, Tensor]
) -> Tensor:
    """Weld metal in its own coordinates: columns, leaning or widening, coarse grain, grains, arcs, plain."""
    x, y = xy
    pitch = dice.logs(1.5, 10.0)
    stretch = dice.between(3, 14)
    wobble = dice.between(0, 0.9)
    # Columns lean over as the pool moves on, and the favoured ones crowd the others out as they grow.
    lean = dice.chance(0.4) * dice.normal(0.5)
    widening = dice.chance(0.4) * dice.between(0, 0.02)
    u = (along + lean * distance) / (pitch * (1 + widening * distance.clamp(max=400))) + wobble * warp[0]
    v = distance / (stretch * pitch) + 0.5 * wobble * warp[1]
    soft, hard = table_noise(u, v), table_noise(u, v, mode="nearest")
    columnar = torch.where(dice.chance(0.5) > 0, hard, soft * 1.5)
    second = table_noise(along / (pitch * 0.4) + warp[0], distance / (stretch * pitch * 0.6))
    columnar = columnar + 0.6 * dice.chance(0.5) * second
    cell = dice.logs(2.0, 14.0)
    squeeze = dice.logs(0.5, 2.0)
    grain_u, grain_v = x / cell * squeeze + warp[0] * 0.6, y / cell / squeeze + warp[1] * 0.6
    grain = torch.where(
        dice.chance(0.6) > 0, table_noise(grain_u, grain_v, mode="nearest"), table_noise(grain_u, grain_v) * 1.5
    )
    # Grains proper, with boundaries: upright columns in one half, equal in all directions in the other.
    # Only for the first third of the batch: they are dear.
    some = slice(0, max(1, dice.batch // 3))
    upright = dice.chance(0.5)[some] > 0
    tone, edge = cells(
        torch.where(upright, u[some], grain_u[some]), torch.where(upright, v[some] * 1.5, grain_v[some])
    )
    proper = (tone * dice.between(0.2, 1.0)[some]) + (dice.sign() * dice.between(0, 2.5))[some] * (edge - 0.3)
    arcs = torch.sin(distance / dice.logs(2.0, 12.0) + warp[0] * 2) * 1.2
    pick = torch.rand(dice.batch, 1, 1, 1, device=dice.device)
    out = torch.where(
        pick < 0.52, columnar, torch.where(pick < 0.78, grain, torch.where(pick < 0.88, arcs, 0.4 * soft))
    )
    out = torch.cat([torch.where(dice.chance(0.85)[some] > 0, proper, out[some]), out[some.stop :]])
    # Columns that end in equal grains towards the middle.
    depth = torch.sigmoid((distance - dice.logs(5, 60)) / 4)
    out = torch.where(dice.chance(0.12) > 0, columnar * (1 - depth) + grain * depth, out)
    return out + dice.chance(0.3) * 0.6 * grain


def plate_structure(dice: "Dice", xy: tuple[Tensor, Tensor], direction: Tensor) -> Tensor:
    """Fine grain, and rolling bands along the plate."""
    x, y = xy
    fine = dice.logs(0.7, 2.5)
    grain = table_noise(x / fine, y / fine)
    c, s = torch.cos(direction), torch.sin(direction)
    lie, across = x * c + y * s, -x * s + y * c
    band = dice.logs(1.0, 6.0)
    bands = table_noise(lie / (band * 25), across / band)
    return grain + dice.chance(0.35) * dice.between(0.3, 1.5) * bands


def other_structure(dice: "Dice", xy: tuple[Tensor, Tensor], warp: tuple[Tensor, Tensor]) -> Tensor:
    """What weld metal must not be taken for: grains, streaks and weave on plates, loose metal and behind."""
    x, y = xy
    cell, squeeze = dice.logs(1.5, 16.0), dice.logs(0.4, 2.5)
    u, v = x / cell * squeeze + warp[0] * 0.5, y / cell / squeeze + warp[1] * 0.5
    some = slice(dice.batch // 2, None)
    tone, edge = cells(u[some], v[some])
    grains = tone * dice.between(0.2, 1.0)[some] + (dice.sign() * dice.between(0, 2.5))[some] * (edge - 0.3)
    a = dice.between(0, 3.15)
    lie, across = x * torch.cos(a) + y * torch.sin(a), -x * torch.sin(a) + y * torch.cos(a)
    thick = dice.logs(1.0, 8.0)
    streaks = table_noise(lie / (thick * dice.between(3, 20)), across / thick, mode="nearest")
    weave = torch.sin(lie / thick + warp[0]) * torch.sin(across / (thick * dice.between(0.7, 1.4)) + warp[1]) * 1.5
    soft = table_noise(u, v) * 1.5
    pick = torch.rand(dice.batch, 1, 1, 1, device=dice.device)
    out = torch.where(pick < 0.45, streaks, torch.where(pick < 0.7, weave, soft))
    return torch.cat([out[: some.start], torch.where(pick[some] < 0.8, grains, out[some])])
