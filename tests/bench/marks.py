"""How well marks are found: found rate, errors, rms of error over u, false finds, CPU time at 12 Mpx, plain ways.

python -m tests.bench.marks --count 100 --width 1000 --first 40000
"""

import argparse
import math
import re
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from importlib import import_module

import cv2
import numpy as np

from macrocheck.arrays import ByteArray
from macrocheck.calibrate import Mark, calibrate, parse_mark, settle_height
from macrocheck.calibrate.bar import ROUNDED
from macrocheck.calibrate.combine import U_TILT
from macrocheck.errors import MacrocheckError
from macrocheck.render.photo import render_photo
from macrocheck.scale import Scale
from tests.bench import cards
from tests.bench.plain import hough_diameter, spectral_pitch
from tests.calibrate.cards import with_card
from tests.calibrate.hard_bars import with_hard_bar
from tests.calibrate.laid_bars import with_laid_bar
from tests.calibrate.pictures import blank, with_bar, with_disc, with_ruler
from tests.calibrate.plates import with_plate
from tests.calibrate.scenes import photo_of


@dataclass(frozen=True)
class Shown:
    """A picture with a mark: `text` as stated, `mm_per_px` true."""

    pixels: ByteArray
    text: str
    mm_per_px: float
    what: str


Maker = Callable[[int, int], Shown]


def _bar(seed: int, width: int) -> Shown:
    p = with_bar(seed, width)
    return Shown(p.pixels, "bar:10mm", 10 / p.length_px, p.what)


def _laid(seed: int, _: int) -> Shown:
    p, text = with_laid_bar(seed)
    return Shown(p.pixels, text, (parse_mark(text).length_mm or 0.0) / p.length_px, p.what)


def _hard(seed: int, _: int) -> Shown:
    p, text = with_hard_bar(seed)
    return Shown(p.pixels, text, (parse_mark(text).length_mm or 0.0) / p.length_px, p.what)


def _bracket(seed: int, _: int) -> Shown:
    p, text = with_hard_bar(seed, bracket=True)
    return Shown(p.pixels, text, (parse_mark(text).length_mm or 0.0) / p.length_px, p.what)


def _disc(seed: int, width: int) -> Shown:
    p = with_disc(seed, width)
    return Shown(p.pixels, "disc:20mm", 20 / p.length_px, p.what)


def _ruler(seed: int, width: int, *, text: str, pitch_mm: float, whole: bool = False) -> Shown:
    p = with_ruler(seed, width, pitch_mm=pitch_mm, whole=whole)
    return Shown(p.pixels, text, pitch_mm / p.length_px, p.what)


def _bare(seed: int, width: int) -> Shown:
    pitch = (1.0, 0.5, 25.4 / 16, 25.4 / 32, 25.4 / 64)[seed % 5]
    return _ruler(seed, width, text="ruler", pitch_mm=pitch, whole=True)


def _plate(seed: int, width: int) -> Shown:
    p = with_plate(seed, width)
    mark = parse_mark(p.mark)
    return Shown(p.pixels, p.mark, (mark.length_mm or 0.0) / p.length_px, p.what)


LAID, ANY_MAKE, BRACKET = "bar laid in", "bar of any make", "bar with one-sided ticks"
"""Bars in rendered photographs of sections, which have a size of their own."""
MAKERS: dict[str, tuple[Maker, float]] = {
    "bar:10mm": (_bar, 1.0),
    LAID: (_laid, 0.6),
    ANY_MAKE: (_hard, 1.0),
    BRACKET: (_bracket, 0.6),
    "disc:20mm": (_disc, 1.0),
    "plate": (_plate, 1.0),
    "ruler:1mm": (partial(_ruler, text="ruler:1mm", pitch_mm=1.0), 1.0),
    "ruler:0.5mm": (partial(_ruler, text="ruler:0.5mm", pitch_mm=0.5), 0.4),
    "ruler:1/16in": (partial(_ruler, text="ruler:1/16in", pitch_mm=25.4 / 16), 0.4),
    "ruler:1/32in": (partial(_ruler, text="ruler:1/32in", pitch_mm=25.4 / 32), 0.4),
    "ruler:1/64in": (partial(_ruler, text="ruler:1/64in", pitch_mm=25.4 / 64), 0.4),
    "ruler": (_bare, 0.5),
}
"""Name -> how its pictures are made, and what part of the pictures asked for."""


