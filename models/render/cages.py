"""Cages as they are: the clips of tests/data/cages. cages.py FOLDER [NAME...]; `hold`, of which a track is kept, only where it is named.

Each clip is a small session with something in it that a cage has and a studio has not. The same code gives the same pictures.
"""
import os
import sys

import numpy as np

from body import Body
from clip import Actor, write
from draw import HERE, look, style, swing
from people import waiting_hitter, walk_path, walker
from scene import Camera
from swing import Hitter, truth


class Mirrored(Actor):
    """Another actor in a mirror that stands at depth z."""

    def __init__(self, actor, z):
        super().__init__(actor.body, actor.channels, actor.look, actor.place, actor.mirrored, actor.offset)
        self.z = z

    def matrices(self, times):
        flip = np.diag([1.0, 1, -1, 1])
        flip[2, 3] = 2 * self.z
        return flip @ super().matrices(times)


class OnScreen(Actor):
    """Another actor on a screen, smaller and later: the delayed picture that many cages show."""

    def __init__(self, actor, delay, at, size):
        super().__init__(actor.body, actor.channels, actor.look, actor.place, actor.mirrored)
        self.delay, self.at, self.size = delay, at, size

    def pose(self, times):
        return super().pose(np.maximum(np.asarray(times) - self.delay, 0))

    def matrices(self, times):
        m = np.diag([self.size, self.size, self.size * 0.1, 1.0])
        m[:3, 3] = self.at
        return m @ super().matrices(times)


class Clip:
    def __init__(self, seed, pack, height=1.76, body=2, mirrored=False, **dress):
        self.rng = np.random.default_rng(seed)
        self.pack, self.body = pack, Body(pack, body, height)
        self.h = Hitter(self.body, style(self.rng), 90, self.rng)
        self.look = {**look(self.rng), **dress}
        self.mirrored, self.first, self.others, self.options, self.pictures = mirrored, None, [], {}, {}
        self.h.stand(1.0)

    def swing(self, **parts):
        s = swing(self.rng)
        for name, value in parts.items():
            setattr(s, name, value)
        self.h.swing(s, set_secs=0.9, recover=1.1)

    def actor(self):
        return Actor(self.body, self.h.m.finished(), self.look, mirrored=self.mirrored)

    def person(self, make, height=1.75, body=5, secs=90, **place):
        other = Body(self.pack, body, height)
        return Actor(other, make(other, secs, self.rng).m.finished(), look(self.rng, make is waiting_hitter), **place)

    def save(self, folder, name, fps=30, azimuth=8.0, shutter=1 / 200, secs=None, size=(640, 360), crf=26, wide=1.45):
        self.h.stand(1.0)
        cam = Camera(*size, azimuth=azimuth * (-1 if self.mirrored else 1), distance=5.0, above=1.15, roll=0.7, aim=(0.1, 0.5 * self.body.height, 0), tall=wide * self.body.height)
        balls = self.h.balls

        def ball(t):
            put = [b for a, b in balls if a is None and b <= t]
            gone = [a for a, _ in balls if a is not None and a <= t]
            return bool(put) and (not gone or max(put) > max(gone))

        options = {"wall": True, "back_net": True, "plate": True, **self.options}
        write(os.path.join(folder, name), truth(self.h), [self.first or self.actor(), *self.others], options, cam, secs or self.h.now, fps, shutter, self.rng, crf=crf, preset="slow",
              ball=ball, **{"noise": 0.004, **self.pictures})


def net_before_lens(pack):
    c = Clip(1, pack, body=3, height=1.8)
    c.swing()
    c.h.waggle(1.5)
    c.swing()
    c.options["front_net"] = {"at": 2.6, "threads": 13.0, "color": (0.07, 0.07, 0.07)}
    return c, {}


def walkers(pack):
    """One walks by behind, during the first swing, another before the hitter between the swings."""
    c = Clip(2, pack, body=13, height=1.68, mirrored=True)
    c.swing()
    between = c.h.now
    c.h.waggle(4.0, size=0.7, sway=0.6)
    c.swing()
    c.others.append(c.person(walker, 1.72, 15, place=(0, 0, np.pi / 2), offset=walk_path(1.2, (-4.2, -1.7), (1, 0))))
    c.others.append(c.person(walker, 1.85, 6, place=(0, 0, -np.pi / 2), offset=walk_path(1.2, (1.2 * (between + 2.0), 1.9), (-1, 0))))
    return c, {}


