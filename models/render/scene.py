"""Draws bodies, bats and a cage through OpenGL (EGL: no screen is needed, software will do)."""
import moderngl
import numpy as np
from PIL import Image

from body import align, unit

VERTEX = """#version 330
in vec3 p; in vec3 n; in vec3 c; in vec4 bi; in vec4 bw;
uniform mat4 vp; uniform mat4 model; uniform mat4 bones[31]; uniform int skin;
out vec3 N; out vec3 C; out vec3 W; out vec3 Q;
void main() {
  mat4 m = model;
  if (skin == 1) m = model * (bw.x*bones[int(bi.x)] + bw.y*bones[int(bi.y)] + bw.z*bones[int(bi.z)] + bw.w*bones[int(bi.w)]);
  vec4 w = m * vec4(p, 1.0);
  gl_Position = vp * w; N = mat3(m) * n; C = c; W = w.xyz; Q = p;
}"""

FRAGMENT = """#version 330
in vec3 N; in vec3 C; in vec3 W; in vec3 Q;
uniform vec3 eye; uniform vec3 light; uniform float ambient; uniform float shine; uniform int kind; uniform vec4 pattern; uniform vec3 other;
out vec4 o;
float hash(vec2 x) { return fract(sin(dot(x, vec2(12.9898, 78.233))) * 43758.5453); }
float noise(vec2 x) { vec2 i = floor(x), f = fract(x); f = f*f*(3.0-2.0*f);
  return mix(mix(hash(i), hash(i+vec2(1,0)), f.x), mix(hash(i+vec2(0,1)), hash(i+vec2(1,1)), f.x), f.y); }
void main() {
  vec3 c = C;
  if (kind == 7) {  // a net: threads, the rest is air
    vec2 q = (W.xy + vec2(W.z)) * pattern.y + pattern.zw + 0.25 * vec2(noise(W.xy * 1.3), noise(W.yx * 1.7));
    float a = pattern.x > 0.5 ? min(abs(fract(q.x+q.y)-0.5), abs(fract(q.x-q.y)-0.5)) : min(abs(fract(q.x)-0.5), abs(fract(q.y)-0.5));
    float px = length(fwidth(q)); float cover = clamp((0.045 - a) / max(px, 0.02) + 0.5, 0.0, 1.0);
    cover = mix(cover, 0.18, smoothstep(0.35, 0.9, px));
    o = vec4(C, cover); return;
  }
  if (kind == 6) { o = vec4(C, pattern.x * (1.0 - smoothstep(0.1, 1.0, length(Q.xz)))); return; }  // a shadow under somebody
  vec3 n = normalize(N), l = normalize(light), v = normalize(eye - W);
  if (kind == 1) {  // ground
    float g = noise(W.xz * 60.0) * 0.3 + noise(W.xz * 9.0) * 0.3 + noise(W.xz * 1.1) * 0.35 + 0.5;
    c = mix(C, other, smoothstep(.45, .62, noise(W.xz * pattern.y + pattern.zw))) * g; }
  if (kind == 2) c = C * (0.75 + 0.4 * noise(W.xy * pattern.y + pattern.zw) + 0.1 * noise(W.xy * 23.0));
  if (kind == 3) { float s = pattern.x > 0.5 && pattern.x < 1.5 ? step(0.78, fract(Q.x * pattern.y)) : (pattern.x > 1.5 ? step(0.62, fract(Q.y * pattern.y)) : 0.0);
    c = mix(C, other, s * step(0.93, Q.y) * step(Q.y, 1.46)); c *= 0.84 + 0.3 * noise(Q.xy * 17.0 + Q.zz * 9.0); }
  float d = max(dot(n, l), 0.0) + 0.35 * max(dot(n, normalize(vec3(-l.x, 0.3, -l.z))), 0.0);
  o = vec4(c * (ambient + 0.7 * d) + shine * pow(max(dot(reflect(-l, n), v), 0.0), 20.0), 1.0);
}"""


def sphere(n=10, m=16):
    a, b = np.meshgrid(np.pi * np.arange(n + 1) / n, 2 * np.pi * np.arange(m) / m, indexing="ij")
    v = np.stack([np.sin(a) * np.cos(b), np.cos(a), np.sin(a) * np.sin(b)], -1).reshape(-1, 3)
    return v, v, grid(n, m)


