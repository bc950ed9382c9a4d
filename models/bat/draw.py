"""Draws crops of hitters and of people without a bat, each with what is true of it.

    draw.py FOLDER --seed N --seconds S [--about hands|trunk] [--count N] [--processes P] [--split train|kept] [--sheet FILE]

Writes FOLDER/SPLIT_SEED_NNN.npy (images x 224 x 224 x 4, bytes: R, G, B, grey of the frame before) and SPLIT_SEED_NNN.truth.npy (one row an image, COLUMNS).
The square is a sixth larger than the crop, so that a crop can still be shifted, turned and sized (train.py). `kept` draws bodies that `train` never does.
"""
import argparse
import dataclasses
import io
import os
import subprocess
import sys
import time

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.append(os.path.join(HERE, "../render"))

from body import Body, pose  # noqa: E402
from canvas import CropCanvas  # noqa: E402
from chance import look  # noqa: E402
from motion import at_times  # noqa: E402
from postures import Timeline, onlooker, posture  # noqa: E402
from scene import Camera, Person, lathe, standing  # noqa: E402
from surroundings import WOOD, Held, Surroundings, color, pattern, photographs  # noqa: E402

SIZE = 224
COLUMNS = ("grip_x", "grip_y", "tip_x", "tip_y", "left_x", "left_y", "right_x", "right_y", "tip_shown", "bat_shown", "has_bat", "sweep_px", "pelvis_c", "pelvis_s", "shoulders_c", "shoulders_s",
           "body", "stature_px", "azimuth", "kind", "bat_px", "knob_x", "knob_y", "right_hip_x", "right_hip_y", "left_hip_x", "left_hip_y", "right_shoulder_x", "right_shoulder_y", "left_shoulder_x", "left_shoulder_y")
KEPT = (1, 7, 11, 14, 18, 24)
MOMENTS, BEFORE = 33, 9
CHUNK = 200
KINDS = ("swing", "posture", "swing without bat", "posture without bat", "hands together", "onlooker", "holds another thing")


@dataclasses.dataclass(frozen=True)
class About:
    """What a square is drawn about."""
    statures: float
    shares: tuple  # of KINDS, the last one is what is left
    sides: tuple  # of cameras at the hitter's front side, at the back side
    step_px: float  # how far the smear's moments lie apart
    most_moments: int


ABOUT = {"hands": About(1.575, (0.36, 0.13, 0.15, 0.16, 0.08, 0.05), (0.55, 0.25), 4, 26),
         "trunk": About(0.95, (0.55, 0.09, 0.2, 0.08, 0.03, 0.04), (0.66, 0.22), 9, 12)}


def dress(rng, body, holds):
    """A look of ../render, dressed and armed in more ways."""
    out = look(rng, holds)
    for name in ("shirt", "trousers", "shoes", "hat_color"):
        if rng.random() < 0.6:
            out[name] = color(rng)
    if rng.random() < 0.3:
        out["sleeves"] = out["shirt"] if rng.random() < 0.6 else color(rng)
    if rng.random() < 0.3:
        out["gloves"] = color(rng)
    out["fingers"] = True
    out["loose"] = (rng.uniform(0, 0.03), rng.uniform(0, 0.028))
    if not holds:
        return out
    k = body.scale
    wood = lambda: np.array(WOOD[rng.integers(4)]) * rng.uniform(0.8, 1.15)
    out["bat"] = wood() if rng.random() < 0.4 else color(rng)
    if rng.random() < 0.4:
        out["barrel_color"], out["barrel_from"] = (wood() if rng.random() < 0.3 else color(rng)), rng.uniform(0.4, 0.85)
    out["tape"] = out["bat"] if rng.random() < 0.45 else color(rng)
    out["bat_length"] = (rng.uniform(0.56, 0.7) if rng.random() < 0.12 else rng.uniform(0.7, 0.88)) * (0.4 + 0.6 * min(k, 1.05))
    out["knob"] = rng.uniform(0.095, 0.16)
    out["handle"], out["barrel"] = rng.uniform(0.011, 0.015), rng.uniform(0.027, 0.036) * (0.5 + 0.5 * min(k, 1.0))
    if rng.random() < 0.05:
        out["barrel"], out["bat_length"] = out["handle"], rng.uniform(0.75, 1.1)
    out["donut"] = bool(rng.random() < 0.07)
    out["bat_shine"] = float(rng.choice([0.05, 0.15, 0.5, 0.9]))
    return out