def waiting(pack):
    """A second hitter waits behind the first with a bat of their own."""
    c = Clip(3, pack, body=17, height=1.64)
    c.swing()
    c.h.waggle(2.0)
    c.swing()
    c.others.append(c.person(waiting_hitter, 1.7, 20, place=(-1.5, -1.2, 0.5)))
    return c, {"azimuth": -6}


def mirror(pack):
    c = Clip(4, pack, body=1, height=1.83)
    c.swing()
    c.options.update(wall=False, back_net=False, window=(-2.4, 2.0, 0.25, 2.3, -1.6, (0.4, 0.4, 0.38)))
    c.first = c.actor()
    c.others.append(Mirrored(c.first, -1.6))
    return c, {"azimuth": 12}


def screen(pack):
    """A screen on the wall shows the hitter four seconds late."""
    c = Clip(5, pack, body=22, height=1.7, mirrored=True)
    c.swing()
    c.h.stand(2.2)
    c.swing()
    c.h.stand(1.5)
    c.options.update(wall=False, back_net=False, window=(0.6, 2.5, 0.9, 2.15, -2.0, (0.3, 0.31, 0.33)))
    c.first = c.actor()
    c.others.append(OnScreen(c.first, 4.0, (1.5, 0.95, -2.3), 0.62))
    return c, {"azimuth": 5}


def dark(pack):
    c = Clip(6, pack, body=7, height=1.78, skin=(0.3, 0.2, 0.15), shirt=(0.07, 0.07, 0.08), trousers=(0.06, 0.06, 0.07), shoes=(0.04, 0.04, 0.04), sleeves=(0.07, 0.07, 0.08), hat="cap", hat_color=(0.05, 0.05, 0.06), stripe=(0, 1), bat=(0.08, 0.08, 0.09), gloves=(0.06, 0.06, 0.06))
    c.h.waggle(1.5)
    c.swing()
    c.options.update(ground=(0.1, 0.1, 0.1), ground2=(0.07, 0.08, 0.07), wall_color=(0.1, 0.1, 0.11), sky=(0.06, 0.06, 0.07))
    c.pictures.update(gain=0.8, noise=0.008)
    return c, {}


def child(pack):
    """A child in a helmet puts the ball on the tee by hand between the swings."""
    c = Clip(7, pack, body=10, height=1.22, hat="helmet", hat_color=(0.1, 0.15, 0.4))
    k = c.h.k
    c.options["tee"] = (0.25 * k, 0.85 * k, 0.85 * k)
    c.h.place_ball(c.options["tee"], 2.6)
    c.swing()
    c.h.place_ball(c.options["tee"], 2.6)
    c.swing()
    return c, {}


def gloves_and_donut(pack):
    """Batting gloves, a donut on the bat: slow heavy waggles, then one slow swing."""
    c = Clip(8, pack, body=4, height=1.86, mirrored=True, gloves=np.array((0.85, 0.85, 0.8)), donut=True, hat="helmet", hat_color=(0.5, 0.05, 0.05))
    c.h.waggle(2.5, size=1.5, sway=1.2)
    c.swing(plant_to_contact=0.17, follow=0.45)
    c.h.waggle(2.0, size=1.4)
    return c, {}


def tee_by_hand(pack):
    """Steps out, comes back, places the ball, swings, places the next."""
    c = Clip(9, pack, body=14, height=1.62, hat="cap")
    k = c.h.k
    c.options["tee"] = (0.25 * k, 0.9 * k, 0.85 * k)
    c.h.step_out(2.6, 0.4)
    c.h.place_ball(c.options["tee"], 2.4)
    c.swing()
    c.h.place_ball(c.options["tee"], 2.2)
    c.swing()
    return c, {"azimuth": -12}


def hold(pack):
    """The bat at the shoulder for a minute, then one swing."""
    c = Clip(10, pack, body=0, height=1.8)
    c.h.hold_at_shoulder(60)
    c.swing()
    return c, {"fps": 30}


CLIPS = {f.__name__: f for f in (net_before_lens, walkers, waiting, mirror, screen, dark, child, gloves_and_donut, tee_by_hand, hold)}

if __name__ == "__main__":
    with np.load(os.path.join(HERE, "bodies.npz")) as z:
        bodies = {k: z[k] for k in z}
    os.makedirs(sys.argv[1], exist_ok=True)
    for title in sys.argv[2:] or [name for name in CLIPS if name != "hold"]:
        made, how = CLIPS[title](bodies)
        made.save(sys.argv[1], title, **how)
        print(title, flush=True)
