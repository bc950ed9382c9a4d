"""Judges a network on crops and frames that it has not learned from.

    judge.py real MODEL CLIP TRACK LABELS        a filmed clip, its pose track (cagehand replay --track) and labels by eye
    judge.py captured hands|trunk MODEL COUNT    the captured swing of tests/data/mocap on bodies kept back, dressed anew
    judge.py clips hands|trunk MODEL FOLDER [back]  rendered clips NAME.mp4 with NAME.bat.json, NAME.joints.json and NAME.truth.json

Drawn crops kept back are judged by train.py.

Smear: how far the tip moves in an exposure against the bat's length: still below 0.15, smeared below 0.5, heavy above.
"""
import dataclasses
import glob
import json
import os
import sys

import numpy as np

SIDE, CELLS, WRIST, STATURES = 192, 48, 6.0, 1.35
TRUNK_SIDE, TRUNK_STATURES = 160, 0.8
SEEN = 0.5


@dataclasses.dataclass
class Answers:
    heat: np.ndarray
    seen: np.ndarray

    def of(self, chosen):
        return Answers(self.heat[chosen], self.seen[chosen])


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


def drawn_truth(rows, points, within):
    from draw import COLUMNS
    at = COLUMNS.index
    bat = rows[:, at("bat_px")] * SIDE / 1.35 / 224 * 1.575
    return {"has": rows[:, at("has_bat")] > 0, "bat_shown": rows[:, at("bat_shown")], "tip_shown": rows[:, at("tip_shown")], "tip_within": within[:, 1] > 0, "grip": points[:, 0], "tip": points[:, 1],
            "length": bat, "smear": rows[:, at("sweep_px")] / np.maximum(rows[:, at("bat_px")], 1), "kind": rows[:, at("kind")].astype(int)}


def pick(truth, chosen):
    return {k: v[chosen] for k, v in truth.items()}


def wrap(degrees):
    return (degrees + 180) % 360 - 180


def turn_errors(told, truth):
    """Degrees, pelvis and shoulders."""
    angle = lambda t, i: np.degrees(np.arctan2(t[:, i + 1], t[:, i]))
    return np.stack([wrap(angle(told, i) - angle(truth["turn"], i)) for i in (0, 2)], 1)


def spread_correction(told, truth):
    """What to add to the logarithms of the spread, so that 68 % of the errors lie within it (hitters seen from any side)."""
    z = np.abs(turn_errors(told, truth)) / np.exp(told[:, 4:6])
    return np.log(np.quantile(z, 0.683, axis=0))


def seen_correction(said, truth):
    """What to add to the logit of `seen`, so that 1.5 % of the people without a bat lie above one half."""
    p = said.seen[~truth["has"], 0].clip(1e-6, 1 - 1e-6)
    return -float(np.quantile(np.log(p / (1 - p)), 0.985))


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
    return out


def turns(told, truth):
    out, errors, spread = {}, turn_errors(told, truth), np.exp(told[:, 4:6])
    azimuth, hitter = np.abs(truth["azimuth"]), np.isin(truth["kind"], (0, 2))
    for name, of in (("swings, open side to 25 degrees", hitter & (azimuth < 25)), ("swings, back to 25 degrees", hitter & (azimuth > 155)), ("all", azimuth >= 0)):
        if of.sum() > 20:
            out[name] = turn_figures(errors[of], spread[of])
    return out


def turn_figures(errors, spread):
    """Mean, sd, and what 50 % and 90 % of the errors lie within; the same of their difference; the share within one told spread and within two; of the half told surest."""
    e = np.column_stack([errors, wrap(errors[:, 0] - errors[:, 1])])
    told = lambda v: [round(float(v.mean()), 1), round(float(v.std()), 1), *np.quantile(np.abs(v), [0.5, 0.9]).round(1).tolist()]
    z = np.abs(errors) / spread
    out = {"n": len(e), "pelvis": told(e[:, 0]), "shoulders": told(e[:, 1]), "difference": told(e[:, 2]), "within 1, 2 spreads": [round(float((z < k).mean()), 3) for k in (1, 2)], "spread told, median": np.round(np.median(spread, 0), 1).tolist()}
    sure = spread.max(1) <= np.median(spread.max(1))
    out["surer half"] = {"pelvis": told(e[sure, 0]), "shoulders": told(e[sure, 1]), "difference": told(e[sure, 2])}
    return out


