"""What the network that reads the trunk's turn is taught, and what is asked of it on kept images."""
import math

import numpy as np
import torch
import torch.nn.functional as F

import judge
from cropper import Cropper, answers, at, hitter
from network import BINS, JOINT_CELLS, TRUNK_SIDE, TrunkNetwork, told_turn


class TrunkCropper(Cropper):
    """About the middle of hips and shoulders."""

    def __init__(self, device):
        super().__init__(device, TRUNK_SIDE, judge.TRUNK_STATURES, "trunk")

    def cut(self, images, truth, train):
        """Crops with the four joints (right and left hip, right and left shoulder) in crop pixels, and the turns."""
        joints = truth[:, at("right_hip_x"):at("right_hip_x") + 8].reshape(-1, 4, 2)
        found = joints.mean(1) + self.normal(len(images), 2) * (5.0 if train else 3.0)
        x, joints, _, flip = self.square(images, found, joints, train)
        mirrored = joints[:, [1, 0, 3, 2]]
        turn = truth[:, at("pelvis_c"):at("pelvis_c") + 4].clone()
        turn[:, [1, 3]] *= flip[:, None]
        return x, torch.where(flip[:, None, None] < 0, mirrored, joints), turn


def angles(turn, truth):
    """Errors of the two turns, degrees."""
    out = []
    for i in (0, 2):
        sine = turn[:, i + 1] * truth[:, i] - turn[:, i] * truth[:, i + 1]
        cosine = turn[:, i] * truth[:, i] + turn[:, i + 1] * truth[:, i + 1]
        out.append(torch.rad2deg(torch.atan2(sine, cosine)))
    return torch.stack(out, 1)


class Trunk:
    network = TrunkNetwork

    def __init__(self, device):
        self.cropper = TrunkCropper(device)
        self.bins = (torch.arange(BINS, device=device) + 0.5) * 2 * math.pi / BINS
        self.cells = (torch.arange(JOINT_CELLS, device=device) + 0.5) * TRUNK_SIDE / JOINT_CELLS

    def often(self, truth):
        return torch.ones(len(truth), device=truth.device)

    def share_of_bins(self, turn):
        """A bump of 5 degrees (sd) about each true turn."""
        out = []
        for i in (0, 2):
            off = torch.remainder(torch.atan2(turn[:, i + 1], turn[:, i])[:, None] - self.bins + math.pi, 2 * math.pi) - math.pi
            out.append(torch.softmax(-0.5 * (off / math.radians(5)) ** 2, 1))
        return torch.stack(out, 1)

    def joint_maps(self, joints):
        d2 = (self.cells[None, None, None, :] - joints[..., 0, None, None]) ** 2 + (self.cells[None, None, :, None] - joints[..., 1, None, None]) ** 2
        return torch.softmax((-d2 / (2 * 7.0**2)).flatten(2), 2)

    def losses(self, network, images, truth, train=True):
        x, joints, turn = self.cropper.cut(images, truth, train)
        with torch.autocast(x.device.type, torch.bfloat16, enabled=x.device.type == "cuda"):
            maps, bins, spread = network(x.contiguous(memory_format=torch.channels_last))
        maps, bins, spread = maps.float(), bins.float(), spread.float()
        told = told_turn(bins, spread)
        error, log_spread = angles(told, turn), told[:, 4:6]
        weight = torch.where(hitter(truth), 1.5, 0.6)
        where = -(self.joint_maps(joints) * torch.log_softmax(maps.flatten(2), 2)).sum(2).mean(1)
        which = -(self.share_of_bins(turn) * torch.log_softmax(bins, 2)).sum(2).mean(1)
        # Errors have long tails (front taken for back), so their size counts, not its square.
        likelihood = (error.detach().abs() / log_spread.exp() + log_spread).mean(1)
        near = F.smooth_l1_loss(told[:, :4], turn, beta=0.1, reduction="none").mean(1)
        apart = F.smooth_l1_loss((error[:, 0] - error[:, 1]) / 10, torch.zeros_like(error[:, 0]), reduction="none")
        return (weight * (0.25 * where + which + 0.2 * likelihood + 4 * near + 0.1 * apart)).mean(), told, turn

    def judged(self, network, images, truth):
        """Corrections, of one half of the images, and figures, of the other."""
        told, turn = answers(self, network, images, truth)
        rows = truth.cpu().numpy()
        true = {"turn": turn, "azimuth": rows[:, at("azimuth")], "kind": rows[:, at("kind")].astype(int)}
        half = np.arange(len(turn)) % 2 == 0
        correction = judge.spread_correction(told[half], judge.pick(true, half))
        told = told[~half]
        told[:, 4:6] += correction
        return {"spread": [float(c) for c in correction]}, judge.turns(told, judge.pick(true, ~half))
