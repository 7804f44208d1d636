"""Train the network: one command, resumable, on one or several GPUs.

    python -m macrocheck.train.run --state STATE --out OUT --minutes 9 --total-minutes 20

Progress through the learning-rate schedule is the share of `--total-minutes` that has been trained so far, so
several calls with the same `--state`/`--out` make one training run. `--without grain` and the like leave an
ingredient of the training out; `ablation` trains several such networks side by side.
"""

import argparse
import math
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import torch
import torch.nn.functional as F  # noqa: N812  the library's own usage
from torch import Tensor, distributed, nn
from torch.multiprocessing.spawn import spawn
from torch.utils.data import DataLoader

from macrocheck.train.ingredients import INGREDIENTS, WHOLE, Without, left_out
from macrocheck.train.model import SectionNet
from macrocheck.train.painting import paint
from macrocheck.train.stream import Layouts

PEAK_RATE = 2.5e-3
SIZE, BATCH = 320, 96
"""Side of a picture, px, and pictures a step on each GPU."""
REGION_LOSSES = ("cross", "dice")
"""Those of the `losses` that are of the regions; the others are of lines and points."""
SHOWN = 2
"""How often each layout is painted anew before it is dropped."""


def normalised(picture: Tensor) -> Tensor:
    """Shift and scale each picture (b, 3, h, w) to mean 0 and standard deviation 1 over all channels."""
    mean = picture.mean(dim=(1, 2, 3), keepdim=True)
    sd = picture.std(dim=(1, 2, 3), keepdim=True)
    return (picture - mean) / (sd + 4.0)


def losses(logits: Tensor, targets: dict[str, Tensor]) -> dict[str, Tensor]:
    """Cross-entropy + Dice on regions, weighted binary cross-entropy + Dice on lines and points."""
    logits = logits.float()
    regions, lines, points = logits[:, :4], logits[:, 4:8], logits[:, 8:]
    cross = (F.cross_entropy(regions, targets["regions"], reduction="none") * targets["matters"]).mean()
    probability = regions.softmax(dim=1)
    truth = F.one_hot(targets["regions"], 4).permute(0, 3, 1, 2).float()
    both = (probability * truth).sum(dim=(2, 3))
    dice = 1 - (2 * both + 50) / (probability.sum(dim=(2, 3)) + truth.sum(dim=(2, 3)) + 50)
    weight = targets["line_weight"] * (1 + 4 * targets["lines"])
    line = (F.binary_cross_entropy_with_logits(lines, targets["lines"], reduction="none") * weight).mean()
    p = lines[:, 1:3].sigmoid() * targets["line_weight"][:, 1:3]
    t = targets["lines"][:, 1:3] * targets["line_weight"][:, 1:3]
    thin = 1 - (2 * (p * t).sum(dim=(2, 3)) + 20) / ((p**2).sum(dim=(2, 3)) + (t**2).sum(dim=(2, 3)) + 20)
    heat = targets["points"]
    point = (F.binary_cross_entropy_with_logits(points, heat, reduction="none") * (1 + 30 * heat)).mean()
    dice_all = dice[:, 1].mean() + 0.5 * dice[:, 2:].mean() + 0.2 * dice[:, 0].mean()
    return {"cross": cross, "dice": 0.5 * dice_all, "line": line, "thin": 0.15 * thin.mean(), "point": point}


def mirrored(layout: dict[str, Tensor]) -> dict[str, Tensor]:
    """The same layouts seen in a mirror, for their second painting."""
    out = dict(layout)
    for name in ("regions", "distance", "along", "lines", "clutter"):
        out[name] = layout[name].flip(-1)
    points = layout["points"].clone()
    points[..., 0] = layout["lines"].shape[-1] - 1 - points[..., 0]
    out["points"] = points
    out["directions"] = math.pi - layout["directions"]
    return out


