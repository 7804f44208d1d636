"""What light, lens, sensor and file format do to a painted section, on the GPU, a batch at a time."""

import math
from typing import TYPE_CHECKING

import torch
import torch.nn.functional as F  # noqa: N812  the library's own usage
from torch import Tensor

if TYPE_CHECKING:
    from macrocheck.train.painting import Dice


def _gauss_rows(n: int, sigma: Tensor) -> Tensor:
    """(b, n, n) matrices whose rows are Gaussian weights about the diagonal, each summing to 1."""
    t = torch.arange(n, device=sigma.device, dtype=torch.float32)
    rows = torch.exp(-0.5 * ((t[:, None] - t[None, :])[None] / sigma.reshape(-1, 1, 1).clamp(min=0.05)) ** 2)
    return rows / rows.sum(dim=2, keepdim=True)


def blur(image: Tensor, sigma: Tensor) -> Tensor:
    """Gaussian blur with an own `sigma` (b, 1, 1, 1) px for every picture of (b, c, h, w).

    Two matrix products a picture: on a GPU's matrix units quicker than a convolution with per-picture kernels.
    """
    h, w = image.shape[2:]
    return _gauss_rows(h, sigma)[:, None] @ image @ _gauss_rows(w, sigma)[:, None].transpose(2, 3)


def bend(picture: Tensor, targets: dict[str, Tensor], dice: "Dice") -> tuple[Tensor, dict[str, Tensor]]:
    """Warp picture and targets alike by a smooth field, so that plates bow and outlines waver."""
    b, _, h, w = picture.shape
    coarse = torch.randn(b, 2, 6, 6, device=picture.device) * dice.chance(0.4) * dice.between(0.002, 0.02)
    shift = F.interpolate(coarse, size=(h, w), mode="bicubic", align_corners=True).permute(0, 2, 3, 1)
    ys = (torch.arange(h, device=picture.device) + 0.5) / h * 2 - 1
    xs = (torch.arange(w, device=picture.device) + 0.5) / w * 2 - 1
    plain = torch.stack(torch.meshgrid(xs, ys, indexing="xy"), dim=-1)
    grid = plain[None] + shift
    # A crop that reaches outside its photo repeats the photo's border.
    cut = torch.rand(b, 1, 1, 4, device=picture.device) * 0.45 * dice.chance(0.15)
    grid = torch.minimum(torch.maximum(grid, cut[..., :2] - 1), 1 - cut[..., 2:])

    def moved(image: Tensor, mode: str = "bilinear") -> Tensor:
        return F.grid_sample(image, grid, mode=mode, padding_mode="border", align_corners=False)

    return moved(picture), {
        "regions": moved(targets["regions"][:, None].float(), "nearest")[:, 0].long(),
        "lines": moved(targets["lines"]),
        "line_weight": moved(targets["line_weight"], "nearest"),
        "points": moved(targets["points"]),
    }


def _cosine_matrix(device: torch.device) -> Tensor:
    k, n = torch.meshgrid(torch.arange(8.0, device=device), torch.arange(8.0, device=device), indexing="ij")
    m = torch.cos(math.pi * (n + 0.5) * k / 8) * 0.5
    m[0] /= math.sqrt(2)
    return m


_QUANT = (
    16, 11, 10, 16, 24, 40, 51, 61,
    12, 12, 14, 19, 26, 58, 60, 55,
    14, 13, 16, 24, 40, 57, 69, 56,
    14, 17, 22, 29, 51, 87, 80, 62,
    18, 22, 37, 56, 68, 109, 103, 77,
    24, 35, 55, 64, 81, 104, 113, 92,
    49, 64, 78, 87, 103, 121, 120, 101,
    72, 92, 95, 98, 112, 100, 103, 99,
)  # fmt: skip
"""Luminance table of ISO/IEC 10918-1, annex K (from memory)."""


