"""The network: a crop about the hitter's hands to where the bat is, whether one is seen, and how pelvis and shoulder line are turned.

Input 1x5x192x192 (README.md). `forward` gives logits of the maps (stride 4), logits of what is seen, and the turns as unit vectors with the logarithm of their spread.
"""
import math

import torch
from torch import nn

SIDE, CELLS = 192, 48
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


class Network(nn.Module):
    def __init__(self, widths=(16, 24, 48, 96, 144), decoder=32):
        super().__init__()
        w = widths
        self.stem = conv(5, w[0], 3, 2)
        self.quarter = nn.Sequential(conv(w[0], w[1], 3, 2), Block(w[1], w[1], 3))
        self.eighth = nn.Sequential(Block(w[1], w[2], 4, stride=2), *[Block(w[2], w[2], 3) for _ in range(2)])
        self.sixteenth = nn.Sequential(Block(w[2], w[3], 4, stride=2), *[Block(w[3], w[3], 3, 5) for _ in range(3)])
        self.deep = nn.Sequential(Block(w[3], w[4], 4, stride=2), *[Block(w[4], w[4], 3, 5) for _ in range(2)])
        self.sides = nn.ModuleList([conv(n, decoder, act=False) for n in w[1:]])
        self.mix = nn.ModuleList([Block(decoder, decoder, 2, 5) for _ in range(3)])
        self.maps = nn.Conv2d(decoder, 3, 1)
        nn.init.constant_(self.maps.bias, -4.0)
        self.up, self.relu = nn.Upsample(scale_factor=2, mode="nearest"), nn.ReLU()
        self.mean, self.peak = nn.AvgPool2d(SIDE // 32), nn.MaxPool2d(CELLS)
        # Where in the crop a limb is says how a trunk is turned: the deep maps are read place by place.
        self.places = conv(w[4], 24)
        self.finer = conv(w[3], 12)
        self.turn = nn.Sequential(nn.Linear(24 * (SIDE // 32) ** 2 + 12 * (SIDE // 16) ** 2 + w[4], 128), nn.ReLU(), nn.Linear(128, 6))
        self.seen = nn.Sequential(nn.Linear(w[4] + decoder + 3, 48), nn.ReLU(), nn.Linear(48, 2))

    def forward(self, x):
        quarter = self.quarter(self.stem(x * 4 - 2))
        eighth = self.eighth(quarter)
        sixteenth = self.sixteenth(eighth)
        deep = self.deep(sixteenth)
        y = self.sides[3](deep)
        for side, mix, level in zip((self.sides[2], self.sides[1], self.sides[0]), self.mix, (sixteenth, eighth, quarter)):
            y = mix(self.relu(self.up(y) + side(level)))
        maps = self.maps(y)
        mean = self.mean(deep).flatten(1)
        # What the maps' peaks say tells bats from none better than the picture as a whole; it does not train the maps.
        seen = self.seen(torch.cat([mean, self.peak(y).flatten(1), self.peak(maps).flatten(1).detach() * 0.25], 1))
        turn = self.turn(torch.cat([self.places(deep).flatten(1), self.finer(sixteenth).flatten(1), mean], 1))
        return maps, seen, turn


def unit(turn):
    """Turns as they are told: each pair at length 1, logarithms of the spread within their bounds."""
    out = []
    for i in (0, 2):
        c, s = turn[:, i:i + 1], turn[:, i + 1:i + 2]
        size = (c * c + s * s + 1e-6).sqrt()
        out += [c / size, s / size]
    return torch.cat([*out, torch.sigmoid(turn[:, 4:6]) * math.log(FARTHEST)], 1)


def multiply_adds(network):
    total = [0]

    def count(module, _, output):
        total[0] += output.numel() * module.in_channels // module.groups * module.kernel_size[0] ** 2

    hooks = [m.register_forward_hook(count) for m in network.modules() if isinstance(m, nn.Conv2d)]
    network.eval()(torch.zeros(1, 5, SIDE, SIDE))
    for h in hooks:
        h.remove()
    return total[0]
