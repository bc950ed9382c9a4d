"""What the network that reads the bat is taught, and what is asked of it on kept images."""
import numpy as np
import torch
import torch.nn.functional as F
from scipy.special import expit

import judge
from cropper import Cropper, answers, at
from network import CELLS, SIDE, BatNetwork

WRIST = judge.WRIST


class HandsCropper(Cropper):
    """About the wrists."""

    def __init__(self, device):
        super().__init__(device, SIDE, judge.STATURES, "hands")
        cell = (torch.arange(CELLS, device=device) + 0.5) * SIDE / CELLS
        self.cell_y, self.cell_x = torch.meshgrid(cell, cell, indexing="ij")

    def cut(self, images, truth, train):
        """Crops with their five points (grip, tip, wrists, knob) in crop pixels, and whether points are in the picture."""
        n, r, g = len(images), self.uniform, self.normal
        points = torch.stack([truth[:, i:i + 2] for i in (0, 2, 4, 6, at("knob_x"))], 1)
        found = points[:, 2:4] + g(n, 2, 2) * (2.2 if train else 1.6)
        if train:
            found = found + (r(n, 2, 1) < 0.08) * g(n, 2, 2) * 9
        x, moved, within, _ = self.square(images, found.mean(1), torch.cat([points, found], 1), train)
        return torch.cat([x, self.wrists(moved[:, 5:], train)], 1), moved[:, :5], within[:, :5]

    def wrists(self, found, train):
        d = (self.x - found[..., 0, None, None]) ** 2 + (self.y - found[..., 1, None, None]) ** 2
        there = (self.uniform(*found.shape[:2]) > 0.06)[..., None, None] if train else 1.0
        return (torch.exp(-d / (2 * WRIST**2)) * there).amax(1, keepdim=True)

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


class Hands:
    network = BatNetwork

    def __init__(self, device):
        self.cropper = HandsCropper(device)

    def often(self, truth):
        """What is hard is drawn more often: smear, and hands that look as if they held a bat."""
        smear, kind = truth[:, at("sweep_px")] / truth[:, at("bat_px")], truth[:, at("kind")]
        return 1 + 0.8 * (smear > 0.3) + 0.5 * ((kind == 2) | (kind == 4))

    def losses(self, network, images, truth, train=True):
        x, points, within = self.cropper.cut(images, truth, train)
        with torch.autocast(x.device.type, torch.bfloat16, enabled=x.device.type == "cuda"):
            maps, seen = network(x.contiguous(memory_format=torch.channels_last))
        maps, seen = maps.float(), seen.float()
        bat, tip_shown = truth[:, at("bat_shown")], truth[:, at("tip_shown")]
        has = (truth[:, at("has_bat")] > 0).float()
        target = self.cropper.maps(points, has, within.float())
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
        return 0.25 * map_loss + 1.5 * seen_loss, maps, seen, points, within

    def judged(self, network, images, truth):
        """Corrections, of one half of the images, and figures, of the other."""
        maps, seen, points, within = answers(self, network, images, truth)
        said, true = judge.Answers(expit(maps), expit(seen)), judge.drawn_truth(truth.cpu().numpy(), points, within)
        half = np.arange(len(true["has"])) % 2 == 0
        correction = judge.seen_correction(said.of(half), judge.pick(true, half))
        said = said.of(~half)
        said.seen[:, :] = 1 / (1 + (1 / said.seen - 1) * np.exp(-correction))
        return {"seen": correction}, judge.figures(said, judge.pick(true, ~half))
