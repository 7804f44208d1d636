"""How well the card is found, beside the plain corners of its coded markers.

python -m tests.bench.cards --count 100 --width 1200
"""

import argparse
import math
import time
from collections.abc import Callable

import cv2
import numpy as np

from macrocheck.arrays import ByteArray, FloatArray
from macrocheck.calibrate import card as finder
from macrocheck.calibrate import parse_mark
from tests.calibrate.cards import with_card
from tests.calibrate.pictures import blank
from tests.calibrate.scenes import photo_of

DIRECTIONS = np.array([[math.cos(a), math.sin(a)] for a in np.arange(8) * math.pi / 8]).T
Reader = Callable[[ByteArray], FloatArray | None]


def marker_corners(grey: ByteArray) -> FloatArray | None:
    """Homography px -> mm from the markers' own corners, as OpenCV's ArucoDetector refines them."""
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    quads, numbers, _ = cv2.aruco.ArucoDetector(finder.dictionary(), settings).detectMarkers(grey)
    board = finder.board()
    known = {
        int(n): np.asarray(q)[:, :2] for n, q in zip(np.ravel(board.getIds()), board.getObjPoints(), strict=True)
    }
    pairs = [
        (known[int(n)], np.asarray(q).reshape(4, 2))
        for n, q in zip(np.ravel(numbers) if len(quads) else [], quads, strict=True)
        if int(n) in known
    ]
    if len(pairs) < 2:
        return None
    places, corners = (np.vstack([pair[k] for pair in pairs]).astype(np.float64) for k in (0, 1))
    fitted = np.asarray(cv2.findHomography(corners, places, cv2.RANSAC, 1.0)[0], dtype=np.float64)
    return fitted if fitted.shape == (3, 3) else None


def inner_corners(grey: ByteArray) -> FloatArray | None:
    """Homography px -> mm as the card's finder has it."""
    card = finder.locate(grey)
    return None if card is None else np.asarray(np.linalg.inv(card.to_px), dtype=np.float64)


def accuracy(count: int, width: int, first: int) -> None:
    """Print found rate, errors of the scale in the middle of the picture, and rms of error over u."""
    errors: dict[str, list[float]] = {"inner corners": [], "marker corners": []}
    readers: dict[str, Reader] = {"inner corners": inner_corners, "marker corners": marker_corners}
    ratios: list[float] = []
    tilts: list[float] = []
    for seed in range(first, first + count):
        seen = with_card(seed, width)
        grey = photo_of(seen.pixels).grey
        middle = ((grey.shape[1] - 1) / 2, (grey.shape[0] - 1) / 2)
        true = finder.jacobian(seen.to_mm, middle)
        for name, read in readers.items():
            plane = read(grey)
            if plane is None:
                print(f"  not found by {name}: seed {seed}, {seen.what}")
                continue
            got = finder.jacobian(plane, middle)
            errors[name].append(math.sqrt(abs(float(np.linalg.det(got) / np.linalg.det(true)))) - 1)
            card = finder.locate(grey) if name == "inner corners" else None
            if card is not None:
                off = np.linalg.norm(got @ DIRECTIONS, axis=0) / np.linalg.norm(true @ DIRECTIONS, axis=0) - 1
                ratios.extend(off / finder.u_length(card, middle))
                tilts.append(abs(finder.tilt_deg(got) - seen.tilt))
    for name, off in errors.items():
        p50, p95, top = 100 * np.percentile(np.abs(off), [50, 95, 100])
        print(f"{name}: found {len(off)} of {count}")
        print(f"  relative error of the scale, %: median {p50:.4f}, 95th percentile {p95:.4f}, largest {top:.4f}")
    print(f"  rms(error/u) of lengths in all directions, finding alone: {np.sqrt(np.mean(np.square(ratios))):.2f}")
    print(f"  tilt off by, degrees: median {np.median(tilts):.2f}, 95th percentile {np.percentile(tilts, 95):.2f}")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--width", type=int, default=1200)
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    given = parser.parse_args()
    accuracy(given.count, given.width, given.first)
    mark = parse_mark("card")
    blanks = [photo_of(blank(seed, given.width)) for seed in range(given.first, given.first + given.count)]
    false = sum(bool(finder.find(photo, mark)) for photo in blanks)
    print(f"false finds in {given.count} pictures without a card: {false}")
    for name, photo in (("card", photo_of(with_card(0, 4000).pixels)), ("no card", photo_of(blank(0, 4000)))):
        _ = photo.grey
        taken = []
        for _ in range(5):
            start = time.perf_counter()
            finder.find(photo, mark)
            taken.append(1000 * (time.perf_counter() - start))
        print(f"12 Mpx, {name}: {min(taken):.0f} ms, best of 5")


if __name__ == "__main__":
    main()
