"""Crops cut as the program cuts them, and what is common to both networks' training."""
import numpy as np
import torch
import torch.nn.functional as F

from draw import ABOUT, COLUMNS, SIZE

at = COLUMNS.index


class Cropper:
    """Cuts batches as the program does: about a middle as somebody found it, sized by a stature as somebody guessed it."""

    def __init__(self, device, side, statures, about):
        self.device, self.side = device, side
        self.base = SIZE / ABOUT[about].statures * statures / side
        line = torch.arange(side, device=device) + 0.5
        self.y, self.x = torch.meshgrid(line, line, indexing="ij")
        self.numbers = torch.Generator(device).manual_seed(0)

    def uniform(self, *shape):
        return torch.rand(*shape, device=self.device, generator=self.numbers)

    def normal(self, *shape):
        return torch.randn(*shape, device=self.device, generator=self.numbers)

    def square(self, images, middle, points, train):
        """The pictures of crops about `middle`; points in crop pixels, whether they are in the picture, and -1 for crops that are mirrored."""
        n, r, g, side = len(images), self.uniform, self.normal, self.side
        size = self.base * torch.exp(g(n) * (0.08 if train else 0.03))
        angle = g(n) * (0.05 if train else 0.0)
        flip = torch.where(r(n) < 0.5, -1.0, 1.0) if train else torch.ones(n, device=self.device)
        c, s = torch.cos(angle), torch.sin(angle)
        turned = torch.stack([torch.stack([c * flip, -s * flip], 1), torch.stack([s, c], 1)], 1) * size[:, None, None]
        source = (torch.stack([self.x, self.y], -1).reshape(1, -1, 2) - side / 2) @ turned.transpose(1, 2) + middle[:, None]
        # The picture's own edge: what lies beyond repeats it.
        low, high = torch.zeros(n, 2, device=self.device), torch.full((n, 2), float(SIZE), device=self.device)
        if train:
            cut = (r(n, 2) < 0.05) * r(n, 2) * 0.3 * SIZE
            first = r(n, 2) < 0.5
            low, high = torch.where(first, cut, low), torch.where(first, high, high - cut)
        source = torch.minimum(torch.maximum(source, low[:, None] + 0.5), high[:, None] - 0.5)
        x = images.permute(0, 3, 1, 2).float() / 255
        x = F.grid_sample(x, (source / SIZE * 2 - 1).reshape(n, side, side, 2), mode="bilinear", padding_mode="border", align_corners=False)
        if train:
            x = self.spoil(x)
        within = ((points > low[:, None]) & (points < high[:, None])).all(-1)
        points = (points - middle[:, None]) @ torch.linalg.inv(turned).transpose(1, 2) + side / 2
        return x, points, within & ((points > 0) & (points < side)).all(-1), flip

    def spoil(self, x):
        n, r, g, side = len(x), self.uniform, self.normal, self.side
        color, before = x[:, :3] * torch.exp(g(n, 3, 1, 1) * 0.07), x[:, 3:]
        gain, gamma = torch.exp(g(n, 1, 1, 1) * 0.2), torch.exp(g(n, 1, 1, 1) * 0.18)
        color, before = (color * gain).clamp(1e-4, 1) ** gamma, (before * gain).clamp(1e-4, 1) ** gamma
        grey = color.mean(1, keepdim=True)
        color = torch.where(r(n, 1, 1, 1) < 0.08, grey.expand_as(color), color)
        before = torch.where(r(n, 1, 1, 1) < 0.12, grey, before)
        x = torch.cat([color, before], 1)
        x = x + g(*x.shape) * r(n, 1, 1, 1) * 0.03
        middle, size = r(n, 2) * side, r(n, 2) * side * 0.22 * (r(n, 1) < 0.2)
        hidden = ((self.x - middle[:, 0, None, None]).abs() < size[:, 0, None, None] / 2) & ((self.y - middle[:, 1, None, None]).abs() < size[:, 1, None, None] / 2)
        return torch.where(hidden[:, None], r(n, 4, 1, 1), x).clamp(0, 1)


def hitter(truth):
    """Which rows are swings: hitters from stance to finish, with a bat or without."""
    return (truth[:, at("kind")] == 0) | (truth[:, at("kind")] == 2)


@torch.no_grad()
def answers(task, network, images, truth):
    """What a network says of crops cut as the program cuts them, and what is true of them: what the task's `losses` gives after the loss, as arrays."""
    network.eval()
    task.cropper.numbers.manual_seed(1)
    parts = [[t.float().cpu().numpy() for t in task.losses(network, images[i:i + 512], truth[i:i + 512], train=False)[1:]] for i in range(0, len(images), 512)]
    return [np.concatenate(p) for p in zip(*parts)]
