"""How long the page takes with a large journal.

    python3 tests/large/run.py target/release/cagehand [--reps 100000] [--times 15]

Makes a journal of so many reps (one real session, its reps copied to 20 hitters and sessions of 50 reps), serves it, and asks for
each page. Prints medians and the largest of each, in milliseconds, for docs/page.md. Standard library only.
"""

import argparse
import os
import pathlib
import re
import sqlite3
import statistics
import subprocess
import tempfile
import time
import urllib.error
import urllib.request

ROOT = pathlib.Path(__file__).resolve().parents[2]
CLIP = ROOT / "recordings" / "left_60fps_faults.mp4"
HITTERS, A_SESSION = 20, 50


def fill(journal, reps):
    db = sqlite3.connect(journal)
    db.execute("PRAGMA synchronous = OFF")
    columns = [row[1] for row in db.execute("PRAGMA table_info(reps)") if row[1] not in ("id", "session", "number", "logged_at", "uid", "rev")]
    kept = ", ".join(columns)
    real = db.execute("SELECT id FROM reps ORDER BY id").fetchall()
    with db:
        db.executemany(
            "INSERT INTO hitters (name, created_at) VALUES (?, '2026-01-01T10:00:00.000Z')", [(f"H{n}",) for n in range(HITTERS)]
        )
        ids = [row[0] for row in db.execute("SELECT id FROM hitters WHERE name LIKE 'H%'")]
        for place in range(reps // A_SESSION):
            day = time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(1.75e9 + 7200 * place))
            session = db.execute(
                "INSERT INTO sessions (hitter, started_at, ended_at, source, settings, program_version) VALUES (?, ?, ?, 'made', '', '0')",
                (ids[place % HITTERS], day, day),
            ).lastrowid
            for number in range(1, A_SESSION + 1):
                source = real[(place + number) % len(real)][0]
                rep = db.execute(
                    f"INSERT INTO reps (session, number, logged_at, {kept}) SELECT ?, ?, ?, {kept} FROM reps WHERE id = ?",
                    (session, number, day, source),
                ).lastrowid
                db.execute(
                    "INSERT INTO measures SELECT ?, name, value, plus_minus, confidence, verdict, band_low, band_high, why FROM measures WHERE rep = ?",
                    (rep, source),
                )
        last = db.execute("SELECT max(id) FROM sessions").fetchone()[0]
        rep = db.execute("SELECT max(id) FROM reps").fetchone()[0]
        hitter = db.execute("SELECT hitter FROM sessions WHERE id = ?", (last,)).fetchone()[0]
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    return last, rep, hitter


def pages(program, journal, session, rep, hitter, times):
    """Address, median and largest time of each page, milliseconds."""
    settings = journal.with_suffix(".toml")
    settings.write_text('[page]\ntrial = true\nlisten = "127.0.0.1:7427"\n[camera]\ndevice = "/dev/none"\n[pose]\nmodel = "lite"\n')
    watch = subprocess.Popen(
        [program, "watch", "--end-with-recording", "--stand-in", ROOT / "recordings" / "r03.mp4", "--loops", "500", "--sound", "none", "--settings", settings, "--journal", journal],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        for path in [
            "/today", "/sessions", f"/sessions?hitter={hitter}", f"/sessions/{session}", f"/reps/{rep}", f"/trends?hitter={hitter}",
            f"/trends?hitter={hitter}&by=sessions", f"/trends?hitter={hitter}&by=months", f"/plans?hitter={hitter}",
            f"/sessions/{session}/sheet", "/hitters",
        ]:  # fmt: skip
            took = []
            while len(took) < times:
                began = time.monotonic()
                try:
                    with urllib.request.urlopen(f"http://127.0.0.1:7427{path}", timeout=20) as answer:
                        answer.read()
                except urllib.error.HTTPError:
                    raise
                except OSError:
                    if watch.poll() is not None:
                        raise RuntimeError("watch has ended")
                    time.sleep(0.2)
                    continue
                took.append(1e3 * (time.monotonic() - began))
            yield path, statistics.median(took), max(took)
    finally:
        watch.terminate()
        watch.wait(30)


def appends(program, journal, track):
    """How long the journal took to store each rep of a pose track, milliseconds."""
    run = subprocess.run(
        [program, "replay", track, "--pace", "fast", "--journal", journal, "--loops", "8", "--sound", "none"],
        check=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "RUST_LOG": "cagehand::journal=debug", "NO_COLOR": "1"},
    )  # fmt: skip
    return [float(ms) for ms in re.findall(r"rep stored.*?ms=([0-9.e-]+)", run.stderr)]


def made(program, folder, reps):
    """A journal of so many reps, a pose track, and the last session, rep and hitter in the journal."""
    journal, track = folder / f"large{reps}.db", folder / "reps.track.jsonl"
    subprocess.run(
        [program, "replay", CLIP, "--pace", "fast", "--model", "lite", "--journal", journal, "--track", track], check=True, stdout=subprocess.DEVNULL
    )  # fmt: skip
    return journal, track, fill(journal, reps)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--reps", type=int, default=100_000)
    parser.add_argument("--times", type=int, default=15)
    told = parser.parse_args()
    program = told.program.resolve()
    with tempfile.TemporaryDirectory(prefix="cagehand-large-") as folder:
        journal, _, (session, rep, hitter) = made(program, pathlib.Path(folder), told.reps)
        print(f"{told.reps} reps, {journal.stat().st_size / 1e6:.0f} MB")
        for path, middle, most in pages(program, journal, session, rep, hitter, told.times):
            print(f"| `{path}` | {middle:.0f} | {most:.0f} |", flush=True)


if __name__ == "__main__":
    main()
