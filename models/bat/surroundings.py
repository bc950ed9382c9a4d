"""What is in a crop besides the hitter: cages, walls of any pattern, nets, poles, rakes, tees, bats that nobody holds, other people."""
import os

import numpy as np
from PIL import Image, ImageDraw

from body import turn, unit
from scene import Cage, lathe, sphere, standing

TEXTURE = 384
# Photographs without people that PyPI `scikit-image` carries, all CC0 or in the public domain.
PHOTOGRAPHS = ("brick.png", "chelsea.png", "coffee.png", "grass.png", "gravel.png", "rocket.jpg", "hubble_deep_field.jpg", "coins.png", "moon.png")


def photographs():
    try:
        import skimage
    except ImportError:
        return []
    files = [os.path.join(os.path.dirname(skimage.__file__), "data", name) for name in PHOTOGRAPHS]
    return [np.asarray(Image.open(f).convert("RGB").resize((TEXTURE, TEXTURE))) for f in files if os.path.exists(f)]


def pattern(rng):
    """Shapes and lines of all sizes over one another, some with grain."""
    blotches = rng.integers(0, 255, (6, 6, 3), dtype=np.uint8)
    picture = Image.fromarray(blotches).resize((TEXTURE, TEXTURE), Image.Resampling.BICUBIC)
    pen = ImageDraw.Draw(picture)
    palette = rng.uniform(10, 240, (4, 3))
    for _ in range(int(rng.integers(0, 170))):
        color = tuple(int(c) for c in np.clip(palette[rng.integers(4)] + rng.normal(0, 25, 3), 0, 255))
        x, y = rng.uniform(-30, TEXTURE + 30, 2)
        size, what = 6 / rng.uniform(0.03, 1) ** 1.1, rng.random()
        if what < 0.3:
            pen.ellipse([x - size, y - size * rng.uniform(0.3, 1), x + size, y + size * 0.8], fill=color)
        elif what < 0.6:
            corners = np.sort(rng.uniform(0, 6.28, 4))
            pen.polygon([(x + size * np.cos(a), y + size * np.sin(a)) for a in corners], fill=color)
        else:
            a = rng.choice([0, np.pi / 2, rng.uniform(0, np.pi)])
            way = np.array([np.cos(a), np.sin(a)]) * size * rng.uniform(1, 6)
            pen.line([x - way[0], y - way[1], x + way[0], y + way[1]], fill=color, width=int(rng.integers(1, 12)))
    out = np.asarray(picture, np.float32)
    if rng.random() < 0.6:
        grain = rng.integers(0, 255, (int(TEXTURE / rng.uniform(1, 12)),) * 2, dtype=np.uint8)
        out = out + (np.asarray(Image.fromarray(grain).resize((TEXTURE, TEXTURE)), np.float32)[..., None] - 128) * rng.uniform(0.05, 0.5)
    return np.clip(out, 0, 255).astype(np.uint8)


def color(rng):
    if rng.random() < 0.55:
        return np.full(3, rng.choice([0.04, 0.12, 0.3, 0.6, 0.85, 0.95])) * rng.uniform(0.85, 1.05, 3)
    return rng.uniform(0.03, 0.95, 3)


WOOD = ((0.75, 0.57, 0.36), (0.62, 0.42, 0.24), (0.85, 0.7, 0.48), (0.35, 0.2, 0.12))


def profile(length, handle, barrel):
    y = np.array([0, 0, 0.012, 0.02, 0.1, 0.4, 0.5, 0.6, 0.72, 0.85, 0.95, 1, 1.0])
    slim = handle + (barrel - handle) * np.array([0.3, 0.65])
    return lathe(y * length, np.array([0, 0.024, 0.025, handle, handle, handle * 1.2, *slim, barrel * 0.95, barrel, barrel, barrel * 0.6, 0]))


def ring(radius, tube, arc=2 * np.pi, m=22):
    """A ring, or an arc of one, about z."""
    a, b = np.meshgrid(np.linspace(0, arc, m), 2 * np.pi * np.arange(6) / 6, indexing="ij")
    n = np.stack([np.cos(a) * np.cos(b), np.sin(a) * np.cos(b), np.sin(b)], -1).reshape(-1, 3)
    v = n * tube + np.stack([np.cos(a), np.sin(a), 0 * a], -1).reshape(-1, 3) * radius
    i, k = np.meshgrid(np.arange(m - 1) * 6, np.arange(6), indexing="ij")
    p, q = (i + k).ravel(), (i + (k + 1) % 6).ravel()
    return v, n, np.concatenate([np.stack([p, p + 6, q], 1), np.stack([q, p + 6, q + 6], 1)])


