"""A parametric hitter: what each part does when, and the truth about it.

Times and angles are drawn around those measured on college hitters at 500 frames a second (Thompson 2022, Washington
State University, doi 10.7273/000005138): heel lift to heel plant 0.50 to 1.14 s, heel plant to impact 94 to 194 ms, pelvis
most closed 0.26 s before impact and some 10 degrees open at heel plant, shoulders 50 degrees behind it there, bat fastest
18 ms (turning) before impact. What that source lacks (paths of hands, waggles, roll of the foot) is common practice, no source.
"""
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from body import pose, unit
from motion import RATE, Motion, at_times, ease, fades

DEG = np.pi / 180


@dataclass
class Style:
    """How a hitter stands; lengths are for a body of 1.78 m and grow with it."""
    width: float = 0.62
    crouch: float = 0.9
    hinge: float = 22.0
    closed: float = 0.0
    hands: tuple = (-62.0, 0.33, -0.02)  # around the shoulders' middle: degrees (0 at the plate, 90 at the pitcher), meters out, up
    bat_up: tuple = (-0.25, 0.9, -0.35)
    foot_yaw: tuple = (6.0, -4.0)
    head_yaw: float = 55.0
    weight: float = 0.5


@dataclass
class Swing:
    """One swing; times in seconds, lengths for a body of 1.78 m."""
    gather_to_lift: float = 0.25
    lift_to_load: float = 0.32
    load_to_plant: float = 0.45
    plant_to_contact: float = 0.13
    follow: float = 0.36
    back: float = 0.07
    stride: float = 0.2
    shift: float = 0.62  # of the stride, how far the pelvis is carried by plant
    through: float = 0.07
    foot_height: float = 0.1
    toe_down: float = 18.0
    roll: float = 0.075
    open: float = 32.0
    hands_back: float = 0.06
    lean_plant: float = -9.0
    lean_contact: float = -14.0
    hinge_change: float = 0.0
    pelvis_closed: float = -24.0
    pelvis_plant: float = 10.0
    pelvis_contact: float = 76.0
    separation: float = 44.0
    drop: float = 0.03
    height: float = -0.42  # of the hands at contact, from the shoulders
    attack: float = 8.0
    tilt: float = 28.0
    tap: bool = False
    heel_early: float = 0.05
    hang: float = 0.5  # 1: the foot hangs at its highest while the weight goes back, 0: it never stops
    take: bool = False


def polar(degrees, out, up):
    a = np.asarray(degrees) * DEG
    return np.sin(a) * out, np.asarray(up) + 0 * a, np.cos(a) * out


