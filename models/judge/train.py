#!/usr/bin/env python3
"""Trains the swing judge: ROWS (what `swing-rows` wrote, without ending) -> models/swing_judge.bin.

    train.py ROWS [--folds-only] [--fold-models FOLDER] [--out FILE]

Prints where the judge stands on sources that it has not learned from (five folds; all copies of a source are in one), and
writes the model that learned from all of them. FOLDER gets the models of the folds and `folds.csv`, which source is in which: a program built with
model 0 has not learned from fold 0. See README.md.
"""
import argparse
import collections
import hashlib
import json

import numpy as np
import torch

FOLDS = 5
# A golf stroke is a swing of another game, and nobody swings a golf club in a batting cage: neither learned nor judged.
LEFT_OUT = {"golf_swing"}
SWING, OTHER, UNKNOWN = 1, 0, -1
# What the program gives the judge: hands as fast as this, standing heights a second (`LEAST_SPEED` in judge/mod.rs).
LEAST_SPEED = 0.9
# From which probability on the program counts a burst (`LEAST_PROBABILITY` there).
COUNTS = 0.9


def load(rows):
    meta = [json.loads(line) for line in open(rows + ".jsonl")]
    values = np.fromfile(rows + ".f32", np.float32).reshape(len(meta), -1)
    return meta, values


def labels(meta):
    """1 swing, 0 none, -1 not known: a burst beside a swing's own may be part of it."""
    known = np.full(len(meta), OTHER)
    stretches = collections.defaultdict(list)
    for i, row in enumerate(meta):
        stretches[row["kind"], row["name"], row["copy"], row["seen"], json.dumps(row["swings"])].append(i)
    for (kind, *_), rows in stretches.items():
        at = np.array([meta[i]["at"] for i in rows])
        speed = np.array([meta[i]["speed"] for i in rows])
        if kind in LEFT_OUT:
            known[rows] = UNKNOWN
        elif kind == "baseball_swing":
            # One swing, nobody said when: the quickest burst, and nothing is known of the others.
            known[rows] = UNKNOWN
            known[rows[int(speed.argmax())]] = SWING
        else:
            for swing in meta[rows[0]]["swings"] or []:
                around = np.flatnonzero((at > swing - 0.7) & (at < swing + 1.0))
                known[[rows[k] for k in around]] = UNKNOWN
                near = np.flatnonzero((at > swing - 0.3) & (at < swing + 0.15))
                if len(near):
                    known[rows[near[int(speed[near].argmax())]]] = SWING
    return known


def weights(meta, known, swings_weigh):
    """Sources count alike, more or less, however many bursts they have; all swings together have this share."""
    name = np.array([row["kind"] + "/" + row["name"] for row in meta])
    out = np.zeros(len(meta))
    for label, share in ((SWING, swings_weigh), (OTHER, 1 - swings_weigh)):
        mine = known == label
        _, inverse, count = np.unique(name[mine], return_inverse=True, return_counts=True)
        weight = 1.0 / np.sqrt(count[inverse])
        out[mine] = share * weight / weight.sum()
    return out * (known != UNKNOWN).sum()