@torch.no_grad()
def validate(net: nn.Module, batches: list[tuple[Tensor, dict[str, Tensor]]]) -> dict[str, float]:
    """Return weld IoU median and 10th percentile, and mean pixel accuracy, over held-back pictures."""
    net.eval()
    ious, right = [], []
    for picture, targets in batches:
        with torch.autocast(picture.device.type, torch.bfloat16):
            found = net(normalised(picture).contiguous(memory_format=torch.channels_last))[:, :4].argmax(dim=1)
        a, b = found == 1, targets["regions"] == 1
        ious.append((a & b).sum(dim=(1, 2)) / (a | b).sum(dim=(1, 2)).clamp(min=1))
        right.append((found == targets["regions"]).float().mean(dim=(1, 2)))
    iou, accuracy = torch.cat(ious), torch.cat(right)
    return {
        "iou_median": float(iou.median()),
        "iou_p10": float(iou.quantile(0.1)),
        "accuracy": float(accuracy.mean()),
    }


def device_of(rank: int) -> torch.device:
    """Return GPU `rank`; the CPU where there is none, which is far too slow for more than a try."""
    return torch.device("cuda", rank) if torch.cuda.is_available() else torch.device("cpu")


def _to(device: torch.device, batch: dict[str, Tensor]) -> dict[str, Tensor]:
    return {k: v.to(device, non_blocking=True) for k, v in batch.items()}


def save(
    out: Path, net: nn.Module, average: dict[str, Tensor], optimiser: torch.optim.Optimizer, facts: dict[str, Any]
) -> None:
    """Write what a training goes on from: weights, their average, the optimiser's state, how far it has come."""
    torch.save(net.state_dict(), out / "weights.pt")
    torch.save(average, out / "average.pt")
    state = optimiser.state_dict()["state"]
    for name in ("exp_avg", "exp_avg_sq"):
        torch.save([state[i][name].to(torch.bfloat16) for i in sorted(state)], out / f"{name}.pt")
    torch.save(facts, out / "facts.pt")


def _resume(state: Path, net: nn.Module, optimiser: torch.optim.Optimizer, device: torch.device) -> dict[str, Any]:
    net.load_state_dict(torch.load(state / "weights.pt", map_location=device))
    facts: dict[str, Any] = torch.load(state / "facts.pt")
    names = ("exp_avg", "exp_avg_sq")
    if not all((state / f"{n}.pt").exists() for n in names):
        return facts  # a network taken up from its shipped file: the optimiser begins anew
    moments = {n: torch.load(state / f"{n}.pt", map_location=device) for n in names}
    for i, p in enumerate(net.parameters()):
        optimiser.state[p] = {
            "step": torch.tensor(float(facts["steps"]), device=device),
            "exp_avg": moments["exp_avg"][i].float(),
            "exp_avg_sq": moments["exp_avg_sq"][i].float(),
        }
    return facts


class _Average:
    """The running average of a network's weights, which is what is shipped."""

    def __init__(self, net: nn.Module, start: dict[str, Tensor]) -> None:
        held = net.state_dict()
        self.values = start
        floating = [k for k, v in held.items() if v.is_floating_point()]
        self._smooth = [start[k] for k in floating], [held[k].detach() for k in floating]
        self._whole = [(k, v) for k, v in held.items() if not v.is_floating_point()]

    @torch.no_grad()
    def follow(self, steps: int) -> None:
        """Move towards the network's present weights; slowly once many steps are done."""
        keep = min(0.999, (1 + steps) / (20 + steps))
        torch._foreach_lerp_(self._smooth[0], self._smooth[1], 1 - keep)
        for k, v in self._whole:
            self.values[k].copy_(v)


def rate_at(progress: float, steps: int, peak: float) -> float:
    """Learning rate at `progress` 0..1 through a training, `steps` done: a short rise, then half a cosine."""
    warm = min(1.0, (steps + 1) / 300)
    return peak * warm * (0.5 * (1 + math.cos(math.pi * min(1.0, progress))) * 0.995 + 0.005)