def grid(n, m):
    i, k = np.meshgrid(np.arange(n) * m, np.arange(m), indexing="ij")
    a, b = (i + k).ravel(), (i + (k + 1) % m).ravel()
    return np.concatenate([np.stack([a, a + m, b], 1), np.stack([b, a + m, b + m], 1)])


def lathe(heights, radii, m=14):
    b = 2 * np.pi * np.arange(m) / m
    ring = np.stack([np.cos(b), 0 * b, np.sin(b)], 1)
    v = np.concatenate([ring * [r, 1, r] + [0, y, 0] for y, r in zip(heights, radii)])
    return v, np.tile(ring, (len(heights), 1)), grid(len(heights) - 1, m)


def fingers():
    """A hand closed about a handle that runs along y: four fingers, thumb and back of the hand, which lies on the +x side; unit: meters of a body of 1.78 m."""
    parts = []
    bend = np.linspace(-0.55, 4.3, 9)
    around = 2 * np.pi * np.arange(6) / 6
    for y in (-0.031, -0.0105, 0.0105, 0.031):
        out = np.stack([np.cos(bend), 0 * bend, np.sin(bend)], -1)
        tube = (np.cos(around)[:, None, None] * out + np.sin(around)[:, None, None] * np.array([0, 1.0, 0])).transpose(1, 0, 2)
        parts.append(((out[:, None] * 0.0265 + tube * 0.0115 + [0, y, 0]).reshape(-1, 3), tube.reshape(-1, 3), grid(len(bend) - 1, 6)))
    v, n, t = sphere(6, 10)
    parts.append((v * [0.017, 0.043, 0.034] + [0.036, 0, -0.004], n, t))
    parts.append((v * [0.03, 0.014, 0.014] + [0.01, 0.036, -0.028], n, t))
    first = np.cumsum([0] + [len(p[0]) for p in parts])
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts]), np.concatenate([p[2] + i for p, i in zip(parts, first)])


def box(low, high):
    low, high = np.array(low, float), np.array(high, float)
    v, n, t = [], [], []
    for axis in range(3):
        for end in (0, 1):
            a, b = [x for x in range(3) if x != axis]
            normal = np.zeros(3)
            normal[axis] = 2 * end - 1
            for i, j in ((0, 0), (1, 0), (1, 1), (0, 1)):
                q = np.zeros(3)
                q[axis], q[a], q[b] = end, i, j
                v.append(low + q * (high - low))
                n.append(normal)
            s = len(v) - 4
            t += [[s, s + 1, s + 2], [s, s + 2, s + 3]]
    return np.array(v), np.array(n), np.array(t)


class Camera:
    """`azimuth` counts from square on the plate side, positive toward the pitcher of a right-handed hitter; degrees, meters."""

    def __init__(self, width, height, azimuth=0.0, distance=5.0, above=1.1, roll=0.0, aim=(0.1, 0.9, 0.0), tall=2.7):
        a, r = np.radians(azimuth), np.radians(roll)
        self.width, self.height = width, height
        aim = np.array(aim, float)
        self.eye = np.array([aim[0] + np.sin(a) * distance, above, aim[2] + np.cos(a) * distance])
        z = unit(self.eye - aim)
        x0 = unit(np.cross([0, 1.0, 0], z))
        y0 = np.cross(z, x0)
        x, y = np.cos(r) * x0 + np.sin(r) * y0, np.cos(r) * y0 - np.sin(r) * x0
        view = np.eye(4)
        view[:3, :3] = np.stack([x, y, z])
        view[:3, 3] = -view[:3, :3] @ self.eye
        half = 0.5 * tall / np.linalg.norm(self.eye - aim)
        near, far = 0.1, 60.0
        p = np.zeros((4, 4))
        p[0, 0], p[1, 1] = height / width / half, 1 / half
        p[2, 2], p[2, 3], p[3, 2] = (far + near) / (near - far), 2 * far * near / (near - far), -1
        self.base, self.shift = p @ view, np.eye(4)

    @property
    def matrix(self):
        return self.shift @ self.base

    def pixel(self, points):
        q = np.concatenate([points, np.ones((*points.shape[:-1], 1))], -1) @ self.matrix.T
        return np.stack([(q[..., 0] / q[..., 3] + 1) * self.width / 2, (1 - q[..., 1] / q[..., 3]) * self.height / 2], -1)


