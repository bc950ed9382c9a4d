"""What clients that hammer the page cost the line from camera to cue: python3 tests/large/hammered.py PROGRAM

Quiet runs and hammered ones in turns, each a recording at the pace of life. Hammered: 50 clients that ask for /door as fast as
they are answered, half of them from a named proxy, and 1100 sockets that send half a request and keep quiet. The clients run
on the same machine, at the page's own low priority: from the network they would cost it nothing but the answers.
"""

import http.client
import json
import os
import pathlib
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
PORT = 7428
PROXY = "127.0.0.2"
LOOPS = int(os.environ.get("LOOPS", "3"))
TURNS = int(os.environ.get("TURNS", "3"))


def hammer(until, counts, at_proxy):
    headers = {"X-Forwarded-For": "192.0.2.7", "X-Forwarded-Proto": "https"} if at_proxy else {}
    source = (PROXY, 0) if at_proxy else None
    while not until.is_set():
        connection = http.client.HTTPConnection("127.0.0.1", PORT, timeout=10, source_address=source)
        try:
            while not until.is_set():
                connection.request("GET", "/door", headers=headers)
                connection.getresponse().read()
                counts.append(1)
        except OSError:
            time.sleep(0.05)
        except http.client.HTTPException:
            pass
        finally:
            connection.close()


def slow(until):
    held = []
    while not until.is_set():
        for _ in range(1100 - len(held)):
            quiet = socket.socket()
            try:
                quiet.settimeout(1)
                quiet.connect(("127.0.0.1", PORT))
                quiet.send(b"GET / HTTP/1.1\r\nX-Slow: ")
                held.append(quiet)
            except OSError:
                quiet.close()
        until.wait(3)
        for quiet in held:
            quiet.close()
        held = []


def clients():
    """The process with the clients, until its standard input ends; says how many answers they had."""
    os.nice(10)
    until, counts = threading.Event(), []
    work = [threading.Thread(target=hammer, args=(until, counts, n % 2 == 0), daemon=True) for n in range(50)]
    work.append(threading.Thread(target=slow, args=(until,), daemon=True))
    for thread in work:
        thread.start()
    sys.stdin.read()
    until.set()
    print(len(counts))


def run(program, folder, hammered):
    folder.mkdir()
    settings = folder / "page.toml"
    settings.write_text(f'[page]\nlisten = "127.0.0.1:{PORT}"\nbehind_proxy = ["{PROXY}"]\n[camera]\ndevice = "/dev/none"\n[pose]\nmodel = "lite"\n')
    for key, typed in (("pin", "246971"), ("password", "nine long innings")):
        subprocess.run([program, "keys", key, "--journal", folder / "j.db"], input=typed, text=True, check=True, stdout=subprocess.DEVNULL)
    log = folder / "reps.jsonl"
    watch = subprocess.Popen(
        [program, "watch", "--end-with-recording", "--stand-in", ROOT / "recordings" / "r03.mp4", "--loops", str(LOOPS), "--sound", folder / "sound.wav",
         "--settings", settings, "--journal", folder / "j.db", "--reps", log],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    while True:
        try:
            socket.create_connection(("127.0.0.1", PORT), timeout=1).close()
            break
        except OSError:
            time.sleep(0.2)
    crowd = None
    if hammered:
        crowd = subprocess.Popen([sys.executable, __file__, "--clients"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    figures, files = {}, 0
    while watch.poll() is None:
        try:
            connection = http.client.HTTPConnection("127.0.0.1", PORT, timeout=3)
            connection.request("GET", "/health")
            figures = json.loads(connection.getresponse().read())
            connection.close()
        except (OSError, ValueError, http.client.HTTPException):
            pass
        try:
            files = max(files, len(os.listdir(f"/proc/{watch.pid}/fd")))
        except OSError:
            pass
        time.sleep(0.5)
    answers = int(crowd.communicate("")[0]) if crowd else 0
    reps = [json.loads(line) for line in log.read_text().splitlines()] if log.exists() else []
    cues = [rep["cue"]["latency_ms"] for rep in reps if rep.get("cue")]
    return {
        "reps": sum(rep["kind"] == "swing" for rep in reps),
        "dropped": 100 * figures.get("dropped", 0) / max(1, figures.get("frames", 1)),
        "pose_p95": (figures.get("pose_ms") or [0, 0, 0])[1],
        "cue": statistics.median(cues) if cues else float("nan"),
        "cue_max": max(cues, default=float("nan")),
        "answers": answers,
        "files": files,
    }


def main():
    program = pathlib.Path(sys.argv[1]).resolve()
    with tempfile.TemporaryDirectory() as scratch:
        for turn in range(TURNS):
            for hammered in (False, True):
                result = run(program, pathlib.Path(scratch) / f"{turn}{hammered}", hammered)
                print("hammered" if hammered else "quiet   ",
                      f"swings {result['reps']}, dropped {result['dropped']:.1f} %, pose 95 % {result['pose_p95']:.1f} ms,",
                      f"cue {result['cue']:.0f} ms (largest {result['cue_max']:.0f}), {result['answers']} answers, {result['files']} files open", flush=True)


if __name__ == "__main__":
    clients() if "--clients" in sys.argv else main()