def camera(rng, tall, sides):
    """Any place that a camera may have; most stand to the hitter's front or back side."""
    u = rng.random()
    azimuth = rng.normal(0, 20) if u < sides[0] else 180 + rng.normal(0, 22) if u < sum(sides) else rng.uniform(0, 360)
    if rng.random() < 0.5 and u < sides[0]:
        azimuth = rng.uniform(-28, 28)
    return Camera(100, 100, azimuth=azimuth, distance=rng.uniform(2.4, 8.5) * tall / 1.75, above=rng.uniform(0.3, 2.4), roll=rng.normal(0, 3),
                  aim=(rng.normal(0, 0.35), rng.uniform(0.5, 1.2), rng.normal(0, 0.2)), tall=2.5), (azimuth + 180) % 360 - 180


class Studio:
    def __init__(self, seed, split, about="hands"):
        self.rng = rng = np.random.default_rng([seed, split == "kept"])
        self.about, self.is_about_trunk = ABOUT[about], about == "trunk"
        with np.load(os.path.join(HERE, "../render/bodies.npz")) as z:
            pack = {k: z[k] for k in z}
        ids = [i for i in range(len(pack["V"])) if (i in KEPT) == (split == "kept")]
        self.bodies = [(i, Body(pack, i, float(pack["height"][i]) * rng.uniform(0.9, 1.1))) for i in rng.permutation(ids)[:14]]
        self.canvas = CropCanvas(SIZE)
        self.textures = []
        for picture in photographs() + [pattern(rng) for _ in range(30)]:
            t = self.canvas.ctx.texture(picture.shape[1::-1], 3, np.ascontiguousarray(picture).tobytes())
            t.build_mipmaps()
            self.textures.append(t)
        self.end = self.canvas.mesh(*self._end())
        self.timeline, self.uses = None, 0

    @staticmethod
    def _end():
        """The last eighth of a bat of length and radius 1."""
        v, n, t = lathe(np.array([0.88, 0.95, 1.0, 1.0]), np.array([1.0, 1, 0.6, 0]))
        return v, n, (1, 1, 1), t

    def act(self, offsets):
        """Who does what: (kind, index of the body, body, its bones and points at these offsets, holds a bat)."""
        rng = self.rng
        u = rng.random()
        kind = int(np.searchsorted(np.cumsum(self.about.shares), u))
        index, body = self.bodies[rng.integers(len(self.bodies))]
        if kind in (0, 2):
            if self.timeline is None or self.uses > 12:
                self.timeline, self.uses = (index, Timeline(rng, body)), 0
            self.uses += 1
            index, t = self.timeline
            return kind, index, t.body, pose(t.body, t.at(rng, t.moment(rng, self.is_about_trunk), offsets)), kind == 0
        if kind == 5:
            return kind, index, body, pose(body, at_times(onlooker(rng, body), np.clip(rng.uniform(0.5, 3.5) + offsets, 0, 4))), False
        return kind, index, body, pose(body, posture(rng, body, offsets, kind in (1, 4))), kind == 1

    def others(self, place, camera_matrix):
        """Bystanders, some with a bat of their own."""
        rng = self.rng
        for _ in range(rng.poisson(0.22)):
            _, body = self.bodies[rng.integers(len(self.bodies))]
            holds = rng.random() < 0.4
            bones, points = pose(body, posture(rng, body, np.zeros(1), holds))
            a, m = rng.uniform(0, 6.28), np.eye(4)
            m[:3, :3] = [[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]]
            m[:3, 3] = rng.choice([-1, 1]) * rng.uniform(0.7, 1.9), 0, rng.uniform(-2.5, 0.4)
            place.people.append((Person(self.canvas, body, dress(rng, body, holds)), bones, points, m))

    def image(self):
        """One image and its truth, or None where the smear is wider than any real one."""
        rng, c = self.rng, self.canvas
        u = rng.random()
        shutter = rng.uniform(0.0004, 0.004) if u < 0.22 else rng.uniform(0.004, 0.013) if u < 0.45 else rng.uniform(0.012, 0.033)
        step = max(shutter, float(rng.choice([1 / 30, 1 / 60, 1 / 120, 1 / 240], p=[0.4, 0.4, 0.12, 0.08])))
        now = np.linspace(-0.5, 0.5, MOMENTS) * shutter
        kind, index, body, (bones, points), holds = self.act(np.concatenate([now, np.linspace(-0.5, 0.5, BEFORE) * shutter - step]))
        flip = -1.0 if rng.random() < 0.5 else 1.0
        place = np.diag([flip, 1, 1, 1])
        cam, azimuth = camera(rng, body.height, self.about.sides)
        dressed = dress(rng, body, holds)
        length = dressed.get("bat_length", 0.8)
        mid = MOMENTS // 2
        world = lambda p: p * [flip, 1, 1]
        grip, bat = points["grip"], points["bat"]
        knob = grip - bat * dressed.get("knob", 0.13) * body.scale
        tip = knob + bat * length
        pelvis = world(points["pelvis"][mid])
        toward = cam.matrix @ np.append(pelvis, 1)
        scale = np.linalg.norm(cam.matrix[1, :3]) / toward[3]
        wrists = [world(points[s + "_wrist"][mid]) for s in (("left", "right") if flip > 0 else ("right", "left"))]
        flat = lambda p: (lambda q: q[..., :2] / q[..., 3:])(np.concatenate([p, np.ones((*p.shape[:-1], 1))], -1) @ cam.matrix.T)
        joints = [world(points[middle][mid] + sign * flip * points[line][mid] / 2) for middle, line in (("pelvis", "hip_line"), ("shoulders", "shoulder_line")) for sign in (-1, 1)]
        side = self.about.statures * body.height * scale * np.exp(rng.normal(0, 0.05))
        middle = flat(np.array(joints if self.is_about_trunk else wrists)).mean(0) + rng.normal(0, 0.02, 2) * side
        window = np.diag([2 / side, 2 / side, 1, 1])
        window[:2, 3] = -middle * 2 / side
        matrix = window @ cam.matrix
        pixel = lambda p: (flat(p) - middle) / side * [SIZE, -SIZE] + SIZE / 2
        sweep = np.linalg.norm(np.diff(pixel(world(tip[:MOMENTS])), axis=0), axis=1).sum()
        # What is drawn matters to the eye also where it is an arm that moves.
        if not holds:
            sweep = max(np.linalg.norm(np.diff(pixel(world(points[s][:MOMENTS])), axis=0), axis=1).sum() for s in ("left_wrist", "right_wrist"))
        if sweep * self.about.statures > 2 * SIZE or toward[3] < 1.2:
            return None
        scenery = Surroundings(c, rng, cam, self.textures, np.array([world(grip[mid]), *wrists]))
        self.others(scenery, matrix)
        person = Person(c, body, dressed)
        held = Held(c, rng) if kind == 6 else None
        c.set(vp=matrix, eye=cam.eye, light=(rng.normal(0, 0.7), rng.uniform(0.2, 1.2), rng.normal(0.2, 0.8)), ambient=rng.uniform(0.18, 0.62))
        c.smooth(rng.random() < 0.6)
        shake = np.eye(4)
        shake[:2, 3] = rng.normal(0, 0.012, 2) * (rng.random() < 0.4)
        foot = place @ np.append(points["pelvis"][mid], 1)
        dark = rng.uniform(0, 0.6)

        def draw(which, anew):
            def one(i):
                c.begin(scenery.draw_still, anew and i == 0)
                if scenery.floor:
                    scenery.draw_moving([(foot[0], foot[2], 0.75, dark)], False)
                person.draw(bones, points, which[i], place)
                if held:
                    held.draw(points, which[i], place)
                scenery.draw_front()
            return one

        count = int(np.clip(np.ceil(sweep / self.about.step_px), 1, self.about.most_moments))
        moments = np.round((np.arange(count) + 0.5) / count * (MOMENTS - 1)).astype(int)
        gamma = 2.2 if rng.random() < 0.5 else 1.0
        current = c.expose(count, draw(moments, True), gamma)
        count = min(count, 6)
        moments = MOMENTS + np.round((np.arange(count) + 0.5) / count * (BEFORE - 1)).astype(int)
        c.set(vp=shake @ matrix)
        scenery.window[2:] -= shake[:2, 3] / 2 * scenery.window[:2]
        before = c.expose(count, draw(moments, True), gamma)
        c.set(vp=matrix)
        shown = self.shown(person, bones, points, mid, place, dressed, body) if holds and not self.is_about_trunk else (0.0, 0.0)
        ray = (pelvis - cam.eye) * [1, 0, 1]
        ray /= np.linalg.norm(ray)
        right = np.cross(ray, [0, 1.0, 0])
        turns = []
        for name in ("hip_line", "shoulder_line"):
            # A mirrored body's left is the other one.
            v = world(points[name][mid]) * flip * [1, 0, 1]
            v /= np.linalg.norm(v) + 1e-9
            turns += [v @ right, v @ ray]
        px = lambda p: pixel(world(p[mid]))
        truth = [*px(grip), *px(tip), *pixel(wrists[0]), *pixel(wrists[1]), *shown, holds, sweep if holds else 0, *turns, index, body.height * scale / side * SIZE, azimuth * flip, kind, length * scale / side * SIZE, *px(knob), *np.ravel([pixel(j) for j in joints])]
        return np.concatenate(degrade(rng, current, before), 2), np.array(truth, np.float32)

    def shown(self, person, bones, points, mid, place, dressed, body):
        """How much of the barrel's end, and of the whole bat, is in the crop with nothing of the hitter before it."""
        c = self.canvas
        grip, bat = points["grip"][mid], points["bat"][mid]
        m = standing(bat)
        m[:3, 3] = grip - bat * dressed["knob"] * body.scale

        def hide():
            c.set(skin=1, kind=3, model=place, bones=bones[mid])
            person.mesh.render()
            c.set(skin=0, kind=0)

        def whole():
            c.set(model=place @ m, skin=0, kind=0)
            person.bat.render()

        def end():
            c.set(model=place @ m @ np.diag([dressed["barrel"], person.bat_length, dressed["barrel"], 1]), skin=0, kind=0)
            self.end.render()

        tip, (share, pixels) = c.shown_share(end, hide)[0], c.shown_share(whole, hide)
        c.set(model=np.eye(4))
        return tip, share if pixels >= 30 else 0.0