@dataclass
class Tally:
    """What came of one mark's pictures."""

    errors: list[float] = field(default_factory=list)
    ratios: list[float] = field(default_factory=list)
    coarse: list[float] = field(default_factory=list)
    plain: list[float] = field(default_factory=list)
    refused: int = 0
    asked: int = 0
    wrong: int = 0


def found_alone(scale: Scale, mark: Mark) -> float:
    """What of a scale's uncertainty is the finding's: without the mark's own, its height and a tilt."""
    height = settle_height(None, None).u_rel if mark.kind in {"ruler", "disc", "card"} else 0.0
    least = ROUNDED / math.dist(*scale.marks[0].points_px) if mark.kind == "bar" else 0.0
    rest = scale.u_rel**2 - mark.u_as_drawn(least) ** 2 - height**2 - (U_TILT**2 if scale.plane is None else 0.0)
    return math.sqrt(max(rest, 1e-14))


def report(name: str, make: Maker, count: int, width: int, first: int) -> None:
    """Print one mark's figures over `count` pictures `width` px wide."""
    tally = Tally()
    for seed in range(first, first + count):
        shown = make(seed, width)
        photo = photo_of(shown.pixels)
        try:
            scale = calibrate(photo, [parse_mark(shown.text)])
        except MacrocheckError as why:
            words = str(why)
            again = _restated(words, shown)
            if again is None:
                asks = "state its pitch" in words
                tally.asked += asks
                tally.refused += not asks
                print(f"  {'asks' if asks else 'not found'}: seed {seed}, {shown.what}: {words[:90]}")
                continue
            tally.asked += 1
            scale = calibrate(photo, [parse_mark(again)])
        error = scale.mm_per_px / shown.mm_per_px - 1
        if abs(error) > 0.02:
            tally.wrong += 1
            print(f"  wrong: seed {seed}, {shown.what}: {100 * error:.2f} %")
            continue
        tally.errors.append(abs(error))
        tally.ratios.append(error / found_alone(scale, parse_mark(shown.text)))
        if 1 / shown.mm_per_px < 8:
            tally.coarse.append(abs(error))
        if name == "disc:20mm":
            tally.plain.append(abs(20 / hough_diameter(photo.grey, 20 / shown.mm_per_px) / shown.mm_per_px - 1))
        if name == "ruler:1mm":
            pitch = spectral_pitch(photo.grey, scale.marks[0].points_px)
            tally.plain.append(abs(1 / pitch / shown.mm_per_px - 1))
    _say(name, tally, count)


def _restated(words: str, shown: Shown) -> str | None:
    """The plate that a refusal offers and a person would pick: the one whose scale is the true one."""
    if "@" in shown.text:  # the one that was meant is not there
        return None
    for offer in re.findall(r"plate:[0-9.]+mm@\d+,\d+", words):
        with suppress(MacrocheckError):
            scale = calibrate(photo_of(shown.pixels), [parse_mark(offer)])
            if abs(scale.mm_per_px / shown.mm_per_px - 1) < 0.02:
                return str(offer)
    return None


def _say(name: str, tally: Tally, count: int) -> None:
    print(f"{name}: found {len(tally.errors)} of {count}, not found {tally.refused}, wrong {tally.wrong}", end="")
    print(f", asked which or what pitch {tally.asked}" if tally.asked else "")
    if not tally.errors:
        return
    print(f"  relative error, %: {_percentiles(tally.errors)}", flush=True)
    if tally.coarse:
        print(f"  under 8 px/mm ({len(tally.coarse)}): {_percentiles(tally.coarse)}")
    print(f"  rms(error/u), finding alone: {math.sqrt(float(np.mean(np.square(tally.ratios)))):.2f}", flush=True)
    if tally.plain:
        way = "Hough circle" if name.startswith("disc") else "peak of the spectrum"
        print(f"  {way} on the same pictures, %: {_percentiles(tally.plain)}")


