"""The network: a small U-Net that names regions, lines and points of a section."""

import torch
from torch import Tensor, nn

WIDTHS = (24, 48, 96, 144, 192, 192)
"""Channels a level; found as the largest that keeps two passes under half a second on two CPU cores."""

REGIONS = ("background", "weld", "butting", "nonbutting")
LINES = ("haz", "fusion_line", "seam", "void")
POINTS = ("joint_root", "toe_butting", "toe_nonbutting")
OUTPUTS = len(REGIONS) + len(LINES) + len(POINTS)


class _Block(nn.Module):
    """Two 3x3 convolutions, each normalised and rectified."""

    def __init__(self, inputs: int, outputs: int) -> None:
        super().__init__()
        self.layers = nn.Sequential(
            nn.Conv2d(inputs, outputs, 3, padding=1, bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU(inplace=True),
            nn.Conv2d(outputs, outputs, 3, padding=1, bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU(inplace=True),
        )

    def forward(self, x: Tensor) -> Tensor:
        """Map (b, inputs, h, w) to (b, outputs, h, w)."""
        return self.layers(x)


class SectionNet(nn.Module):
    """(b, 3, h, w) normalised picture -> (b, OUTPUTS, h, w) logits; h and w multiples of 32."""

    def __init__(self, widths: tuple[int, ...] = WIDTHS) -> None:
        super().__init__()
        self.down = nn.ModuleList(_Block(a, b) for a, b in zip((3, *widths[:-1]), widths, strict=True))
        self.up = nn.ModuleList(
            _Block(deep + shallow, shallow) for deep, shallow in zip(widths[:0:-1], widths[-2::-1], strict=True)
        )
        self.pool = nn.MaxPool2d(2)
        self.grow = nn.Upsample(scale_factor=2, mode="nearest")
        self.head = nn.Conv2d(widths[0], OUTPUTS, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Return logits: 4 regions (softmax), then lines and points (sigmoid each)."""
        kept = []
        for i, block in enumerate(self.down):
            x = block(x if i == 0 else self.pool(x))
            kept.append(x)
        for block, skip in zip(self.up, kept[-2::-1], strict=True):
            x = block(torch.cat([self.grow(x), skip], dim=1))
        return self.head(x)