def degrade(rng, *pictures):
    """What a camera makes of the light: exposure, color, softness, few pixels, noise, JPEG; alike for both frames."""
    gain, gamma, tint, saturation = np.exp(rng.normal(0, 0.22)), np.exp(rng.normal(0, 0.15)), np.exp(rng.normal(0, 0.06, 3)), rng.uniform(0.4, 1.3)
    fewer = rng.uniform(1, 2.6) if rng.random() < 0.5 else 1.0
    quality, noise, soft = int(rng.uniform(18, 92)), abs(rng.normal(0, 0.025)), rng.uniform(0.3, 1.1) if rng.random() < 0.3 else 0
    compressed, w = rng.random() < 0.85, max(int(SIZE / fewer), 70)
    out = []
    for a in pictures:
        a = np.clip(a * gain * tint, 0, 1) ** gamma
        grey = a.mean(2, keepdims=True)
        picture = Image.fromarray((np.clip(grey + (a - grey) * saturation, 0, 1) * 255).astype(np.uint8))
        if soft:
            picture = picture.filter(ImageFilter.GaussianBlur(soft))
        if fewer > 1:
            picture = picture.resize((w, w), Image.Resampling.BOX)
        a = np.asarray(picture, np.float32)
        a = a + rng.standard_normal((*a.shape[:2], 1), np.float32) * noise * 255 + rng.standard_normal(a.shape, np.float32) * noise * 120
        picture = Image.fromarray(np.clip(a, 0, 255).astype(np.uint8))
        if compressed:
            data = io.BytesIO()
            picture.save(data, "JPEG", quality=quality)
            picture = Image.open(data)
        if fewer > 1:
            picture = picture.resize((SIZE, SIZE), Image.Resampling.BILINEAR)
        out.append(np.asarray(picture))
    return out[0], (out[1] @ np.array([0.299, 0.587, 0.114]))[..., None].astype(np.uint8)


