"""Writes crops and what the network says of them, for the program's test: reference.py MODEL FOLDER OUT, where FOLDER is what draw.py --split kept wrote."""
import json
import os
import sys

import numpy as np
from PIL import Image

import judge
import train
from draw import COLUMNS

NAMES = ("still", "smeared", "no_bat")


def main(model, folder, out):
    images, truth = train.load(folder, "kept", "cpu", 300)
    cropper = train.Cropper("cpu")
    x, points, _, _ = cropper.cut(images, truth, False)
    t = {name: truth[:, i].numpy() for i, name in enumerate(COLUMNS)}
    smear = t["sweep_px"] / t["bat_px"]
    clear = (t["tip_shown"] > 0.8) & (t["stature_px"] > 100)
    chosen = [np.flatnonzero(of)[1] for of in (clear & (smear < 0.1), clear & (smear > 0.25) & (smear < 0.6), t["kind"] == 2)]
    told = {}
    for name, i in zip(NAMES, chosen):
        color = (x[i, :3].permute(1, 2, 0) * 255).round().byte().numpy()
        before = (x[i, 3] * 255).round().byte().numpy()
        Image.fromarray(color).save(os.path.join(out, name + ".png"), optimize=True)
        Image.fromarray(before).save(os.path.join(out, name + "_before.png"), optimize=True)
        wrists = np.round(points[i, 2:4].numpy().astype(float), 1)
        y, xs = np.mgrid[: judge.SIDE, : judge.SIDE] + 0.5
        near = np.maximum(*[np.exp(-((xs - w[0]) ** 2 + (y - w[1]) ** 2) / (2 * judge.WRIST**2)) for w in wrists])
        crop = np.concatenate([color.transpose(2, 0, 1) / 255, before[None] / 255, near[None]]).astype(np.float32)
        a = judge.ask(model, [crop])
        best = a.heat[0].reshape(3, -1).argmax(1)
        told[name] = {"wrists": wrists.tolist(), "peaks": [{"row": int(b // judge.CELLS), "column": int(b % judge.CELLS), "value": round(float(a.heat[0, c].max()), 6)} for c, b in enumerate(best)],
                      "seen": a.seen[0].astype(float).round(6).tolist(), "turn": a.turn[0].astype(float).round(6).tolist(),
                      "truth": {name: np.round(points[i, c].numpy().astype(float), 1).tolist() for c, name in enumerate(("grip", "tip"))} if t["has_bat"][i] else None}
    with open(os.path.join(out, "reference.json"), "w") as f:
        json.dump(told, f, indent=1)


if __name__ == "__main__":
    main(*sys.argv[1:])
