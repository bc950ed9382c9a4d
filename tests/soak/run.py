"""The soak run: the built program, for a long time, at several times the pace of life.

    python3 tests/soak/run.py target/release/cagehand [--minutes 22] [--pace 4] [--out FOLDER]

Two programs run side by side on the recording that stands in for a camera, looped:

- watch: the whole daemon, decoder, pose model, page, journal and sound file. At this pace few machines look at every
  frame, so it drops frames, as it does with a camera that is too fast, and the reps it can find are fewer.
- replay: the same recording's pose track, so everything after the pose model, with no frame dropped. Its reps must be
  those that the recording holds, times the loops.

Every few seconds their memory, threads, open files and data are read from the system, and watch is asked for its metrics.
Ends with a table for docs/soak.md and with status 1 where a promise does not hold. Standard library only; Linux only.
"""

import argparse
import json
import os
import pathlib
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request

from figures import begins, line, median, medians, thinned

ROOT = pathlib.Path(__file__).resolve().parents[2]
CLIP = ROOT / "recordings" / "left_60fps_faults.mp4"
TRUTH = CLIP.with_suffix(".truth.json")
HEIGHT_CM = "168"
EVERY_SECS = 5
# Until then buffers fill and models settle; it is no leak.
WARM_UP_SECS = 240
# Memory is one median per stretch.
STRETCH_SECS = 30
# What is called flat: a year of this would not fill a small machine's memory.
FLAT_MB_PER_HOUR = 0.5
# A drift above this within a day would be noticed: sound later than the picture, milliseconds an hour of recording.
DRIFT_MS_PER_HOUR = 1.0


class Run:
    """One program and what was seen of it."""

    def __init__(self, name, program, arguments, folder):
        self.name = name
        self.data = folder / name
        self.data.mkdir()
        self.wav = folder / f"{name}.wav"
        self.reps = folder / f"{name}.jsonl"
        self.journal = self.data / "journal.db"
        self.said = folder / f"{name}.txt"
        self.samples = []
        environment = dict(os.environ, HOME=str(folder), XDG_DATA_HOME=str(self.data), XDG_CONFIG_HOME=str(folder))
        environment.pop("RUST_LOG", None)
        arguments = [*arguments, "--sound", self.wav, "--reps", self.reps, "--journal", self.journal]
        self.began = time.monotonic()
        self.process = subprocess.Popen(
            [program, *map(str, arguments)],
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=self.said.open("w"),
            stderr=subprocess.STDOUT,
        )
        self.took_secs = None

    def look(self):
        """Takes a sample; false once the program has ended."""
        if self.process.poll() is not None:
            self.took_secs = self.took_secs or time.monotonic() - self.began
            return False
        process = pathlib.Path("/proc") / str(self.process.pid)
        try:
            status = dict(
                entry.split(":", 1) for entry in (process / "status").read_text().splitlines() if ":" in entry
            )
            self.samples.append(
                {
                    "secs": round(time.monotonic() - self.began, 2),
                    "rss_kb": int(status["VmRSS"].split()[0]),
                    "own_kb": int(status["RssAnon"].split()[0]),
                    "threads": int(status["Threads"]),
                    "files": len(os.listdir(process / "fd")),
                    "data_bytes": sum(f.stat().st_size for f in self.data.rglob("*") if f.is_file()),
                }
            )
        except (OSError, KeyError, ValueError):
            pass  # It ended in between; the next look tells.
        return True

    def rep_lines(self):
        return [json.loads(text) for text in self.reps.read_text().splitlines()]


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def metrics(port):
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as answer:
            return {
                key: float(value)
                for key, _, value in (
                    text.rpartition(" ") for text in answer.read().decode().splitlines() if text[:1] != "#"
                )
            }
    except (OSError, ValueError):
        return {}