def box_crop(frame, before, middle, side, pixels):
    """The picture's four channels as the program cuts them: the mean of the picture's pixels under each of the crop's, edges repeated. Also the crop's corner and scale."""
    corner = np.asarray(middle) - side / 2

    def shrink(a):
        # Sums up to every edge, read between pixels, are exact means of boxes of any size.
        for axis in (0, 1):
            a = np.moveaxis(a, axis, 0)
            sums = np.concatenate([np.zeros_like(a[:1]), np.cumsum(a, 0)])
            edges = corner[1 - axis] + np.arange(pixels + 1) * side / pixels
            inside = np.clip(edges, 0, len(a))
            low = np.minimum(np.floor(inside).astype(int), len(a) - 1)
            column = lambda v: v.reshape(-1, *[1] * (a.ndim - 1))
            to = sums[low] + a[low] * column(inside - low) + np.minimum(column(edges), 0) * a[0] + np.maximum(column(edges) - len(a), 0) * a[-1]
            a = np.moveaxis(np.diff(to, axis=0) * pixels / side, 0, axis)
        return a / 255

    grey = shrink(before.astype(float)) @ [0.299, 0.587, 0.114]
    return np.concatenate([shrink(frame.astype(float)).transpose(2, 0, 1), grey[None]]).astype(np.float32), corner, pixels / side


def hands_crop(frame, before, wrists, stature_px):
    crop, corner, scale = box_crop(frame, before, np.mean(wrists, axis=0), STATURES * stature_px, SIDE)
    y, x = np.mgrid[:SIDE, :SIDE] + 0.5
    bumps = [np.exp(-((x - p[0]) ** 2 + (y - p[1]) ** 2) / (2 * WRIST**2)) for p in (np.asarray(wrists) - corner) * scale]
    return np.concatenate([crop, np.maximum(*bumps)[None]]).astype(np.float32), corner, scale


def run(model, crops):
    import onnxruntime
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    return [np.concatenate(v) for v in zip(*[session.run(None, {"crop": c[None]}) for c in crops])]


def ask(model, crops):
    return Answers(*run(model, crops))


def frames_of(path):
    import av
    return [f.to_ndarray(format="rgb24") for f in av.open(path).decode(video=0)]


def real(model, clip, track, labels):
    """Labels by eye: {"frames": {"17": {"knob": [x, y] or null, "tip": [x, y] or null, "blur": "still"}}}, numbers from 1; `track` is the program's own."""
    labels, pictures = json.load(open(labels)), frames_of(clip)
    lines = [json.loads(line) for line in open(track)]
    index, rows = {n: i for i, n in enumerate(lines[0]["landmarks"])}, {}
    for number, label in labels["frames"].items():
        points = lines[int(number)]["points"]
        if points is None:
            continue
        p = lambda name: np.mean([points[index[s + name]][:2] for s in ("left_", "right_")], axis=0)
        leg = max(np.linalg.norm(np.subtract(points[index[s + "hip"]][:2], points[index[s + "knee"]][:2])) + np.linalg.norm(np.subtract(points[index[s + "knee"]][:2], points[index[s + "ankle"]][:2])) for s in ("left_", "right_"))
        stature = max(leg / 0.491, np.linalg.norm(p("shoulder") - p("hip")) / 0.288)
        i = int(number) - 1
        crop, corner, scale = hands_crop(pictures[i], pictures[max(i - 1, 0)], [points[index[s + "wrist"]][:2] for s in ("left_", "right_")], stature)
        rows[number] = (crop, corner, scale, label)
    said = ask(model, [r[0] for r in rows.values()])
    found, heights = peaks(said.heat)
    classes = {}
    for (number, (_, corner, scale, label)), points, height, seen in zip(rows.items(), found, heights, said.seen):
        if label["tip"] is None:
            continue
        tip, grip = points[1] / scale + corner, points[0] / scale + corner
        off = np.linalg.norm(tip - label["tip"]) / labels["bat_px"]
        way = lambda a, b: np.degrees(np.arctan2(b[1] - a[1], b[0] - a[0]))
        angle = abs(wrap(way(grip, tip) - way(label["knob"], label["tip"]))) if label["knob"] else np.nan
        classes.setdefault(label["blur"], []).append((off, angle, seen[0]))
        print(f"  {number} {label['blur']}: tip off by {off:.2f} of the bat, angle {angle:.1f}, seen {seen[0]:.2f}, peaks {height.round(2)}")
    classes["blur and heavy"] = [v for name in ("blur", "heavy") for v in classes.get(name, [])]
    for name, values in classes.items():
        v = np.array(values)
        for which, of in ((name, v[:, 2] >= 0), (name + ", seen", v[:, 2] > SEEN)):
            print(which, {"n": int(of.sum()), "tip within 10 %": int((v[of, 0] < 0.1).sum()), "angle 50 %, 90 %": np.nanquantile(v[of, 1], [0.5, 0.9]).round(1).tolist()})


