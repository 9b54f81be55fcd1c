"""Write the trained net as one ONNX file with 16-bit weights, for OpenCV's dnn module.

Batch normalisation is folded into the convolutions first. Every weight is stored as float16 and cast back to float32
inside the file, so the net computes in 32 bits and no loader code is needed.
"""

from __future__ import annotations

import argparse
import copy
import logging
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper
from torch import nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

from handwriting.reader.recogniser import HEIGHT_PX
from handwriting.reader.train.net import ReaderNet
from handwriting.reader.train.resume import mean_of

log = logging.getLogger(__name__)


def fold(net: nn.Module) -> nn.Module:
    """Copy the net for evaluation, each batch normalisation folded into its convolution."""
    net = copy.deepcopy(net).eval()
    for module in net.modules():
        if isinstance(module, nn.Sequential):
            for i in range(len(module) - 1):
                conv, norm = module[i], module[i + 1]
                if isinstance(conv, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
                    module[i], module[i + 1] = fuse_conv_bn_eval(conv, norm), nn.Identity()
    return net


def halve_weights(model: onnx.ModelProto) -> None:
    """Store every float32 weight of four or more numbers as float16 with a cast after it, in place."""
    casts = []
    for weight in model.graph.initializer:
        if weight.data_type != TensorProto.FLOAT or int(np.prod(weight.dims)) < 4:
            continue
        name = weight.name
        half = numpy_helper.from_array(numpy_helper.to_array(weight).astype(np.float16), name + "_16")
        weight.CopyFrom(half)
        casts.append(helper.make_node("Cast", [half.name], [name], to=TensorProto.FLOAT))
    for i, cast in enumerate(casts):
        model.graph.node.insert(i, cast)


def export(net: ReaderNet, target: Path) -> None:
    """Write `target` from a trained net."""
    example = torch.zeros(1, 1, HEIGHT_PX, 256)
    torch.onnx.export(
        fold(net), (example,), str(target), input_names=["ink"], output_names=["read", "place"],
        dynamic_axes={"ink": {3: "width"}, "read": {2: "frames"}, "place": {2: "frames"}},
        opset_version=17, dynamo=False,
    )  # fmt: skip
    model = onnx.load(target)
    halve_weights(model)
    onnx.checker.check_model(model)
    onnx.save(model, target)
    log.info("%s: %.2f MB", target.name, target.stat().st_size / 1e6)


def main() -> None:
    """Export: `python -m handwriting.reader.train.export CHECKPOINT.pt ... TARGET.onnx`."""
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("checkpoints", type=Path, nargs="+", help="more than one: their mean")
    parser.add_argument("target", type=Path)
    chosen = parser.parse_args()
    net = ReaderNet()
    net.load_state_dict(mean_of([torch.load(path, map_location="cpu") for path in chosen.checkpoints]))
    export(net, chosen.target)


if __name__ == "__main__":
    main()