class Surroundings(Cage):
    """A cage drawn at random, or a picture behind the hitter, with things that stand, lie and hang about."""

    def __init__(self, canvas, rng, camera, textures, keep_clear):
        painted = rng.random() < 0.6
        options = {}
        if painted:
            options |= {"wall": False, "plate": rng.random() < 0.3, "back_net": rng.random() < 0.3}
        if rng.random() < 0.5:
            options |= {"ground": color(rng) * 0.8, "ground2": color(rng) * 0.8}
        if rng.random() < 0.22:
            options["front_net"] = {"at": rng.uniform(0.7, 1.8), "color": tuple(color(rng) * 0.6), "diamond": float(rng.integers(0, 2)), "threads": rng.uniform(7, 24)}
        super().__init__(canvas, rng, camera, options)
        self.picture = textures[rng.integers(len(textures))] if painted else None
        size = np.exp(rng.uniform(-1.2, 0.7))
        self.window = np.array([size, size * rng.choice([-1, 1]), rng.random(), rng.random()])
        self.floor = not painted or rng.random() < 0.6
        self.people = []
        for _ in range(rng.poisson(1.3)):
            self._thing(rng, keep_clear)

    def _thing(self, rng, keep_clear):
        """Poles, rails, fence posts, rakes, tees, bats on the ground or leaning; not through the hands."""
        at = np.array([rng.uniform(-1.5, 1.5), rng.uniform(0, 1.8), rng.uniform(-1.8, 0.9)])
        what = rng.random()
        if what < 0.5:
            way = np.array([0, 1.0, 0]) if rng.random() < 0.4 else unit(rng.normal(0, 1, 3))
            length, radius = rng.uniform(0.3, 2.5), rng.uniform(0.006, 0.05)
            v, n, t = lathe(np.array([-0.5, -0.5, 0.5, 0.5]) * length, np.array([0, radius, radius * rng.uniform(0.5, 1.5), 0]))
        elif what < 0.8:
            way = unit(rng.normal(0, 1, 3) + [0, rng.choice([-1.5, 0, 1.5]), 0])
            v, n, t = profile(rng.uniform(0.6, 0.88), 0.0125, rng.uniform(0.027, 0.036))
            if rng.random() < 0.5:
                at[1], way = 0.04, unit(way * [1, 0, 1] + 1e-3)
        elif what < 0.9:
            way = unit(rng.normal(0, 1, 3) + [0, 1.5, 0])
            v, n, t = lathe(np.array([0, 0, 1.5, 1.5]), np.array([0, 0.014, 0.014, 0]))
            v2, n2, t2 = lathe(np.array([-0.25, -0.25, 0.25, 0.25]), np.array([0, 0.02, 0.02, 0]))
            v2, n2 = v2[:, [1, 0, 2]] + [0, 1.5, 0], n2[:, [1, 0, 2]]
            v, n, t = np.concatenate([v, v2]), np.concatenate([n, n2]), np.concatenate([t, t2 + len(v)])
        else:
            way, at = np.array([0, 1.0, 0]), at * [1, 0, 1]
            v, n, t = lathe(np.array([0, 0, 0.03, 0.04, 0.8, 0.8, 0.86]), np.array([0, 0.14, 0.13, 0.025, 0.018, 0.03, 0.035]))
        m = standing(way)[:3, :3]
        v, n = v @ m.T + at, n @ m.T
        if np.linalg.norm(v[:, None] - keep_clear[None], axis=-1).min() < 0.15:
            return
        paint = np.array(WOOD[rng.integers(4)]) * rng.uniform(0.8, 1.15) if rng.random() < 0.35 else color(rng)
        self.things.append((self.canvas.mesh(v, n, paint, t), 0, (0, 0, 0, 0)))

    def draw_still(self):
        c = self.canvas
        c.still.clear(*self.sky, 1.0)
        if self.picture is not None:
            c.paint(self.picture, self.window)
        if self.floor:
            c.set(kind=1, **self.ground_look)
            self.ground.render()
        for mesh, kind, look in self.things:
            c.set(kind=kind, pattern=look)
            mesh.render()
        c.set(kind=0, pattern=(0, 0, 0, 0))
        for person, bones, points, place in self.people:
            person.draw(bones, points, 0, place)
        self._nets(self.nets)


class Held:
    """What a hand holds that is no bat: racket, bow or ball."""

    def __init__(self, canvas, rng):
        self.side = str(rng.choice(["left_wrist", "right_wrist"]))
        what = rng.random()
        if what < 0.4:
            v, n, t = ring(0.14, 0.011)
            v2, n2, t2 = lathe(np.array([0, 0, 0.38, 0.38]), np.array([0, 0.016, 0.014, 0]))
            v = np.concatenate([v * [0.85, 1.15, 1] + [0, 0.53, 0], v2])
            n, t = np.concatenate([n, n2]), np.concatenate([t, t2 + len(v) - len(v2)])
        elif what < 0.7:
            v, n, t = ring(0.75, 0.012, 1.9)
            v = v @ turn("z", -0.95 + np.pi).T + [0.72, 0, 0]
        else:
            v, n, t = sphere(6, 10)
            v = v * rng.choice([0.037, 0.05, 0.12])
        self.mesh = canvas.mesh(v, n, color(rng), t)
        self.axes = standing(unit(rng.normal(0, 1, 3)))
        self.canvas = canvas

    def draw(self, points, i, place):
        m = self.axes.copy()
        m[:3, 3] = points[self.side][i]
        self.canvas.set(model=place @ m)
        self.mesh.render()
        self.canvas.set(model=np.eye(4))
