"""Puts hitters, cage and camera together and writes NAME.mp4 and NAME.truth.json."""
import json

import av
import numpy as np

from body import pose
from motion import at_times
from scene import Cage, Canvas, Person

CHUNK = 240


class Actor:
    """Somebody in the picture: channels over time, dressed, set into the scene."""

    def __init__(self, body, channels, look, place=(0.0, 0.0, 0.0), mirrored=False, offset=None):
        self.body, self.channels, self.look, self.place, self.mirrored = body, channels, look, place, mirrored
        self.offset = offset  # extra path over time: function of times -> (n, 3), for somebody who walks

    def pose(self, times):
        return pose(self.body, at_times(self.channels, times))

    def matrices(self, times):
        x, z, yaw = self.place
        out = np.tile(np.eye(4), (len(times), 1, 1))
        c, s = np.cos(yaw), np.sin(yaw)
        flip = np.diag([-1.0 if self.mirrored else 1.0, 1, 1])
        out[:, :3, :3] = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]) @ flip
        out[:, 0, 3], out[:, 2, 3] = x, z
        if self.offset is not None:
            out[:, :3, 3] += self.offset(times)
        return out


def encode(path, frames, fps, width, height, crf, preset="medium"):
    out = av.open(path, "w", options={"movflags": "+faststart"})
    stream = out.add_stream("libx264", rate=fps, options={"crf": str(crf), "preset": preset})
    stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
    stream.thread_count = 1
    for picture in frames:
        for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
            out.mux(packet)
    for packet in stream.encode():
        out.mux(packet)
    out.close()


def pictures(actors, cage_options, camera, secs, fps, shutter, rng, gain=1.0, noise=0.012, light=(0.4, 1.0, 0.8), ambient=0.42, ball=lambda t: False, shake=None, over=None):
    canvas = Canvas(camera.width, camera.height)
    cage = Cage(canvas, rng, camera, cage_options)
    people = [Person(canvas, a.body, a.look) for a in actors]
    count = int(secs * fps)
    # One large field of noise, read from another place each frame.
    grain = rng.normal(0, noise * 255, (camera.height + 64, camera.width + 64, 1)) + rng.normal(0, noise * 90, (camera.height + 64, camera.width + 64, 3))
    grain = grain.astype(np.float32)
    for first in range(0, count, CHUNK):
        frames = np.arange(first, min(first + CHUNK, count)) / fps
        # How many moments an exposure needs: as many as the fastest tip or hand moves in steps of a few pixels.
        ends = []
        for a, person in zip(actors, people):
            steps = []
            for when in (frames - shutter / 2, frames + shutter / 2):
                when = np.clip(when, 0, secs)
                _, p = a.pose(when)
                q = np.concatenate([p["grip"] + p["bat"] * 0.7, np.ones((len(when), 1))], 1)
                steps.append(camera.pixel((a.matrices(when) @ q[..., None])[:, :3, 0]))
            ends.append(np.linalg.norm(steps[1] - steps[0], axis=1))
        moments = np.clip(np.ceil(np.max(ends, 0) / 5), 1, 8).astype(int)
        which = np.repeat(np.arange(len(frames)), moments)
        part = np.concatenate([(np.arange(m) + 0.5) / m - 0.5 for m in moments])
        times = np.clip(frames[which] + part * shutter, 0, secs)
        posed = [a.pose(times) for a in actors]
        places = [a.matrices(times) for a in actors]
        total = None
        for i, t in enumerate(times):
            if shake is not None:
                camera.shift = shake(t)
            canvas.set(vp=camera.matrix, eye=camera.eye, light=light, ambient=ambient)
            canvas.begin(cage.draw_still, shake is not None)
            shadows = []
            for (bones, points), place in zip(posed, places):
                m = (place[i] @ np.append(points["pelvis"][i], 1))[:3]
                shadows.append((m[0], m[2], 0.75, 0.5))
            cage.draw_moving(shadows, ball(t))
            for person, (bones, points), place in zip(people, posed, places):
                person.draw(bones, points, i, place[i])
            cage.draw_front()
            picture = canvas.read().astype(np.float32)
            total = picture if total is None else total + picture
            if i + 1 == len(times) or which[i + 1] != which[i]:
                picture = total / moments[which[i]] / 255
                total = None
                if over is not None:
                    picture = over(picture, t)
                y, x = rng.integers(0, 64, 2)
                picture = np.clip(picture * gain, 0, 1) * 255 + grain[y:y + camera.height, x:x + camera.width]
                yield np.clip(picture, 0, 255).astype(np.uint8)


