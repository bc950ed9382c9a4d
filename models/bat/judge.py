"""Judges a network on crops and frames that it has not learned from.

    judge.py drawn MODEL FOLDER          crops of draw.py --split kept: bodies and seeds that training never drew
    judge.py frames MODEL FOLDER LABELS  real frames FOLDER/NNNNNN.png (numbers from 1) against labels by eye
    judge.py captured MODEL              the captured swing of tests/data/mocap on kept bodies, dressed anew
    judge.py clips MODEL FOLDER          rendered clips NAME.mp4 with NAME.bat.json and NAME.joints.json

Smear: how far the tip moves in an exposure against the bat's length: still below 0.15, smeared below 0.5, heavy above.
"""
import argparse
import dataclasses
import glob
import json
import os
import sys

import numpy as np

SIDE, CELLS, WRIST, STATURES = 192, 48, 6.0, 1.35
SEEN = 0.5


@dataclasses.dataclass
class Answers:
    heat: np.ndarray
    seen: np.ndarray
    turn: np.ndarray

    def of(self, chosen):
        return Answers(self.heat[chosen], self.seen[chosen], self.turn[chosen].copy())


def peaks(heat):
    """Grip and tip in crop pixels with the height of their peaks: the highest cell, then the mean of the 5x5 cells about it, weighted by what they say."""
    n = len(heat)
    points, heights = np.zeros((n, 2, 2)), np.zeros((n, 2))
    for c in range(2):
        flat = heat[:, c].reshape(n, -1)
        best = flat.argmax(1)
        heights[:, c] = flat[np.arange(n), best]
        y, x = best // CELLS, best % CELLS
        padded = np.pad(heat[:, c], ((0, 0), (2, 2), (2, 2)))
        near = np.stack([padded[np.arange(n), y + j, x + i] for j in range(5) for i in range(5)], 1)
        offsets = np.array([(i - 2, j - 2) for j in range(5) for i in range(5)])
        points[:, c] = (np.stack([x, y], 1) + near @ offsets / near.sum(1, keepdims=True) + 0.5) * SIDE / CELLS
    return points, heights


def drawn_truth(rows, points, within, turn):
    from draw import COLUMNS
    at = COLUMNS.index
    bat = rows[:, at("bat_px")] * SIDE / 1.35 / 224 * 1.575
    return {"has": rows[:, at("has_bat")] > 0, "bat_shown": rows[:, at("bat_shown")], "tip_shown": rows[:, at("tip_shown")], "tip_within": within[:, 1] > 0, "grip": points[:, 0], "tip": points[:, 1],
            "length": bat, "smear": rows[:, at("sweep_px")] / np.maximum(rows[:, at("bat_px")], 1), "turn": turn, "azimuth": rows[:, at("azimuth")], "kind": rows[:, at("kind")].astype(int)}


def pick(truth, chosen):
    return {k: v[chosen] for k, v in truth.items()}


def wrap(degrees):
    return (degrees + 180) % 360 - 180


def turn_errors(said, truth):
    """Degrees, pelvis and shoulders."""
    angle = lambda t, i: np.degrees(np.arctan2(t[:, i + 1], t[:, i]))
    return np.stack([wrap(angle(said.turn, i) - angle(truth["turn"], i)) for i in (0, 2)], 1)


def spread_correction(said, truth):
    """What to add to the logarithms of the spread, so that 68 % of the errors lie within it (hitters seen from any side)."""
    z = np.abs(turn_errors(said, truth)) / np.exp(said.turn[:, 4:6])
    return np.log(np.quantile(z, 0.683, axis=0))


def bat_figures(said, truth):
    points, _ = peaks(said.heat)
    off = np.linalg.norm(points[:, 1] - truth["tip"], axis=1) / truth["length"]
    found, true = points[:, 1] - points[:, 0], truth["tip"] - truth["grip"]
    angle = np.abs(wrap(np.degrees(np.arctan2(found[:, 1], found[:, 0]) - np.arctan2(true[:, 1], true[:, 0]))))
    grip = np.linalg.norm(points[:, 0] - truth["grip"], axis=1) / truth["length"]
    asked = truth["has"] & truth["tip_within"] & (truth["tip_shown"] > 0.3)
    out = {}
    for name, low, high in (("still", 0, 0.15), ("smeared", 0.15, 0.5), ("heavy", 0.5, 9)):
        of = asked & (truth["smear"] >= low) & (truth["smear"] < high)
        # A bat that points at the lens has no direction in the picture.
        long = of & (np.linalg.norm(true, axis=1) > 0.3 * truth["length"])
        seen = said.seen[:, 0] > SEEN
        if of.sum():
            q = lambda v, p: round(float(np.quantile(v, p)), 2) if len(v) else None
            out[name] = {"n": int(of.sum()), "tip within 10 %": round(float((off[of] < 0.1).mean()), 3), "grip within 10 %": round(float((grip[of] < 0.1).mean()), 3), "angle 50 %, 90 %": [q(angle[long], 0.5), q(angle[long], 0.9)],
                         "seen": round(float(seen[of].mean()), 3), "of those seen: tip within 10 %, angle 50 %, 90 %": [round(float((off[of & seen] < 0.1).mean()), 3), q(angle[long & seen], 0.5), q(angle[long & seen], 0.9)]}
    return out


def figures(said, truth):
    out = bat_figures(said, truth)
    none = ~truth["has"]
    if none.any():
        rate = lambda of: [int(of.sum()), round(float((said.seen[of, 0] > SEEN).mean()), 4)] if of.any() else None
        out["seen where there is none"] = {"all": rate(none), "at 0.8": round(float((said.seen[none, 0] > 0.8).mean()), 4), "by kind": {int(k): rate(none & (truth["kind"] == k)) for k in np.unique(truth["kind"][none])}}
        shown = truth["has"] & (truth["bat_shown"] > 0.2)
        out["bats shown that are seen"] = [int(shown.sum()), round(float((said.seen[shown, 0] > SEEN).mean()), 3), round(float((said.seen[shown, 0] > 0.8).mean()), 3)]
    errors, spread = turn_errors(said, truth), np.exp(said.turn[:, 4:6])
    azimuth, hitter = np.abs(truth["azimuth"]), np.isin(truth["kind"], (0, 2))
    for name, of in (("turns, swings, open side to 25 degrees", hitter & (azimuth < 25)), ("turns, swings, back to 25 degrees", hitter & (azimuth > 155)), ("turns, all", azimuth >= 0)):
        if of.sum() > 20:
            out[name] = turn_figures(errors[of], spread[of])
    return out


def turn_figures(errors, spread):
    """Mean, sd and 90 % of the errors; the same of their difference; the share within one told spread and within two; of the half told surest."""
    e = np.column_stack([errors, wrap(errors[:, 0] - errors[:, 1])])
    told = lambda v: [round(float(v.mean()), 1), round(float(v.std()), 1), round(float(np.quantile(np.abs(v), 0.9)), 1)]
    z = np.abs(errors) / spread
    out = {"n": len(e), "pelvis": told(e[:, 0]), "shoulders": told(e[:, 1]), "difference": told(e[:, 2]), "within 1, 2 spreads": [round(float((z < k).mean()), 3) for k in (1, 2)], "spread told, median": np.round(np.median(spread, 0), 1).tolist()}
    sure = spread.max(1) <= np.median(spread.max(1))
    out["surer half"] = {"pelvis": told(e[sure, 0]), "shoulders": told(e[sure, 1]), "difference": told(e[sure, 2])}
    return out
