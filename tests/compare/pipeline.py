#!/usr/bin/env python3
"""How long the whole way takes a frame, against the reference Python pipeline of the same model.

usage: pipeline.py PROGRAM CLIP [CLIP ...] [--rounds 3]

Decoding, crop, full model and landmarks on both sides; ours also makes signals, reps, measures and verdicts. Both run on the
same clips and cores, turn about, as many rounds as told; the least time of each counts, for the machine may be shared. Ours is
the whole run of the program, its start and the loading of its models included; the reference's clock starts when its models
are loaded. The packages are those of requirements.txt beside this file.
"""
import argparse, os, subprocess, tempfile, time

import cv2
import mediapipe


def reference(clip):
    pose = mediapipe.solutions.pose.Pose(model_complexity=1, smooth_landmarks=False)
    capture = cv2.VideoCapture(clip)
    ok, image = capture.read()
    pose.process(cv2.cvtColor(image, cv2.COLOR_BGR2RGB))
    capture.release()
    capture = cv2.VideoCapture(clip)
    began, frames = time.monotonic(), 0
    while True:
        ok, image = capture.read()
        if not ok:
            break
        pose.process(cv2.cvtColor(image, cv2.COLOR_BGR2RGB))
        frames += 1
    return time.monotonic() - began, frames


def ours(program, clip):
    with tempfile.TemporaryDirectory() as folder:
        began = time.monotonic()
        subprocess.run(
            [program, "replay", os.path.abspath(clip), "--pace", "fast", "--no-journal", "--model", "full", "--sound", "none"],
            check=True, stdout=subprocess.DEVNULL, cwd=folder,
        )
        return time.monotonic() - began


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("clips", nargs="+")
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    program = os.path.abspath(options.program)
    print("| clip | frames | ours, ms a frame | reference | ratio |\n|---|---|---|---|---|")
    for clip in options.clips:
        mine, theirs = [], []
        for _ in range(options.rounds):
            mine.append(ours(program, clip))
            secs, frames = reference(clip)
            theirs.append(secs)
        a, b = (1e3 * min(times) / frames for times in (mine, theirs))
        print(f"| {os.path.basename(clip)} | {frames} | {a:.2f} | {b:.2f} | {a / b:.2f} |", flush=True)


main()
