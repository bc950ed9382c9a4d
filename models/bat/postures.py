"""What people do in the images: hitters over a swing, and any other posture with or without a bat. Channels as in ../render/motion.py."""
import numpy as np

from body import from_vector, turn, unit
from chance import style, swing
from motion import at_times
from people import bystander, walker
from swing import DEG, Hitter


class Timeline:
    """One hitter through one swing and what lies around it; `times` draws moments, the swing itself most often."""

    def __init__(self, rng, body):
        self.body, h = body, Hitter(body, style(rng), 10, rng)
        h.stand(rng.uniform(0.3, 0.8))
        before = rng.random()
        if before < 0.25:
            h.waggle(rng.uniform(1.0, 2.0), size=rng.uniform(0.5, 1.6), sway=rng.uniform(0.3, 1.3))
        elif before < 0.4:
            h.place_ball((0.25 * h.k, 0.9 * h.k, 0.85 * h.k), rng.uniform(2.2, 3.0))
        elif before < 0.5:
            h.step_out(rng.uniform(2.4, 3.4), rng.uniform(0.25, 0.6))
        elif before < 0.6:
            h.hold_at_shoulder(2.5)
        h.swing(swing(rng, rng.random() < 0.08), set_secs=rng.uniform(0.4, 0.8), recover=rng.uniform(0.8, 1.2))
        self.end = h.now
        self.events = next(s["events"] for s in reversed(h.segments) if "events" in s)
        cut = int((self.end + 0.3) * 1000)
        h.m.t, h.m.ch = h.m.t[:cut], {name: values[:cut] for name, values in h.m.ch.items()}
        self.channels = h.m.finished()

    def moment(self, rng, evenly=False):
        """About contact most often, where the bat smears; `evenly`: as often in the load and the stride, where the trunk turns."""
        e, u = self.events, rng.random()
        contact = e.get("contact", e["plant"] + 0.13)
        if evenly:
            return rng.uniform(0.1, e["gather"]) if u < 0.15 else rng.uniform(e["gather"], contact + 0.12) if u < 0.85 else rng.uniform(contact, self.end)
        if u < 0.1:
            return rng.uniform(0.1, e["gather"])
        if u < 0.22:
            return rng.uniform(e["gather"], e["plant"])
        if u < 0.38:
            return rng.uniform(e["plant"] - 0.1, contact + 0.2)
        if u < 0.9:
            return rng.uniform(contact - 0.09, contact + 0.09)
        return rng.uniform(contact + 0.1, self.end)

    def at(self, rng, moment, offsets):
        """Channels at these offsets from the moment. A body of its own: turned, leaned, stood and gripped otherwise than the swing has it, so that nothing but the trunk itself says how the trunk is turned."""
        ch = at_times(self.channels, np.clip(moment + offsets * rng.uniform(0.88, 1.16), 0, self.end))
        for name, size in (("pelvis_yaw", 13 * DEG), ("chest_yaw", 12 * DEG), ("lean_x", 5 * DEG), ("lean_z", 8 * DEG), ("head_yaw", 20 * DEG), ("grip_x", 0.04), ("grip_y", 0.05), ("grip_z", 0.03),
                           ("pelvis_x", 0.05), ("pelvis_z", 0.04), ("Left_ball_z", 0.07), ("Right_ball_z", 0.07), ("Left_foot_yaw", 22 * DEG), ("Right_foot_yaw", 22 * DEG)):
            ch[name] = ch[name] + rng.normal(0, size)
        for side in ("Left", "Right"):
            ch[side + "_knee_yaw"] = np.full(len(offsets), rng.normal(0, 20 * DEG))
        ch["pelvis_lean"] = np.full(len(offsets), rng.uniform(-0.1, 0.9))
        tilt = from_vector(rng.normal(0, 0.2, 3))
        bat = np.stack([ch[f"bat_{a}"] for a in "xyz"], 1) @ tilt.T
        for a, v in zip("xyz", bat.T):
            ch[f"bat_{a}"] = v
        return ch


def clear_of_trunk(grip, bat):
    q = grip + bat * np.linspace(0.12, 0.72, 8)[:, None]
    return not ((np.hypot(q[:, 0], q[:, 2]) < 0.17) & (q[:, 1] < 0.4)).any()


def free_hand(rng, s):
    """A hand that holds nothing, from the shoulders' middle in the chest's axes: hanging, stretched out, on the hip, anywhere."""
    u = rng.random()
    if u < 0.2:
        return np.array([s * 0.24, -0.52, 0.05]) + rng.normal(0, 0.04, 3)
    if u < 0.6:
        way = unit(rng.normal(0, 1, 3) * [1, 1, 0.8] + [0.5 * s, 0.1, 0.3])
        return way * rng.uniform(0.55, 0.8) + [0.18 * s, 0, 0]
    if u < 0.7:
        return np.array([s * 0.28, -0.42, 0.0]) + rng.normal(0, 0.03, 3)
    return np.array([s * rng.uniform(-0.2, 0.5), rng.uniform(-0.5, 0.55), rng.uniform(0.05, 0.5)])