def _percentiles(errors: Sequence[float]) -> str:
    p50, p95, top = 100 * np.percentile(errors, [50, 95, 100])
    return f"median {p50:.4f}, 95th percentile {p95:.4f}, largest {top:.4f}"


AUTOMATIC = ("bar:10mm", "ruler:1mm", "ruler:0.5mm", "ruler:1/16in", "ruler", "disc:20mm", "card")
"""Marks that a picture without one may be asked for; a plate is in every section."""


def false_finds(count: int, width: int, first: int) -> None:
    """Print how often a mark is seen where there is none."""
    seen: dict[str, list[int]] = {text: [] for text in AUTOMATIC}
    for seed in range(first, first + count):
        photo = photo_of(blank(seed, width))
        for text in AUTOMATIC:
            if text.startswith("ruler:") and text != "ruler:1mm":
                continue  # one search answers for every pitch: see below
            mark = parse_mark(text)
            try:
                scale = calibrate(photo, [mark])
            except MacrocheckError as why:
                if "places" not in str(why) and "state its pitch" not in str(why):
                    continue
                print(f"  refused for more than one: {text}, seed {seed}: {str(why)[:120]}")
            else:
                print(f"  false: {text}, seed {seed}: {scale.method}")
            seen[text].append(seed)
    pictures = sorted({s for seeds in seen.values() for s in seeds})
    marks = {text: len(seeds) for text, seeds in seen.items() if seeds}
    print(f"false finds in {count} pictures without a mark: {len(pictures)} pictures {marks}")


def false_bars(count: int, first: int) -> None:
    """Print how often a bar is seen in rendered photographs of the hard look, which are drawn without a mark."""
    seen = 0
    for seed in range(first, first + count):
        try:
            scale = calibrate(photo_of(render_photo(seed, "hard").rgb), [parse_mark("bar:10mm")])
        except MacrocheckError as why:
            if "places" not in str(why):
                continue
            said = str(why)[:120]
        else:
            said = f"{scale.method}, {scale.marks[0].points_px.round().tolist()}"
        seen += 1
        print(f"  false: bar, seed {seed}: {said}")
    print(f"false bars in {count} rendered photographs without one: {seen}", flush=True)


def times(repeats: int) -> None:
    """Print CPU time of finding each mark in 12 Mpx pictures on one thread; the picture's grey is made before."""
    cv2.setNumThreads(1)
    cards_at_12 = lambda seed, width: Shown(with_card(seed, width).pixels, "card", 1.0, "")  # noqa: E731
    for name, make in [
        *((n, m) for n, (m, _) in MAKERS.items() if n not in {LAID, ANY_MAKE, BRACKET}),
        ("card", cards_at_12),
    ]:
        taken = []
        for seed in range(3):
            shown = make(seed, 4000)
            photo = photo_of(shown.pixels)
            _ = photo.grey
            mark = parse_mark(shown.text)
            finder = import_module(f"macrocheck.calibrate.{mark.kind}")
            each = []
            for _ in range(repeats):
                start = time.process_time()
                with suppress(MacrocheckError):
                    finder.find(photo, mark)
                each.append(time.process_time() - start)
            taken.append(min(each))
        said = ", ".join(f"{1000 * t:.0f}" for t in taken)
        print(f"{name} at 12 Mpx, ms of CPU on one thread, best of {repeats} in three pictures: {said}", flush=True)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--width", type=int, default=1000)
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    parser.add_argument("--only", nargs="*", default=[*MAKERS, "card", "false", "false bars", "time"])
    given = parser.parse_args()
    for name, (make, part) in MAKERS.items():
        if name in given.only:
            report(name, make, round(part * given.count), given.width, given.first)
    if "card" in given.only:
        cards.accuracy(given.count, given.width, given.first)
    if "false" in given.only:
        false_finds(2 * given.count, given.width, given.first)
    if "false bars" in given.only:
        false_bars(2 * given.count, given.first)
    if "time" in given.only:
        times(3)


if __name__ == "__main__":
    main()
