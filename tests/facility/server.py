"""A PostgreSQL server of a check's own, reached through a socket in its folder and gone with the check, and a store on it.

Imported by the checks beside it. Standard library only; the server is Debian's package postgresql (15 or newer).
"""

import copy
import os
import pathlib
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
MIGRATIONS = sorted((ROOT / "src" / "facility" / "migrations").glob("V*.sql"), key=lambda path: int(path.name[1:].split("__")[0]))
CLIP = ROOT / "recordings" / "left_60fps_faults.mp4"
DATABASE, OWNER, OFFICE = "cagehand", "cagehand_owner", "office"


def programs():
    """The folder of the server's programs: Debian keeps each version's in a folder of its own."""
    found = sorted(pathlib.Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    on_path = shutil.which("initdb")
    if not found and not on_path:
        raise SystemExit("this needs a PostgreSQL server: install the Debian package postgresql")
    return found[-1].parent if found else pathlib.Path(on_path).parent


class Server:
    """Runs from `with` to its end."""

    def __init__(self, settings=(), under=None):
        self.programs = programs()
        # The name of a socket may have about a hundred characters, so no folder of the sources.
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="cagehand-store-", dir=under))
        self.data = self.folder / "data"
        self.settings = {"listen_addresses": "", "unix_socket_directories": str(self.folder), "max_connections": 100, **dict(settings)}
        self.database = DATABASE
        self.port = int(self.settings.get("port", 5432))
        # The server refuses to run as root.
        self.user = {"user": "postgres", "group": "postgres", "extra_groups": []} if os.geteuid() == 0 else {}
        if self.user:
            shutil.chown(self.folder, "postgres", "postgres")

    def __enter__(self):
        # A check that is told to end takes its server with it.
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
        try:
            self.make()
            self.start()
        except BaseException:
            self.__exit__()
            raise
        return self

    def make(self):
        self.run("initdb", "--auth=trust", "--username=postgres", "--encoding=UTF8", "--locale=C", "-D", self.data)

    def __exit__(self, *_):
        if self.processes()[0]:
            self.stop("immediate")
        shutil.rmtree(self.folder, ignore_errors=True)

    def run(self, program, *arguments, **more):
        done = subprocess.run(
            [self.programs / program, *map(str, arguments)], cwd=self.folder, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, **self.user, **more)  # fmt: skip
        if done.returncode:
            raise RuntimeError(f"{program} {arguments}: {done.stdout}")
        return done.stdout

    def start(self, **more):
        options = " ".join(f"-c {name}='{value}'" for name, value in self.settings.items())
        # What it says goes into a file: it would keep a pipe open.
        subprocess.run(
            [self.programs / "pg_ctl", "start", "-w", "-t", "120", "-D", self.data, "-l", self.folder / "log", "-o", options],
            check=True, cwd=self.folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, **self.user, **more)  # fmt: skip

    def start_again(self):
        """After a kill: what is left of the dead server may hold its memory for a while yet."""
        until = time.monotonic() + 120
        while True:
            try:
                return self.start(stderr=subprocess.DEVNULL)
            except subprocess.CalledProcessError:
                if time.monotonic() > until:
                    raise
                time.sleep(0.2)

    def stop(self, how="fast"):
        self.run("pg_ctl", "stop", "-w", "-t", "300", "-m", how, "-D", self.data)

    def processes(self):
        """The server's first process and those that it started, as numbers with what they are; nothing where it is down."""
        try:
            leader = int((self.data / "postmaster.pid").read_text().split("\n")[0])
            # The number of a server that is dead may be another process's by now.
            if str(self.data) not in pathlib.Path(f"/proc/{leader}/cmdline").read_text():
                return None, {}
        except (OSError, ValueError):
            return None, {}
        found = {}
        for entry in pathlib.Path("/proc").glob("[0-9]*/stat"):
            try:
                if int(entry.read_text().rsplit(")", 1)[1].split()[1]) == leader:
                    found[int(entry.parts[2])] = entry.with_name("cmdline").read_bytes().decode(errors="replace").strip("\0")
            except OSError:
                continue
        return leader, found

    def kill(self):
        """As a power cut: the first process dies at once, and the others with it."""
        leader, others = self.processes()
        if leader:
            os.kill(leader, signal.SIGKILL)
        # What is left of it would hold its memory, and a new one would not begin.
        until = time.monotonic() + 30
        while any(pathlib.Path(f"/proc/{process}/stat").exists() for process in others) and time.monotonic() < until:
            time.sleep(0.01)

    def restart(self, **settings):
        self.stop()
        self.settings.update(settings)
        self.start()

    def view(self, database):
        """The same server, with another database in the place of the store's."""
        other = copy.copy(self)
        other.database = database
        return other

    def url(self, user):
        port = "" if self.port == 5432 else f"&port={self.port}"
        return f"postgres:///{self.database}?host={self.folder}&user={user}{port}"

    def psql(self, text, user="postgres", database=None, content=None):
        """Runs SQL; `content` is what a COPY FROM STDIN in it reads. Gives what it prints."""
        command = ["psql", "-XAtq", "-v", "ON_ERROR_STOP=1", "-h", str(self.folder), "-p", str(self.port), "-U", user, "-d", database or self.database]
        given = {"input": text} if content is None else {"input": content}
        command += [] if content is None else ["-c", text]
        done = subprocess.run(command, capture_output=True, text=True, **given)
        if done.returncode:
            raise RuntimeError(f"{text[:300]}: {done.stderr}")
        return done.stdout

    def answers(self):
        try:
            return self.value("SELECT 1") == "1"
        except RuntimeError:
            return False

    def rows(self, text, **more):
        return [line.split("|") for line in self.psql(text, **more).splitlines()]

    def value(self, text, **more):
        return self.psql(text, **more).strip()

    def copy(self, table, columns, rows, **more):
        lines = "".join("\t".join(map(copied, row)) + "\n" for row in rows)
        self.psql(f"COPY {table} ({', '.join(columns)}) FROM STDIN", content=lines, **more)