def block_compression(image: Tensor, scale: Tensor) -> Tensor:
    """Quantise 8x8 blocks as JPEG does; `scale` (b, 1, 1, 1) multiplies the table (0.02 hardly, 2 badly)."""
    b, c, h, w = image.shape
    m = _cosine_matrix(image.device)
    table = torch.tensor(_QUANT, device=image.device, dtype=torch.float32).reshape(8, 8)
    step = (table[None] * scale.reshape(b, 1, 1)).clamp(min=1.0)[:, None, None, None]
    blocks = image.reshape(b, c, h // 8, 8, w // 8, 8).permute(0, 1, 2, 4, 3, 5) - 128
    coefficients = torch.round(m @ blocks @ m.T / step) * step
    out = (m.T @ coefficients @ m + 128).permute(0, 1, 2, 4, 3, 5)
    return out.reshape(b, c, h, w)


def photograph(grey: Tensor, metal: Tensor, weld: Tensor, dice: "Dice", clutter: Tensor) -> Tensor:
    """Turn painted tones (b, 1, h, w) into a colour photograph (b, 3, h, w), 0..255."""
    b, _, h, w = grey.shape
    device = grey.device
    # Tints of weld, plates and background; nothing at all in half the pictures (grey photographs).
    colour = dice.chance(0.5)

    def tint(sd: float) -> Tensor:
        t = torch.randn(b, 3, 1, 1, device=device) * sd
        return 1 + (t - t.mean(dim=1, keepdim=True)) * colour

    image = grey * (metal * tint(0.05) + weld * (tint(0.05) - 1) + (1 - metal) * tint(0.2))
    heat = torch.randn(b, 3, 1, 1, device=device) * 12 * colour * dice.chance(0.3)
    coarse = F.interpolate(torch.randn(b, 1, 7, 7, device=device), size=(h, w), mode="bicubic", align_corners=True)
    image = image + heat * coarse * metal

    # Light: a slope, vignetting, a glare spot, shadows.
    ys = torch.linspace(-1, 1, h, device=device)[None, None, :, None]
    xs = torch.linspace(-1, 1, w, device=device)[None, None, None, :]
    a = dice.between(0, 6.3)
    slope = 1 + dice.chance(0.6) * dice.between(0, 0.4) * (xs * torch.cos(a) + ys * torch.sin(a))
    vignette = 1 - dice.chance(0.35) * dice.between(0.1, 0.7) * (xs**2 + ys**2) / 2
    image = image * slope * vignette
    gx, gy = dice.between(-1, 1), dice.between(-1, 1)
    spot = torch.exp(-(((xs - gx) / dice.logs(0.05, 0.7)) ** 2 + ((ys - gy) / dice.logs(0.05, 0.7)) ** 2))
    image = image + dice.chance(0.25) * dice.between(20, 200) * spot * (0.3 + 0.7 * metal)

    written = (clutter > 0).float()
    image = image * (1 - written) + clutter * written
    # Lens: sharp, soft, soft on one side only; then the phone's sharpening.
    soft = blur(image, dice.logs(0.35, 2.2))
    very = blur(soft, dice.logs(0.8, 3.0))
    side = torch.sigmoid((xs * torch.cos(a) + ys * torch.sin(a) + dice.normal(0.5)) * 4)
    image = soft + dice.chance(0.2) * side * (very - soft)
    sharpen = dice.chance(0.3) * dice.between(0.3, 2.5)
    image = image + sharpen * (image - blur(image, dice.logs(0.7, 2.5)))
    # Sensor: gamma, gain, inversion, noise, file.
    image = image.clamp(0, 255)
    gamma = torch.exp(dice.normal(0.25))
    image = 255 * (image / 255 + 1e-4) ** gamma
    image = image * torch.exp(dice.normal(0.15)) + dice.normal(10)
    image = torch.where(dice.chance(0.04) > 0, 255 - image, image)
    noise = torch.randn(b, 3, h, w, device=device)
    noise = torch.where(colour > 0, noise, noise[:, :1].expand(-1, 3, -1, -1))
    noise = torch.where(dice.chance(0.3) > 0, blur(noise, dice.between(0.5, 1.2)) * 2.5, noise)
    image = image + noise * dice.between(0, 1) ** 2 * 24
    pressed = block_compression(image.clamp(0, 255), dice.logs(0.05, 1.6))
    return torch.where(dice.chance(0.5) > 0, pressed, image).clamp(0, 255)


def plain_photograph(grey: Tensor, clutter: Tensor) -> Tensor:
    """Show painted tones (b, 1, h, w) as they are, with what is written over them: (b, 3, h, w), 0..255."""
    return torch.where(clutter > 0, clutter, grey).clamp(0, 255).expand(-1, 3, -1, -1)


def estranged(image: Tensor, dice: "Dice") -> Tensor:
    """Filter a fifth of the pictures (b, 3, h, w) with random kernels, and bend the tones of others at random.

    What a region looks like changes, where it ends does not: the network has to learn ends, not looks. After
    Robust and Generalizable Visual Representation Learning via Random Convolutions, ICLR 2021.
    """
    b, _, h, w = image.shape
    count = max(1, b // 5)
    mean, sd = image.mean(dim=(2, 3), keepdim=True), image.std(dim=(2, 3), keepdim=True) + 1
    some = ((image - mean) / sd)[:count]
    # As shifts and matrix products: a convolution with own kernels for every picture is slow and brittle.
    wide = int(torch.randint(0, 2, (1,)).item()) * 2 + 1
    step = int(torch.randint(1, 4, (1,)).item())
    kernels = torch.randn(count, wide * wide, 3, 3, device=image.device)
    reach = step * (wide // 2)
    padded = F.pad(some, (reach,) * 4, mode="replicate")
    filtered = torch.zeros_like(some)
    for k in range(wide * wide):
        top, left = step * (k // wide), step * (k % wide)
        part = padded[:, :, top : top + h, left : left + w].reshape(count, 3, h * w)
        filtered = filtered + (kernels[:, k] @ part).reshape(count, 3, h, w)
    filtered = filtered / (filtered.std(dim=(1, 2, 3), keepdim=True) + 1e-3)
    share = dice.between(0, 0.85)[:count]
    mixed = (some * (1 - share) + filtered * share) * sd[:count] + mean[:count]
    # The others: one tone curve of six knots for a picture, mixed with the straight one.
    rest = image[count:] / 255 * 5
    knots = torch.rand(b - count, 6, device=image.device) * 255
    low = rest.floor().clamp(0, 4)
    index = low.long().reshape(b - count, -1)
    curve = torch.lerp(
        knots.gather(1, index).reshape(rest.shape), knots.gather(1, index + 1).reshape(rest.shape), rest - low
    )
    share = (dice.chance(0.15) * dice.between(0, 0.6))[count:]
    return torch.cat([mixed, image[count:] * (1 - share) + curve * share]).clamp(0, 255)