class Canvas:
    """Draws larger and shrinks, for smooth edges: on a processor that is cheaper than multisampling."""

    def __init__(self, width, height, larger=1.5):
        self.shown = width, height
        width, height = int(larger * width), int(larger * height)
        self.ctx = moderngl.create_context(standalone=True, backend="egl")
        self.ctx.enable(moderngl.DEPTH_TEST)
        self.ctx.blend_func = moderngl.SRC_ALPHA, moderngl.ONE_MINUS_SRC_ALPHA
        self._program(self.ctx)
        make = lambda: self.ctx.framebuffer([self.ctx.renderbuffer((width, height), 4)], self.ctx.depth_renderbuffer((width, height)))
        self.moving, self.still, self.size = make(), make(), (width, height)
        self.has_still = False

    def _program(self, context):
        self.program = context.program(vertex_shader=VERTEX, fragment_shader=FRAGMENT)
        self.set(model=np.eye(4), skin=0, shine=0.03, kind=0, pattern=(0, 0, 0, 0), other=(0, 0, 0))

    def set(self, **values):
        for name, v in values.items():
            if name not in self.program:
                continue
            if isinstance(v, np.ndarray) and v.ndim >= 2:
                # Matrices go column by column.
                v = np.swapaxes(v, -1, -2)
                self.program[name].write(np.ascontiguousarray(v, "f4").tobytes())
            else:
                self.program[name].value = tuple(v) if isinstance(v, (np.ndarray, list)) else v

    def mesh(self, v, n, color, t, bones=None, weights=None):
        k = len(v)
        color = np.broadcast_to(color, (k, 3))
        bones = np.zeros((k, 4)) if bones is None else bones
        weights = np.zeros((k, 4)) if weights is None else weights
        data = self.ctx.buffer(np.hstack([v, n, color, bones, weights]).astype("f4").tobytes())
        index = self.ctx.buffer(np.ascontiguousarray(t, "i4").tobytes())
        return self.ctx.vertex_array(self.program, [(data, "3f 3f 3f 4f 4f", "p", "n", "c", "bi", "bw")], index)

    def quad(self, points, color):
        p = np.array(points, float)
        n = unit(np.cross(p[1] - p[0], p[2] - p[0]))
        return self.mesh(p, np.tile(n, (4, 1)), color, np.array([[0, 1, 2], [0, 2, 3]]))

    def begin(self, draw_still, again=False):
        """A new picture over what stands still, which is drawn once, or each time where the camera moves."""
        if again or not self.has_still:
            self.still.use()
            draw_still()
            self.has_still = True
        self.ctx.copy_framebuffer(self.moving, self.still)
        self.moving.use()

    def read(self):
        picture = Image.frombytes("RGB", self.size, self.moving.read(components=3))
        return np.asarray(picture if self.shown == self.size else picture.resize(self.shown, Image.Resampling.BOX))[::-1]


def standing(y):
    """The model matrix that stands +y along a direction at the origin."""
    m = np.eye(4)
    m[:3, :3] = align(np.array([0, 1.0, 0]), y)
    return m


