#!/usr/bin/env python3
"""Trains the landing model: ROWS (what `landing-rows` wrote) -> models/landing.json.

    train.py ROWS [--test MORE_ROWS] [--out FILE]

Ridge regression of how far a swing's landing lies from a moment about it. Prints where it stands on swings that it has not
learned from: clips left out in turn, and whole kinds left out in turn. See README.md.
"""
import argparse
import collections
import json

import numpy as np

RIDGE = 100.0
# As in the program: how it asks (landing_model.rs), and how far off a first reading may be to be learned from.
ROUNDS, STEP, REACH = 2, 0.06, 0.1
FARTHEST_OFF = 0.12


def load(path):
    swings = collections.OrderedDict()
    for line in open(path):
        row = json.loads(line)
        swings.setdefault((row["kind"], row["clip"], row["swing"]), []).append((row["landing"], row["values"]))
    return swings


def fit(swings):
    """Weights and offset; every kind counts the same, however many swings it has."""
    of_kind = collections.Counter(kind for kind, _, _ in swings)
    x, y, w = [], [], []
    for (kind, _, _), rows in swings.items():
        if abs(rows[0][0]) > FARTHEST_OFF:
            continue
        for landing, values in rows:
            x.append(values)
            y.append(landing)
            w.append(1 / of_kind[kind])
    x, y, w = np.array(x), np.array(y), np.array(w)
    w /= w.mean()
    mean, middle = np.average(x, axis=0, weights=w), np.average(y, weights=w)
    spread = np.sqrt(np.average((x - mean) ** 2, axis=0, weights=w)) + 0.05
    z = (x - mean) / spread
    strength = RIDGE * len(next(iter(swings.values())))
    weights = np.linalg.solve((z * w[:, None]).T @ z + strength * np.eye(z.shape[1]), (z * w[:, None]).T @ (y - middle)) / spread
    return weights, middle - mean @ weights


def errors(model, swings):
    """What is left of each swing's error, and what the first reading's was, seconds late. The program asks at its first
    answer again; between the moments of the rows the values are taken to be linear."""
    weights, offset = model
    out = []
    for rows in swings.values():
        rows = sorted(rows, key=lambda row: -row[0])
        first = None
        at = np.array([-landing for landing, _ in rows])
        answers = np.array([np.dot(weights, values) + offset for _, values in rows])
        first = at[len(at) // 2]
        place = first
        for _ in range(ROUNDS):
            place += np.clip(np.interp(place, at, answers), -STEP, STEP)
        out.append((np.clip(place, first - REACH, first + REACH), first))
    return np.array(out) * 1000


def say(name, swings, e):
    kinds = np.array([kind for kind, _, _ in swings])
    for kind in sorted(set(kinds)):
        of = np.abs(e[kinds == kind])
        print(f"{name:22s} {kind:10s} {len(of):3d} swings: {np.median(of[:, 0]):5.1f}, {np.quantile(of[:, 0], 0.9):5.1f} ms; before {np.median(of[:, 1]):5.1f}, {np.quantile(of[:, 1], 0.9):5.1f}")


def folds(swings, group):
    out = np.zeros((len(swings), 2))
    keys = [group(key) for key in swings]
    for left_out in sorted(set(keys)):
        learned = {k: v for k, v in swings.items() if group(k) != left_out}
        asked = {k: v for k, v in swings.items() if group(k) == left_out}
        out[[key == left_out for key in keys]] = errors(fit(learned), asked)
    return out


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("rows")
    parser.add_argument("--test")
    parser.add_argument("--out", default="models/landing.json")
    options = parser.parse_args()
    swings = load(options.rows)
    by_clip, by_kind = folds(swings, lambda key: key[:2]), folds(swings, lambda key: key[0])
    say("clips left out", swings, by_clip)
    say("kinds left out", swings, by_kind)
    if options.test:
        test = load(options.test)
        say("never learned", test, errors(fit(swings), test))
    weights, offset = fit(swings)
    counts = collections.Counter(kind for kind, _, _ in swings)
    kinds = np.array([kind for kind, _, _ in swings])
    off = {kind: [round(float(np.quantile(np.abs(by_clip[kinds == kind, 0]), q)), 1) for q in (0.5, 0.9)] for kind in sorted(counts)}
    model = {
        "format": "landing-model", "version": 1, "learned_from": dict(sorted(counts.items())), "off_ms_clips_left_out": off,
        "offset": float(f"{offset:.5g}"), "weights": [float(f"{w:.5g}") for w in weights],
    }
    with open(options.out, "w") as file:
        file.write(json.dumps(model) + "\n")


if __name__ == "__main__":
    main()