def captured(about, model, count):
    import torch
    from captured import Captured
    from draw import COLUMNS, Studio
    from hands import HandsCropper
    from trunk import TrunkCropper

    class OnCaptured(Studio):
        def __init__(self, seed):
            super().__init__(seed, "kept", about)
            path = os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../tests/data/mocap/swing.json")
            self.swings = [(i, Captured(body, path)) for i, body in self.bodies]

        def act(self, offsets):
            index, c = self.swings[self.rng.integers(len(self.swings))]
            moment = self.rng.uniform(c.before, c.before + c.secs)
            return 2, index, c.body, c.pose(moment + offsets), False

    studio, images, rows, azimuth = OnCaptured(7), [], [], COLUMNS.index("azimuth")
    while len(images) < count:
        one = studio.image()
        # Sides that the program measures from.
        if one is not None and (abs(one[1][azimuth]) < 25 or abs(one[1][azimuth]) > 155):
            images.append(one[0])
            rows.append(one[1])
    images, truth, rows = torch.from_numpy(np.array(images)), torch.from_numpy(np.array(rows)), np.array(rows)
    if about == "hands":
        x, points, within = HandsCropper("cpu").cut(images, truth, False)
        told = figures(ask(model, x.numpy()), drawn_truth(rows, points.numpy(), within.numpy()))
    else:
        x, _, turn = TrunkCropper("cpu").cut(images, truth, False)
        told = turns(run(model, x.numpy())[0], {"turn": turn.numpy(), "azimuth": rows[:, azimuth], "kind": rows[:, COLUMNS.index("kind")].astype(int)})
    for name, value in told.items():
        print(name, json.dumps(value))


def clips(about, model, folder, view="open"):
    """Crops about the true wrists or trunk, from the gather to 0.1 s after contact; turns against a camera that stands square (a constant is left in the mean)."""
    for path in sorted(glob.glob(folder + "/*.joints.json")):
        name = path[: -len(".joints.json")]
        bat, joints, truth = (json.load(open(name + end)) for end in (".bat.json", ".joints.json", ".truth.json"))
        times = [(s["events"]["gather"], s["events"]["contact"] + 0.1) for s in truth["segments"] if s["segment"] == "rep"]
        pictures, crops, rows = frames_of(name + ".mp4"), [], []
        step = max(1, round(bat["fps"] / 60))
        for i in range(1, len(bat["frames"]), step):
            if not any(a <= i / bat["fps"] <= b for a, b in times):
                continue
            world, image = joints["world_m"][i], joints["image_px"][i]
            stature = truth["hitter_height_m"] * -np.polyfit([p[1] for p in world.values()], [image[k][1] for k in world], 1)[0]
            kx, ky, tx, ty, smear, pelvis, shoulders = bat["frames"][i]
            if about == "trunk":
                middle = np.mean([image[s + part] for s in ("Left", "Right") for part in ("UpLeg", "Arm")], axis=0)
                sign, turned = (1 if truth["bats"] == "right" else -1), (180 if view == "back" else 0)
                turn = np.radians([turned + sign * pelvis, turned + sign * shoulders])
                rows.append({"turn": [np.cos(turn[0]), np.sin(turn[0]), np.cos(turn[1]), np.sin(turn[1])], "azimuth": float(turned), "kind": 0})
                crops.append(box_crop(pictures[i], pictures[i - 1], middle, TRUNK_STATURES * stature, TRUNK_SIDE)[0])
                continue
            crop, corner, scale = hands_crop(pictures[i], pictures[i - 1], [image[s + "Hand"] for s in ("Left", "Right")], stature)
            length = max(np.hypot(tx - kx, ty - ky), 1)
            knob, tip = np.array([kx, ky]), np.array([tx, ty])
            to_crop = lambda p: (p - corner) * scale
            tip_in = (0 <= tx < pictures[i].shape[1]) and (0 <= ty < pictures[i].shape[0]) and (to_crop(tip) > 0).all() and (to_crop(tip) < SIDE).all()
            rows.append({"has": True, "bat_shown": 1.0, "tip_shown": 1.0, "tip_within": tip_in, "grip": to_crop(knob + (tip - knob) * 0.15), "tip": to_crop(tip), "length": length * scale, "smear": smear / length, "kind": 0})
            crops.append(crop)
        true = {k: np.array([r[k] for r in rows]) for k in rows[0]}
        print(os.path.basename(name), len(rows), "frames")
        for what, value in (turns(run(model, crops)[0], true) if about == "trunk" else figures(ask(model, crops), true)).items():
            print(" ", what, json.dumps(value))


if __name__ == "__main__":
    sys.path.append(os.path.join(os.path.dirname(os.path.abspath(__file__)), "../render"))
    what, rest = sys.argv[1], sys.argv[2:]
    {"real": real, "captured": lambda about, model, count: captured(about, model, int(count)), "clips": clips}[what](*rest)
