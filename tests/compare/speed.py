#!/usr/bin/env python3
"""Compares the speed of this program's pose networks with that of the C++ runtime, on the same files, in one run.

usage: speed.py PROGRAM [--rounds N] [--core N]

PROGRAM is the built program (a release build). The other side is the PyPI package onnxruntime (speed-requirements.txt
beside this file) on models/pose_landmark_*.onnx, all outputs, one thread. The two take turns on one processor core, so
that both meet the same load. Prints one line a model: milliseconds of a frame of ours and its parts, of theirs for the
network alone, and the ratio of the two networks. The times are the lowest of the rounds' 0.1 quantiles; the ratio is the
middle one of the rounds' ratios of the 0.5 quantiles.
"""
import argparse, json, os, statistics, subprocess, time

import numpy
import onnxruntime

MODELS = os.path.join(os.path.dirname(__file__), "..", "..", "models")
RUNS = 100


def session(model):
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    path = os.path.join(MODELS, f"pose_landmark_{model}.onnx")
    return onnxruntime.InferenceSession(path, options, providers=["CPUExecutionProvider"])


def theirs(session):
    picture = numpy.random.default_rng(1).random((1, 3, 256, 256), dtype=numpy.float32)
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        session.run(None, {"image": picture})
        times.append((time.perf_counter() - start) * 1e3)
    return numpy.quantile(times, [0.1, 0.5])


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("program")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--core", type=int, default=0)
    options = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {options.core})
    sessions = {model: session(model) for model in ["lite", "full"]}
    rounds = []
    for _ in range(options.rounds):
        printed = subprocess.run([options.program, "bench", "--json", "--threads", "1"], check=True, capture_output=True, text=True)
        ours = json.loads(printed.stdout)
        rounds.append({model: (ours[model], theirs(one)) for model, one in sessions.items()})
    print(f"onnxruntime {onnxruntime.__version__}, {options.rounds} rounds")
    print("model  frame  crop  network  reading | onnxruntime  ratio (range)")
    for model in sessions:
        best = {part: min(ours[part][0] for ours, _ in (r[model] for r in rounds)) for part in rounds[0][model][0]}
        other = min(quantiles[0] for _, quantiles in (r[model] for r in rounds))
        ratios = [ours["network"][1] / quantiles[1] for ours, quantiles in (r[model] for r in rounds)]
        print(
            f"{model:5} {best['frame']:6.2f} {best['crop']:5.2f} {best['network']:8.2f} {best['reading']:8.2f} |"
            f" {other:11.2f} {statistics.median(ratios):6.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
        )


main()