class Person:
    """A dressed body and what it carries."""

    def __init__(self, canvas, body, look):
        self.canvas, self.body, self.look = canvas, body, look
        label = body.label
        color = np.zeros((len(label), 3))
        part = {"Head": "skin", "Neck": "skin", "Neck1": "skin"}
        for name in body.names:
            plain = name.replace("Left", "").replace("Right", "")
            if plain in ("UpLeg", "Leg", "Hips", "LHipJoint", "RHipJoint"):
                kind = "trousers"
            elif plain in ("Foot", "ToeBase"):
                kind = "shoes"
            elif plain in ("LowerBack", "Spine", "Spine1", "Shoulder", "Arm"):
                kind = "shirt"
            elif plain == "ForeArm":
                kind = "sleeves" if "sleeves" in look else "skin"
            elif plain in ("Hand", "FingerBase", "HandFinger1") or name.endswith("Thumb"):
                kind = "gloves" if "gloves" in look else "skin"
            else:
                kind = part.get(name, "skin")
            color[label == name] = look[kind]
        v = body.vertices
        # The lower back's mesh reaches below the belt.
        color[(label == "LowerBack") & (v[:, 1] < 0.575 * body.height)] = look["trousers"]
        head = body.head["Head"]
        rel = (v - head) / body.scale
        hair = (label == "Head") & ((rel[:, 1] > 0.1 + 0.45 * np.maximum(rel[:, 2] - 0.02, 0)) | (rel[:, 2] < -0.01)) & (rel[:, 1] > 0.01)
        color[hair] = look.get("hair", (0.1, 0.07, 0.05))
        brow = (label == "Head") & (rel[:, 2] > 0.085) & (np.abs(rel[:, 1] - 0.075) < 0.008) & (np.abs(np.abs(rel[:, 0]) - 0.032) < 0.02)
        color[brow] = np.array(look["skin"]) * 0.3
        if "loose" in look:
            v = v + body.normals * self._loose(label, v)[:, None]
        self.mesh = canvas.mesh(v, body.normals, color, body.triangles, body.bones, body.weights)
        sv, sn, st = sphere()
        self.ball = canvas.mesh(sv, sn, look.get("hat_color", (0.1, 0.1, 0.3)), st)
        hand = fingers() if look.get("fingers") else (sv * 0.042, sn, st)
        self.fist = canvas.mesh(hand[0], hand[1], look.get("gloves", look["skin"]), hand[2])
        self.bat = None
        if "bat" in look:
            self.bat_length = look.get("bat_length", 0.84 * (0.45 + 0.55 * body.scale))
            self.bat = canvas.mesh(*self._bat())
            if look.get("donut"):
                dv, dn, dt = lathe(np.array([-0.03, -0.03, -0.02, 0.02, 0.03, 0.03]), np.array([0.02, 0.045, 0.058, 0.058, 0.045, 0.02]))
                self.donut = canvas.mesh(dv + [0, 0.72 * self.bat_length, 0], dn, (0.75, 0.1, 0.08), dt)

    @staticmethod
    def _closed(bat, to_wrist):
        """Axes of a hand about the bat, its back toward the wrist."""
        x = unit(to_wrist - (to_wrist @ bat) * bat)
        return np.stack([x, bat, np.cross(x, bat)], -1)

    def _loose(self, label, v):
        """How far clothes stand off the body (`loose`: shirt, trousers; meters), in folds."""
        shirt, trousers = self.look["loose"]
        plain = np.char.replace(np.char.replace(label, "Left", ""), "Right", "")
        off = shirt * np.isin(plain, ["LowerBack", "Spine", "Spine1", "Shoulder", "Arm"]) + trousers * np.isin(plain, ["Hips", "LHipJoint", "RHipJoint", "UpLeg", "Leg"])
        if "sleeves" in self.look:
            off = off + 0.6 * shirt * (plain == "ForeArm")
        return off * (0.7 + 0.3 * np.sin(v[:, 1] * 31 + v[:, 0] * 17 + 5 * np.sin(v[:, 2] * 13)))

    def _bat(self):
        """Knob at the origin, barrel up y."""
        look = self.look
        y = np.array([0, 0, 0.012, 0.02, 0.1, 0.25, 0.4, 0.5, 0.6, 0.72, 0.85, 0.95, 0.985, 1, 1.0])
        rh, rb = look.get("handle", 0.0125), look.get("barrel", 0.033)
        r = np.array([0, 0.024, 0.025, rh, rh, rh * 1.05, rh * 1.2, rh + (rb - rh) * 0.3, rh + (rb - rh) * 0.65, rb * 0.95, rb, rb, rb * 0.85, rb * 0.5, 0])
        v, n, t = lathe(y * self.bat_length, r)
        along = np.repeat(y, 14)[:, None]
        c = np.where(along < 0.36, look.get("tape", (0.08, 0.08, 0.08)), look["bat"])
        if "barrel_color" in look:
            c = np.where(along > look.get("barrel_from", 0.55), look["barrel_color"], c)
        return v, n, c, t

    def draw(self, bones, points, i, place):
        """Moment `i` of the posed arrays; `place` sets the person into the scene."""
        c, look, k = self.canvas, self.look, self.body.scale
        stripe = look.get("stripe", (0, 0))
        c.set(skin=1, kind=3, model=place, bones=bones[i], pattern=(stripe[0], stripe[1], 0, 0), other=look.get("stripe_color", (1, 1, 1)), shine=0.04)
        self.mesh.render()
        c.set(skin=0, kind=0, pattern=(0, 0, 0, 0))
        grip, bat = points["grip"][i], points["bat"][i]
        if self.bat is not None:
            for offset, side in ((-0.045, "left_wrist"), (0.05, "right_wrist")):
                at = grip + bat * offset * k
                if np.linalg.norm(points[side][i] - at) < 0.13 * k:
                    m = np.eye(4)
                    m[:3, :3] = k * (self._closed(bat, points[side][i] - at) if look.get("fingers") else np.eye(3))
                    m[:3, 3] = at
                    c.set(model=place @ m)
                    self.fist.render()
            m = standing(bat)
            m[:3, 3] = grip - bat * look.get("knob", 0.13) * k
            c.set(model=place @ m, shine=look.get("bat_shine", 0.2))
            self.bat.render()
            if look.get("donut"):
                self.donut.render()
        hat = look.get("hat", "none")
        if hat != "none":
            b = bones[i, self.body.names.index("Head")]
            middle = self.body.head["Head"] + (self.body.tail["Head"] - self.body.head["Head"]) * 0.55
            size = k * (1.1 if hat == "helmet" else 1.0)
            m = np.eye(4)
            m[:3, :3] = b[:3, :3] @ np.diag([0.09, 0.115, 0.107]) * size
            m[:3, 3] = b[:3, :3] @ (middle + [0, 0.035 * k, 0.0]) + b[:3, 3]
            c.set(model=place @ m, shine=0.4 if hat == "helmet" else 0.03)
            self.ball.render()
            m[:3, :3] = b[:3, :3] @ np.diag([0.076, 0.012, 0.1]) * k
            m[:3, 3] = b[:3, :3] @ (middle + [0, 0.055 * k, 0.11 * k]) + b[:3, 3]
            c.set(model=place @ m)
            self.ball.render()
            if hat == "helmet":
                for s in (-1, 1):
                    m[:3, :3] = b[:3, :3] @ np.diag([0.02, 0.05, 0.05]) * k
                    m[:3, 3] = b[:3, :3] @ (middle + np.array([s * 0.085, -0.03, 0.02]) * k) + b[:3, 3]
                    c.set(model=place @ m)
                    self.ball.render()
        c.set(model=np.eye(4), shine=0.03)


