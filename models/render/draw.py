"""Draws hitters, cameras and cages at random: draw.py KIND FIRST COUNT FOLDER [--bodies FILE]

KIND is open (the plate side), back (the hitter's back), behind, front, or captured. The same number gives the same clip.
"""
import argparse
import os

import numpy as np

from body import Body
from captured import Captured
from chance import CHILDREN, GROWN, look, style, swing
from clip import Actor, write
from people import bystander
from scene import Camera
from swing import Hitter, truth

HERE = os.path.dirname(os.path.abspath(__file__))
def happen(h, rng, swings):
    """A session in small: swings with what lies between them."""
    h.stand(rng.uniform(0.4, 1.0))
    others = ["take"] if rng.random() < 0.5 else []
    plan = ["swing"] * swings + others
    rng.shuffle(plan)
    for what in plan:
        u = rng.random()
        if u < 0.4:
            h.waggle(rng.uniform(1.0, 2.6), size=rng.uniform(0.5, 1.3), sway=rng.uniform(0.3, 1.3))
        elif u < 0.6:
            h.place_ball((0.25 * h.k, 0.9 * h.k, 0.85 * h.k), rng.uniform(2.2, 3.0))
        elif u < 0.75:
            h.step_out(rng.uniform(2.4, 3.4), rng.uniform(0.25, 0.6))
        h.swing(swing(rng, what == "take"), set_secs=rng.uniform(0.55, 1.3), recover=rng.uniform(1.0, 1.6))
    h.stand(1.2)


def camera(rng, view, size, tall):
    azimuth = {"open": rng.uniform(-25, 25), "back": 180 + rng.uniform(-20, 20), "behind": -90 + rng.uniform(-15, 15), "front": 90 + rng.uniform(-15, 15)}[view]
    return Camera(*size, azimuth=azimuth, distance=rng.uniform(3.8, 6.0), above=rng.uniform(0.85, 1.5), roll=rng.uniform(-3, 3),
                  aim=(rng.uniform(-0.15, 0.3), 0.5 * tall + rng.uniform(-0.05, 0.1), 0), tall=tall * rng.uniform(1.3, 1.6)), azimuth


def plan_of(kind, number):
    """Frames a second, size, bystander: spread evenly over the numbers, so that a set has some of each."""
    fps = 120 if number % 16 == 7 else (60, 30)[number % 2]
    size = {2: (960, 540), 17: (1280, 720)}.get(number % 24, (640, 360))
    return fps, (640, 360) if fps == 120 else size, fps == 30 and number % 4 == 1


def draw(kind, number, folder, pack, swings=None, preset="veryfast"):
    rng = np.random.default_rng([number, sum(map(ord, kind))])
    fps, size, beside = plan_of(kind, number)
    child = rng.random() < 0.15
    height = rng.uniform(1.2, 1.5) if child else rng.uniform(1.5, 1.95)
    body = Body(pack, int(rng.choice(CHILDREN if child else GROWN)), height)
    mirrored = bool(rng.random() < 0.5)
    h = Hitter(body, style(rng), 60, rng)
    happen(h, rng, swings or (2 if rng.random() < 0.7 else 3))
    secs = h.now
    actors = [Actor(body, h.m.finished(), look(rng), mirrored=mirrored)]
    cam, azimuth = camera(rng, kind, size, height)
    if beside or rng.random() < 0.15:
        other = Body(pack, int(rng.choice(GROWN)), rng.uniform(1.6, 1.9))
        side = rng.choice([-1, 1])
        b = bystander(other, 60, rng, str(rng.choice(["down", "crossed", "hips"])))
        depth = rng.uniform(-1.6, -0.4) * (1 if kind == "open" else -1)
        actors.append(Actor(other, b.m.finished(), look(rng, False), place=(side * rng.uniform(1.0, 1.5), depth, rng.uniform(-0.6, 0.6) + (0 if kind == "open" else 3.14))))
    dim = rng.random() < 0.2
    name = f"{kind}_{number:02d}_{fps}fps" + ("_beside" if beside else "")
    tee = any(x["segment"] == "placement" for x in h.segments)
    balls = h.balls

    def ball(t):
        gone = [a for a, _ in balls if a is not None and a <= t]
        put = [b for a, b in balls if a is None and b <= t]
        return bool(put) and (not gone or max(put) > max(gone))

    flip = -1 if mirrored else 1
    options = {"tee": (0.25 * h.k * flip, 0.9 * h.k, 0.85 * h.k) if tee else None}
    write(os.path.join(folder, name), truth(h), actors, options, cam, secs, fps, 1 / rng.uniform(60 if fps < 100 else 130, 600), rng, crf=24, preset=preset,
          view={"view": kind, "azimuth_deg": round(azimuth, 1), "bystander": len(actors) > 1}, gain=0.6 if dim else rng.uniform(0.85, 1.15), noise=rng.uniform(0.012, 0.02) if dim else rng.uniform(0.003, 0.01), ball=ball,
          light=(rng.uniform(-0.8, 0.8), 1.0, rng.uniform(-0.2, 0.9)), ambient=rng.uniform(0.3, 0.5))
    return name


VIEWS = {"square": 0, "toward_pitcher": 20, "toward_catcher": -20, "back_side": 180, "behind": -90, "front": 90}


def draw_captured(number, folder, pack, swing_file):
    view = list(VIEWS)[number % len(VIEWS)]
    rng = np.random.default_rng([number, 7])
    body = Body(pack, int(rng.choice(GROWN)), rng.uniform(1.6, 1.9))
    c = Captured(body, swing_file)
    actor = Actor(body, None, look(rng, False), mirrored=number >= 2 * len(VIEWS))
    actor.pose = c.pose
    fps = 60 if (number // len(VIEWS)) % 2 == 0 else 30
    size = (640, 360) if number % 3 else (960, 540)
    cam = Camera(*size, azimuth=VIEWS[view], distance=rng.uniform(4.2, 5.5), above=rng.uniform(0.9, 1.3), roll=rng.uniform(-1.5, 1.5), aim=(0.15, 0.5 * body.height, 0), tall=1.6 * body.height)
    name = f"captured_{number:02d}_{view}_{fps}fps"
    write(os.path.join(folder, name), c.segments(), [actor], {}, cam, c.before + c.secs + 1.2, fps, 1 / 200, rng, crf=24, preset="veryfast",
          note="captured motion: times are read from its joints, each good to 20 ms; contact is where the hands are fastest", view={"view": view, "azimuth_deg": VIEWS[view]}, noise=0.006)
    return name


if __name__ == "__main__":
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("kind")
    p.add_argument("first", type=int)
    p.add_argument("count", type=int)
    p.add_argument("folder")
    p.add_argument("--bodies", default=os.path.join(HERE, "bodies.npz"))
    p.add_argument("--mocap", default=os.path.join(HERE, "../../tests/data/mocap/swing.json"))
    a = p.parse_args()
    os.makedirs(a.folder, exist_ok=True)
    with np.load(a.bodies) as z:
        pack = {k: z[k] for k in z}
    for i in range(a.first, a.first + a.count):
        print(draw_captured(i, a.folder, pack, a.mocap) if a.kind == "captured" else draw(a.kind, i, a.folder, pack), flush=True)
