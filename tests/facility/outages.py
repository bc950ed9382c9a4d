"""Networks and disks that fail a facility: parts of faults.py, which says what each is held to. Standard library only."""

import contextlib
import os
import pathlib
import random
import shutil
import subprocess
import tempfile
import time

import cages as them
import judge
import server as stores
from cages import check, few
from edits import Edits, everybody_known
from network import Network

# Set for the program that this one starts anew where it may mount a file system in name spaces of its own.
WITH_MOUNT = "CAGEHAND_FACILITY_MOUNT"


class SecureServer(stores.Server):
    """Listens at a port as well, over TLS, with a certificate that an authority of its own signed; who comes from there needs a password."""

    def __init__(self, address="127.0.0.1"):
        super().__init__({"listen_addresses": address, "port": them.free_port(), "ssl": "on"})
        self.address = address
        self.authority = self.folder / "authority.pem"

    def make(self):
        super().make()
        (self.data / "pg_hba.conf").write_text(f"local all all trust\nhostssl all all {self.address}/30 scram-sha-256\n")
        key, asked, names = self.folder / "authority.key", self.folder / "asked.pem", self.folder / "names"
        names.write_text(f"subjectAltName = IP:{self.address}\nbasicConstraints = CA:FALSE\n")
        curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
        for command in (
            ["req", "-x509", *curve, "-keyout", key, "-out", self.authority, "-days", "30", "-subj", "/CN=Authority of a check"],
            ["req", *curve, "-keyout", self.data / "server.key", "-out", asked, "-subj", "/CN=store"],
            ["x509", "-req", "-in", asked, "-CA", self.authority, "-CAkey", key, "-CAcreateserial", "-days", "30", "-extfile", names, "-out", self.data / "server.crt"],
        ):
            subprocess.run(["openssl", *map(str, command)], check=True, capture_output=True)
        for file in (self.data / "server.key", self.data / "server.crt"):
            os.chmod(file, 0o600)
            if self.user:
                shutil.chown(file, "postgres", "postgres")

    def secure(self, cage, port):
        """Settings of a cage that comes through a port."""
        password = cage.facility.folder / f"{cage.name}.password"
        password.write_text(cage.password + "\n")
        os.chmod(password, 0o600)
        cage.use(f"postgres://{cage.name}@{self.address}:{port}/{stores.DATABASE}", f'password_file = "{password}"\nauthority = "{self.authority}"\n')


def network(program, told):
    """A slow line that loses segments and breaks in the middle of what it carries, with TLS, while people edit."""
    dice = random.Random(told.seed)
    with SecureServer() as server, them.Facility(program, server) as facility:
        line = Network(server.port, one_way_secs=0.15, stalls=0.05, cut_bytes=1_000_000, seed=told.seed)
        office = facility.office()
        office.start()
        cages = [facility.cage(f"cage{number}") for number in (1, 2)]
        for cage in cages:
            server.secure(cage, line.port)
        edits = Edits(facility, office, cages, dice)
        everybody_known(edits)
        began = time.monotonic()
        logged = 0
        for number in range(3):
            for cage in cages:
                cage.end()
                logged += len(cage.log_reps(40, f"Hitter {dice.randrange(5)}" if not number else None))
                cage.start()
                cage.at_page()
            for _ in range(10):
                edits.one()
                time.sleep(dice.uniform(0, 1))
        them.until(240, lambda: all(cage.tail_is_sent(server) for cage in cages), every=1)
        secs = time.monotonic() - began
        wrong = judge.when_quiet(facility, cages, secs=150) + edits.wrong()
        if not (line.cuts and line.stalled):
            wrong.append(f"the network was good: {line.cuts} cuts, {line.stalled} stalls")
        reps = int(server.value("SELECT count(*) FROM reps"))
        judge.judged("bad network", wrong,
              f"300 ms there and back, {line.pieces} pieces, {line.stalled} of them stalled, {line.cuts} connections cut: {reps} reps of {logged} logged there once after {secs:.0f} s, {edits.taken} edits of {edits.count} taken")  # fmt: skip
        line.end()


