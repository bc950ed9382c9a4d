"""A body of the mesh with its bones: forward kinematics and two-bone limbs, for a whole timeline at once.

Axes: x toward the pitcher of a right-handed hitter, y up, z the way the chest faces at rest (toward the plate); meters.
A rotation is global and counts from the rest pose; arrays have the time first.
"""
import numpy as np
from scipy.spatial.transform import Rotation

TRUNK = ("LowerBack", "Spine", "Spine1")


def turn(axis, radians):
    """Rotation matrices about x, y or z."""
    return from_vector(np.asarray(radians)[..., None] * np.eye(3)["xyz".index(axis)])


def from_vector(vectors):
    return Rotation.from_rotvec(vectors).as_matrix()


def between(a, b, share):
    """From rotations a toward b, by share."""
    way = Rotation.from_matrix(np.swapaxes(a, -1, -2) @ b).as_rotvec()
    return a @ from_vector(way * np.asarray(share)[..., None])


def unit(v):
    return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-9)


def dot(a, b):
    return (a * b).sum(-1, keepdims=True)


def basis(along, second):
    """Right-handed axes whose first is `along` and whose second leans toward `second`."""
    first = unit(along)
    second = unit(second - dot(second, first) * first)
    return np.stack([first, second, np.cross(first, second)], -1)


def align(a, b):
    """The smallest rotations that take directions a to b."""
    a, b = np.broadcast_arrays(unit(a), unit(b))
    axis = np.cross(a, b)
    sine = np.linalg.norm(axis, axis=-1, keepdims=True)
    return from_vector(axis / np.maximum(sine, 1e-9) * np.arctan2(sine, dot(a, b)))


class Body:
    def __init__(self, pack, index, height):
        k = height / float(pack["height"][index])
        self.names = [str(n) for n in pack["names"]]
        self.parent = {n: (self.names[p] if p >= 0 else None) for n, p in zip(self.names, pack["parent"])}
        self.head = {n: pack["head"][index][i].astype(float) * k for i, n in enumerate(self.names)}
        self.tail = {n: pack["tail"][index][i].astype(float) * k for i, n in enumerate(self.names)}
        self.vertices = pack["V"][index] * k
        self.height, self.scale = height, height / 1.78
        self.triangles, self.bones, self.weights = pack["tri"], pack["wi"], pack["ww"]
        self.label = np.array([self.names[i] for i in pack["lab"]])
        self.normals = self._normals()
        head = self.vertices[self.label == "Head"]
        # The ears: the widest part of the head.
        wide = np.abs(head[:, 0]) > 0.93 * np.abs(head[:, 0]).max()
        self.ears = head[wide].mean(0) * [0, 1, 1]
        foot = self.vertices[np.isin(self.label, ["LeftFoot", "LeftToeBase"])]
        self.heel = foot[foot[:, 2].argmin()]
        self.heel = np.array([self.heel[0], foot[:, 1].min(), self.heel[2]])
        # The ball of the foot, on the ground: what it turns and rolls over.
        self.ball = self.tail["LeftFoot"] * [1, 0, 1] + [0, foot[:, 1].min(), 0]

    def _normals(self):
        v, t = self.vertices, self.triangles
        face = np.cross(v[t[:, 1]] - v[t[:, 0]], v[t[:, 2]] - v[t[:, 0]])
        n = np.stack([sum(np.bincount(t[:, k], face[:, c], len(v)) for k in range(3)) for c in range(3)], 1)
        return unit(n).astype(np.float32)

    def place(self, rotations, root):
        """Where each bone begins."""
        at = {}
        for name in self.names:
            up = self.parent[name]
            if up is None:
                at[name] = root
            else:
                at[name] = at[up] + rotations[up] @ (self.head[name] - self.head[up])
        return at

    def limb(self, upper, lower, end, start, target, pole):
        """Rotations of a two-bone limb that begins at `start` and reaches for `target`, bent toward `pole`."""
        r1, r2 = self.head[lower] - self.head[upper], self.head[end] - self.head[lower]
        l1, l2 = np.linalg.norm(r1), np.linalg.norm(r2)
        way = target - start
        reach = np.clip(np.linalg.norm(way, axis=-1, keepdims=True), abs(l1 - l2) + 0.04, (l1 + l2) * 0.999)
        way = unit(way)
        bend = np.arccos(np.clip((l1**2 + reach**2 - l2**2) / (2 * l1 * reach), -1, 1))
        side = unit(pole - dot(pole, way) * way)
        joint = start + l1 * (np.cos(bend) * way + np.sin(bend) * side)
        stop = start + reach * way
        # The hinge's axis goes with the bones, so that a limb turns as a whole.
        rest_hinge = np.cross(r1, r2)
        hinge = np.cross(joint - start, stop - joint)
        hinge = np.where(np.linalg.norm(hinge, axis=-1, keepdims=True) > 1e-4, hinge, np.cross(way, side) * -1)
        turned = [basis(b, hinge) @ basis(a, rest_hinge).T for a, b in ((r1, joint - start), (r2, stop - joint))]
        return turned[0], turned[1], stop

    def matrices(self, rotations, at):
        """What takes a rest vertex along with each bone: (times, bones, 4, 4)."""
        times = len(at["Hips"])
        out = np.zeros((times, len(self.names), 4, 4), np.float32)
        out[..., 3, 3] = 1
        for i, name in enumerate(self.names):
            out[:, i, :3, :3] = rotations[name]
            out[:, i, :3, 3] = at[name] - rotations[name] @ self.head[name]
        return out


