#!/usr/bin/env python3
"""Compares this program's landmarks with those of the reference Python pipeline of the same model.

usage: reference.py PROGRAM CLIP [CLIP ...] [--model full|lite] [--lite-model FILE]

PROGRAM is the built program. The reference is the PyPI package mediapipe 0.10.14 with smoothing off (see
requirements.txt beside this file). For the lite model give the original pose_landmark_lite.tflite (npm package
@mediapipe/pose 0.5.1675469404): the wheel does not hold it, and its own download cannot be relied upon.
Prints, per clip, the median and the 95th percentile of the distance between the two in pixels, over all 33 landmarks of
all frames in which both found a body, and for the landmarks that both call visible.
"""
import argparse, json, os, shutil, subprocess, sys, tempfile

import cv2
import mediapipe
import numpy


def reference(clip, complexity):
    capture = cv2.VideoCapture(clip)
    pose = mediapipe.solutions.pose.Pose(model_complexity=complexity, smooth_landmarks=False)
    found = []
    while True:
        ok, image = capture.read()
        if not ok:
            return found
        height, width = image.shape[:2]
        result = pose.process(cv2.cvtColor(image, cv2.COLOR_BGR2RGB))
        if result.pose_landmarks is None:
            found.append(None)
        else:
            found.append([(l.x * width, l.y * height, l.visibility) for l in result.pose_landmarks.landmark])


def ours(program, clip, model):
    with tempfile.TemporaryDirectory() as folder:
        track = os.path.join(folder, "x.track.jsonl")
        subprocess.run(
            [program, "replay", clip, "--pace", "fast", "--no-journal", "--model", model, "--track", track],
            check=True, stdout=subprocess.DEVNULL,
        )
        with open(track) as lines:
            next(lines)
            return [json.loads(line)["points"] for line in lines]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("clips", nargs="+")
    parser.add_argument("--model", choices=["full", "lite"], default="full")
    parser.add_argument("--lite-model")
    options = parser.parse_args()
    if options.lite_model:
        folder = os.path.join(os.path.dirname(mediapipe.__file__), "modules", "pose_landmark")
        shutil.copy(options.lite_model, os.path.join(folder, "pose_landmark_lite.tflite"))
    everything = []
    for clip in options.clips:
        theirs = reference(clip, {"lite": 0, "full": 1}[options.model])
        mine = ours(options.program, clip, options.model)
        if len(theirs) != len(mine):
            sys.exit(f"{clip}: {len(theirs)} frames there, {len(mine)} here")
        pairs = [(a, b) for a, b in zip(theirs, mine) if a is not None and b is not None]
        a, b = (numpy.array([p[k] for p in pairs]) for k in (0, 1))
        distance = numpy.hypot(a[..., 0] - b[..., 0], a[..., 1] - b[..., 1])
        visible = distance[(a[..., 2] > 0.5) & (b[..., 2] > 0.5)]
        everything.append(distance.ravel())
        print(f"{os.path.basename(clip)}: {len(pairs)} of {len(mine)} frames, all landmarks median {numpy.median(distance):.2f} px "
              f"p95 {numpy.percentile(distance, 95):.2f} px, visible ones median {numpy.median(visible):.2f} px p95 {numpy.percentile(visible, 95):.2f} px")
    distance = numpy.concatenate(everything)
    print(f"together: median {numpy.median(distance):.2f} px p95 {numpy.percentile(distance, 95):.2f} px")
    sys.exit(0 if numpy.median(distance) <= 3 and numpy.percentile(distance, 95) <= 10 else 1)


main()
