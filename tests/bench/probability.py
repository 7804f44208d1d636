"""How far the network's probabilities can be believed: the share of true weld metal among pixels given each.

    python -m tests.bench.probability --count 15

Close looks at welds of the own family, framed by the truth; pixels within 8 % of the square root of the weld's area
of true weld metal count, or a picture's sure background would drown the rest.
"""

import argparse
import itertools

import cv2
import numpy as np

from macrocheck.arrays import FloatArray
from macrocheck.photo import Photo
from macrocheck.segment.maps import WELD
from tests.bench.cases import CaseWeld, load_case
from tests.bench.close import seen_closely

STEPS = (0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98)
NEAR = 0.08
LOOKS = ("fair", "grain", "hard")


def looked_at(photo: Photo, weld: CaseWeld) -> tuple[FloatArray, FloatArray]:
    """Probabilities of weld metal, and whether it is weld metal, of the pixels near one weld."""
    maps, truth = seen_closely(photo, weld)
    away = cv2.distanceTransform(1 - truth, cv2.DIST_L2, 5)
    near = away < NEAR * np.sqrt(float(truth.sum()))
    return np.asarray(maps.regions[WELD][near], np.float64), np.asarray(truth[near], np.float64)


def reliability(look: str, count: int, first: int) -> list[tuple[int, float]]:
    """Pixels given a probability between two STEPS, and the share of them that is weld metal, step by step."""
    given, true = [], []
    for seed in range(first, first + count):
        case = load_case("own", look, seed)
        for weld in case.welds:
            p, t = looked_at(case.photo(), weld)
            given.append(p)
            true.append(t)
    p, t = np.concatenate(given), np.concatenate(true)
    out = []
    for low, high in itertools.pairwise(STEPS):
        inside = (p >= low) & (p < high)
        out.append((int(inside.sum()), float(t[inside].mean()) if inside.any() else float("nan")))
    return out


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=15, help="pictures of each look")
    parser.add_argument("--first", type=int, default=42000, help="first seed")
    options = parser.parse_args()
    columns = {look: reliability(look, options.count, options.first) for look in LOOKS}
    print("| given | " + " | ".join(LOOKS) + " |\n|---|" + "---|" * len(LOOKS))
    for i, (low, high) in enumerate(itertools.pairwise(STEPS)):
        print(f"| {low} to {high} | " + " | ".join(f"{columns[look][i][1]:.2f}" for look in LOOKS) + " |")


if __name__ == "__main__":
    main()
