"""The performance table: speed, latency, start, memory and size of the built program, and the cost of a growing journal.

    python3 tests/performance/run.py target/release/cagehand [--reps 1000,100000,1000000] [--live-secs 60] [--write]

Prints Markdown. With --write it takes the place of what stands between the two marks in docs/performance.md. Criterion's
figures are added where `cargo bench -p cagehand-benches` has left them. Standard library only; Linux only.
"""

import argparse
import datetime
import json
import os
import pathlib
import platform
import re
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request

ROOT = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "large"))
import run as large  # noqa: E402

CLIP = ROOT / "recordings" / "left_60fps_faults.mp4"
PAGE = ROOT / "docs" / "performance.md"
BEGIN, END = "<!-- figures: begin -->", "<!-- figures: end -->"
PORT = 7428


def machine():
    names = re.findall(r"model name\s*: (.*)", pathlib.Path("/proc/cpuinfo").read_text())
    flags = re.findall(r"flags\s*: (.*)", pathlib.Path("/proc/cpuinfo").read_text())
    wide = "AVX-512" if flags and "avx512f" in flags[0] else "AVX2" if flags and "avx2" in flags[0] else "no AVX2"
    name = names[0] if names else platform.machine()
    return f"{name}, {os.cpu_count()} cores, {wide}"


def metrics():
    with urllib.request.urlopen(f"http://127.0.0.1:{PORT}/metrics", timeout=5) as answer:
        return dict(line.rsplit(" ", 1) for line in answer.read().decode().splitlines() if not line.startswith("#"))


def start_and_memory(program, folder, model):
    """From the program's start to its first frame looked at, and its memory after half a minute."""
    settings = folder / "start.toml"
    settings.write_text(f'[page]\ntrial = true\nlisten = "127.0.0.1:{PORT}"\n[pose]\nmodel = "{model}"\n')
    starts, memory = [], None
    for turn in range(5):
        began = time.monotonic()
        watch = subprocess.Popen(
            [program, "watch", "--end-with-recording", "--stand-in", CLIP, "--sound", "none", "--settings", settings, "--journal", folder / "start.db"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            while True:
                try:
                    if any(key.startswith("cagehand_analysis_seconds") for key in metrics()):
                        break
                except OSError:
                    pass
                if time.monotonic() - began > 60:
                    raise RuntimeError("no frame in a minute")
                time.sleep(0.005)
            starts.append(time.monotonic() - began)
            if turn == 4:
                time.sleep(max(0.0, 24 - (time.monotonic() - began)))
                status = pathlib.Path(f"/proc/{watch.pid}/status").read_text()
                memory = {key: int(re.search(rf"{key}:\s*(\d+)", status)[1]) / 1024 for key in ("VmRSS", "RssAnon")}
        finally:
            watch.terminate()
            watch.wait(30)
    return starts, memory


def criterion():
    """Name, median and its interval, of what `cargo bench -p cagehand-benches` measured last."""
    for found in sorted((ROOT / "target" / "criterion").glob("**/new/estimates.json")):
        middle = json.loads(found.read_text())["median"]
        low, high = (middle["confidence_interval"][key] for key in ("lower_bound", "upper_bound"))
        name = found.parent.parent.relative_to(ROOT / "target" / "criterion")
        yield str(name), middle["point_estimate"] / 1e6, low / 1e6, high / 1e6


def size(program, folder):
    stripped = folder / "stripped"
    subprocess.run(["strip", "-o", stripped, program], check=True)
    return program.stat().st_size / 1e6, stripped.stat().st_size / 1e6


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--reps", default="1000,100000,1000000")
    parser.add_argument("--live-secs", type=int, default=60)
    parser.add_argument("--write", action="store_true")
    told = parser.parse_args()
    program = told.program.resolve()
    lines = []

    def say(text=""):
        print(text, flush=True)
        lines.append(text)

    say(f"{datetime.date.today():%d %B %Y}, {machine()}. A stand-in takes the place of the sound card; 21 ms of each time to a sample are its own.")
    with tempfile.TemporaryDirectory(prefix="cagehand-performance-") as folder:
        folder = pathlib.Path(folder)
        # The machine of a test has no sound card, or one that is in use; the stand-in takes samples at a card's pace.
        card = ROOT / "tests" / "data" / "alsa_capture" / "pace.py"
        configuration = subprocess.run([card, "--conf", folder / "heard.raw"], check=True, stdout=subprocess.PIPE).stdout
        (folder / "asound.conf").write_bytes(configuration)
        environment = dict(os.environ, ALSA_CONFIG_PATH=str(folder / "asound.conf"))
        say("\n`cagehand bench`, and the same clip as a camera would send it with the full model:\n\n```text")
        bench = subprocess.run(
            [program, "bench", "--live-secs", str(told.live_secs), "--model", "full"], check=True, stdout=subprocess.PIPE, text=True, env=environment
        )  # fmt: skip
        say(re.sub(r"(?m)^.*/recordings/", "recordings/", bench.stdout).rstrip())
        say("```")
        chosen, chosen_memory = start_and_memory(program, folder, "auto")
        starts, memory = start_and_memory(program, folder, "full")
        whole, stripped = size(program, folder)
        say("\n| | |\n|---|---|")
        say(f"| start to the first frame looked at, full model, median of {len(starts)} | {1e3 * statistics.median(starts):.0f} ms |")
        say(f"| the same where the model is measured and chosen | {1e3 * statistics.median(chosen):.0f} ms |")
        say(f"| memory after 24 s of `watch`, full model: all, its own | {memory['VmRSS']:.0f} MB, {memory['RssAnon']:.0f} MB |")
        say(f"| the same with the chosen model | {chosen_memory['VmRSS']:.0f} MB, {chosen_memory['RssAnon']:.0f} MB |")
        say(f"| the program's file, and without debug lines | {whole:.0f} MB, {stripped:.0f} MB |")
        say("\nA journal that grows; milliseconds, median and largest:\n")
        rows, heads = {}, []
        for reps in (int(text) for text in told.reps.split(",")):
            journal, track, (session, rep, hitter) = large.made(program, folder, reps)
            heads.append(f"{reps} reps, {journal.stat().st_size / 1e6:.0f} MB")
            took = large.appends(program, journal, track)
            rows.setdefault(f"a rep stored ({len(took)} times)", []).append(f"{statistics.median(took):.1f}, {max(took):.1f}")
            for path, middle, most in large.pages(program, journal, session, rep, hitter, 15):
                place = re.sub(r"=\d+", "=H", re.sub(r"/\d+", "/N", path))
                rows.setdefault(f"`{place}`", []).append(f"{middle:.0f}, {most:.0f}")
            for file in folder.glob("large*"):
                file.unlink()
        say("| | " + " | ".join(heads) + " |\n|---|" + "---|" * len(heads))
        for what, cells in rows.items():
            say(f"| {what} | " + " | ".join(cells) + " |")
    found = list(criterion())
    if found:
        say("\nHot pieces by Criterion (`cargo bench -p cagehand-benches`), milliseconds, median and its 95 % interval:\n\n| | |\n|---|---|")
        for name, middle, low, high in found:
            say(f"| {name} | {middle:.3f} ({low:.3f} to {high:.3f}) |")
    if told.write:
        text = PAGE.read_text()
        before, rest = text.split(BEGIN, 1)
        PAGE.write_text(before + BEGIN + "\n" + "\n".join(lines) + "\n" + END + rest.split(END, 1)[1])


if __name__ == "__main__":
    main()
