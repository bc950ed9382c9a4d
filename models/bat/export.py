"""Writes a trained network as ONNX: export.py hands|trunk WEIGHTS OUT. Checks it against PyTorch and prints its size and time on one core."""
import sys
import time

import numpy as np
import onnx
import onnxruntime
import torch
from torch import nn

from network import SIDE, TRUNK_SIDE, BatNetwork, TrunkNetwork, multiply_adds, told_turn


class ToldBat(nn.Module):
    """The network with its outputs as README.md states them. `seen` is added to the logits of what is seen (hands.py measures it)."""

    inputs, outputs = (1, 5, SIDE, SIDE), ["heat", "seen"]

    def __init__(self, kept):
        super().__init__()
        self.network = BatNetwork()
        self.seen = nn.Parameter(torch.tensor([[kept["seen"], kept["seen"]]]))

    def forward(self, x):
        maps, seen = self.network(x)
        return torch.sigmoid(maps), torch.sigmoid(seen + self.seen)


class ToldTurn(nn.Module):
    """Likewise; `spread` is added to the logarithms of the turns' spread (trunk.py)."""

    inputs, outputs = (1, 4, TRUNK_SIDE, TRUNK_SIDE), ["turn"]

    def __init__(self, kept):
        super().__init__()
        self.network = TrunkNetwork()
        self.spread = nn.Parameter(torch.tensor([[0.0, 0, 0, 0, *kept["spread"]]]))

    def forward(self, x):
        _, bins, spread = self.network(x)
        return told_turn(bins, spread) + self.spread


def in_half(model):
    """Stores the large weights in 16 bits, which halves the file; the first thing that a reader does is to widen them."""
    casts = []
    for tensor in model.graph.initializer:
        weights = onnx.numpy_helper.to_array(tensor)
        if weights.dtype == np.float32 and weights.size > 256:
            name = tensor.name
            tensor.CopyFrom(onnx.numpy_helper.from_array(weights.astype(np.float16), name + ".half"))
            casts.append(onnx.helper.make_node("Cast", [name + ".half"], [name], to=onnx.TensorProto.FLOAT))
    nodes = list(model.graph.node)
    del model.graph.node[:]
    model.graph.node.extend(casts + nodes)
    return model


def main(about, weights, out):
    kept = torch.load(weights, map_location="cpu")
    told = {"hands": ToldBat, "trunk": ToldTurn}[about](kept).eval()
    told.network.load_state_dict({k: v.float() if v.dtype == torch.float16 else v for k, v in kept["network"].items()})
    x = torch.rand(told.inputs, generator=torch.Generator().manual_seed(0))
    torch.onnx.export(told, (x,), out, dynamo=False, opset_version=17, input_names=["crop"], output_names=told.outputs)
    model = in_half(onnx.load(out))
    onnx.checker.check_model(model)
    onnx.save(model, out)
    print("operators", sorted({n.op_type for n in model.graph.node}), "multiply-adds", f"{multiply_adds(told.network, x) / 1e6:.0f} M", "bytes", model.ByteSize())
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(out, options, providers=["CPUExecutionProvider"])
    got = session.run(None, {"crop": x.numpy()})
    with torch.no_grad():
        want = told(x)
    print("largest difference", [float(np.abs(a - b.numpy()).max()) for a, b in zip(got, want if isinstance(want, tuple) else (want,))])
    times = []
    for _ in range(100):
        start = time.perf_counter()
        session.run(None, {"crop": x.numpy()})
        times.append(time.perf_counter() - start)
    print(f"one core: {np.median(times) * 1000:.2f} ms")


if __name__ == "__main__":
    main(*sys.argv[1:])