class Judge:
    """Networks of one hidden layer that learn side by side, each from its own draw of rows."""

    def __init__(self, values, known, weight, options, device):
        torch.manual_seed(1)
        k, h, n = options.networks, options.hidden, values.shape[1]
        x = torch.as_tensor(values, device=device)
        y = torch.as_tensor(known, dtype=torch.float32, device=device)
        w = torch.as_tensor(weight, dtype=torch.float32, device=device)
        self.mean, self.spread = x.mean(0), x.std(0).clamp(min=0.02)
        x = (x - self.mean) / self.spread
        draw = lambda *size: torch.randn(*size, device=device)
        self.w1 = (draw(k, n, h) * (2 / n) ** 0.5).requires_grad_()
        self.b1 = torch.zeros(k, 1, h, device=device, requires_grad=True)
        self.w2 = (draw(k, h, 1) * (1 / h) ** 0.5).requires_grad_()
        self.b2 = torch.zeros(k, 1, 1, device=device, requires_grad=True)
        own = torch.rand(k, len(x), device=device) < 0.8
        optimizer = torch.optim.AdamW([self.w1, self.b1, self.w2, self.b2], lr=2e-3, weight_decay=options.decay)
        steps = options.epochs * len(x) // options.batch
        schedule = torch.optim.lr_scheduler.CosineAnnealingLR(optimizer, steps)
        for _ in range(steps):
            rows = torch.randint(len(x), (options.batch,), device=device)
            seen = x[rows] + options.noise * torch.randn(options.batch, n, device=device)
            seen = seen * (torch.rand_like(seen) > options.drop)
            hidden = torch.relu(seen @ self.w1 + self.b1)
            answer = (torch.nn.functional.dropout(hidden, options.drop_hidden) @ self.w2 + self.b2)[..., 0]
            loss = torch.nn.functional.binary_cross_entropy_with_logits(
                answer, y[rows].expand_as(answer), reduction="none"
            )
            optimizer.zero_grad()
            (loss * w[rows] * own[:, rows]).mean().backward()
            optimizer.step()
            schedule.step()

    @torch.no_grad()
    def answer(self, values):
        x = (torch.as_tensor(values, device=self.mean.device) - self.mean) / self.spread
        parts = [(torch.relu(part @ self.w1 + self.b1) @ self.w2 + self.b2)[..., 0].mean(0) for part in x.split(4096)]
        return torch.cat(parts).cpu().numpy().astype(float)

    def write(self, path, slope, offset, about):
        """Standardizing goes into the weights, so that the program reads moments as they are."""
        number = lambda t: t.detach().cpu().numpy().astype(float)
        mean, spread = number(self.mean), number(self.spread)
        parts = []
        for w1, b1, w2, b2 in zip(*map(number, (self.w1, self.b1, self.w2, self.b2))):
            w = (w1 / spread[:, None]).T
            parts += [w.ravel(), b1[0] - w @ mean, w2.ravel(), b2.ravel()]
        header = {
            "format": "swing-judge",
            "version": 1,
            "values": len(mean),
            "networks": len(self.b1),
            "hidden": self.b1.shape[-1],
            "slope": float(slope),
            "offset": float(offset),
            **about,
        }
        with open(path, "wb") as file:
            file.write(json.dumps(header).encode() + b"\n")
            file.write(np.concatenate(parts).astype("<f4").tobytes())


def calibrate(answer, known, weight):
    """Slope and offset of the logistic curve that makes probabilities of answers."""
    at = torch.tensor([1.0, 0.0], dtype=torch.float64, requires_grad=True)
    x, y, w = (torch.as_tensor(v, dtype=torch.float64) for v in (answer, known, weight))
    optimizer = torch.optim.LBFGS([at], max_iter=200, line_search_fn="strong_wolfe")

    def loss():
        optimizer.zero_grad()
        value = torch.nn.functional.binary_cross_entropy_with_logits(at[0] * x + at[1], y, weight=w)
        value.backward()
        return value

    optimizer.step(loss)
    return at.detach().numpy()


def by_source(meta, probability, seen):
    """The highest probability in each source itself, not its copies."""
    best = {}
    for row, p in zip(meta, probability):
        if row["copy"] == 0 and row["seen"] == seen and row["speed"] >= LEAST_SPEED:
            key = row["kind"], row["name"]
            best[key] = max(best.get(key, 0.0), p)
    return best


