"""Cages and an office as they run at a facility: processes of the built program with files of their own, around a server of the check's own.

Imported by the checks beside it. Standard library only.
"""

import http.client
import os
import pathlib
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import tempfile
import time
import urllib.parse

import server as stores

TRACK = stores.ROOT / "tests" / "data" / "tracks" / "right_60fps_swing_2.track.jsonl"
# A moment without anybody: the cage runs, and has nothing to do.
NOBODY = stores.ROOT / "tests" / "data" / "clips" / "h264_trimmed.mp4"
BUSY = stores.ROOT / "recordings" / "left_60fps_faults.mp4"
PAGE = re.compile(r"page: http://(127\.0\.0\.1:\d+)")
failed = 0


def check(what, good, says):
    global failed
    failed += not good
    print(f"{'PASS' if good else 'FAIL'}  {what:<28}  {says}", flush=True)


def few(wrong):
    """The first of what is wrong, and how many more."""
    return "; ".join(map(str, wrong[:6])) + (f"; {len(wrong) - 6} more" if len(wrong) > 6 else "")


def until(secs, so, every=0.2):
    """Whether something becomes so within the time; what it is then."""
    end = time.monotonic() + secs
    while not (value := so()) and time.monotonic() < end:
        time.sleep(every)
    return value


class Page:
    """What a person does at the page of a cage or an office."""

    def __init__(self, address):
        self.address, self.cookie, self.token = address, None, None

    def ask(self, method, path, body=None, patience=30):
        connection = http.client.HTTPConnection(self.address, timeout=patience)
        headers = {"Connection": "close"} | ({"Cookie": self.cookie} if self.cookie else {})
        if body is not None:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        try:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            for value in answer.headers.get_all("set-cookie") or []:
                if "visit=" in value:
                    self.cookie = value.split(";")[0]
            return answer.status, answer.read().decode(errors="replace")
        except (OSError, http.client.HTTPException) as error:
            # Nobody there, or gone in the middle of it.
            return 0, str(error)
        finally:
            connection.close()

    def get(self, path, **more):
        return self.ask("GET", path, **more)

    def post(self, path, **fields):
        """Whether it was taken. Nothing is known of an edit that was not: the page may have died after it."""
        if not self.token:
            found = re.search(r'name="token" value="([^"]+)"', self.get("/people")[1])
            if not found:
                return False
            self.token = found[1]
        status, text = self.ask("POST", path, urllib.parse.urlencode({"token": self.token, **fields}))
        self.said = f"{status} {text[:200]}"
        return status == 303 or (status == 200 and path.endswith("/delete"))


class Process:
    """A running cagehand with a page."""

    def __init__(self, facility, name):
        self.facility, self.name, self.process, self.page = facility, name, None, None
        # An earlier or a later one than the others' in some checks.
        self.program = facility.program
        self.settings = facility.folder / f"{name}.toml"
        self.log = facility.folder / f"{name}.log"

    def begin(self, arguments, before=(), **more):
        self.page = None
        self.from_here = self.log.stat().st_size if self.log.exists() else 0
        with open(self.log, "ab") as said:
            self.process = subprocess.Popen(
                [*before, self.program, "--settings", self.settings, *arguments], cwd=self.facility.folder, stdin=subprocess.DEVNULL,
                stdout=said, stderr=said, env=self.facility.environment(**more))  # fmt: skip

    def said(self, all_of_it=False):
        with open(self.log, "rb") as file:
            file.seek(0 if all_of_it else self.from_here)
            return file.read().decode(errors="replace")

    def at_page(self, secs=60):
        """The page, once it is served."""
        if not self.page:
            until(secs, lambda: self.page_now() or self.is_over())
            if not self.page:
                raise RuntimeError(f"{self.name} serves no page: {self.said()[-500:]}")
        return self.page

    def page_now(self):
        """The page, where one is served at this moment."""
        if not self.is_over() and not self.page and (found := PAGE.search(self.said())):
            self.page = Page(found[1])
        return None if self.is_over() else self.page

    def is_over(self):
        return self.process is None or self.process.poll() is not None

    def kill(self):
        self.end(signal.SIGKILL)

    def end(self, how=signal.SIGINT):
        if self.process and self.process.poll() is None:
            self.process.send_signal(how)
            try:
                self.process.wait(60)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
                raise RuntimeError(f"{self.name} does not end")
        self.process = None


