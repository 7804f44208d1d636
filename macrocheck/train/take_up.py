"""Take up a shipped network for further training, where the state of its training was not kept.

    python -m macrocheck.train.take_up macrocheck/segment/weights.onnx STATE
    python -m macrocheck.train.run --state STATE --out OUT

The export folds every batch normalisation into the convolution before it. Here each gets one of its own again, with
the mean and variance that training pictures give it, so that the network says what the file says, learning or not.
"""

import argparse
from itertools import pairwise
from pathlib import Path

import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from macrocheck.train.model import SectionNet
from macrocheck.train.painting import paint
from macrocheck.train.run import BATCH, SIZE, normalised
from macrocheck.train.stream import Layouts

FILTER = 0.15
"""Root mean square of a filter's weights.

Normalisation makes a filter's scale free, but the optimiser's steps are absolute: the scale says how fast a filter
turns. Steps across a filter make it grow to about the root of the sum of the squared rates: 0.2 for those of the
first three trainings, somewhat less for what decays. An estimate: the file does not tell what they had grown to.
"""
SEED = 880_001
"""Of the layouts that the means and variances are taken from."""


def _convolutions(source: Path) -> list[tuple[Tensor, Tensor]]:
    """Weights and bias of every convolution of an exported network, in the order they run."""
    graph = onnx.load(str(source)).graph
    values = {t.name: torch.from_numpy(numpy_helper.to_array(t).astype("float32")) for t in graph.initializer}
    values |= {n.output[0]: values[n.input[0]] for n in graph.node if n.op_type == "Cast" and n.input[0] in values}
    return [(values[n.input[1]], values[n.input[2]]) for n in graph.node if n.op_type == "Conv"]


def _pairs(net: SectionNet) -> list[tuple[nn.Conv2d, nn.BatchNorm2d]]:
    """Every convolution that is normalised, with its normalisation, in the order they run."""
    layers = [m for m in net.modules() if isinstance(m, (nn.Conv2d, nn.BatchNorm2d))]
    return [(a, b) for a, b in pairwise(layers) if isinstance(a, nn.Conv2d) and isinstance(b, nn.BatchNorm2d)]


@torch.no_grad()
def unfolded(source: Path, pictures: Tensor) -> SectionNet:
    """Return the network of an ONNX file that `export` wrote, its normalisations as `pictures` call for.

    `pictures`: (b, 3, h, w), normalised as in training. Raises `ValueError` where the file holds another network.
    """
    net = SectionNet()
    pairs, held = _pairs(net), _convolutions(source)
    shapes = [tuple(conv.weight.shape) for conv in (*(conv for conv, _ in pairs), net.head)]
    if shapes != [tuple(weight.shape) for weight, _ in held]:
        message = f"{source}: holds another network than macrocheck.train.model describes; export it anew."
        raise ValueError(message)
    if net.head.bias is not None:
        net.head.weight.copy_(held[-1][0])
        net.head.bias.copy_(held[-1][1])

    def settle(conv: nn.Conv2d, norm: nn.BatchNorm2d, bias: Tensor) -> None:
        """Give `norm` the mean and variance that `conv` sends it, and undo both by its own scale and shift."""

        def at_first_sight(_: nn.Module, seen: tuple[Tensor, ...]) -> None:
            mean, variance = seen[0].mean(dim=(0, 2, 3)), seen[0].var(dim=(0, 2, 3))
            norm.running_mean, norm.running_var = mean, variance
            norm.weight.copy_((variance + norm.eps).sqrt() / scale)
            norm.bias.copy_(mean / scale + bias)

        size = conv.weight.square().mean(dim=(1, 2, 3)).sqrt()
        scale = torch.where(size > 1e-6, FILTER / size, torch.ones_like(size))
        conv.weight.mul_(scale[:, None, None, None])
        handles.append(norm.register_forward_pre_hook(at_first_sight))

    handles: list[torch.utils.hooks.RemovableHandle] = []
    for (conv, norm), (weight, bias) in zip(pairs, held, strict=False):
        conv.weight.copy_(weight)
        settle(conv, norm, bias)
    # Each normalisation is settled before its own output is made: one pass settles all.
    net.eval()
    net(pictures)
    for handle in handles:
        handle.remove()
    return net


def take_up(source: Path, state: Path, *, size: int, count: int) -> None:
    """Write a state folder that `run` goes on from, its steps counted from 0; `count` pictures of `size` px."""
    torch.manual_seed(SEED)
    pictures = normalised(paint(next(iter(Layouts(size, count, SEED))))[0])
    net = unfolded(source, pictures)
    state.mkdir(parents=True, exist_ok=True)
    torch.save(net.state_dict(), state / "weights.pt")
    torch.save(net.state_dict(), state / "average.pt")
    torch.save({"steps": 0, "seconds": 0.0, "pictures": 0, "calls": 0, "log": []}, state / "facts.pt")


def main() -> None:
    """Read the two paths and write the state."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("source", type=Path, help="ONNX file that macrocheck.train.export wrote")
    parser.add_argument("state", type=Path, help="folder for what macrocheck.train.run goes on from")
    parser.add_argument("--size", type=int, default=SIZE, help="side of a picture, px, a multiple of 32")
    parser.add_argument("--count", type=int, default=BATCH, help="pictures for the means and variances")
    options = parser.parse_args()
    take_up(options.source, options.state, size=options.size, count=options.count)


if __name__ == "__main__":
    main()
