"""Trains a network on drawn crops: train.py FOLDER WEIGHTS --about hands|trunk --seconds S [--from WEIGHTS] [--rate R] [--batch N] [--seed N]

FOLDER is what draw.py wrote, both splits. A graphics card is used where there is one. WEIGHTS get the mean of the weights over the last steps (half precision) and
corrections of what the network says of itself, which are measured on half of the kept images; the figures printed are of the other half.
On several cards: torchrun --nproc-per-node CARDS train.py ...; each card holds its share of the images, a batch is N a card.
"""
import argparse
import copy
import glob
import json
import math
import os
import time

import numpy as np
import torch
import torch.distributed as dist

from draw import SIZE
from hands import Hands
from trunk import Trunk

ABOUT = {"hands": Hands, "trunk": Trunk}
RANK, CARDS = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))


def load(folder, split, device, most, share=slice(None)):
    files = sorted(f for f in glob.glob(f"{folder}/{split}_*.npy") if not f.endswith((".truth.npy", ".part.npy")))[share]
    truths = [np.load(f[:-4] + ".truth.npy") for f in files]
    count = min(sum(map(len, truths)), most)
    images = torch.empty((count, SIZE, SIZE, 4), dtype=torch.uint8, device=device)
    done = 0
    for f in files:
        part = torch.from_numpy(np.load(f))[: count - done]
        images[done:done + len(part)] = part.to(device)
        done += len(part)
    return images, torch.from_numpy(np.concatenate(truths)[:count]).to(device)


def together(seconds):
    """The first card's clock, so that all stop after the same step."""
    if CARDS > 1:
        dist.broadcast(seconds, 0)
    return float(seconds)


def average(gradients):
    if CARDS > 1:
        flat = torch.cat([g.flatten() for g in gradients])
        dist.all_reduce(flat)
        for g, part in zip(gradients, flat.split([g.numel() for g in gradients])):
            g.copy_(part.view_as(g) / CARDS)


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("folder")
    p.add_argument("weights")
    p.add_argument("--about", required=True, choices=list(ABOUT))
    p.add_argument("--seconds", type=float, required=True)
    p.add_argument("--from", dest="start")
    p.add_argument("--rate", type=float, default=3e-3)
    p.add_argument("--batch", type=int, default=512)
    p.add_argument("--seed", type=int, default=0)
    p.add_argument("--most", type=int, default=400_000)
    a = p.parse_args()
    device = f"cuda:{RANK}" if torch.cuda.is_available() else "cpu"
    if CARDS > 1:
        dist.init_process_group("cpu:gloo,cuda:nccl" if torch.cuda.is_available() else "gloo")
        if torch.cuda.is_available():
            torch.cuda.set_device(RANK)
    torch.backends.cudnn.benchmark, torch.backends.cudnn.benchmark_limit = True, 3
    torch.set_float32_matmul_precision("high")
    torch.manual_seed(a.seed)
    begun = time.time()
    images, truth = load(a.folder, "train", device, a.most // CARDS, slice(RANK, None, CARDS))
    print(f"{len(images)} images to train on, {time.time() - begun:.0f} s to load", flush=True)
    task = ABOUT[a.about](device)
    network = task.network().to(device).to(memory_format=torch.channels_last)
    if a.start:
        start, shapes = torch.load(a.start, map_location=device)["network"], {k: v.shape for k, v in network.state_dict().items()}
        fits = {k: v.float() if v.dtype == torch.float16 else v for k, v in start.items() if shapes.get(k) == v.shape}
        print("begins with", len(fits), "of", len(shapes), "weights; not", sorted(set(shapes) - set(fits)))
        network.load_state_dict(fits, strict=False)
    mean = copy.deepcopy(network)
    torch.manual_seed(a.seed + RANK)
    task.cropper.numbers.manual_seed(a.seed + RANK)
    decay = [v for k, v in network.named_parameters() if v.ndim > 1]
    rest = [v for k, v in network.named_parameters() if v.ndim <= 1]
    optimizer = torch.optim.AdamW([{"params": decay, "weight_decay": 0.02}, {"params": rest, "weight_decay": 0.0}], lr=a.rate)
    pairs = [(m, v) for m, v in zip(mean.state_dict().values(), network.state_dict().values())]
    floats = [(m, v) for m, v in pairs if m.dtype.is_floating_point]
    often = task.often(truth)
    start, step, shown = time.time(), 0, time.time()
    while (gone := together(torch.tensor((time.time() - start) / a.seconds))) < 1:
        rate = a.rate * min(1, step / 200 + 0.02) * 0.5 * (1 + math.cos(math.pi * gone)) + 1e-6
        for group in optimizer.param_groups:
            group["lr"] = rate
        chosen = torch.multinomial(often, a.batch, replacement=True)
        loss = task.losses(network, images[chosen], truth[chosen])[0]
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        average([v.grad for v in network.parameters()])
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimizer.step()
        step += 1
        with torch.no_grad():
            torch._foreach_lerp_([m for m, _ in floats], [v for _, v in floats], 1 - min(0.998, step / (step + 40)))
        if time.time() - shown > 30 and RANK == 0:
            shown = time.time()
            if not math.isfinite(float(loss)):
                raise SystemExit("the loss is no number")
            print(f"{shown - start:.0f} s, step {step}, loss {float(loss):.3f}", flush=True)
    if RANK > 0:
        return
    corrections, figures = task.judged(mean, *load(a.folder, "kept", device, 20_000))
    print(f"{step} steps of {a.batch}; corrections {corrections}")
    for name, value in figures.items():
        print(" ", name, json.dumps(value))
    torch.save({"network": {k: v.half() if v.dtype.is_floating_point else v for k, v in mean.state_dict().items()}, **corrections}, a.weights)


if __name__ == "__main__":
    main()