class Cage:
    """Ground, nets, posts, plate, tee and the air between."""

    def __init__(self, canvas, rng, camera, options):
        self.canvas, c = canvas, canvas
        self.options = o = options
        self.things = []
        pick = lambda choices: np.array(choices[rng.integers(len(choices))])
        self.sky = tuple(o.get("sky", pick([(0.1, 0.1, 0.12), (0.55, 0.62, 0.7), (0.3, 0.3, 0.32), (0.2, 0.22, 0.26)])))
        ground = o.get("ground", pick([(0.18, 0.42, 0.14), (0.14, 0.3, 0.16), (0.42, 0.3, 0.2), (0.35, 0.35, 0.36), (0.5, 0.38, 0.28)]))
        second = o.get("ground2", np.array(ground) * rng.uniform(0.7, 1.15))
        self.ground = c.quad([(-14, 0, 14), (14, 0, 14), (14, 0, -14), (-14, 0, -14)], ground)
        self.ground_look = dict(pattern=(0, rng.uniform(0.3, 2.0), rng.uniform(0, 9), rng.uniform(0, 9)), other=tuple(second))
        back = camera.eye * [1, 0, 1]
        away = -unit(back)
        side = np.cross(away, [0, 1.0, 0])
        def wall(distance, color, low=0.0, high=5.0, half=9.0):
            q = away * distance
            return c.quad([q - side * half + [0, low, 0], q + side * half + [0, low, 0], q + side * half + [0, high, 0], q - side * half + [0, high, 0]], color)
        if o.get("wall", rng.random() < 0.75):
            self.things.append((wall(rng.uniform(3.2, 6), o.get("wall_color", pick([(0.2, 0.22, 0.25), (0.36, 0.34, 0.3), (0.16, 0.2, 0.3), (0.45, 0.45, 0.44), (0.12, 0.13, 0.14)]))), 2, (0, rng.uniform(0.3, 2), 3, 7)))
        for _ in range(rng.integers(0, 4)):
            x, z = rng.uniform(-4, 4), rng.uniform(1.6, 3)
            at = away * z + side * x
            v, n, t = lathe(np.array([0, 0, 4, 4.0]), np.array([0, 0.05, 0.05, 0]))
            self.things.append((c.mesh(v + at, n, rng.uniform(0.1, 0.6) * np.ones(3), t), 0, (0, 0, 0, 0)))
        self.nets = []
        if o.get("back_net", rng.random() < 0.7):
            self.nets.append((wall(rng.uniform(1.7, 2.6), pick([(0.05, 0.05, 0.05), (0.5, 0.5, 0.48), (0.25, 0.2, 0.15)])), (1.0 * (rng.random() < 0.6), rng.uniform(14, 24), rng.random(), rng.random())))
        if o.get("plate", rng.random() < 0.8):
            z = 0.75
            self.things.append((c.quad([(-0.22 + 0.1, 0.004, z - 0.21), (0.32, 0.004, z - 0.21), (0.32, 0.004, z + 0.21), (-0.12, 0.004, z + 0.21)], (0.85, 0.85, 0.82)), 0, (0, 0, 0, 0)))
            self.things.append((c.quad([(-0.9, 0.003, z - 0.33), (0.9, 0.003, z - 0.33), (0.9, 0.003, z - 0.38), (-0.9, 0.003, z - 0.38)], (0.8, 0.8, 0.8)), 0, (0, 0, 0, 0)))
        self.front_net = None
        if "front_net" in o:
            near = unit(back) * o["front_net"].get("at", 1.6)
            q = [near - side * 6, near + side * 6, near + side * 6 + [0, 4, 0], near - side * 6 + [0, 4, 0]]
            self.front_net = (c.quad(q, o["front_net"].get("color", (0.06, 0.06, 0.06))), (o["front_net"].get("diamond", 1.0), o["front_net"].get("threads", 11.0), 0.3, 0.6))
        self.tee = None
        if o.get("tee") is not None:
            x, y, z = o["tee"]
            v, n, t = lathe(np.array([0, 0, 0.03, 0.04, y - 0.06, y - 0.06, y - 0.037, y - 0.037]), np.array([0, 0.14, 0.13, 0.025, 0.018, 0.03, 0.035, 0]))
            self.tee = c.mesh(v + [x, 0, z], n, (0.06, 0.06, 0.06), t)
            sv, sn, st = sphere()
            self.ball = c.mesh(sv * 0.037 + [x, y, z], sn, (0.92, 0.92, 0.86), st)
        self.shadow = c.quad([(-1, 0, 1), (1, 0, 1), (1, 0, -1), (-1, 0, -1)], (0.0, 0.0, 0.0))
        if "window" in o:
            self._window(*o["window"])

    def _window(self, x0, x1, y0, y1, z, color):
        """A wall square to the plate with an opening: what stands behind it is a mirror's or a screen's picture."""
        c, far, top = self.canvas, 12.0, 6.0
        for a, b, low, high in ((-far, x0, 0, top), (x1, far, 0, top), (x0, x1, 0, y0), (x0, x1, y1, top)):
            self.things.append((c.quad([(a, low, z), (b, low, z), (b, high, z), (a, high, z)], color), 2, (0, 0.7, 3, 7)))
        for a, b, low, high in ((x0 - 0.04, x0, y0, y1), (x1, x1 + 0.04, y0, y1), (x0 - 0.04, x1 + 0.04, y0 - 0.04, y0), (x0 - 0.04, x1 + 0.04, y1, y1 + 0.04)):
            v, n, t = box((a, low, z - 0.02), (b, high, z + 0.02))
            self.things.append((c.mesh(v, n, (0.1, 0.1, 0.1), t), 0, (0, 0, 0, 0)))

    def draw_still(self):
        c = self.canvas
        c.still.clear(*self.sky, 1.0)
        c.set(kind=1, **self.ground_look)
        self.ground.render()
        for mesh, kind, pattern in self.things:
            c.set(kind=kind, pattern=pattern)
            mesh.render()
        c.set(kind=0, pattern=(0, 0, 0, 0))
        self._nets(self.nets)
        if self.tee is not None:
            self.tee.render()

    def draw_moving(self, shadows, ball):
        """What lies under people: their shadows, and the ball while it is on the tee."""
        c = self.canvas
        c.ctx.enable(moderngl.BLEND)
        c.ctx.depth_mask = False
        for x, z, size, dark in shadows:
            m = np.diag([size, 1, 0.66 * size, 1.0])
            m[:3, 3] = x, 0.008, z
            c.set(kind=6, model=m, pattern=(dark, 0, 0, 0))
            self.shadow.render()
        c.ctx.depth_mask = True
        c.ctx.disable(moderngl.BLEND)
        c.set(kind=0, model=np.eye(4), pattern=(0, 0, 0, 0))
        if self.tee is not None and ball:
            self.ball.render()

    def _nets(self, nets):
        c = self.canvas
        c.ctx.enable(moderngl.BLEND)
        for mesh, pattern in nets:
            c.set(kind=7, pattern=pattern)
            mesh.render()
        c.ctx.disable(moderngl.BLEND)
        c.set(kind=0, pattern=(0, 0, 0, 0))

    def draw_front(self):
        if self.front_net is not None:
            self._nets([self.front_net])
