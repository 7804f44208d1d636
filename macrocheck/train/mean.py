"""Mean of the weights of two exported networks, of which one was trained on from the other.

python -m macrocheck.train.mean before.onnx after.onnx macrocheck/segment/weights.onnx [--share 0.5]

Training on fits a network better to what is rendered; the mean of both keeps more of what carries over to pictures
unlike those, at no cost in arithmetic.
"""

import argparse
from pathlib import Path

import numpy as np
import onnx
from onnx import numpy_helper


def mean(before: Path, after: Path, target: Path, share: float = 0.5) -> None:
    """Write to `target` the network `after` with its weights moved to `share` of the way from those of `before`.

    Raises:
        ValueError: where the two do not hold the same weights.
    """
    first, second = onnx.load(str(before)), onnx.load(str(after))
    known = {tensor.name: numpy_helper.to_array(tensor) for tensor in first.graph.initializer}
    for tensor in second.graph.initializer:
        values = numpy_helper.to_array(tensor)
        if tensor.name not in known or known[tensor.name].shape != values.shape:
            msg = f"{before} and {after} are not the same network: {tensor.name} differs in shape or is missing"
            raise ValueError(msg)
        if values.dtype in (np.float16, np.float32):
            mixed = (1 - share) * known[tensor.name].astype(np.float32) + share * values.astype(np.float32)
            tensor.CopyFrom(numpy_helper.from_array(mixed.astype(values.dtype), tensor.name))
    onnx.checker.check_model(second)
    onnx.save(second, str(target))


def main() -> None:
    """Read the three paths and write the mean."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("before", type=Path)
    parser.add_argument("after", type=Path)
    parser.add_argument("target", type=Path)
    parser.add_argument("--share", type=float, default=0.5, help="of the way from before (0) to after (1)")
    asked = parser.parse_args()
    mean(asked.before, asked.after, asked.target, asked.share)


if __name__ == "__main__":
    main()
