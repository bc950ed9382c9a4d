"""Writes the trained network as ONNX: export.py WEIGHTS ../bat.onnx. Checks it against PyTorch and prints its size and time on one core."""
import sys
import time

import numpy as np
import onnx
import onnxruntime
import torch
from torch import nn

from network import SIDE, Network, multiply_adds, unit


class Told(nn.Module):
    """The network with its outputs as README.md states them. `seen` is added to the logits of what is seen, `spread` to the logarithms of the turns' spread (train.py measures both)."""

    def __init__(self, network, seen, spread):
        super().__init__()
        self.network = network
        self.seen = nn.Parameter(torch.tensor([[seen, seen]]))
        self.spread = nn.Parameter(torch.tensor([[0.0, 0, 0, 0, *spread]]))

    def forward(self, x):
        maps, seen, turn = self.network(x)
        return torch.sigmoid(maps), torch.sigmoid(seen + self.seen), unit(turn) + self.spread


def load(path):
    kept = torch.load(path, map_location="cpu")
    network = Network()
    network.load_state_dict({k: v.float() if v.dtype == torch.float16 else v for k, v in kept["network"].items()})
    return network.eval(), kept["seen"], kept["spread"]


def main(weights, out):
    network, seen, spread = load(weights)
    told = Told(network, seen, spread).eval()
    x = torch.rand(1, 5, SIDE, SIDE, generator=torch.Generator().manual_seed(0))
    torch.onnx.export(told, (x,), out, dynamo=False, opset_version=17, input_names=["crop"], output_names=["heat", "seen", "turn"])
    model = onnx.load(out)
    onnx.checker.check_model(model)
    print("operators", sorted({n.op_type for n in model.graph.node}), "multiply-adds", f"{multiply_adds(network) / 1e6:.0f} M", "bytes", model.ByteSize())
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(out, options, providers=["CPUExecutionProvider"])
    got = session.run(None, {"crop": x.numpy()})
    with torch.no_grad():
        print("largest difference", [float(np.abs(a - b.numpy()).max()) for a, b in zip(got, told(x))])
    times = []
    for _ in range(100):
        start = time.perf_counter()
        session.run(None, {"crop": x.numpy()})
        times.append(time.perf_counter() - start)
    print(f"one core: {np.median(times) * 1000:.2f} ms")


if __name__ == "__main__":
    main(*sys.argv[1:])
