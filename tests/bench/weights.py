"""Networks side by side: how far the regions each names are the truth's, at a close look framed by the truth.

    git show 28aac2d:macrocheck/segment/weights.onnx > earlier.onnx
    python -m tests.bench.weights earlier.onnx macrocheck/segment/weights.onnx --look hard --count 20

Nothing but the network's own regions counts: no geometry, no search for the weld. Beside each further file stands
how much its IoU differs, picture by picture, from the first file's: the mean and its standard error.
"""

import argparse
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np

from macrocheck.segment import network
from macrocheck.segment.locate import SHARES
from macrocheck.segment.maps import WELD
from tests.bench.cases import FAMILIES, load_case
from tests.bench.close import seen_closely

REACH = 40
"""Map px around the true weld that count."""


def overlaps(
    nets: dict[str, "cv2.dnn.Net"], family: str, look: str, seeds: range, share: float
) -> dict[str, list[float]]:
    """IoU of the weld metal that each network names with the true weld, a value a picture."""
    found: dict[str, list[float]] = {name: [] for name in nets}
    for seed in seeds:
        case = load_case(family, look, seed)
        weld, photo = case.welds[0], case.photo()
        for name, net in nets.items():
            with patch.object(network, "_network", lambda net=net: net):
                maps, truth = seen_closely(photo, weld, (share,))
            around = cv2.dilate(truth, np.ones((2 * REACH + 1,) * 2, np.uint8)) > 0
            named = (maps.regions.argmax(axis=0) == WELD) & around
            both, either = (named & (truth > 0)).sum(), (named | (truth > 0)).sum()
            found[name].append(float(both / max(1, either)))
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("files", nargs="+", type=Path, help="ONNX files")
    parser.add_argument("--family", choices=FAMILIES, default="own")
    parser.add_argument("--look", default="hard")
    parser.add_argument("--first", type=int, default=430)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument(
        "--share", type=float, default=SHARES[0], help="share of the look's side that the weld takes"
    )
    options = parser.parse_args()
    nets = {str(f): cv2.dnn.readNetFromONNX(np.fromfile(f, np.uint8)) for f in options.files}
    seeds = range(options.first, options.first + options.count)
    found = {
        name: np.array(values)
        for name, values in overlaps(nets, options.family, options.look, seeds, options.share).items()
    }
    first = found[str(options.files[0])]
    for name, v in found.items():
        less = v - first
        print(
            f"{name}: IoU median {np.median(v):.4f}, 25th {np.quantile(v, 0.25):.4f}, 10th percentile "
            f"{np.quantile(v, 0.1):.4f}, least {v.min():.3f}, mean {v.mean():.4f} of {len(v)}"
            + (f"; {less.mean():+.4f} ({less.std(ddof=1) / np.sqrt(len(v)):.4f})" if v is not first else "")
        )


if __name__ == "__main__":
    main()
