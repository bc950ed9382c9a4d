"""The captured human swing (tests/data/mocap) on the mesh: joints' directions turn the bones, the mesh keeps its own lengths."""
import json

import numpy as np
from scipy.interpolate import CubicSpline

from body import TRUNK, align, basis, between, turn, unit

CHILD = {"LeftUpLeg": "LeftLeg", "LeftLeg": "LeftFoot", "RightUpLeg": "RightLeg", "RightLeg": "RightFoot",
         "LeftArm": "LeftForeArm", "LeftForeArm": "LeftHand", "RightArm": "RightForeArm", "RightForeArm": "RightHand"}


class Captured:
    """Stands in the first pose for `before` seconds, swings, and stands in the last one."""

    def __init__(self, body, path, before=1.5):
        data = json.load(open(path))
        self.body, self.before, self.events = body, before, data["events_s"]
        frames = np.array(data["frames"], float)
        self.secs = (len(frames) - 1) / data["fps"]
        self.names = data["joints"]
        # 60 frames a second are plenty for a body; a cubic through them gives the moments between.
        self.paths = CubicSpline(np.arange(len(frames)) / data["fps"], frames)
        leg = lambda j, s: np.linalg.norm(j[s + "UpLeg"] - j[s + "Leg"]) + np.linalg.norm(j[s + "Leg"] - j[s + "Foot"])
        first = dict(zip(self.names, frames[0]))
        self.size = leg(body.head, "Left") / leg(first, "Left")
        self.sink = 0.0
        _, p = self.pose(np.arange(0, before + self.secs, 0.02))
        self.sink = np.percentile(np.minimum(p["front_heel"][:, 1], p["back_heel"][:, 1]), 10)

    def pose(self, times):
        b, n = self.body, len(times)
        frames = self.paths(np.clip(np.asarray(times) - self.before, 0, self.secs))
        j = {name: frames[:, i] for i, name in enumerate(self.names)}
        eye = np.broadcast_to(np.eye(3), (n, 3, 3))
        frame = lambda line, up: basis(line, up)
        rest = b.head
        pelvis = frame(j["LeftUpLeg"] - j["RightUpLeg"], j["Spine1"] - j["Hips"]) @ basis(rest["LeftUpLeg"] - rest["RightUpLeg"], rest["Spine1"] - rest["Hips"]).T
        chest = frame(j["LeftArm"] - j["RightArm"], j["Neck1"] - j["Spine1"]) @ basis(rest["LeftArm"] - rest["RightArm"], rest["Neck1"] - rest["Spine1"]).T
        rot = {x: pelvis for x in ("Hips", "LHipJoint", "RHipJoint")}
        for name, share in zip(TRUNK, (0.35, 0.7, 1.0)):
            rot[name] = between(pelvis, chest, np.full(n, share))
        # The joints do not say where the face looks: toward the pitcher, and at the ball as it comes.
        u = np.clip((np.asarray(times) - self.before - 0.6) / 0.6, 0, 1)
        head = align(np.array([0, 1.0, 0]), j["Head_end"] - j["Head"]) @ turn("y", np.radians(60 - 25 * u))
        rot["Neck"], rot["Neck1"], rot["Head"] = between(chest, head, np.full(n, 0.35)), between(chest, head, np.full(n, 0.7)), head
        for side, s in (("Left", 1), ("Right", -1)):
            for limb, forward in (((side + "UpLeg", side + "Leg", side + "Foot"), pelvis), ((side + "Arm", side + "ForeArm", side + "Hand"), chest)):
                a, c = j[limb[1]] - j[limb[0]], j[limb[2]] - j[limb[1]]
                ra, rc = rest[limb[1]] - rest[limb[0]], rest[limb[2]] - rest[limb[1]]
                hinge, rest_hinge = np.cross(unit(a), unit(c)), np.cross(unit(ra), unit(rc))
                # A straight limb has no hinge of its own; the body's side gives one.
                own = forward @ unit(rest_hinge)
                hinge = hinge + own * 0.15
                rot[limb[0]], rot[limb[1]] = basis(a, hinge) @ basis(ra, rest_hinge).T, basis(c, hinge) @ basis(rc, rest_hinge).T
            foot = j[side + "ToeBase"] - j[side + "Foot"]
            rest_foot = rest[side + "ToeBase"] - rest[side + "Foot"]
            rot[side + "Foot"] = basis(foot, np.array([0, 1.0, 0])) @ basis(rest_foot, np.array([0, 1.0, 0])).T
            rot[side + "ToeBase"] = rot[side + "Foot"]
            rot[side + "Shoulder"] = chest
        for name in b.names:
            if name not in rot:
                rot[name] = rot.get(b.parent[name], eye)
        root = j["Hips"] * self.size - [0, self.sink, 0]
        at = b.place(rot, root)
        ankle = {s: at[s + "Foot"] + rot[s + "Foot"] @ (b.heel * [m, 1, 1] - rest[s + "Foot"]) for s, m in (("Left", 1), ("Right", -1))}
        ball = at["LeftFoot"] + rot["LeftFoot"] @ (b.ball - rest["LeftFoot"])
        points = {
            "ears": at["Head"] + head @ (b.ears - rest["Head"]), "pelvis": (at["LeftUpLeg"] + at["RightUpLeg"]) / 2,
            "shoulders": (at["LeftArm"] + at["RightArm"]) / 2, "hip_line": at["LeftUpLeg"] - at["RightUpLeg"], "shoulder_line": at["LeftArm"] - at["RightArm"],
            "front_ankle": at["LeftFoot"], "back_ankle": at["RightFoot"], "front_heel": ankle["Left"], "back_heel": ankle["Right"], "front_ball": ball,
            "hands": (at["LeftHand"] + at["RightHand"]) / 2, "left_wrist": at["LeftHand"], "right_wrist": at["RightHand"],
            "grip": (at["LeftHand"] + at["RightHand"]) / 2, "bat": np.tile([0, 1.0, 0], (n, 1)),
        }
        return b.matrices(rot, at), points

    def segments(self):
        """The events as read from the joints, and what the posed body measures then.

        The recording begins as the weight is already going back (hips at 0.07 m/s), so the gather is where the standing ends.
        """
        e = {"gather": 0.0, "lift": self.events["lift_off"], "plant": self.events["plant"], "contact": self.events["peak_hand_speed"]}
        e = {k: v + self.before for k, v in e.items()}
        e["finish"] = e["contact"] + 0.45
        at = lambda name, when: self.pose(np.atleast_1d(when))[1][name].mean(0)
        still = np.arange(e["gather"] - 0.3, e["gather"] + 0.001, 0.02)
        plant, contact = e["plant"], e["contact"]
        ears0, ears = at("ears", still), at("ears", plant)
        front0, front, back = at("front_ankle", still), at("front_ankle", plant + np.arange(-0.02, 0.05, 0.01)), at("back_ankle", plant)
        rear = lambda when: (at("hands", when) - at("shoulders", when))[0]
        toe = at("front_ball", plant + 0.02) - at("front_heel", plant + 0.02)
        measures = {
            "head_set_to_plant_m": (ears - ears0)[0], "head_plant_to_contact_m": (at("ears", contact) - ears)[0], "head_drop_set_to_contact_m": (ears0 - at("ears", contact))[1],
            "stride_m": (front - front0)[0], "head_between_feet_at_plant": (ears - back)[0] / (front - back)[0],
            "hands_back_lift_to_plant_m": rear(e["lift"]) - rear(plant), "front_foot_open_deg": np.degrees(np.arctan2(toe[0], toe[2])), "gather_to_plant_s": plant - e["gather"],
            "lift_to_plant_s": plant - e["lift"], "plant_to_contact_s": contact - plant,
        }
        return [{"segment": "rep", "start": self.before, "end": round(e["finish"] + 0.4, 4), "events": {k: round(v, 4) for k, v in e.items()},
                 "measures": {k: round(float(v), 4) for k, v in measures.items()}}]
