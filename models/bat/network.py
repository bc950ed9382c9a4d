"""The networks: a crop about the hitter's hands to where the bat is and whether one is seen, and a crop about the trunk to how pelvis and shoulder line are turned.

Inputs 1x5x192x192 and 1x4x160x160 (README.md).
"""
import math

import torch
from torch import nn

SIDE, CELLS = 192, 48
TRUNK_SIDE, JOINT_CELLS, BINS = 160, 20, 72
# A spread is told from 1 degree to this many.
FARTHEST = 100.0


def conv(inputs, outputs, kernel=1, stride=1, groups=1, act=True):
    layers = [nn.Conv2d(inputs, outputs, kernel, stride, kernel // 2, groups=groups, bias=False), nn.BatchNorm2d(outputs)]
    return nn.Sequential(*layers, *([nn.ReLU(inplace=True)] if act else []))


class Block(nn.Module):
    """Widen, look about in each channel by itself, narrow; added to what came in where the shapes agree."""

    def __init__(self, inputs, outputs, widen, kernel=3, stride=1):
        super().__init__()
        wide = inputs * widen
        self.adds = stride == 1 and inputs == outputs
        self.path = nn.Sequential(conv(inputs, wide), conv(wide, wide, kernel, stride, wide), conv(wide, outputs, act=False))

    def forward(self, x):
        return x + self.path(x) if self.adds else self.path(x)


class Backbone(nn.Module):
    """From the crop to maps of a quarter of its side to a thirty-second."""

    def __init__(self, inputs, w):
        super().__init__()
        self.stem = conv(inputs, w[0], 3, 2)
        self.quarter = nn.Sequential(conv(w[0], w[1], 3, 2), Block(w[1], w[1], 3))
        self.eighth = nn.Sequential(Block(w[1], w[2], 4, stride=2), *[Block(w[2], w[2], 3) for _ in range(2)])
        self.sixteenth = nn.Sequential(Block(w[2], w[3], 4, stride=2), *[Block(w[3], w[3], 3, 5) for _ in range(3)])
        self.deep = nn.Sequential(Block(w[3], w[4], 4, stride=2), *[Block(w[4], w[4], 3, 5) for _ in range(2)])

    def levels(self, x):
        quarter = self.quarter(self.stem(x * 4 - 2))
        eighth = self.eighth(quarter)
        sixteenth = self.sixteenth(eighth)
        return quarter, eighth, sixteenth, self.deep(sixteenth)


class BatNetwork(Backbone):
    """Gives logits of the maps (stride 4) and of what is seen."""

    def __init__(self, widths=(16, 24, 48, 96, 144), decoder=32):
        super().__init__(5, widths)
        w = widths
        self.sides = nn.ModuleList([conv(n, decoder, act=False) for n in w[1:]])
        self.mix = nn.ModuleList([Block(decoder, decoder, 2, 5) for _ in range(3)])
        self.maps = nn.Conv2d(decoder, 3, 1)
        nn.init.constant_(self.maps.bias, -4.0)
        self.up, self.relu = nn.Upsample(scale_factor=2, mode="nearest"), nn.ReLU()
        self.mean, self.peak = nn.AvgPool2d(SIDE // 32), nn.MaxPool2d(CELLS)
        self.seen = nn.Sequential(nn.Linear(w[4] + decoder + 3, 48), nn.ReLU(), nn.Linear(48, 2))

    def forward(self, x):
        quarter, eighth, sixteenth, deep = self.levels(x)
        y = self.sides[3](deep)
        for side, mix, level in zip((self.sides[2], self.sides[1], self.sides[0]), self.mix, (sixteenth, eighth, quarter)):
            y = mix(self.relu(self.up(y) + side(level)))
        maps = self.maps(y)
        mean = self.mean(deep).flatten(1)
        # What the maps' peaks say tells bats from none better than the picture as a whole; it does not train the maps.
        seen = self.seen(torch.cat([mean, self.peak(y).flatten(1), self.peak(maps).flatten(1).detach() * 0.25], 1))
        return maps, seen

class TrunkNetwork(Backbone):
    """Gives logits of the four joints' cells, of each line's bins of turn, and what the spreads are made of."""

    def __init__(self, widths=(16, 24, 48, 96, 144), decoder=32):
        super().__init__(4, widths)
        w = widths
        self.sides = nn.ModuleList([conv(n, decoder, act=False) for n in w[2:]])
        self.mix = nn.ModuleList([Block(decoder, decoder, 2, 5) for _ in range(2)])
        self.joints = nn.Conv2d(decoder, 4, 1)
        self.up, self.relu, self.mean = nn.Upsample(scale_factor=2, mode="nearest"), nn.ReLU(), nn.AvgPool2d(TRUNK_SIDE // 32)
        # Where in the crop a limb is says how a trunk is turned: the maps are read place by place.
        self.places, self.finer = conv(w[4], 32), conv(w[3], 12)
        places = 32 * (TRUNK_SIDE // 32) ** 2 + 12 * (TRUNK_SIDE // 16) ** 2
        self.read = nn.Sequential(nn.Linear(places + w[4] + 8, 160), nn.ReLU())
        self.turn = nn.Linear(160, 2 * BINS + 2)
        cell = (torch.arange(JOINT_CELLS) + 0.5) / JOINT_CELLS * 2 - 1
        y, x = torch.meshgrid(cell, cell, indexing="ij")
        self.register_buffer("cells", torch.stack([x.flatten(), y.flatten()], 1) * 3, persistent=False)

    def forward(self, x):
        _, eighth, sixteenth, deep = self.levels(x)
        y = self.sides[2](deep)
        for side, mix, level in zip((self.sides[1], self.sides[0]), self.mix, (sixteenth, eighth)):
            y = mix(self.relu(self.up(y) + side(level)))
        joints = self.joints(y)
        # No matrix product: half precision would round the places to a third of a pixel.
        at = (torch.softmax(joints.float().flatten(2), 2)[..., None] * self.cells).sum(2).flatten(1)
        read = self.read(torch.cat([self.places(deep).flatten(1), self.finer(sixteenth).flatten(1), self.mean(deep).flatten(1), at], 1))
        turn = self.turn(read)
        return joints, torch.stack([turn[:, :BINS], turn[:, BINS:2 * BINS]], 1), turn[:, 2 * BINS:]


def told_turn(bins, spread):
    """Turns as they are told: the mean direction of each line's bins at length 1, then the logarithms of the spreads within their bounds."""
    angle = (torch.arange(BINS, device=bins.device) + 0.5) * 2 * math.pi / BINS
    mean = torch.matmul(torch.softmax(bins, 2), torch.stack([torch.cos(angle), torch.sin(angle)], 1))
    size = (mean * mean).sum(2, keepdim=True).add(1e-9).sqrt()
    return torch.cat([(mean / size).flatten(1), torch.sigmoid(spread) * math.log(FARTHEST)], 1)


def multiply_adds(network, x):
    total = [0]

    def count(module, _, output):
        total[0] += output.numel() * module.in_channels // module.groups * module.kernel_size[0] ** 2

    hooks = [m.register_forward_hook(count) for m in network.modules() if isinstance(m, nn.Conv2d)]
    network.eval()(x)
    for h in hooks:
        h.remove()
    return total[0]
