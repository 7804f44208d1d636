"""Train networks side by side, each without one ingredient, to see what each ingredient buys.

    python -m macrocheck.train.ablation --out OUT --pictures 300000 [--networks whole again grain]

All see the same layouts in the same order, painted with the same random numbers, for as many steps at the same
rates. `again` is the whole training from other first weights, painted with other random numbers: what two trainings
differ by when nothing is left out. On several GPUs each trains its share of the networks. A call that `--minutes`
ends goes on when it is given again. OUT holds a folder for each network; `export` makes its `average.pt` a file to
measure with `tests.bench.weights`.
"""

import argparse
import os
import time
from pathlib import Path
from typing import Any

import torch
from torch.multiprocessing.spawn import spawn

from macrocheck.train.ingredients import INGREDIENTS, left_out
from macrocheck.train.run import (
    BATCH,
    SHOWN,
    SIZE,
    Course,
    begin,
    device_of,
    mirrored,
    pictures_held_back,
    rate_at,
    save,
    stream_of,
    validate,
)
from macrocheck.train.stream import Layouts

NETWORKS = ("whole", "again", *INGREDIENTS)
"""What can be trained side by side: everything, everything from another seed, and less of each ingredient."""
PEAK_RATE = 1.8e-3
"""That of `run` is for twice the pictures a step: scaled by the root of that, common practice, no source."""
HELD_BACK = 96
"""Pictures in each of the held-back batches."""


def course_of(name: str, rank: int, options: argparse.Namespace) -> Course:
    """Begin the training of network `name` on GPU `rank`, or take it up in the folder of that name."""
    chosen = argparse.Namespace(
        seed=options.seed + (name == "again"),
        peak_rate=options.peak_rate,
        state=options.out / name,
        anew=False,
        total_minutes=1.0,  # progress is counted in steps here
        compile=options.compile,
        without=left_out([name] if name in INGREDIENTS else []),
    )
    return begin(rank, 1, chosen)


def side_by_side(rank: int, world: int, options: argparse.Namespace) -> None:
    """Train this GPU's share of the networks; all steps, or as many as the minutes allow."""
    begun = time.monotonic()
    courses = {name: course_of(name, rank, options) for name in options.networks[rank::world]}
    if not courses:
        return
    device, total = device_of(rank), max(1, options.pictures // options.batch)
    facts = next(iter(courses.values())).facts
    calls, reported = facts["calls"], time.monotonic()
    # The same layouts on every GPU: each has workers of its own, seeded alike.
    seed = options.seed + 7919 * calls + 1
    stream = stream_of(device, world, Layouts(options.size, options.batch, seed))  # kept: ending it complains
    for layout in stream:
        for shown in range(SHOWN):
            seen = mirrored(layout) if shown else layout
            for name, course in courses.items():
                steps = course.facts["steps"]
                torch.manual_seed((options.seed + (name == "again")) * 1_000_003 + steps)
                course.step(seen, rate_at(steps / total, steps, options.peak_rate))
        spent = time.monotonic() - begun
        if time.monotonic() - reported > 30:
            reported = time.monotonic()
            for name, course in courses.items():
                parts = " ".join(f"{k} {v:.4f}" for k, v in course.sums.items())
                print(f"{spent:5.0f} s {name} step {course.facts['steps']} of {total}", parts, flush=True)  # noqa: T201
        if facts["steps"] >= total or spent > 60 * options.minutes:
            break
    held_back = pictures_held_back(device, options.size, min(HELD_BACK, options.batch))
    for name, course in courses.items():
        _finish(name, course, held_back, options.out, time.monotonic() - begun)
    # Worker processes wait on full queues; ending them one by one takes long and may complain.
    os._exit(0)


def _finish(name: str, course: Course, held_back: list[Any], out: Path, seconds: float) -> None:
    """Save a network, score its averaged weights on the held-back pictures, and say so."""
    facts, folder = course.facts, out / name
    facts["calls"] += 1
    facts["seconds"] += seconds
    folder.mkdir(parents=True, exist_ok=True)
    save(folder, course.net, course.average.values, course.optimiser, facts)
    course.net.load_state_dict(course.average.values)
    scores = validate(course.net, held_back)
    facts["log"].append(scores)
    torch.save(facts, folder / "facts.pt")
    print("held back:", name, scores, "steps", facts["steps"], "seconds", round(facts["seconds"]), flush=True)  # noqa: T201


def main() -> None:
    """Read the options and start one process a GPU."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True, help="folder for the networks")
    parser.add_argument("--networks", nargs="+", choices=NETWORKS, default=list(NETWORKS))
    parser.add_argument("--pictures", type=int, default=300_000, help="that each network is trained on")
    parser.add_argument("--minutes", type=float, default=60.0, help="end this call after so many")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", type=int, default=SIZE, help="side of a picture, px, a multiple of 32")
    parser.add_argument("--batch", type=int, default=BATCH, help="pictures a step")
    parser.add_argument("--peak-rate", type=float, default=PEAK_RATE)
    parser.add_argument("--compile", action=argparse.BooleanOptionalAction, default=True)
    options = parser.parse_args()
    world = max(1, torch.cuda.device_count())
    if world > 1:
        spawn(side_by_side, args=(world, options), nprocs=world)
    else:
        side_by_side(0, 1, options)


if __name__ == "__main__":
    main()
