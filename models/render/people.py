"""People who are not the hitter: somebody who stands about, somebody who walks, a second hitter who waits."""
import numpy as np

from motion import ease
from swing import DEG, Hitter, Style


def bystander(body, secs, rng, arms="down"):
    """Stands, shifts, looks about."""
    style = Style(width=0.3, crouch=0.985, hinge=3, head_yaw=0, hands=(0, 0.25, -0.3), foot_yaw=(12, -12))
    h = Hitter(body, style, secs, rng)
    places = {"down": ((0.22, -0.5, 0.05), (-0.22, -0.5, 0.05)), "crossed": ((-0.1, -0.22, 0.2), (0.1, -0.25, 0.2)), "hips": ((0.3, -0.42, -0.02), (-0.3, -0.42, -0.02))}[arms]
    for side, place in zip(("Left", "Right"), places):
        h.m.ch[side + "_free"][:] = 1
        for axis, v in zip("xyz", place):
            h.m.ch[f"{side}_hand_{axis}"][:] = v
    h.m.ch["pelvis_z"][:] = 0.05 * body.scale
    for name, size, f in (("pelvis_x", 0.03 * body.scale, 0.12), ("head_yaw", 0.5, 0.1), ("chest_yaw", 0.2, 0.13), ("pelvis_yaw", 0.15, 0.13), ("Right_hand_y", 0.04, 0.5), ("Left_hand_z", 0.05, 0.4)):
        p = rng.uniform(0, 6.28)
        h.m.add_curve(name, lambda t, f=f, p=p, size=size: size * (np.sin(6.28 * f * t + p) + 0.6 * np.sin(6.28 * 2.3 * f * t + 2 * p)), 0, secs)
    return h


def walker(body, secs, rng, speed=1.2):
    """Walks on the spot; the offset of walk_path carries the body along (z is the way)."""
    style = Style(width=0.2, crouch=0.97, hinge=4, head_yaw=0, hands=(0, 0.25, -0.3), foot_yaw=(5, -5))
    h = Hitter(body, style, secs, rng)
    m, k = h.m, body.scale
    step = 0.75 * k * speed / 1.2
    period = 2 * step / speed
    phase = (m.t / period + rng.random()) % 1
    for side, lag, s in (("Left", 0.0, 1), ("Right", 0.5, -1)):
        u = (phase + lag) % 1
        stance = u < 0.6
        swing = np.clip((u - 0.6) / 0.4, 0, 1)
        z = np.where(stance, step / 2 * 1.2 - 1.2 * step * u / 0.6, -0.6 * step + 1.2 * step * ease(swing))
        m.ch[side + "_ball_z"][:] = z + 0.1 * k
        m.ch[side + "_ball_x"][:] = 0.09 * k * s
        m.ch[side + "_ball_y"][:] = np.where(stance, 0, 0.09 * k * np.sin(np.pi * swing))
        m.ch[side + "_foot_pitch"][:] = np.where(stance, 0.7 * np.clip((u - 0.4) / 0.2, 0, 1), 0.7 * (1 - swing) - 0.15 * np.sin(np.pi * swing))
        m.ch[side + "_free"][:] = 1
        arm = np.cos(2 * np.pi * (phase + lag + 0.5))
        m.ch[side + "_hand_x"][:] = 0.23 * s
        m.ch[side + "_hand_z"][:] = 0.22 * arm + 0.05
        m.ch[side + "_hand_y"][:] = -0.5 + 0.05 * arm**2
    m.ch["pelvis_x"][:] = 0
    m.ch["pelvis_z"][:] = 0
    m.ch["pelvis_y"][:] += 0.015 * k * np.cos(4 * np.pi * phase)
    m.ch["pelvis_yaw"][:] = 6 * DEG * np.cos(2 * np.pi * phase)
    m.ch["chest_yaw"][:] = -6 * DEG * np.cos(2 * np.pi * phase)
    return h


def walk_path(speed, start, way):
    """An offset for an Actor: along the direction `way` (x, z) at this speed, beginning at `start` (x, z) at time 0."""
    way = np.array(way, float) / np.linalg.norm(way)
    return lambda t: np.stack([start[0] + way[0] * speed * t, 0 * t, start[1] + way[1] * speed * t], -1)


def waiting_hitter(body, secs, rng):
    """Holds a bat, waggles it, swings it gently with one easy half turn now and then: no swing."""
    style = Style(width=0.45, crouch=0.96, hinge=8, hands=(-25, 0.27, -0.22), bat_up=(-0.4, 0.75, -0.5), head_yaw=20)
    h = Hitter(body, style, secs, rng)
    while h.now < secs - 4:
        h.stand(rng.uniform(0.5, 2))
        h.waggle(rng.uniform(1.5, min(4.0, secs - h.now - 0.5)), size=1.3)
    return h