def add_bat(hitter, camera, segments):
    """What is true of the bat in each swing: its direction in the picture at plant, against how a plumb line looks there, positive toward the pitcher; the speed of
    the point 15 cm from the tip at its highest before contact, and how that point's path climbs at contact."""
    if "bat" not in hitter.look:
        return
    k = hitter.body.scale
    beyond = hitter.look.get("bat_length", 0.84 * (0.45 + 0.55 * k)) - hitter.look.get("knob", 0.13) * k

    def points(times, *along):
        _, p = hitter.pose(times)
        places = hitter.matrices(times)
        ones = np.ones((len(times), 1))
        return [(places @ np.concatenate([p["grip"] + a * p["bat"], ones], 1)[..., None])[:, :3, 0] for a in along]

    forward = np.array([hitter.matrices(np.zeros(1))[0] @ (x, 1, 0, 1) for x in (3, 0)])[:, :3]
    forward = np.sign(np.subtract(*camera.pixel(forward)[:, 0]))
    for s in segments:
        if "plant" not in s.get("events", {}):
            continue
        grip, tip = points(np.array([s["events"]["plant"]]), 0, beyond)
        seen = camera.pixel(np.concatenate([grip, tip, grip + (0, 0.1, 0)]))
        bat, up = seen[1] - seen[0], seen[2] - seen[0]
        turned = np.arctan2(up[0] * bat[1] - up[1] * bat[0], up @ bat)
        out = {"barrel_at_plant_deg": round(float(np.degrees(forward * turned)), 1)}
        contact = s["events"].get("contact")
        if contact is not None:
            times = np.arange(contact - 0.1, contact + 0.0025, 0.001)
            v = np.gradient(points(times, beyond - 0.15)[0], 0.001, axis=0)[:-2]
            out["bat_speed_m_s"] = round(float(np.linalg.norm(v, axis=1).max()), 2)
            out["attack_deg"] = round(float(np.degrees(np.arctan2(v[-1, 1], np.hypot(v[-1, 0], v[-1, 2])))), 1)
        s["measures"] = {**s.get("measures", {}), **out}


def write(path, segments, actors, cage_options, camera, secs, fps, shutter, rng, crf=23, preset="medium", note=None, view=None, **looks):
    """The hitter is the first of the actors."""
    encode(path + ".mp4", pictures(actors, cage_options, camera, secs, fps, shutter, rng, **looks), fps, camera.width, camera.height, crf, preset)
    hitter = actors[0]
    add_bat(hitter, camera, segments)
    pitcher = camera.pixel((hitter.matrices(np.zeros(1))[0] @ np.array([[3, 1, 0, 1], [0, 1, 0, 1.0]]).T).T[:, :3])
    said = {"fps": fps, "width": camera.width, "height": camera.height, "bats": "left" if hitter.mirrored else "right",
            "hitter_height_m": round(hitter.body.height, 3), "pitcher_is_toward": "image right" if pitcher[0, 0] > pitcher[1, 0] else "image left"}
    if note:
        said["note"] = note
    if view:
        said["camera"] = view
    said["segments"] = segments
    with open(path + ".truth.json", "w") as f:
        json.dump(said, f)