def work(folder, about, seed, seconds, count, split):
    studio, start, made, part = Studio(seed, split, about), time.time(), 0, 0
    while made < count and time.time() - start < seconds:
        images, truths = [], []
        while len(images) < min(CHUNK, count - made) and time.time() - start < seconds:
            one = studio.image()
            if one is not None and np.isfinite(one[1]).all():
                images.append(one[0])
                truths.append(one[1])
        if not images:
            break
        name = os.path.join(folder, f"{split}_{seed}_{part:03d}")
        np.save(name + ".truth.npy", np.array(truths))
        np.save(name + ".part.npy", np.array(images))
        os.rename(name + ".part.npy", name + ".npy")
        made, part = made + len(images), part + 1
    print(f"{split} {seed}: {made} images, {(time.time() - start) / max(made, 1) * 1000:.1f} ms each", flush=True)


def sheet(folder, path, most=48, first=0):
    """A contact sheet with the truth drawn in: grip yellow, tip red, wrists blue; below: the two turns as arrows seen from above, camera below."""
    files = sorted(f for f in os.listdir(folder) if f.endswith(".npy") and "truth" not in f)
    images = np.concatenate([np.load(os.path.join(folder, f)) for f in files])[first:first + most]
    truths = np.concatenate([np.load(os.path.join(folder, f[:-4] + ".truth.npy")) for f in files])[first:first + most]
    across = 8
    out = Image.new("RGB", (across * SIZE, -(-len(images) // across) * SIZE))
    for i, (a, row) in enumerate(zip(images, truths)):
        t = dict(zip(COLUMNS, row))
        picture = Image.fromarray(a[..., :3].copy())
        pen = ImageDraw.Draw(picture)
        dot = lambda x, y, ink, r=2.5: pen.ellipse([x - r, y - r, x + r, y + r], outline=ink)
        if t["has_bat"]:
            dot(t["grip_x"], t["grip_y"], "yellow")
            dot(t["tip_x"], t["tip_y"], "red")
        for name, ink in (("right_hip", "orange"), ("left_hip", "yellow"), ("right_shoulder", "red"), ("left_shoulder", "lime")):
            dot(t[name + "_x"], t[name + "_y"], ink, 3)
        dot(t["left_x"], t["left_y"], "cyan", 4)
        dot(t["right_x"], t["right_y"], "blue", 4)
        for name, ink in (("pelvis", "lime"), ("shoulders", "magenta")):
            pen.line([30, 195, 30 + 25 * t[name + "_c"], 195 - 25 * t[name + "_s"]], fill=ink, width=2)
        pen.text((2, 2), f"{KINDS[int(t['kind'])]} tip {t['tip_shown']:.2f} bat {t['bat_shown']:.2f} sw {t['sweep_px']:.0f} az {t['azimuth']:.0f}", fill="white")
        out.paste(picture, (i % across * SIZE, i // across * SIZE))
    out.save(path)


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("folder")
    p.add_argument("--seed", type=int, default=0)
    p.add_argument("--about", default="hands", choices=list(ABOUT))
    p.add_argument("--seconds", type=float, default=1e9)
    p.add_argument("--count", type=int, default=10**9, help="images a process")
    p.add_argument("--processes", type=int, default=1)
    p.add_argument("--split", default="train", choices=["train", "kept"])
    p.add_argument("--sheet")
    a = p.parse_args()
    os.makedirs(a.folder, exist_ok=True)
    if a.processes == 1:
        work(a.folder, a.about, a.seed, a.seconds, a.count, a.split)
    else:
        one = lambda i: [sys.executable, __file__, a.folder, "--about", a.about, "--seed", str(a.seed + i), "--seconds", str(a.seconds), "--count", str(a.count), "--split", a.split]
        alone = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        running = [subprocess.Popen(one(i), env=alone) for i in range(a.processes)]
        if any([r.wait() for r in running]):
            sys.exit("a process failed")
    if a.sheet:
        sheet(a.folder, a.sheet)


if __name__ == "__main__":
    main()