def report(meta, known, weight, probability):
    out = {}
    for seen in ("whole", "live"):
        kinds = collections.defaultdict(list)
        for (kind, _), p in by_source(meta, probability, seen).items():
            kinds[kind].append(p)
        print(f"-- {seen}: share of sources with a burst at {COUNTS} and more (0.5, 0.8)")
        for kind, p in sorted(kinds.items()):
            p = np.array(p)
            if kind in ("baseball_swing", "rendered", "golf_swing") or (p >= 0.5).any():
                print(f"{kind:32} {len(p):4}  {np.mean(p >= COUNTS):.3f} ({np.mean(p >= 0.5):.3f}, {np.mean(p >= 0.8):.3f})")
            out[f"{kind}, {seen}"] = [int((p >= COUNTS).sum()), len(p)]
    judged = known != UNKNOWN
    p, y, w = probability[judged], known[judged], weight[judged]
    print("-- said and true")
    for low in np.arange(0, 1, 0.1):
        inside = (p >= low) & (p < low + 0.1)
        if inside.any():
            mean = lambda v: np.average(v[inside], weights=w[inside])
            print(f"{low:.1f} to {low + 0.1:.1f}: {inside.sum():6} rows, said {mean(p):.3f}, swings {mean(y):.3f}")
    rendered = np.array([row["kind"] == "rendered" and row["copy"] == 0 for row in meta]) & judged
    for label, word in ((SWING, "missed"), (OTHER, "false")):
        wrong = rendered & (known == label) & ((probability >= COUNTS) != bool(label))
        print(f"rendered, {word}: {wrong.sum()} of {(rendered & (known == label)).sum()} rows", *(
            f"{meta[i]['name']} {meta[i]['at']:.2f} {probability[i]:.2f}" for i in np.flatnonzero(wrong)))
    best = by_source(meta, probability, "whole")
    print("least likely swings", sorted((round(p, 3), n) for (k, n), p in best.items() if k == "baseball_swing")[:8])
    others = [(round(p, 3), k, n) for (k, n), p in best.items() if k not in LEFT_OUT | {"baseball_swing", "rendered", "film_of_a_swing", "seen_swing"}]
    print("most likely others", sorted(others, reverse=True)[:14])
    return out


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("rows")
    parser.add_argument("--networks", type=int, default=6)
    parser.add_argument("--hidden", type=int, default=32)
    parser.add_argument("--epochs", type=int, default=200)
    parser.add_argument("--batch", type=int, default=1024)
    parser.add_argument("--decay", type=float, default=0.3)
    parser.add_argument("--noise", type=float, default=0.3)
    parser.add_argument("--drop", type=float, default=0.2)
    parser.add_argument("--drop-hidden", type=float, default=0.2)
    parser.add_argument("--swings-weigh", type=float, default=0.1)
    parser.add_argument("--answers", help="keep the answers of the folds in this file")
    parser.add_argument("--fold-models", metavar="FOLDER", help="keep the models of the folds in this folder")
    parser.add_argument("--folds-only", action="store_true")
    parser.add_argument("--out", default="models/swing_judge.bin")
    options = parser.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    meta, values = load(options.rows)
    known = labels(meta)
    weight = weights(meta, known, options.swings_weigh)
    group = np.array(["captured" if "captured" in row["name"] else row["kind"] + row["name"] for row in meta])
    fold = np.array([int(hashlib.sha256(g.encode()).hexdigest(), 16) % FOLDS for g in group])
    answer = np.zeros(len(meta))
    of_folds = []
    for judge in range(FOLDS):
        learn = (fold != judge) & (known != UNKNOWN)
        model = Judge(values[learn], known[learn], weight[learn], options, device)
        answer[fold == judge] = model.answer(values[fold == judge])
        of_folds.append(model)
    sure = known != UNKNOWN
    slope, offset = calibrate(answer[sure], known[sure], weight[sure])
    if options.answers:
        np.savez_compressed(options.answers, answer=answer, known=known, weight=weight)
    probability = 1 / (1 + np.exp(-np.clip(slope * answer + offset, -50, 50)))
    print(vars(options), f"slope {slope:.3f} offset {offset:.3f}")
    judged = report(meta, known, weight, probability)
    if options.fold_models:
        for number, model in enumerate(of_folds):
            model.write(f"{options.fold_models}/fold_{number}.bin", slope, offset, {"fold": number})
        with open(f"{options.fold_models}/folds.csv", "w") as file:
            file.writelines(f"{g},{f}\n" for g, f in sorted(set(zip(group, fold))))
    if options.folds_only:
        return
    model = Judge(values[sure], known[sure], weight[sure], options, device)
    kinds = collections.Counter(meta[i]["kind"] for i in np.flatnonzero(sure))
    model.write(options.out, slope, offset, {"trained_on_rows": dict(sorted(kinds.items())), "counted_of_sources_in_folds": judged})


if __name__ == "__main__":
    main()