def started(program, folder, minutes, pace):
    """The pose track of one run, then both programs; gives them, the loops, the page's port and the clip's length."""
    track = folder / "demo.track.jsonl"
    print("pose track of the recording ...", flush=True)
    subprocess.run(
        [program, "replay", CLIP, "--pace", "fast", "--model", "full", "--no-journal", "--track", track,
         "--height-cm", HEIGHT_CM],
        check=True, stdout=subprocess.DEVNULL, cwd=folder,
    )  # fmt: skip
    rows = track.read_text().splitlines()
    header = json.loads(rows[0])
    clip_secs = (len(rows) - 1) / header["fps"]
    loops = int(minutes * 60 * pace / clip_secs) + 1
    port = free_port()
    settings = folder / "soak.toml"
    settings.write_text(f'[pose]\nmodel = "lite"\n[page]\ntrial = true\nlisten = "127.0.0.1:{port}"\n')
    common = ["--pace", pace, "--loops", loops]
    watch = ["watch", "--end-with-recording", "--settings", settings, "--stand-in", CLIP, *common]
    replay = ["replay", track, "--settings", settings, "--height-cm", HEIGHT_CM, *common]
    print(f"{loops} loops of {clip_secs:.1f} s at {pace:g} times the pace of life", flush=True)
    runs = [Run("watch", program, watch, folder), Run("replay", program, replay, folder)]
    return runs, loops, port, clip_secs


def growth(run, key):
    """The median of the first and of the last minute after the warm-up, and the most that was seen in between."""
    after = [s for s in run.samples if s["secs"] >= WARM_UP_SECS] or run.samples
    first = [s[key] for s in after if s["secs"] < after[0]["secs"] + 60]
    last = [s[key] for s in after if s["secs"] > after[-1]["secs"] - 60]
    return median(first), median(last), max(s[key] for s in after)


def with_range(fitted, unit):
    if fitted is None:
        return "too few points"
    return f"{fitted[0]:+.3f} {unit} (95 % interval {fitted[1]:+.3f} to {fitted[2]:+.3f})"


