"""How well marks are found: errors, found rate, false finds, rms of error over u, time at 12 Mpx.

python -m tests.bench.marks --count 100 --width 1400
"""

import argparse
import time
from collections.abc import Callable
from importlib import import_module

import numpy as np

from macrocheck.calibrate import calibrate, parse_mark
from macrocheck.errors import NotFoundError
from tests.calibrate.pictures import Picture, blank, with_bar, with_disc, with_ruler
from tests.calibrate.scenes import photo_of

MAKERS: dict[str, Callable[[int, int], Picture]] = {
    "bar:10mm": with_bar,
    "ruler:1mm": with_ruler,
    "disc:20mm": with_disc,
}


def report(text: str, count: int, width: int, first: int) -> None:
    """Print one mark's figures over `count` pictures `width` px wide."""
    mark = parse_mark(text)
    finder = import_module(f"macrocheck.calibrate.{mark.kind}")
    make = MAKERS[text]
    rng = np.random.default_rng(0)
    errors: list[float] = []
    ratio: list[float] = []
    whole: list[float] = []
    lengths: list[float] = []
    wrong = refused = 0
    for seed in range(first, first + count):
        picture = make(seed, width)
        photo = photo_of(picture.pixels)
        try:
            scale = calibrate(photo, [mark])
        except NotFoundError as why:
            refused += 1
            print(f"  not found: seed {seed}, {picture.what}: {str(why)[:90]}")
            continue
        truth = (mark.length_mm or 0.0) / picture.length_px
        error = scale.mm_per_px / truth - 1
        if abs(error) > 0.02:
            wrong += 1
            print(f"  wrong: seed {seed}, {picture.what}: {100 * error:.2f} %")
            continue
        found = min(finder.find(photo, mark), key=lambda c: abs(c.mm_per_px - scale.mm_per_px))
        errors.append(abs(error))
        lengths.append(picture.length_px)
        ratio.append(error / found.u_found)
        # the mark's own error within its limits, as u claims it
        own = rng.uniform(-mark.tolerance, mark.tolerance)
        whole.append((error + own) / np.hypot(found.u_found, mark.u_rel))
    p50, p95, top = 100 * np.percentile(errors, [50, 95, 100])
    print(f"{text}: found {len(errors)} of {count}, refused {refused}, wrong {wrong}")
    print(f"  relative error, %: median {p50:.4f}, 95th percentile {p95:.4f}, largest {top:.4f}")
    if mark.kind == "ruler":
        near = [e for e, p in zip(errors, lengths, strict=True) if p < 8]
        if near:
            print(f"  under 8 px/mm ({len(near)}): 95th percentile {100 * np.percentile(near, 95):.4f} %")
    rms = [float(np.sqrt(np.mean(np.square(r)))) for r in (ratio, whole)]
    print(f"  rms(error/u): finding alone {rms[0]:.2f}, with the mark's own error drawn {rms[1]:.2f}")


def false_finds(count: int, width: int, first: int) -> None:
    """Print how often a mark is seen where there is none."""
    seen = dict.fromkeys(MAKERS, 0)
    for seed in range(first, first + count):
        photo = photo_of(blank(seed, width))
        for text in MAKERS:
            mark = parse_mark(text)
            candidates = import_module(f"macrocheck.calibrate.{mark.kind}").find(photo, mark)
            if candidates:
                seen[text] += 1
                print(f"  false: {text}, seed {seed}: {candidates[0].what}")
    print(f"false finds in {count} pictures without a mark: {seen}")


def times(repeats: int) -> None:
    """Print wall time of finding each mark in 12 Mpx pictures, and of a resize of the same picture."""
    for text, make in MAKERS.items():
        mark = parse_mark(text)
        finder = import_module(f"macrocheck.calibrate.{mark.kind}")
        taken = []
        for seed in range(3):
            photo = photo_of(make(seed, 4000).pixels)
            _ = photo.grey
            each = []
            for _ in range(repeats):
                start = time.perf_counter()
                finder.find(photo, mark)
                each.append(time.perf_counter() - start)
            taken.append(min(each))
        print(f"{text} at 12 Mpx, ms, best of {repeats} each: {', '.join(f'{1000 * t:.0f}' for t in taken)}")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--width", type=int, default=1400)
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    given = parser.parse_args()
    for text in MAKERS:
        report(text, given.count, given.width, given.first)
    false_finds(given.count, given.width, given.first)
    times(5)


if __name__ == "__main__":
    main()