@dataclass(eq=False)
class Course:
    """One training run as it stands: what is trained, without which ingredients, how far it has come."""

    net: SectionNet
    optimiser: torch.optim.Optimizer
    average: _Average
    facts: dict[str, Any]
    fast: Any
    judge: Any
    world: int
    total_seconds: float
    peak_rate: float
    without: Without = WHOLE
    sums: dict[str, float] = field(default_factory=dict)

    def rate(self, seconds: float) -> float:
        """Return the learning rate after `seconds` of training."""
        steps = self.facts["steps"] - self.facts.get("since", 0)
        return rate_at(seconds / self.total_seconds, steps, self.peak_rate)

    def step(self, layout: dict[str, Tensor], rate: float) -> None:
        """Paint a batch and learn from it."""
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        with torch.no_grad():
            picture, targets = paint(layout, self.without)
            picture = normalised(picture).contiguous(memory_format=torch.channels_last)
        self.net.train()
        with torch.autocast(picture.device.type, torch.bfloat16):
            logits = self.fast(picture)
        parts = self.judge(logits, targets)
        if "lines" in self.without:
            parts = {name: parts[name] for name in REGION_LOSSES}
        total = sum(parts.values(), torch.zeros((), device=picture.device))
        self.optimiser.zero_grad(set_to_none=True)
        total.backward()
        parameters = list(self.net.parameters())
        if self.world > 1:
            _share_gradients(parameters, self.world)
        nn.utils.clip_grad_norm_(parameters, 2.0)
        self.optimiser.step()
        self.facts["steps"] += 1
        self.facts["pictures"] += len(picture) * self.world
        self.average.follow(self.facts["steps"])
        if self.facts["steps"] % 50 == 0:
            for k, v in parts.items():
                self.sums[k] = 0.7 * self.sums.get(k, float(v.detach())) + 0.3 * float(v.detach())


def _share_gradients(parameters: list[nn.Parameter], world: int) -> None:
    """Replace every gradient by its mean over all GPUs, in one message."""
    flat = torch.cat([p.grad.reshape(-1) for p in parameters if p.grad is not None])
    distributed.all_reduce(flat)
    flat /= world
    at = 0
    for p in parameters:
        if p.grad is not None:
            p.grad.copy_(flat[at : at + p.numel()].reshape(p.shape))
            at += p.numel()


def begin(rank: int, world: int, options: argparse.Namespace) -> Course:
    """Make the network and its optimiser on GPU `rank`, or take them up where an earlier call left them."""
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    device = device_of(rank)
    if device.type == "cuda":
        torch.cuda.set_device(device)
    if world > 1:
        distributed.init_process_group("nccl", rank=rank, world_size=world)
    torch.manual_seed(options.seed)
    net = SectionNet().to(device).to(memory_format=torch.channels_last)
    optimiser = torch.optim.AdamW(
        net.parameters(), lr=options.peak_rate, weight_decay=1e-3, betas=(0.9, 0.98), fused=True
    )
    facts: dict[str, Any] = {"steps": 0, "seconds": 0.0, "pictures": 0, "calls": 0, "log": []}
    average = {k: v.detach().clone() for k, v in net.state_dict().items()}
    if options.state and (options.state / "weights.pt").exists():
        facts = _resume(options.state, net, optimiser, device)
        if options.anew:
            facts["seconds"], facts["since"] = 0.0, facts["steps"]
        average = {
            k: v.to(device) for k, v in torch.load(options.state / "average.pt", map_location=device).items()
        }
    return Course(
        net=net,
        optimiser=optimiser,
        average=_Average(net, average),
        facts=facts,
        fast=torch.compile(net) if options.compile else net,
        judge=torch.compile(losses) if options.compile else losses,
        world=world,
        total_seconds=options.total_minutes * 60,
        peak_rate=options.peak_rate,
        without=options.without,
    )