def copied(value):
    """A value as COPY reads it."""
    if value is None:
        return r"\N"
    if isinstance(value, bytes):
        return "\\\\x" + value.hex()
    return str(value).replace("\\", "\\\\").replace("\t", "\\t").replace("\n", "\\n")


def set_up(server, program):
    """The store, as docs/facility.md makes it: an owner who is no superuser, tables, an office. Without a program the tables come from the
    sources, to try a change of them before it is built."""
    server.psql(f"CREATE ROLE {OWNER} LOGIN CREATEROLE", database="postgres")
    server.psql(f"CREATE DATABASE {DATABASE} OWNER {OWNER}", database="postgres")
    if program:
        facility(server, program, "set-up")
        facility(server, program, "add-office", OFFICE)
        return
    for migration in MIGRATIONS:
        server.psql("BEGIN;" + migration.read_text() + ";COMMIT", user=OWNER)
    server.psql(f"SELECT make_partitions(now()::date, (now() + interval '2 years')::date); CREATE ROLE {OFFICE} LOGIN; GRANT cagehand_office TO {OFFICE}", user=OWNER)


def facility(server, program, *arguments):
    """What the command says."""
    return subprocess.run([program, "facility", *arguments, "--store", server.url(OWNER)], check=True, stdout=subprocess.PIPE, text=True).stdout


def real_journal(program, folder, made=None):
    """A journal with reps of the bundled recording; `made` is one that is there already."""
    journal = made or folder / "real.db"
    if not made:
        subprocess.run(
            [program, "replay", CLIP, "--pace", "fast", "--model", "lite", "--height-cm", "178", "--journal", journal, "--sound", "none"],
            check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)  # fmt: skip
    return sqlite3.connect(f"file:{journal}?mode=ro", uri=True)


def cpu_secs(server):
    """Processor time of the server's processes so far, those that have ended included."""
    leader = int((server.data / "postmaster.pid").read_text().split("\n")[0])
    ticks, parents = {}, {}
    for entry in pathlib.Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = entry.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        parents[int(entry.parts[2])] = int(fields[1])
        ticks[int(entry.parts[2])] = sum(map(int, fields[11:15])) if int(entry.parts[2]) == leader else sum(map(int, fields[11:13]))
    total = sum(count for process, count in ticks.items() if process == leader or parents[process] == leader)
    return total / os.sysconf("SC_CLK_TCK")


def machine():
    """What the figures are of."""
    model = next((line.split(":")[1].strip() for line in open("/proc/cpuinfo") if line.startswith("model name")), "?")
    return f"{time.strftime('%-d %B %Y')}, {model}, {os.cpu_count()} cores"
