"""Trains the network on drawn crops: train.py FOLDER WEIGHTS --seconds S [--from WEIGHTS] [--rate R] [--batch N] [--seed N]

FOLDER is what draw.py wrote, both splits. A graphics card is used where there is one. WEIGHTS get the mean of the weights over the last steps (half precision) and
the corrections of what is seen and of the turns' spread, which are measured on half of the kept images; the figures printed are of the other half.
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
import torch.nn.functional as F

import judge
from draw import COLUMNS, SIZE, STATURES
from network import CELLS, SIDE, Network, unit

WRIST = 6.0
CROP_STATURES = 1.35
at = COLUMNS.index


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


class Cropper:
    """Cuts batches as the program does: about the wrists as somebody found them, sized by a stature as somebody guessed it."""

    def __init__(self, device):
        self.device = device
        line = torch.arange(SIDE, device=device) + 0.5
        self.y, self.x = torch.meshgrid(line, line, indexing="ij")
        cell = (torch.arange(CELLS, device=device) + 0.5) * SIDE / CELLS
        self.cell_y, self.cell_x = torch.meshgrid(cell, cell, indexing="ij")
        self.numbers = torch.Generator(device).manual_seed(0)

    def uniform(self, *shape):
        return torch.rand(*shape, device=self.device, generator=self.numbers)

    def normal(self, *shape):
        return torch.randn(*shape, device=self.device, generator=self.numbers)

    def cut(self, images, truth, train):
        """Crops with their six points (grip, tip, wrists, knob) in crop pixels, whether points are in the picture, and the turns."""
        n, r, g = len(images), self.uniform, self.normal
        points = torch.stack([truth[:, i:i + 2] for i in (0, 2, 4, 6, at("knob_x"))], 1)
        found = points[:, 2:4] + g(n, 2, 2) * (2.2 if train else 1.6)
        if train:
            found = found + (r(n, 2, 1) < 0.08) * g(n, 2, 2) * 9
        base = SIZE / STATURES * CROP_STATURES / SIDE
        size = base * torch.exp(g(n) * (0.08 if train else 0.03))
        angle = g(n) * (0.05 if train else 0.0)
        flip = torch.where(r(n) < 0.5, -1.0, 1.0) if train else torch.ones(n, device=self.device)
        c, s = torch.cos(angle), torch.sin(angle)
        turned = torch.stack([torch.stack([c * flip, -s * flip], 1), torch.stack([s, c], 1)], 1) * size[:, None, None]
        middle = found.mean(1)
        source = (torch.stack([self.x, self.y], -1).reshape(1, -1, 2) - SIDE / 2) @ turned.transpose(1, 2) + middle[:, None]
        # The picture's own edge: what lies beyond repeats it.
        low, high = torch.zeros(n, 2, device=self.device), torch.full((n, 2), float(SIZE), device=self.device)
        if train:
            cut = (r(n, 2) < 0.05) * r(n, 2) * 0.3 * SIZE
            first = r(n, 2) < 0.5
            low, high = torch.where(first, cut, low), torch.where(first, high, high - cut)
        source = torch.minimum(torch.maximum(source, low[:, None] + 0.5), high[:, None] - 0.5)
        x = images.permute(0, 3, 1, 2).float() / 255
        x = F.grid_sample(x, (source / SIZE * 2 - 1).reshape(n, SIDE, SIDE, 2), mode="bilinear", padding_mode="border", align_corners=False)
        back = torch.linalg.inv(turned)
        to_crop = lambda p: (p - middle[:, None]) @ back.transpose(1, 2) + SIDE / 2
        within = ((points > low[:, None]) & (points < high[:, None])).all(-1)
        points, found = to_crop(points), to_crop(found)
        within &= ((points > 0) & (points < SIDE)).all(-1)
        turn = truth[:, at("pelvis_c"):at("pelvis_c") + 4].clone()
        turn[:, [1, 3]] *= flip[:, None]
        if train:
            x = self.spoil(x)
        return torch.cat([x, self.wrists(found, train)], 1), points, within, turn

    def wrists(self, found, train):
        d = (self.x - found[..., 0, None, None]) ** 2 + (self.y - found[..., 1, None, None]) ** 2
        there = (self.uniform(*found.shape[:2]) > 0.06)[..., None, None] if train else 1.0
        return (torch.exp(-d / (2 * WRIST**2)) * there).amax(1, keepdim=True)

    def spoil(self, x):
        n, r, g = len(x), self.uniform, self.normal
        color, before = x[:, :3] * torch.exp(g(n, 3, 1, 1) * 0.07), x[:, 3:]
        gain, gamma = torch.exp(g(n, 1, 1, 1) * 0.2), torch.exp(g(n, 1, 1, 1) * 0.18)
        color, before = (color * gain).clamp(1e-4, 1) ** gamma, (before * gain).clamp(1e-4, 1) ** gamma
        grey = color.mean(1, keepdim=True)
        color = torch.where(r(n, 1, 1, 1) < 0.08, grey.expand_as(color), color)
        before = torch.where(r(n, 1, 1, 1) < 0.12, grey, before)
        x = torch.cat([color, before], 1)
        x = x + g(*x.shape) * r(n, 1, 1, 1) * 0.03
        middle, size = r(n, 2) * SIDE, r(n, 2) * SIDE * 0.22 * (r(n, 1) < 0.2)
        hidden = ((self.x - middle[:, 0, None, None]).abs() < size[:, 0, None, None] / 2) & ((self.y - middle[:, 1, None, None]).abs() < size[:, 1, None, None] / 2)
        return torch.where(hidden[:, None], r(n, 4, 1, 1), x).clamp(0, 1)

    def maps(self, points, there, in_view):
        """What the maps should be: a bump at grip and tip, a ridge along the bat."""
        d2 = lambda p: (self.cell_x - p[:, 0, None, None]) ** 2 + (self.cell_y - p[:, 1, None, None]) ** 2
        bump = lambda p, sigma: torch.exp(-d2(p) / (2 * sigma**2))
        a, way = points[:, 0], points[:, 1] - points[:, 0]
        q = torch.stack([self.cell_x, self.cell_y], -1) - a[:, None, None]
        along = ((q * way[:, None, None]).sum(-1) / (way * way).sum(-1).clamp_min(1e-3)[:, None, None]).clamp(0, 1)
        ridge = torch.exp(-(q - along[..., None] * way[:, None, None]).square().sum(-1) / (2 * 3.6**2))
        there = there[:, None, None]
        return torch.stack([bump(a, 5.2) * there * in_view[:, 0, None, None], bump(points[:, 1], 5.2) * there * in_view[:, 1, None, None], ridge * there], 1)


def angles(turn, truth):
    """Errors of the two turns, degrees."""
    out = []
    for i in (0, 2):
        sine = turn[:, i + 1] * truth[:, i] - turn[:, i] * truth[:, i + 1]
        cosine = turn[:, i] * truth[:, i] + turn[:, i + 1] * truth[:, i + 1]
        out.append(torch.rad2deg(torch.atan2(sine, cosine)))
    return torch.stack(out, 1)


def losses(network, cropper, images, truth, train=True):
    x, points, within, turn = cropper.cut(images, truth, train)
    with torch.autocast(x.device.type, torch.bfloat16, enabled=x.device.type == "cuda"):
        maps, seen, told = network(x.contiguous(memory_format=torch.channels_last))
    maps, seen, told = maps.float(), seen.float(), told.float()
    bat, tip_shown = truth[:, at("bat_shown")], truth[:, at("tip_shown")]
    has = (truth[:, at("has_bat")] > 0).float()
    target = cropper.maps(points, has, within.float())
    weight = torch.ones_like(target)
    # A tip or a bat that the body hides is asked for softly.
    weight[(has > 0) & (tip_shown < 0.15), 1] = 0.12
    weight[(has > 0) & (bat < 0.1)] *= 0.2
    p = torch.sigmoid(maps)
    cells = weight * F.binary_cross_entropy_with_logits(maps, target, reduction="none") * ((p - target).abs() ** 1.5 + 0.02)
    map_loss = (cells.sum((2, 3)) * torch.tensor([0.7, 1.0, 0.35], device=x.device)).sum(1).mean()
    wanted = torch.stack([has * (bat > 0.12), has * (tip_shown > 0.3) * within[:, 1]], 1)
    unclear = torch.stack([(has > 0) & (bat > 0.02) & (bat < 0.2), (has > 0) & within[:, 1] & (tip_shown > 0.08) & (tip_shown < 0.5)], 1)
    seen_loss = (F.binary_cross_entropy_with_logits(seen, wanted, reduction="none") * ~unclear).mean()
    told = unit(told)
    error, spread = angles(told, turn), told[:, 4:6]
    # Hitters count most: any other posture is asked for so that a turn is not read off the posture alone. Errors have long tails (front taken for back), so their size counts, not its square.
    hitter = torch.where((truth[:, at("kind")] == 0) | (truth[:, at("kind")] == 2), 1.5, 0.6)[:, None]
    likelihood = (hitter * (error.abs() / spread.exp() + spread)).mean()
    apart = F.smooth_l1_loss((error[:, 0] - error[:, 1]) / 10, torch.zeros_like(error[:, 0]), reduction="none")
    near = (hitter * F.smooth_l1_loss(told[:, :4], turn, beta=0.2, reduction="none")).mean()
    return 0.25 * map_loss + 1.5 * seen_loss + 0.3 * likelihood + 2 * near + 0.15 * (apart * hitter[:, 0]).mean(), maps, seen, told, points, within, turn


@torch.no_grad()
def answers(network, cropper, images, truth):
    """What the network says of crops cut as the program cuts them, and what is true, as arrays for judge.py."""
    network.eval()
    cropper.numbers.manual_seed(1)
    parts = []
    for i in range(0, len(images), 512):
        _, maps, seen, told, points, within, turn = losses(network, cropper, images[i:i + 512], truth[i:i + 512], train=False)
        parts.append([t.float().cpu().numpy() for t in (torch.sigmoid(maps), torch.sigmoid(seen), told, points, within, turn)])
    network.train()
    heat, seen, told, points, within, turn = (np.concatenate(p) for p in zip(*parts))
    return judge.Answers(heat, seen, told), judge.drawn_truth(truth.cpu().numpy(), points, within, turn)


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
    network = Network().to(device).to(memory_format=torch.channels_last)
    if a.start:
        start, shapes = torch.load(a.start, map_location=device)["network"], {k: v.shape for k, v in network.state_dict().items()}
        fits = {k: v.float() if v.dtype == torch.float16 else v for k, v in start.items() if shapes.get(k) == v.shape}
        print("begins with", len(fits), "of", len(shapes), "weights; not", sorted(set(shapes) - set(fits)))
        network.load_state_dict(fits, strict=False)
    cropper, mean = Cropper(device), copy.deepcopy(network)
    torch.manual_seed(a.seed + RANK)
    cropper.numbers.manual_seed(a.seed + RANK)
    decay = [v for k, v in network.named_parameters() if v.ndim > 1]
    rest = [v for k, v in network.named_parameters() if v.ndim <= 1]
    optimizer = torch.optim.AdamW([{"params": decay, "weight_decay": 0.02}, {"params": rest, "weight_decay": 0.0}], lr=a.rate)
    pairs = [(m, v) for m, v in zip(mean.state_dict().values(), network.state_dict().values())]
    floats = [(m, v) for m, v in pairs if m.dtype.is_floating_point]
    # What is hard is drawn more often: smear, and hands that look as if they held a bat.
    smear, kind = truth[:, at("sweep_px")] / truth[:, at("bat_px")], truth[:, at("kind")]
    often = 1 + 0.8 * (smear > 0.3) + 0.5 * ((kind == 2) | (kind == 4))
    start, step, shown = time.time(), 0, time.time()
    while (gone := together(torch.tensor((time.time() - start) / a.seconds))) < 1:
        rate = a.rate * min(1, step / 200 + 0.02) * 0.5 * (1 + math.cos(math.pi * gone)) + 1e-6
        for group in optimizer.param_groups:
            group["lr"] = rate
        chosen = torch.multinomial(often, a.batch, replacement=True)
        loss = losses(network, cropper, images[chosen], truth[chosen])[0]
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
    said, true = answers(mean, cropper, *load(a.folder, "kept", device, 20_000))
    half = np.arange(len(true["has"])) % 2 == 0
    spread = judge.spread_correction(said.of(half), judge.pick(true, half))
    seen = judge.seen_correction(said.of(half), judge.pick(true, half))
    said = said.of(~half)
    said.turn[:, 4:6] += spread
    said.seen[:, :] = 1 / (1 + (1 / said.seen - 1) * np.exp(-seen))
    figures = judge.figures(said, judge.pick(true, ~half))
    print(f"{step} steps of {a.batch}; spread corrected by {np.round(spread, 3)}, seen by {seen:.3f}")
    for name, value in figures.items():
        print(" ", name, json.dumps(value))
    torch.save({"network": {k: v.half() if v.dtype.is_floating_point else v for k, v in mean.state_dict().items()}, "spread": [float(s) for s in spread], "seen": seen}, a.weights)


if __name__ == "__main__":
    main()