def silence(program, told):
    """All connections fall silent for a minute, and those never come back; nobody is told that they ended."""
    with SecureServer() as server, them.Facility(program, server) as facility:
        line = Network(server.port, seed=told.seed)
        cage = facility.cage("cage1")
        server.secure(cage, line.port)
        cage.log_reps(10)
        cage.start()
        them.until(60, lambda: cage.tail_is_sent(server))
        line.is_silent = True
        began = time.monotonic()
        session = cage.value("SELECT max(id) FROM sessions WHERE id IN (SELECT session FROM reps)")
        noted = cage.at_page().post(f"/sessions/{session}/notes", text="Said in the silence.", to="/")
        said = []
        while time.monotonic() < began + 60:
            said.append(cage.health().get("cagehand_facility_connected"))
            time.sleep(1)
        line.is_silent = False
        told_after = next((place for place, value in enumerate(said) if value == 0.0), None)
        over = time.monotonic()
        sent = them.until(300, lambda: server.value("SELECT count(*) FROM notes") == "1", every=1)
        secs = time.monotonic() - over
        check("silence", noted and sent,
              f"{line.silenced} connections fell silent; the cage said so after {told_after} s" if sent else
              f"{secs:.0f} s after the silence the cage has not sent what it has, and says connected {cage.health().get('cagehand_facility_connected')}, {cage.trouble() or 'no trouble'}")  # fmt: skip
        if sent:
            print(f"      it was sent {secs:.0f} s after the silence")
        cage.end()
        wrong = judge.when_quiet(facility, [cage])
        judge.judged("silence: afterward", wrong, "everything is there once the cage was started anew")
        line.end()


# Addresses that stand for nobody's machine (RFC 5737).
OFFICE_END, CAGE_END = "198.51.100.1", "198.51.100.2"


class Cable:
    """A cable between this machine and one that is a name space of the network alone."""

    def __enter__(self):
        self.near = f"cage{os.getpid() % 100000}"
        self.holder = subprocess.Popen(["unshare", "-n", "sleep", "infinity"])
        self.inside = ["nsenter", "-t", str(self.holder.pid), "-n"]
        # It has one of its own once it is more than a copy of this one.
        them.until(10, lambda: os.readlink(f"/proc/{self.holder.pid}/ns/net") != os.readlink("/proc/self/ns/net"))
        ip = lambda text, inside=(): subprocess.run([*inside, "ip", *text.split()], check=True, capture_output=True)  # noqa: E731
        self.is_there = False
        try:
            ip(f"link add {self.near} type veth peer name far netns {self.holder.pid}")
            ip(f"addr add {OFFICE_END}/30 dev {self.near}")
            ip(f"link set {self.near} up")
            for text in (f"addr add {CAGE_END}/30 dev far", "link set far up", "link set lo up"):
                ip(text, self.inside)
            self.is_there = True
        except (subprocess.CalledProcessError, FileNotFoundError) as error:
            self.why = getattr(error, "stderr", b"").decode().strip() or str(error)
        return self

    def turn(self, how):
        subprocess.run(["ip", "link", "set", self.near, how], check=True)

    def __exit__(self, *_):
        # The cable goes with its other end.
        self.holder.kill()
        self.holder.wait()


def cable(program, told):
    """The cable is pulled for a minute: neither side gets an answer from then on, nor an end."""
    if os.geteuid():
        print("LEFT  cable                         a cable to pull needs root")
        return
    with Cable() as line:
        if not line.is_there:
            print(f"LEFT  cable                         there is none to pull: {line.why}")
            return
        with SecureServer(OFFICE_END) as server, them.Facility(program, server) as facility:
            cage = facility.cage("cage1")
            server.secure(cage, server.port)
            cage.log_reps(10)
            cage.start(before=line.inside)
            if not them.until(90, lambda: cage.tail_is_sent(server)):
                raise RuntimeError(f"not sent over the cable: {cage.said()[-500:]}")
            line.turn("down")
            began = time.monotonic()
            said = them.until(90, lambda: "goes on without" in cage.said(), every=0.5)
            told_after = time.monotonic() - began
            time.sleep(max(0, began + 60 - time.monotonic()))
            line.turn("up")
            over = time.monotonic()
            heard = them.until(150, lambda: cage.said().count("the facility's store answers") > 1, every=0.5)
            cage.end()
            cage.log_reps(5)
            wrong = judge.when_quiet(facility, [cage], before=line.inside)
            if not said or not heard:
                wrong.append(f"{cage.said()[-500:]}")
            judge.judged("cable", wrong, f"the cage said so {told_after:.0f} s after the cable was pulled, and went on {time.monotonic() - over:.0f} s or less after it was back")


