#!/usr/bin/env python3
"""Takes the pictures of the docs: the real screens over a journal of a made-up club, in both languages.

    docs/pictures/make.py PROGRAM [FOLDER]

Needs the Debian packages chromium and faketime. The hitters are invented; their swings are those of the tracks that the tests
replay. FOLDER gets every picture in both languages (target/pictures without one); those that the docs show are copied beside
this script.
"""

import json
import pathlib
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
TRACKS = ROOT / "tests/data/tracks"
# Who hit when, with which swings and which plan.
SESSIONS = [
    ("2026-10-12 17:05", "Ines", 168, "right_60fps_swing_2", 12, "head still"),
    ("2026-10-19 17:10", "Ines", 168, "right_60fps_swing_2", 14, "head still"),
    ("2026-10-20 18:00", "Tobias", 183, "right_60fps_swing_2", 10, "foot down on time"),
    ("2026-10-26 17:02", "Ines", 168, "right_60fps_swing_2", 16, "head still"),
    ("2026-10-26 17:40", "Tobias", 183, "right_60fps_swing_2", 12, "stay back"),
    ("2026-10-26 18:20", "June", 152, "right_60fps_swing_2", 8, None),
]
PAGES = {
    "today": ("/today", 1280, 820),
    "session": ("/sessions/{session}", 1280, 900),
    "rep": ("/reps/{rep}", 1280, 1500),
    "trends": ("/trends?hitter=1&measure=head_to_plant_cm", 1280, 1000),
    "plans": ("/plans?start=head%20still", 1280, 1100),
    "sheet": ("/sessions/{session}/sheet", 900, 1200),
    "today_phone": ("/today", 420, 900),
}
SHOWN = ["today", "rep", "trends", "sheet", "cage"]
PORT = 7433


def swings(track, count, seed):
    """The track's swing so many times, each a little different: points move along the line to the pitcher as the body goes."""
    lines = (TRACKS / f"{track}.track.jsonl").read_text().splitlines()
    frames = [json.loads(line) for line in lines[1:]]
    made = [lines[0]]
    for turn in range(count):
        # Less from session to session, as somebody who works on it.
        sway = (90 - 12 * seed) * (((seed * 31 + turn * 17) % 11) / 10 - 0.2)
        begin = frames[0]["t"]
        length = frames[-1]["t"] - begin
        for frame in frames:
            share = max(0.0, (frame["t"] - begin) / length - 0.35)
            moved = dict(frame, t=round(frame["t"] + 6.0 * turn, 6))
            moved.pop("world", None)
            if frame.get("points"):
                # Head and shoulders go further forward than the feet, more so later.
                moved["points"] = [[x + sway * share if i < 13 else x, y, v] for i, (x, y, v) in enumerate(frame["points"])]
            made.append(json.dumps(moved))
    return "\n".join(made) + "\n"


def journal(program, folder):
    path = folder / "club.db"
    for number, (when, name, height, track, count, plan) in enumerate(SESSIONS):
        source = folder / f"{number}.track.jsonl"
        source.write_text(swings(track, count, number))
        settings = folder / f"{number}.toml"
        settings.write_text(f'[hitter]\nname = "{name}"\nheight_cm = {height}\n')
        command = ["faketime", when, program, "--settings", settings, "replay", source, "--journal", path, "--pace", "fast"]
        command += ["--plan", plan] if plan else []
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env={"HOME": str(folder), "PATH": "/usr/bin:/bin"})
    return path


def picture(address, into, width, height, language):
    subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-dev-shm-usage", "--hide-scrollbars", f"--accept-lang={language}"]
        + [f"--window-size={width},{height}", "--virtual-time-budget=4000", f"--screenshot={into}", address],
        check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=120,
    )


def wait_for(address):
    for _ in range(100):
        try:
            return urllib.request.urlopen(address).read().decode()
        except OSError:
            time.sleep(0.2)
    sys.exit(f"{address} does not answer")


def main():
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    program = str(pathlib.Path(sys.argv[1]).resolve())
    out = pathlib.Path(sys.argv[2] if len(sys.argv) > 2 else ROOT / "target/pictures").resolve()
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        path = journal(program, folder)
        address = f"http://127.0.0.1:{PORT}"
        serving = subprocess.Popen([program, "review", "--journal", path, "--listen", f"127.0.0.1:{PORT}"], stdout=subprocess.DEVNULL)
        try:
            wait_for(f"{address}/today")
            newest = len(SESSIONS) - 2
            places = {"session": newest, "rep": sum(count for *_, count, _ in SESSIONS[: newest - 1]) + 3}
            for language in ("en", "es"):
                for page, (where, width, height) in PAGES.items():
                    picture(address + where.format(**places), out / f"{page}_{language}.png", width, height, language)
        finally:
            serving.terminate()
            serving.wait()
        settings = folder / "cage.toml"
        settings.write_text(f'[page]\ntrial = true\nlisten = "127.0.0.1:{PORT}"\n[hitter]\nname = "Ines"\nheight_cm = 168\n[pose]\nmodel = "lite"\n')
        clip = ROOT / "recordings" / "left_60fps_faults.mp4"
        watching = subprocess.Popen(
            [program, "--settings", settings, "watch", "--stand-in", clip, "--loops", "20", "--sound", "none", "--journal", folder / "cage.db"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        try:
            wait_for(f"{address}/")
            time.sleep(20)
            for language in ("en", "es"):
                # A screen that follows live has no end that a budget of virtual time would wait for.
                subprocess.run(
                    ["chromium", "--headless", "--no-sandbox", "--disable-dev-shm-usage", f"--accept-lang={language}", "--window-size=1280,720"]
                    + ["--timeout=6000", f"--screenshot={out / f'cage_{language}.png'}", f"{address}/"],
                    check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=60,
                )
        finally:
            watching.terminate()
            watching.wait()
    for shown in SHOWN:
        shutil.copy(out / f"{shown}_en.png", HERE / f"{shown}.png")


if __name__ == "__main__":
    main()