class Hitter:
    """Writes segments into a timeline, one after the other."""

    def __init__(self, body, style, secs, rng):
        self.body, self.style, self.rng = body, style, rng
        k = self.k = body.scale
        w = style.width * k
        gx, gy, gz = polar(*style.hands)
        hip = body.head["Hips"][1]
        bat = unit(np.array(style.bat_up))
        rest = {
            "pelvis_x": w * (style.weight - 0.5), "pelvis_y": hip * style.crouch, "pelvis_z": -0.1 * k,
            "pelvis_yaw": style.closed * DEG, "chest_yaw": (style.closed - 6) * DEG, "lean_x": -3 * DEG, "lean_z": style.hinge * DEG,
            "head_yaw": style.head_yaw * DEG, "head_pitch": 0.12,
            "Left_ball_x": w / 2, "Left_ball_y": 0, "Left_ball_z": 0.08 * k, "Left_foot_yaw": style.foot_yaw[0] * DEG, "Left_foot_pitch": 0,
            "Right_ball_x": -w / 2, "Right_ball_y": 0, "Right_ball_z": 0.08 * k, "Right_foot_yaw": style.foot_yaw[1] * DEG, "Right_foot_pitch": 0,
            "grip_x": gx, "grip_y": gy, "grip_z": gz, "bat_x": bat[0], "bat_y": bat[1], "bat_z": bat[2],
            "elbow_up": 0.5, "Left_free": 0, "Right_free": 0,
            "Left_hand_x": 0.25, "Left_hand_y": -0.45, "Left_hand_z": 0.15, "Right_hand_x": -0.25, "Right_hand_y": -0.45, "Right_hand_z": 0.15,
        }
        self.rest, self.m, self.now = rest, Motion(secs, rest), 0.0
        self.segments, self.balls = [], []
        # Nobody stands like a post: breath and balance.
        for name, size in (("pelvis_x", 0.004), ("pelvis_z", 0.003), ("lean_x", 0.004), ("lean_z", 0.004), ("head_yaw", 0.015), ("grip_y", 0.004)):
            for f in (0.23, 0.41, 0.77):
                p, a = rng.uniform(0, 6.28), size * rng.uniform(0.3, 0.9)
                self.m.add_curve(name, lambda t, f=f, p=p, a=a: a * np.sin(6.28 * f * t + p), 0, secs)

    def stand(self, secs):
        self.segments.append({"segment": "stand", "start": self.now, "end": self.now + secs})
        self.now += secs

    def waggle(self, secs, size=1.0, sway=1.0, listed=True):
        """Bat and hands circle, the weight goes from foot to foot."""
        r, t0, t1, k = self.rng, self.now, self.now + secs, self.k
        f, g, p = r.uniform(0.8, 1.7), r.uniform(0.35, 0.8), r.uniform(0, 6.28)
        w = lambda t: fades(t, t0, t1, min(0.35, secs / 3))
        self.m.add_curve("bat_x", lambda t: w(t) * size * 0.38 * np.sin(6.28 * f * t + p), t0, t1)
        self.m.add_curve("bat_z", lambda t: w(t) * size * 0.2 * np.sin(6.28 * f * t + p + 1.1), t0, t1)
        self.m.add_curve("grip_x", lambda t: w(t) * size * 0.045 * np.sin(6.28 * f * t + p + 0.5), t0, t1)
        self.m.add_curve("grip_y", lambda t: w(t) * size * 0.025 * np.sin(6.28 * f * t + p - 0.5), t0, t1)
        self.m.add_curve("pelvis_x", lambda t: w(t) * sway * 0.024 * k * np.sin(6.28 * g * t + p), t0, t1)
        self.m.add_curve("lean_x", lambda t: w(t) * sway * 2.0 * DEG * np.sin(6.28 * g * t + p + 0.4), t0, t1)
        self.m.add_curve("pelvis_yaw", lambda t: w(t) * sway * 4 * DEG * np.sin(6.28 * g * t + p), t0, t1)
        if listed:
            self.segments.append({"segment": "waggle", "start": t0, "end": t1})
        self.now = t1

    def swing(self, s: Swing, set_secs=1.0, recover=1.3):
        """One rep from the set position to the set position."""
        k = self.k
        start = self.now
        tg = start + set_secs
        tl = tg + s.gather_to_lift
        load = tl + s.lift_to_load
        tp = load + s.load_to_plant
        tc = tp + s.plant_to_contact
        tf = tc + s.follow
        end = tf + 0.55 + recover
        stride, back = s.stride * k, s.back * k
        hold = tf + 0.3
        if s.take:
            tf, hold, end = tp + 0.5, tp + 0.55, tp + 0.6 + recover
        self._weight(s, tg, load, tp, tc, hold, end, stride, back)
        self._front_foot(s, tl, load, tp, hold, end, stride)
        if not s.take:
            self._back_foot(s, tp, tc, hold, end)
        self._turns(s, tg, load, tp, tc, tf, hold, end)
        self._hands(s, tg, tl, load, tp, tc, tf, hold, end)
        self._bat(s, tl, tp, tc, tf, hold, end)
        self.segments.append({"segment": "take" if s.take else "rep", "start": start, "end": tf if not s.take else tp + 0.6,
                              "events": {"gather": tg, "lift": tl, "plant": tp, **({} if s.take else {"contact": tc, "finish": tf})}})
        if not s.take:
            self.balls.append((tc, end))
        self.now = end

    def _weight(self, s, tg, load, tp, tc, hold, end, stride, back):
        m, k = self.m, self.k
        forward = s.shift * stride - (back if s.shift < 0 else 0)
        fade = np.linspace(tg, load, 9)
        x = [-back * ease((t - tg) / (load - tg)) for t in fade]
        rest_x = forward + s.through * k
        if s.take:
            m.add("pelvis_x", [*fade, tp, tp + 0.25, hold, end], [*x, forward, forward * 0.9, forward * 0.9, 0])
        else:
            m.add("pelvis_x", [*fade, tp, tc, tc + 0.15, hold, end], [*x, forward, rest_x, rest_x + 0.02 * k, rest_x + 0.02 * k, 0])
        d = s.drop * k
        m.add("pelvis_y", [tg, load, tp, tc, tc + 0.2, hold, end], [0, -0.4 * d, -d, -0.8 * d, -0.3 * d, 0, 0])
        if not s.take:
            m.add("pelvis_z", [tp - 0.1, tc, tc + 0.2, hold, end], [0, -0.05 * k, -0.07 * k, -0.06 * k, 0])
            m.add("lean_x", [tg, load, tp, tc, tc + 0.15, hold, end], [0, -1.5 * DEG, s.lean_plant * DEG, s.lean_contact * DEG, -8 * DEG, -3 * DEG, 0])
            m.add("lean_z", [tg, tp, tc, tc + 0.2, hold, end], [0, 0, s.hinge_change * DEG, -9 * DEG, -12 * DEG, 0])
        else:
            m.add("lean_x", [tg, load, tp, hold, end], [0, -1.5 * DEG, s.lean_plant * DEG, s.lean_plant * 0.7 * DEG, 0])

    def _front_foot(self, s, tl, load, tp, hold, end, stride):
        """Heel up first, then the toes; toes down first, then the heel: the foot rolls."""
        m, k = self.m, self.k
        touch = tp - s.roll
        off = tl + min(0.09, 0.2 * (touch - tl))
        # It hangs while the weight goes back, then strides; it is on its way until it is down.
        go = min(max(load, off + 0.06), touch - 0.15)
        down, way = s.toe_down * DEG, touch - go
        up = s.foot_height * k
        pitch = [(tl - 0.004, 0), (tl + 0.03, 0.1), (off, max(0.35, 0.7 * down)), (go, 0.5), (touch - 0.2 * way, down), (touch, down)]
        # The roll: as the foot's weight comes on, fast at first, at rest when the heel is down.
        pitch += [(touch + u * s.roll, down * (1 - np.sin(u * np.pi / 2) ** 1.2)) for u in (0.2, 0.4, 0.6, 0.8, 1.0)]
        pitch += [(tp + 0.02, 0), (hold, 0), (hold + 0.2, 0.3), (end - 0.2, 0)]
        m.set("Left_foot_pitch", *zip(*pitch))
        base = self.rest["Left_ball_x"]
        stop = [(touch, base + 0.975 * stride), (touch + 0.7 * s.roll, base + stride), (hold + 0.15, base + stride), (end - 0.2, base)]
        rest = [(touch, 0), (hold + 0.15, 0), ((hold + end) / 2, 0.04 * k), (end - 0.2, 0)]
        if s.tap:
            tap = off + 0.55 * (go - off)
            x = [(off - 0.02, base), (tap, base - 0.07 * k), (go, base - 0.06 * k), (go + 0.5 * way, base + 0.4 * stride), (go + 0.8 * way, base + 0.85 * stride), *stop]
            y = [(off - 0.02, 0), (off + 0.5 * (tap - off), 0.4 * up), (tap, 0), (tap + 0.5 * (go - tap), 0), (go + 0.4 * way, 0.5 * up), (go + 0.8 * way, 0.22 * up), *rest]
        else:
            early = 1 - s.hang
            x = [(off - 0.02, base), (off + (1 - 0.5 * early) * (go - off), base - 0.02 * k + 0.04 * stride * s.hang), (go + 0.25 * way, base + (0.14 + 0.1 * early) * stride),
                 (go + 0.5 * way, base + (0.44 + 0.06 * early) * stride), (go + 0.75 * way, base + 0.77 * stride), (go + 0.9 * way, base + 0.93 * stride), *stop]
            y = [(off - 0.02, 0), (off + (1 - 0.3 * early) * (go - off), up), (go + 0.5 * way, (0.75 - 0.15 * early) * up), (go + 0.75 * way, 0.38 * up), (go + 0.9 * way, 0.13 * up), *rest]
        m.set("Left_ball_x", *zip(*x))
        m.set("Left_ball_y", *zip(*y))
        yaw, opened = self.rest["Left_foot_yaw"], s.open * DEG
        m.set("Left_foot_yaw", [off, go, touch, tp + 0.05, hold, end - 0.2], [yaw, yaw + 0.25 * (opened - yaw), opened, opened, opened + 0.15, yaw])

    def _back_foot(self, s, tp, tc, hold, end):
        m, k = self.m, self.k
        yaw = self.rest["Right_foot_yaw"]
        begin = tp - s.heel_early
        m.set("Right_foot_pitch", [begin, tp + 0.02, tc, tc + 0.12, hold, hold + 0.5, end - 0.1], [0, 0.1, 0.75, 1.0, 0.95, 0.25, 0])
        m.set("Right_foot_yaw", [begin, tp + 0.02, tc, tc + 0.15, hold, end - 0.2], [yaw, yaw + 0.08, 0.8, 1.25, 1.2, yaw])
        base = self.rest["Right_ball_x"]
        m.set("Right_ball_x", [tp, tc, tc + 0.15, hold + 0.1, end - 0.1], [base, base + 0.03 * k, base + 0.07 * k, base + 0.07 * k, base])

    def _turns(self, s, tg, load, tp, tc, tf, hold, end):
        m, z = self.m, self.style
        p0, c0 = z.closed, z.closed - 6
        closed_at = min(tc - 0.26, tp - 0.1)
        lag = (s.pelvis_closed - 0.7 * s.separation)
        if s.take:
            m.set("pelvis_yaw", np.array([tg, closed_at, tp, tp + 0.3, hold, end]), np.array([p0, s.pelvis_closed, 4, 6, 6, p0]) * DEG)
            m.set("chest_yaw", np.array([tg, closed_at, tp, tp + 0.3, hold, end]), np.array([c0, lag, 4 - 0.7 * s.separation, -22, -18, c0]) * DEG)
            return
        d = tc - tp
        m.set("pelvis_yaw", np.array([tg, max(closed_at, load - 0.05), tp, tc, tc + 0.1, tf, hold, end]),
              np.array([p0, s.pelvis_closed, s.pelvis_plant, s.pelvis_contact, s.pelvis_contact + 8, s.pelvis_contact + 12, s.pelvis_contact + 10, p0]) * DEG)
        m.set("chest_yaw", np.array([tg, max(closed_at, load - 0.05), tp, tp + 0.25 * d, tc, tc + 0.1, tf, hold, end]),
              np.array([c0, lag, s.pelvis_plant - s.separation, s.pelvis_plant - s.separation + 14, s.pelvis_contact - 4, s.pelvis_contact + 24,
                        s.pelvis_contact + 38, s.pelvis_contact + 34, c0]) * DEG)
        h = z.head_yaw * DEG
        m.set("head_yaw", [tg, tp, tc, tc + 0.25, hold, end], [h, h - 0.2, max(h - 0.5, 0.2), h + 0.2, h + 0.3, h])
        m.add("head_pitch", [tp - 0.2, tc, tc + 0.3, end], [0, 0.18, -0.05, 0])

    def _hands(self, s, tg, tl, load, tp, tc, tf, hold, end):
        m, z = self.m, self.style
        a, out, up = z.hands
        loaded = (a - 6, out + s.hands_back, up + 0.015)
        begin = tc - 0.135
        path = [(tg, a, out, up), (tl, a - 1, out + 0.1 * s.hands_back, up), (max(load + 0.1, min(tp - 0.1, begin - 0.12)), *loaded)]
        if s.take:
            path += [(tp + 0.15, *loaded), (hold, a, out, up), (end, a, out, up)]
        else:
            path += [(begin, *loaded), (tc - 0.09, -42, 0.36, up - 0.11), (tc - 0.05, 2, 0.38, 0.6 * s.height), (tc - 0.022, 26, 0.43, 0.88 * s.height), (tc, 39, 0.47, s.height),
                     (tc + 0.045, 62, 0.49, s.height * 0.9), (tc + 0.11, 98, 0.42, s.height * 0.45), (tc + 0.21, 140, 0.34, -0.02), (tf, 156, 0.31, 0.05),
                     (hold, 154, 0.31, 0.03), (hold + 0.45 * (end - hold), 40, 0.33, -0.25), (end, a, out, up)]
        t, deg, o, u = map(np.array, zip(*path))
        # The path is smooth in its three coordinates, turned into places afterwards.
        tt = np.arange(np.ceil(t[0] * RATE), np.floor(t[-1] * RATE)) / RATE
        x, y, zz = polar(*(PchipInterpolator(t, v)(tt) for v in (deg, o, u)))
        i = int(round(tt[0] * RATE))
        for name, v in (("grip_x", x), ("grip_y", y), ("grip_z", zz)):
            wobble = m.ch[name][i:i + len(tt)] - self.rest[name]
            m.ch[name][i:i + len(tt)] = v[: len(m.ch[name][i:])] + wobble

    def _bat(self, s, tl, tp, tc, tf, hold, end):
        m = self.m
        i, j = int(tl * RATE), min(int(end * RATE), m.n)
        t = m.t[i:j]
        b0 = np.stack([m.ch[f"bat_{a}"][i:j] for a in "xyz"], 1)
        if s.take:
            return
        # In the swing the bat turns in a plane; its speed is a bell that peaks 18 ms before contact.
        u = t - (tc - 0.018)
        speed = 2250 * np.exp(-(u / np.where(u < 0, 0.056, 0.105)) ** 2)
        angle = np.cumsum(speed) / RATE
        angle -= np.interp(tc, t, angle)
        tip = np.array([0.08, -np.sin(s.tilt * DEG), np.cos(s.tilt * DEG)])
        tip = unit(tip)
        way = np.array([1.0, np.sin(s.attack * DEG), 0.0])
        way = unit(way - (way @ tip) * tip)
        plane = np.cos(angle * DEG)[:, None] * tip + np.sin(angle * DEG)[:, None] * way
        share = ease((t - (tc - 0.25)) / 0.19) * ease((end - 0.1 - t) / (0.75 * (end - hold)))
        # From the bat over the shoulder into the plane, over the direction between them.
        cosine = np.clip((unit(b0) * plane).sum(1), -1, 1)
        gap = np.arccos(cosine)
        sine = np.maximum(np.sin(gap), 1e-3)
        b = (np.sin((1 - share) * gap) / sine)[:, None] * unit(b0) + (np.sin(share * gap) / sine)[:, None] * plane
        for a, v in zip("xyz", unit(b).T):
            m.ch[f"bat_{a}"][i:j] = v

    def place_ball(self, where, secs=2.6):
        """A ball is put on the tee: the rear hand lets go, the trunk bends."""
        m, k, t0, t1 = self.m, self.k, self.now, self.now + secs
        a, b = t0 + 0.35 * secs, t0 + 0.62 * secs
        step = min(0.35, max(0.0, where[2] - 0.45)) * k
        m.add("lean_z", [t0, a, b, t1], [0, 22 * DEG, 22 * DEG, 0])
        m.add("pelvis_z", [t0, a, b, t1], [0, step * 0.6, step * 0.6, 0])
        m.add("pelvis_x", [t0, a, b, t1], [0, 0.1 * k, 0.1 * k, 0])
        m.add("chest_yaw", [t0, a, b, t1], [0, 18 * DEG, 18 * DEG, 0])
        m.add("head_pitch", [t0, a, b, t1], [0, 0.4, 0.4, 0])
        m.set("Right_free", [t0, t0 + 0.25 * secs, t1 - 0.22 * secs, t1], [0, 1, 1, 0])
        shoulders = np.array([0.1, 1.35 * self.style.crouch + 0.02, 0.42])
        target = np.array(where) / k - shoulders
        for c, v, r in zip("xyz", target, (-0.05, -0.35, 0.25)):
            m.set("Right_hand_" + c, [t0, t0 + 0.15 * secs, a, b, t1 - 0.15 * secs, t1], [r, r, v, v, r, r])
        for c, v in zip("xyz", (0.28, -0.42, 0.12)):
            m.set("grip_" + c, [t0, a, b, t1], [self.rest["grip_" + c], v, v, self.rest["grip_" + c]])
        for c, v in zip("xyz", (0.35, -0.8, 0.3)):
            m.set("bat_" + c, [t0, a, b, t1], [self.rest["bat_" + c], v, v, self.rest["bat_" + c]])
        self.segments.append({"segment": "placement", "start": t0, "end": t1})
        self.balls.append((None, (a + b) / 2))
        self.now = t1

    def step_out(self, secs=3.0, far=0.45):
        """Out of the box and back: both feet walk, the bat comes down."""
        m, k, t0, t1 = self.m, self.k, self.now, self.now + secs
        far *= k
        for side, first in (("Right", 0.0), ("Left", 0.18)):
            for begin, sign in ((t0 + first * secs, -1), (t1 - (0.45 - first) * secs, 1)):
                over = begin + 0.16 * secs
                m.add(side + "_ball_z", [begin, over], [0, sign * far], keep=True)
                m.add(side + "_ball_y", [begin, (begin + over) / 2, over], [0, 0.06 * k, 0])
        m.add("pelvis_z", [t0, t0 + 0.36 * secs, t1 - 0.42 * secs, t1], [0, -far, -far, 0])
        m.add("pelvis_y", [t0, t0 + 0.36 * secs, t1 - 0.42 * secs, t1], [0, 0.04 * k, 0.04 * k, 0])
        m.add("lean_z", [t0, t0 + 0.36 * secs, t1 - 0.42 * secs, t1], [0, -14 * DEG, -14 * DEG, 0])
        for name, v in (("grip_x", 0.1), ("grip_y", -0.4), ("grip_z", 0.26), ("bat_x", 0.5), ("bat_y", -0.7), ("bat_z", 0.4)):
            m.set(name, [t0, t0 + 0.36 * secs, t1 - 0.42 * secs, t1], [self.rest[name], v, v, self.rest[name]])
        self.segments.append({"segment": "out", "start": t0, "end": t1})
        self.now = t1

    def hold_at_shoulder(self, secs):
        """The bat rests at the shoulder and the hitter talks, looks about, shifts."""
        m, t0, t1, r = self.m, self.now, self.now + secs, self.rng
        for name, v in (("grip_x", 0.02), ("grip_y", -0.2), ("grip_z", 0.28), ("bat_x", -0.55), ("bat_y", 0.6), ("bat_z", -0.55)):
            m.set(name, [t0, t0 + 0.8, t1 - 0.8, t1], [self.rest[name], v, v, self.rest[name]])
        w = lambda t: fades(t, t0, t1, 1.0)
        for name, size, f in (("head_yaw", 0.5, 0.11), ("chest_yaw", 0.14, 0.17), ("pelvis_yaw", 0.1, 0.13), ("pelvis_x", 0.03 * self.k, 0.15), ("grip_y", 0.02, 0.6), ("lean_z", 0.06, 0.09)):
            p = r.uniform(0, 6.28)
            m.add_curve(name, lambda t, f=f, p=p, size=size: w(t) * size * (np.sin(6.28 * f * t + p) + 0.5 * np.sin(6.28 * 2.7 * f * t + 2 * p)), t0, t1)
        self.segments.append({"segment": "hold", "start": t0, "end": t1})
        self.now = t1