def posture(rng, body, offsets, holds):
    """Somebody in any posture, as channels at these offsets (s); `holds`: hands are at a bat (or close together, as at one)."""
    k, t = body.scale, np.asarray(offsets, float)
    w = rng.uniform(0.2, 0.95) * k
    squat = rng.uniform(0.55, 0.8) if rng.random() < 0.08 else rng.uniform(0.82, 0.99)
    pelvis, bend = rng.uniform(-60, 110), rng.uniform(-6, 45) if rng.random() < 0.75 else rng.uniform(40, 75)
    chest = pelvis + rng.uniform(-55, 45)
    one = {"pelvis_x": w * rng.uniform(-0.25, 0.25), "pelvis_y": body.head["Hips"][1] * squat, "pelvis_z": rng.normal(-0.05, 0.06) * k,
           "pelvis_yaw": pelvis * DEG, "chest_yaw": chest * DEG, "lean_x": rng.normal(0, 9) * DEG, "lean_z": 0.0, "head_yaw": (chest + rng.uniform(-40, 75)) * DEG, "head_pitch": rng.uniform(-0.3, 0.6),
           "elbow_up": rng.uniform(-0.2, 1.1)}
    one["pelvis_lean"] = rng.uniform(-0.1, 0.9)
    # A body bends the way it faces.
    one["lean_z"] = bend * DEG * np.cos(pelvis * DEG)
    one["lean_x"] += -bend * DEG * np.sin(pelvis * DEG)
    for side, s in (("Left", 1), ("Right", -1)):
        way = turn("y", pelvis * DEG * 0.7) @ np.array([s * w / 2, 0, rng.normal(0.05, 0.12) * k])
        lifted = rng.random() < 0.06
        one |= {side + "_ball_x": way[0], side + "_ball_y": rng.uniform(0, 0.7) * k if lifted else 0.0, side + "_ball_z": way[2] + (rng.uniform(0, 0.5) * k if lifted else 0),
                side + "_foot_yaw": (pelvis * 0.7 + s * rng.uniform(-10, 40) + rng.normal(0, 12)) * DEG, side + "_knee_yaw": rng.normal(0, 18) * DEG, side + "_foot_pitch": rng.uniform(0, 0.6) if rng.random() < 0.3 else 0.0, side + "_free": 0.0 if holds else 1.0}
    if holds and rng.random() < 0.1:
        one[("Right" if rng.random() < 0.7 else "Left") + "_free"] = 1.0
    around = turn("y", (0.3 * pelvis + 0.7 * chest) * DEG)
    for side, s in (("Left", 1), ("Right", -1)):
        for a, v in zip("xyz", around @ free_hand(rng, s)):
            one[f"{side}_hand_{a}"] = v
    for _ in range(12):
        grip = np.array([rng.uniform(-0.42, 0.5), rng.uniform(-0.62, 0.3), rng.uniform(0.06, 0.5)])
        bat = unit(rng.normal(0, 1, 3) + (np.array([-0.4, 1.2, -0.4]) if rng.random() < 0.35 else 0))
        if clear_of_trunk(grip, bat):
            break
    speed = rng.uniform(0, 4) if rng.random() < 0.35 else rng.uniform(4, 46)
    axis = np.cross(bat, rng.normal(0, 1, 3))
    ch = {"t": t, **{name: np.full(len(t), v) for name, v in one.items()}}
    moving = from_vector(unit(axis) * speed * t[:, None]) @ bat
    grips = (around @ grip) + rng.normal(0, 1.3, 3) * t[:, None]
    for i, a in enumerate("xyz"):
        ch["bat_" + a] = (moving @ around.T)[:, i]
        ch["grip_" + a] = grips[:, i]
        for side in ("Left", "Right"):
            ch[f"{side}_hand_{a}"] = ch[f"{side}_hand_{a}"] + rng.normal(0, 1.2) * t
    ch["pelvis_yaw"] += rng.normal(0, 120) * DEG * t
    ch["chest_yaw"] += rng.normal(0, 140) * DEG * t
    return ch


def onlooker(rng, body):
    """Channels of somebody who stands or walks about, a few seconds of them."""
    h = bystander(body, 4, rng, str(rng.choice(["down", "crossed", "hips"]))) if rng.random() < 0.6 else walker(body, 4, rng)
    return h.m.finished()