@contextlib.contextmanager
def small_disk(megabytes):
    """A folder on a file system of that size; nothing where there can be none."""
    folder = pathlib.Path(tempfile.mkdtemp(prefix="cagehand-disk-"))
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m,mode=755", "none", folder], capture_output=True, text=True)
    try:
        yield None if mounted.returncode else folder
    finally:
        if not mounted.returncode:
            subprocess.run(["umount", "--lazy", folder], check=False)
        folder.rmdir()


def full(program, told):
    """The server's disk is full while cages send."""
    if WITH_MOUNT in os.environ:
        return full_at(program, pathlib.Path(os.environ[WITH_MOUNT]))
    if os.geteuid():
        return full_elsewhere(program)
    with small_disk(300) as disk:
        if not disk:
            print("LEFT  full disk                     a small file system needs root, or user name spaces")
            return None
        return full_at(program, disk)


def full_elsewhere(program):
    """The same where this user may mount something: in name spaces of its own, then as a user again, since the server refuses root."""
    here = [pathlib.Path(__file__).with_name("faults.py"), program, "--only", "full"]
    inner = ["unshare", "-U", "--map-user=1000", "--map-group=1000", "python3", *here]
    shell = 'mount -t tmpfs -o size=300m,mode=777 none "$0" && exec "$@"'
    with tempfile.TemporaryDirectory(prefix="cagehand-disk-") as disk:
        tried = subprocess.run(["unshare", "-Urm", "true"], capture_output=True)
        if tried.returncode:
            print("LEFT  full disk                     a small file system needs root, or user name spaces")
            return
        done = subprocess.run(["unshare", "-Urm", "sh", "-c", shell, disk, *map(str, inner)], env={**os.environ, WITH_MOUNT: disk})
        them.failed += done.returncode != 0


def full_at(program, disk):
    settings = {"max_wal_size": "64MB", "min_wal_size": "32MB", "checkpoint_timeout": "30s"}
    with stores.Server(settings, disk) as server, them.Facility(program, server) as facility:
        live, behind = facility.cage("cage1"), facility.cage("cage2")
        for cage in (live, behind):
            cage.log_reps(20)
        live.start(them.BUSY)
        them.until(60, lambda: live.tail_is_sent(server))
        behind.log_reps(400)
        ballast = disk / "ballast"
        with open(ballast, "wb") as file:
            free = shutil.disk_usage(disk).free
            file.write(bytes(max(0, free - (6 << 20))))
        behind.start()
        troubled = them.until(120, lambda: behind.trouble(), every=1)
        before = live.value("SELECT count(*) FROM reps")
        logs_on = them.until(120, lambda: live.value("SELECT count(*) FROM reps") > before + 1, every=1)
        after = live.value("SELECT count(*) FROM reps")
        figures = behind.health()
        warned = [line for line in behind.said().splitlines() if "goes on without" in line]
        check("full disk: said", bool(troubled) and figures.get("cagehand_facility_connected") == 0 and figures.get("cagehand_facility_reps_behind", 0) > 0 and bool(warned),
              f"the page says: {troubled}; {figures.get('cagehand_facility_reps_behind'):.0f} reps behind; the log: {warned[0].split('error=')[-1] if warned else 'nothing'}")  # fmt: skip
        check("full disk: goes on", logs_on, f"{after - before} reps logged while the disk was full; {shutil.disk_usage(disk).free >> 10} kB free; the server {'runs' if server.processes()[0] else 'is down'}")
        ballast.unlink()
        if not server.processes()[0]:
            server.start_again()
        # As it is: nobody restarts the cages.
        began = time.monotonic()
        them.until(180, lambda: behind.tail_is_sent(server), every=1)
        secs = time.monotonic() - began
        live.kill()
        wrong = judge.when_quiet(facility, [live, behind])
        judge.judged("full disk: afterward", wrong, f"all {server.value('SELECT count(*) FROM reps')} reps there once, {secs:.0f} s after there was room")