def pose(body, ch):
    """Poses a body by its channels (see motion.py). Gives bone matrices, named points, and the bat's grip and direction."""
    k, n = body.scale, len(ch["t"])
    eye = np.broadcast_to(np.eye(3), (n, 3, 3))
    col = lambda *names: np.stack([ch[x] for x in names], -1)
    # The trunk leans in the world's own axes: to the pitcher (x) and to the plate (z).
    lean = lambda share: from_vector(np.stack([ch["lean_z"], 0 * ch["lean_z"], -ch["lean_x"]], -1) * np.reshape(share, (-1, 1)))
    pelvis = lean(ch.get("pelvis_lean", 0.4)) @ turn("y", ch["pelvis_yaw"])
    chest = lean(1.0) @ turn("y", ch["chest_yaw"])
    head = turn("y", ch["head_yaw"]) @ turn("x", ch["head_pitch"])
    rot = {x: pelvis for x in ("Hips", "LHipJoint", "RHipJoint")}
    rot["LowerBack"], rot["Spine"] = between(pelvis, chest, np.full(n, 0.35)), between(pelvis, chest, np.full(n, 0.7))
    rot["Spine1"] = chest
    rot["Neck"], rot["Neck1"] = between(chest, head, np.full(n, 0.35)), between(chest, head, np.full(n, 0.7))
    rot["Head"] = head

    # Feet roll over the ball; the ankle follows.
    ankles, feet = {}, {}
    for side, s in (("Left", 1), ("Right", -1)):
        mirror = np.array([s, 1, 1])
        foot = turn("y", ch[side + "_foot_yaw"]) @ turn("x", ch[side + "_foot_pitch"])
        ball = col(side + "_ball_x", side + "_ball_y", side + "_ball_z")
        rest_ball = body.ball * mirror
        ankles[side] = ball + foot @ (body.head[side + "Foot"] - rest_ball)
        feet[side] = ball + foot @ (body.heel * mirror - rest_ball)
        rot[side + "Foot"] = foot
        # The toes stay flat while the heel rises.
        rot[side + "ToeBase"] = turn("y", ch[side + "_foot_yaw"]) @ turn("x", np.minimum(ch[side + "_foot_pitch"], 0.25))
        feet[side + "_ball"] = ball
    # The pelvis is as high as it is told, and no higher than both legs reach.
    legs = sum(np.linalg.norm(body.head[a] - body.head[b]) for a, b in (("LeftUpLeg", "LeftLeg"), ("LeftLeg", "LeftFoot")))
    root = col("pelvis_x", "pelvis_y", "pelvis_z")
    height = root[:, 1]
    for side in ("Left", "Right"):
        hip = root + pelvis @ (body.head[side + "UpLeg"] - body.head["Hips"])
        flat = np.linalg.norm((hip - ankles[side])[:, [0, 2]], axis=-1)
        most = ankles[side][:, 1] + np.sqrt(np.maximum((0.985 * legs) ** 2 - flat**2, 0.01)) - (hip - root)[:, 1]
        # A soft minimum: a corner in the pelvis's path would be no body's.
        gap = (height - most) / 0.012
        height = most - 0.012 * np.where(gap > 30, 0, -gap + np.log1p(np.exp(np.minimum(gap, 30))))
    root = np.stack([root[:, 0], height, root[:, 2]], -1)
    for name in body.names:
        if name not in rot:
            rot[name] = rot.get(body.parent[name], eye)
    at = body.place(rot, root)
    for side, s in (("Left", 1), ("Right", -1)):
        yaw = 0.65 * ch[side + "_foot_yaw"] + 0.35 * ch["pelvis_yaw"] + ch.get(side + "_knee_yaw", 0)
        pole = turn("y", yaw) @ np.array([0.12 * s, 0, 1.0])
        names = (side + "UpLeg", side + "Leg", side + "Foot")
        rot[names[0]], rot[names[1]], _ = body.limb(*names, at[names[0]], ankles[side], pole)

    # Hands hold the bat, one of them lets go where it is told to.
    shoulders = (at["LeftArm"] + at["RightArm"]) / 2
    bat = unit(col("bat_x", "bat_y", "bat_z"))
    grip = shoulders + k * col("grip_x", "grip_y", "grip_z")
    reach = sum(np.linalg.norm(body.head[a] - body.head[b]) for a, b in (("LeftArm", "LeftForeArm"), ("LeftForeArm", "LeftHand")))
    offset = {"Left": -0.045 * k, "Right": 0.05 * k}
    held = {"Left": 1 - ch["Left_free"], "Right": 1 - ch["Right_free"]}

    def toward_hand(side, point):
        """From the bat's axis to the wrist."""
        v = at[side + "Arm"] - point
        return unit(v - dot(v, bat) * bat * 0.8) * 0.075 * k

    for _ in range(6):
        # A grip that one arm cannot reach comes nearer; the shoulder blade gives a little.
        for side in ("Left", "Right"):
            wrist = grip + bat * offset[side]
            wrist = wrist + toward_hand(side, wrist)
            v = at[side + "Arm"] - wrist
            d = np.linalg.norm(v, axis=-1, keepdims=True)
            grip = grip + v / d * np.maximum(d - 1.06 * reach, 0) * held[side][:, None]
    wrists = {}
    for side, s in (("Left", 1), ("Right", -1)):
        free = shoulders + chest @ np.array([0, 0, 0]) + k * col(side + "_hand_x", side + "_hand_y", side + "_hand_z")
        point = grip + bat * offset[side]
        share = ch[side + "_free"][:, None]
        target = (point + toward_hand(side, point)) * (1 - share) + free * share
        blade = side + "Shoulder"
        out = align(at[side + "Arm"] - at[blade], target - at[blade])
        rot[blade] = between(eye, out, np.full(n, 0.16)) @ chest
        for child in (side + "Arm",):
            at[child] = at[blade] + rot[blade] @ (body.head[child] - body.head[blade])
        names = (side + "Arm", side + "ForeArm", side + "Hand")
        pole = chest @ (np.array([0.45 * s, -1.0, -0.25]))
        pole = pole + ch["elbow_up"][:, None] * (chest @ np.array([1.0 * s, 0.6, 0])) * (side == "Right")
        rot[names[0]], rot[names[1]], stop = body.limb(*names, at[names[0]], target, pole)
        wrists[side] = stop
        knuckles = point * (1 - share) + (stop + rot[names[1]] @ unit(body.tail[names[2]] - body.head[names[2]]) * 0.08) * share
        fingers = body.tail[side + "FingerBase"] - body.head[side + "Hand"]
        rot[names[2]] = align(rot[names[1]] @ fingers, knuckles - stop + 1e-6) @ rot[names[1]]
        curl = 0.35 + 0.75 * (1 - ch[side + "_free"])
        rot[side + "FingerBase"] = rot[names[2]] @ turn("x", curl)
        rot[side + "HandFinger1"] = rot[names[2]] @ turn("x", 2.1 * curl)
        rot[("L" if side == "Left" else "R") + "Thumb"] = rot[names[2]] @ turn("x", 0.6 * curl)
    at = body.place(rot, root)
    points = {
        "ears": at["Head"] + head @ (body.ears - body.head["Head"]),
        "pelvis": (at["LeftUpLeg"] + at["RightUpLeg"]) / 2,
        "shoulders": (at["LeftArm"] + at["RightArm"]) / 2,
        "hip_line": at["LeftUpLeg"] - at["RightUpLeg"],
        "shoulder_line": at["LeftArm"] - at["RightArm"],
        "front_ankle": at["LeftFoot"], "back_ankle": at["RightFoot"],
        "front_heel": feet["Left"], "back_heel": feet["Right"], "front_ball": feet["Left_ball"],
        "hands": (wrists["Left"] + wrists["Right"]) / 2, "grip": grip, "bat": bat,
        "left_wrist": wrists["Left"], "right_wrist": wrists["Right"],
    }
    return body.matrices(rot, at), points