def judge_run(run, clip_swings, clip_secs, loops, pace, failures):
    """The table's rows of one run; adds what does not hold to `failures`."""

    def must(holds, what):
        if not holds:
            failures.append(f"{run.name}: {what}")

    must(run.process.returncode == 0, f"ended with status {run.process.returncode}; see {run.said}")
    rows = [("time", f"{run.took_secs / 60:.1f} minutes, {loops} loops, {len(run.samples)} samples")]
    lost = run.took_secs * pace - loops * clip_secs
    rows.append(("pace kept", f"{loops * clip_secs / run.took_secs:.3f} times that of life"))
    must(lost < 20 * pace, "the recording's time fell behind the clock")
    for key, words in [("own_kb", "memory of its own"), ("rss_kb", "memory with mapped files")]:
        points = [(s["secs"] / 3600, s[key] / 1024) for s in run.samples if s["secs"] >= WARM_UP_SECS]
        slope = line(medians(points, STRETCH_SECS / 3600))
        first, last, most = (v / 1024 for v in growth(run, key))
        rows.append((words, f"{first:.1f} MB, at the end {last:.1f} MB, most {most:.1f} MB"))
        rows.append((f"slope of {words}", with_range(slope, "MB an hour")))
        if key == "own_kb" and slope:
            must(slope[1] <= FLAT_MB_PER_HOUR, f"its memory grows by {slope[0]:.2f} MB an hour")
    for key in ["threads", "files"]:
        first, last, most = growth(run, key)
        rows.append((key, f"{first:g}, at the end {last:g}, most {most:g}"))
        must(last <= first, f"its {key} grew from {first:g} to {last:g}")
    reps = run.rep_lines()
    swings = [rep for rep in reps if rep["kind"] == "swing"]
    first, last, _ = growth(run, "data_bytes")
    rows.append(("data folder", f"{first / 1e6:.2f} MB, at the end {last / 1e6:.2f} MB, {last / max(1, len(reps)) / 1e3:.1f} kB a rep"))
    held = clip_swings * loops
    rows.append(("swings", f"{len(swings)} logged of {held} held, {len(reps) - len(swings)} takes"))
    if run.name == "replay":
        must(len(swings) == held and len(reps) == held, f"{len(swings)} swings and {len(reps)} reps for {held}")
    cues = [rep for rep in reps if rep.get("cue")]
    onsets = begins(run.wav, [rep["cue"]["at"] for rep in cues])
    late = [
        (rep["cue"]["at"] / 3600, 1e3 * (onset - rep["cue"]["at"]))
        for rep, onset in zip(cues, onsets)
        if onset is not None
    ]
    drift = line(thinned(late, 600))
    if late:
        values = [ms for _, ms in late]
        rows.append(("cues found in the sound file", f"{len(late)} of {len(cues)}, {median(values):.2f} ms after their time (least {min(values):.2f}, most {max(values):.2f})"))
    must(len(late) >= len(cues) / 2 and late, "fewer than half of the cues could be found in the sound file")
    rows.append(("drift of sound against picture", with_range(drift, "ms an hour of recording")))
    if drift:
        must(drift[1] <= DRIFT_MS_PER_HOUR and drift[2] >= -DRIFT_MS_PER_HOUR, f"sound drifts by {drift[0]:.2f} ms an hour")
    waits = [(rep["cue"]["at"] / 3600, rep["cue"]["latency_ms"]) for rep in cues if rep["cue"]["latency_ms"] is not None]
    if len(waits) >= 10:
        rows.append(("picture to decision", f"{median([ms for _, ms in waits]):.0f} ms of recording"))
        rows.append(("its drift", with_range(line(thinned(waits, 600)), "ms an hour of recording")))
    return rows


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--minutes", type=float, default=22)
    parser.add_argument("--pace", type=float, default=4)
    parser.add_argument("--out", type=pathlib.Path, help="keep everything here; a folder that is deleted if not told")
    told = parser.parse_args()
    temporary = None if told.out else tempfile.TemporaryDirectory(prefix="cagehand-soak-")
    folder = (told.out or pathlib.Path(temporary.name)).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    program = told.program.resolve()
    segments = json.loads(TRUTH.read_text())["segments"]
    clip_swings = sum(segment["segment"] == "rep" for segment in segments)

    runs, loops, port, clip_secs = started(program, folder, told.minutes, told.pace)
    last_metrics, next_note = {}, 0
    try:
        while any([run.look() for run in runs]):
            last_metrics = metrics(port) or last_metrics
            (folder / "samples.json").write_text(json.dumps({run.name: run.samples for run in runs}))
            if time.monotonic() - runs[0].began >= next_note:
                next_note += 60
                now = ", ".join(
                    f"{run.name} {run.samples[-1]['own_kb'] / 1024:.1f} MB {run.samples[-1]['threads']} threads "
                    f"{run.samples[-1]['files']} files"
                    for run in runs if run.samples
                )  # fmt: skip
                print(f"{(time.monotonic() - runs[0].began) / 60:5.1f} min  {now}", flush=True)
            time.sleep(EVERY_SECS)
    finally:
        for run in runs:
            if run.process.poll() is None:
                run.process.terminate()
                run.process.wait(30)

    failures = []
    tables = [judge_run(run, clip_swings, clip_secs, loops, told.pace, failures) for run in runs]
    given, dropped = (last_metrics.get(f"cagehand_frames{key}_total", 0) for key in ["", "_dropped"])
    tables[0].insert(2, ("frames", f"{given:.0f}, {100 * dropped / max(1, given):.1f} % dropped"))
    restarts = sum(value for key, value in last_metrics.items() if key.startswith("cagehand_restarts_total"))
    tables[0].append(("stages restarted", f"{restarts:.0f}"))
    if not last_metrics or restarts:
        failures.append(f"watch: {restarts:.0f} restarts, metrics {'seen' if last_metrics else 'never seen'}")
    for run, rows in zip(runs, tables):
        print(f"\n| {run.name} | |\n|---|---|")
        for what, value in rows:
            print(f"| {what} | {value} |")
    print()
    for failure in failures:
        print(f"DOES NOT HOLD: {failure}")
    sys.exit(1 if failures else 0)


if __name__ == "__main__":
    main()