class Cage(Process):
    """A cage: its login, its settings, its journal."""

    def __init__(self, facility, login, url=None, more=""):
        super().__init__(facility, login)
        self.cage, self.journal = f"Cage {login}", facility.folder / f"{login}.db"
        self.password = stores.facility(facility.server, facility.program, "add-cage", login).split("password ")[1].split()[0]
        self.use(url or facility.server.url(login), more)

    def use(self, url, more=""):
        self.settings.write_text(
            f'[hitter]\nheight_cm = 178\n[camera]\ndevice = "/dev/none"\n[pose]\nmodel = "lite"\nbat = false\n[page]\ntrial = true\nlisten = "127.0.0.1:0"\n'
            f'[facility]\nstore = "{url}"\ncage = "{self.cage}"\n{more}')

    def start(self, clip=NOBODY, pace="real", before=(), **more):
        self.is_busy = clip == BUSY
        self.begin(["watch", "--stand-in", clip, "--pace", pace, "--loops", "1000" if clip == BUSY else "1", "--sound", "none", "--journal", self.journal], before, **more)

    def run(self, *arguments, **more):
        """A command of the program on the journal, while no cage runs."""
        return subprocess.run(
            [self.program, "--settings", self.settings, *arguments, "--journal", self.journal], cwd=self.facility.folder,
            capture_output=True, text=True, env=self.facility.environment(**more))  # fmt: skip

    def log_reps(self, loops, hitter=None, **more):
        """New reps of a hitter, as a recording has them; the places of those that the journal has now, as numbers that never change."""
        text = self.settings.read_text()
        named = self.facility.folder / f"{self.name}-hitter.toml"
        named.write_text(text.replace("[hitter]\n", f'[hitter]\nname = "{hitter}"\n') if hitter else text)
        last = max((row[0] for row in self.rows("SELECT id FROM reps")), default=0) if self.journal.exists() else 0
        done = subprocess.run(
            [self.program, "--settings", named, "replay", TRACK, "--pace", "fast", "--loops", str(loops), "--sound", "none", "--journal", self.journal],
            cwd=self.facility.folder, capture_output=True, text=True, env=self.facility.environment(**more))  # fmt: skip
        if done.returncode:
            raise RuntimeError(f"{self.name} cannot log: {done.stderr}")
        return [row[0] for row in self.rows("SELECT id FROM reps WHERE id > ?", last)]

    def rows(self, text, *values):
        """What the journal has; a cage may run meanwhile."""
        journal = sqlite3.connect(f"file:{self.journal}?mode=ro", uri=True, timeout=30)
        try:
            return journal.execute(text, values).fetchall()
        finally:
            journal.close()

    def value(self, text, *values):
        found = self.rows(text, *values)
        return found[0][0] if found else None

    def health(self):
        status, text = self.at_page().get("/metrics", patience=10)
        return {name: float(value) for name, value in re.findall(r"^(cagehand_\w+) (\S+)$", text, re.M)} if status == 200 else {}

    def trouble(self):
        """What its page says of the store."""
        status, text = self.at_page().get("/owner", patience=10)
        found = re.search(r'"trouble":\s*"((?:[^"\\]|\\.)*)"', self.at_page().get("/health", patience=10)[1])
        return found[1] if found else ("" if status == 200 else text)

    def tail_is_sent(self, server):
        """Whether the store has heard of everything in the journal."""
        journal, rev = self.rows("SELECT journal, rev FROM facility")[0]
        return server.value(f"SELECT received = {rev} FROM journals WHERE uid = '{journal}'") == "t"


class Office(Process):
    """The office's pages."""

    def __init__(self, facility, url=None, more=()):
        super().__init__(facility, "front-desk")
        self.url, self.more = url or facility.server.url(stores.OFFICE), more
        self.settings.write_text('[page]\nlisten = "127.0.0.1:0"\ntrial = true\n')

    def start(self):
        self.begin(["review", "--store", self.url, *self.more])


class Facility:
    """A server with a store, and a folder for cages and an office; all ends with it."""

    # Whether the tables come from the sources, to try a change of them before it is built.
    by_sources = False

    def __init__(self, program, server, is_set_up=True):
        self.program, self.server = program, server
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="cagehand-facility-"))
        self.running = []
        if is_set_up:
            stores.set_up(server, None if self.by_sources else program)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        for one in self.running:
            if one.process:
                one.kill()
        if os.environ.get("KEEP"):
            print(f"kept: {self.folder}")
        else:
            shutil.rmtree(self.folder, ignore_errors=True)

    def environment(self, **more):
        home = {"HOME": str(self.folder), "XDG_DATA_HOME": str(self.folder), "XDG_CONFIG_HOME": str(self.folder)}
        kept = {key: value for key, value in os.environ.items() if key not in ("XDG_RUNTIME_DIR", "RUNTIME_DIRECTORY")}
        return {**kept, **home, "RUST_LOG": "cagehand=info", **more}

    def cage(self, login, **more):
        cage = Cage(self, login, **more)
        self.running.append(cage)
        return cage

    def office(self, **more):
        office = Office(self, **more)
        self.running.append(office)
        return office


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]
