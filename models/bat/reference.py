"""Writes crops and what the networks say of them, for the program's tests: reference.py hands|trunk MODEL FOLDER OUT, where FOLDER is what draw.py --split kept wrote."""
import json
import os
import sys

import numpy as np
from PIL import Image

import judge
import train
from cropper import hitter
from draw import COLUMNS
from hands import HandsCropper
from trunk import TrunkCropper


def rounded(values, digits):
    return np.round(np.asarray(values, float), digits).tolist()


def pictures(x, path):
    """Saves a crop's four channels as two pictures and gives them as they will be read back."""
    color = (x[:3].permute(1, 2, 0) * 255).round().byte().numpy()
    before = (x[3] * 255).round().byte().numpy()
    Image.fromarray(color).save(path + ".png", optimize=True)
    Image.fromarray(before).save(path + "_before.png", optimize=True)
    return np.concatenate([color.transpose(2, 0, 1), before[None]]).astype(np.float32) / 255


def hands(model, images, truth, out):
    x, points, _ = HandsCropper("cpu").cut(images, truth, False)
    t = {name: truth[:, i].numpy() for i, name in enumerate(COLUMNS)}
    smear = t["sweep_px"] / t["bat_px"]
    clear = (t["tip_shown"] > 0.8) & (t["stature_px"] > 100)
    chosen = {"still": clear & (smear < 0.1), "smeared": clear & (smear > 0.25) & (smear < 0.6), "no_bat": t["kind"] == 2}
    told = {}
    for name, of in chosen.items():
        i = np.flatnonzero(of)[1]
        crop = pictures(x[i], os.path.join(out, name))
        wrists = np.round(points[i, 2:4].numpy().astype(float), 1)
        y, xs = np.mgrid[: judge.SIDE, : judge.SIDE] + 0.5
        near = np.maximum(*[np.exp(-((xs - w[0]) ** 2 + (y - w[1]) ** 2) / (2 * judge.WRIST**2)) for w in wrists])
        a = judge.ask(model, [np.concatenate([crop, near[None]]).astype(np.float32)])
        best = a.heat[0].reshape(3, -1).argmax(1)
        told[name] = {"wrists": wrists.tolist(), "peaks": [{"row": int(b // judge.CELLS), "column": int(b % judge.CELLS), "value": round(float(a.heat[0, c].max()), 6)} for c, b in enumerate(best)],
                      "seen": rounded(a.seen[0], 6), "truth": {name: rounded(points[i, c], 1) for c, name in enumerate(("grip", "tip"))} if t["has_bat"][i] else None}
    return told


def trunk(model, images, truth, out):
    x, _, turn = TrunkCropper("cpu").cut(images, truth, False)
    azimuth, swing = truth[:, COLUMNS.index("azimuth")].abs().numpy(), hitter(truth).numpy()
    told = {}
    for name, of in {"open_side": swing & (azimuth < 25), "back_side": swing & (azimuth > 155)}.items():
        i = np.flatnonzero(of)[1]
        told[name] = {"turn": rounded(judge.run(model, [pictures(x[i], os.path.join(out, name))])[0][0], 6), "truth": rounded(turn[i], 4)}
    return told


def main(about, model, folder, out):
    told = {"hands": hands, "trunk": trunk}[about](model, *train.load(folder, "kept", "cpu", 300), out)
    with open(os.path.join(out, about + ".json"), "w") as f:
        json.dump(told, f, indent=1)


if __name__ == "__main__":
    main(*sys.argv[1:])
