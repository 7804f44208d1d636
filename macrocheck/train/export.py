"""Write trained weights as the ONNX file that the package ships: half-precision weights, float32 arithmetic.

python -m macrocheck.train.export average.pt macrocheck/segment/weights.onnx
"""

import argparse
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper

from macrocheck.train.model import SectionNet


def export(weights: Path, target: Path) -> None:
    """Trace the network with `weights` and write it to `target`, any input size a multiple of 32."""
    net = SectionNet()
    net.load_state_dict(torch.load(weights, map_location="cpu"))
    net.eval()
    torch.onnx.export(
        net,
        (torch.zeros(1, 3, 384, 384),),
        str(target),
        opset_version=17,
        dynamo=False,
        input_names=["picture"],
        output_names=["maps"],
        dynamic_axes={"picture": {2: "h", 3: "w"}, "maps": {2: "h", 3: "w"}},
    )
    model = onnx.load(str(target))
    graph = model.graph
    casts = []
    for tensor in list(graph.initializer):
        values = numpy_helper.to_array(tensor)
        if values.dtype == np.float32 and values.size > 256:
            graph.initializer.remove(tensor)
            graph.initializer.append(numpy_helper.from_array(values.astype(np.float16), tensor.name + "_half"))
            casts.append(helper.make_node("Cast", [tensor.name + "_half"], [tensor.name], to=TensorProto.FLOAT))
    for cast in reversed(casts):
        graph.node.insert(0, cast)
    onnx.checker.check_model(model)
    onnx.save(model, str(target))


def main() -> None:
    """Read the two paths and export."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("weights", type=Path)
    parser.add_argument("target", type=Path)
    options = parser.parse_args()
    export(options.weights, options.target)


if __name__ == "__main__":
    main()