def truth_of_swing(points, t, events):
    """The measures of one rep, read from the posed body, and its events by their definitions.

    `lift` is where the front heel rises through 0.15 m/s and `plant` where its fall slows to 0.05 m/s, as in the source above.
    """
    heel = points["front_heel"][:, 1]
    speed = np.gradient(heel, t)
    near = lambda a, b: np.flatnonzero((t >= a) & (t <= b))
    around = near(events["lift"] - 0.05, events["lift"] + 0.2)
    lift = t[around[np.argmax(speed[around] > 0.15)]]
    around = near(events["plant"] - 0.12, events["plant"] + 0.03)
    falling = around[speed[around] < -0.05]
    plant = t[falling[-1]] if len(falling) else events["plant"]
    out = {**events, "lift": lift, "plant": plant}
    at = lambda name, when: np.array([np.interp(when, t, points[name][:, c]) for c in range(3)])
    mean = lambda name, a, b: points[name][near(a, b)].mean(0)
    gather, contact = events["gather"], events.get("contact")
    front0 = mean("front_ankle", lift - 0.3, lift - 0.02)
    front, back = at("front_ankle", plant + 0.02), at("back_ankle", plant)
    ears0, ears = at("ears", gather), at("ears", plant)
    rear = lambda when: (at("hands", when) - at("shoulders", when))[0]

    def hinge(when):
        v = at("shoulders", when) - at("pelvis", when)
        return np.degrees(np.arccos(v[1] / np.linalg.norm(v)))

    def yaw(name, when):
        v = at(name, when)
        return np.degrees(np.arctan2(-v[2], v[0]))

    toe = at("front_ball", plant + 0.02) - at("front_heel", plant + 0.02)
    measures = {
        "head_set_to_plant_m": (ears - ears0)[0], "stride_m": (front - front0)[0],
        "head_between_feet_at_plant": (ears - back)[0] / (front - back)[0],
        "hands_back_lift_to_plant_m": rear(lift) - rear(plant), "trunk_hinge_at_plant_deg": hinge(plant),
        "separation_at_plant_deg": yaw("hip_line", plant) - yaw("shoulder_line", plant),
        "front_foot_open_deg": np.degrees(np.arctan2(toe[0], toe[2])),
        "stance_width_m": (front0 - at("back_ankle", gather))[0],
        "gather_to_plant_s": plant - gather, "lift_to_plant_s": plant - lift,
    }
    if contact is not None:
        measures |= {
            "head_plant_to_contact_m": (at("ears", contact) - ears)[0], "head_drop_set_to_contact_m": (ears0 - at("ears", contact))[1],
            "trunk_hinge_change_plant_to_contact_deg": hinge(contact) - hinge(plant), "plant_to_contact_s": contact - plant,
        }
    return {a: round(float(b), 4) for a, b in out.items()}, {a: round(float(b), 4) for a, b in measures.items()}


def truth(hitter):
    """All segments with their truth; the body is posed a thousand times a second where there is something to read."""
    channels = hitter.m.finished()
    out = []
    for seg in hitter.segments:
        seg = dict(seg, start=round(seg["start"], 4), end=round(seg["end"], 4))
        if seg["segment"] in ("rep", "take"):
            e = seg["events"]
            t = np.arange(e["gather"] - 0.45, max(e.values()) + 0.2, 1 / RATE)
            _, points = pose(hitter.body, at_times(channels, t))
            events, measures = truth_of_swing(points, t, e)
            seg["events"] = events
            if seg["segment"] == "rep":
                seg["measures"] = measures
        out.append(seg)
    return out