def stream_of(device: torch.device, world: int, layouts: Layouts) -> Iterator[dict[str, Tensor]]:
    """Yield endless batches of layouts on `device`, made by the CPU's cores, shared by `world` GPUs."""
    workers = max(1, (os.cpu_count() or 2) // world - 1)
    pinned = device.type == "cuda"
    loader = DataLoader(layouts, batch_size=None, num_workers=workers, prefetch_factor=3, pin_memory=pinned)
    return (_to(device, batch) for batch in loader)


def pictures_held_back(device: torch.device, size: int, batch: int) -> list[tuple[Tensor, dict[str, Tensor]]]:
    """Paint pictures that are never trained on, the same in every call."""
    with torch.random.fork_rng(devices=[device] if device.type == "cuda" else []):
        torch.manual_seed(4242)
        check = iter(Layouts(size, batch, 990_001))
        return [paint(_to(device, next(check))) for _ in range(4)]


def train(rank: int, world: int, options: argparse.Namespace) -> None:
    """Train on GPU `rank` of `world` until this call's minutes are over; rank 0 saves."""
    begun = time.monotonic()
    course = begin(rank, world, options)
    facts = course.facts
    torch.manual_seed(options.seed + 1000 * facts["calls"] + rank)
    device = device_of(rank)
    seed = options.seed + 7919 * facts["calls"] + 104729 * rank + 1
    stream = stream_of(device, world, Layouts(options.size, options.batch, seed))
    held_back = pictures_held_back(device, options.size, options.batch) if rank == 0 else []
    before = float(facts["seconds"])
    last_report, stop = time.monotonic(), torch.zeros(1, device=device)
    while True:
        layout = next(stream)
        for shown in range(SHOWN):
            spent = time.monotonic() - begun
            rate = course.rate(before + spent)
            course.step(mirrored(layout) if shown else layout, rate)
        if rank == 0 and time.monotonic() - last_report > 45:
            last_report = time.monotonic()
            parts = " ".join(f"{k} {v:.4f}" for k, v in course.sums.items())
            head = f"{spent:5.0f} s step {facts['steps']} pictures {facts['pictures']} rate {rate:.2e}"
            print(head, parts, flush=True)  # noqa: T201  a training log
        if facts["steps"] % 20 == 0:
            # Rank 0's clock decides for all, or one would wait for another's gradients for ever.
            stop.fill_(float(time.monotonic() - begun > options.minutes * 60))
            if world > 1:
                distributed.broadcast(stop, 0)
            if float(stop) > 0:
                break
    if rank == 0:
        facts["seconds"] = before + time.monotonic() - begun
        facts["calls"] += 1
        _finish(course, held_back, options.out)
    if world > 1:
        distributed.barrier()
        distributed.destroy_process_group()
    # Worker processes wait on full queues; ending them one by one takes long and may complain.
    os._exit(0)


def _finish(course: Course, held_back: list[tuple[Tensor, dict[str, Tensor]]], out: Path) -> None:
    """Save everything, score the averaged weights on the held-back pictures, and say so."""
    facts = course.facts
    save(out, course.net, course.average.values, course.optimiser, facts)
    course.net.load_state_dict(course.average.values)
    scores = validate(course.net, held_back)
    facts["log"].append(scores)
    torch.save(facts, out / "facts.pt")
    print("held back:", scores, "pictures", facts["pictures"], "seconds", round(facts["seconds"]), flush=True)  # noqa: T201


def main() -> None:
    """Read the options and start one process a GPU."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--state", type=Path, default=None, help="folder of an earlier call's files")
    parser.add_argument("--out", type=Path, required=True, help="folder for this call's files")
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--total-minutes", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=SIZE, help="side of a picture, px, a multiple of 32")
    parser.add_argument("--batch", type=int, default=BATCH, help="pictures a step and GPU")
    parser.add_argument("--peak-rate", type=float, default=PEAK_RATE)
    parser.add_argument(
        "--anew", action="store_true", help="take up the weights but begin the rate's schedule anew"
    )
    parser.add_argument(
        "--without",
        action="append",
        choices=tuple(INGREDIENTS),
        default=[],
        help="leave out, may be given again: " + "; ".join(f"{k}: {v}" for k, v in INGREDIENTS.items()),
    )
    parser.add_argument("--compile", action=argparse.BooleanOptionalAction, default=True)
    options = parser.parse_args()
    options.without = left_out(options.without)
    options.out.mkdir(parents=True, exist_ok=True)
    world = torch.cuda.device_count()
    if world > 1:
        os.environ.setdefault("MASTER_ADDR", "127.0.0.1")
        os.environ.setdefault("MASTER_PORT", "29511")
        spawn(train, args=(world, options), nprocs=world)
    else:
        train(0, 1, options)


if __name__ == "__main__":
    main()
