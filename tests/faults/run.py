"""Failing disks, power cuts and kills at the worst moment, against the built program.

    python3 tests/faults/run.py target/release/cagehand [--rounds 50] [--kills 500] [--only NAME]

Faults are put into single system calls by strace's injection, so that each step of a command is met. What is on the disk
afterward is judged by SQLite from Python's standard library and by a search of raw bytes, not by the program itself. A power
cut is worked out from the recorded writes of a run: what was synced stays, of what was not any part may be lost, torn at
sectors of 512 bytes.

Prints one line a check and ends with 1 where one failed. Linux only; the raw disk image needs root and is told where it was
left out.
"""

import argparse
import collections
import os
import pathlib
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
TRACK = ROOT / "tests" / "data" / "tracks" / "right_60fps_swing_2.track.jsonl"
SCHEMA = ROOT / "src" / "journal" / "store" / "schema"
APPLICATION_ID = 0x4347484A
NAME = "Bartholomea Quixwood"
OTHER = "Ben Okoro"
SECTOR = 512
failed = 0


def check(what, good, says):
    global failed
    failed += not good
    print(f"{'PASS' if good else 'FAIL'}  {what:<26}  {says}", flush=True)


def environment(folder):
    home = {"HOME": str(folder), "XDG_DATA_HOME": str(folder), "XDG_CONFIG_HOME": str(folder)}
    kept = {key: value for key, value in os.environ.items() if key not in ("XDG_RUNTIME_DIR", "RUNTIME_DIRECTORY")}
    return {**kept, **home}


def run(folder, arguments, before=(), **more):
    command = [*before, str(PROGRAM), *map(str, arguments)]
    return subprocess.run(command, cwd=folder, env=environment(folder), capture_output=True, text=True, **more)


def replay(folder, loops=1, name=None, before=(), more=(), **others):
    settings = []
    if name:
        (folder / "hitter.toml").write_text(f'[hitter]\nname = "{name}"\nheight_cm = 178\n')
        settings = ["--settings", "hitter.toml"]
    arguments = ["replay", TRACK, "--pace", "fast", "--loops", loops, "--journal", "j.db", *settings, *more]
    return run(folder, arguments, before, **others)


def inject(call, fault, when, out="/dev/null"):
    return ["strace", "-f", "-qq", "-o", out, "-e", f"trace={call}", "-e", f"inject={call}:{fault}:when={when}"]


def counted(path, table="reps"):
    """Rows of a journal and what is wrong with it; looks at a copy, so that nothing is changed."""
    with tempfile.TemporaryDirectory() as place:
        copy = pathlib.Path(place) / path.name
        for side in ("", "-wal", "-journal"):
            source = path.with_name(path.name + side)
            if source.exists():
                shutil.copy(source, copy.with_name(copy.name + side))
        try:
            with sqlite3.connect(copy) as journal:
                wrong = [row[0] for row in journal.execute("PRAGMA integrity_check")]
                rows = journal.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
        except sqlite3.Error as error:
            # A file whose making never came through has no tables and nobody's reps.
            return 0, "" if "no such table" in str(error) else str(error)
        return rows, "" if wrong == ["ok"] else "; ".join(wrong)


def holding(folder, name):
    """Files below a folder that hold these bytes."""
    words = name.encode()
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file() and words in path.read_bytes())


def fresh(model):
    folder = pathlib.Path(tempfile.mkdtemp(prefix="faults-"))
    shutil.copytree(model, folder, dirs_exist_ok=True)
    return folder


def each_step(model, calls, act, judge, most=60):
    """Kills `act` at the first, second, ... of each system call, until one run comes through; judges what is left each time.
    Of very many steps of one kind the later ones are sampled."""
    cuts, bad = 0, []
    for call in calls:
        step = 1
        while step < 4000:
            folder = fresh(model)
            # A signal that a process sends to itself ends the tracer with the same signal.
            done = act(folder, inject(call, "signal=KILL", step))
            killed = done.returncode in (-signal.SIGKILL, 128 + signal.SIGKILL)
            if killed:
                cuts += 1
                wrong = judge(folder)
                if wrong:
                    bad.append(f"{call} {step}: {wrong}")
            shutil.rmtree(folder, ignore_errors=True)
            if not killed:
                break
            step += 1 if step < most else max(1, step // 8)
    return cuts, bad


def told(bad):
    return "; ".join(bad[:4]) + (f"; {len(bad) - 4} more" if len(bad) > 4 else "")


STEPS = ("rename", "link", "unlink", "fsync", "fdatasync", "ftruncate", "pwrite64", "openat", "close")


def restore_cut(model):
    def act(folder, before):
        return run(folder, ["journal", "--journal", "j.db", "restore", "backup.db"], before)

    def judge(folder):
        rows, wrong = counted(folder / "j.db")
        if wrong or rows not in (6, 10):
            return f"{rows} reps in place, {wrong or 'sound'}"
        if rows == 6 and not any(counted(path) == (10, "") for path in folder.glob("j.replaced-*.db")):
            return "the old journal is nowhere"
        after = replay(folder)
        now, wrong = counted(folder / "j.db")
        if after.returncode or wrong or now != rows + 1:
            return f"the next run: {now} of {rows + 1} reps, {wrong} {after.stderr[-200:]}"
        names = [path.stat().st_ino for path in folder.glob("*.db")]
        return "" if len(names) == len(set(names)) else "one file has two names"

    cuts, bad = each_step(model, STEPS, act, judge)
    check("restore cut", cuts > 20 and not bad, f"{cuts} kills, each at another step: {told(bad) or 'the old or the new journal in place, whole'}")


def deletion_cut(model):
    delete = ["journal", "--journal", "j.db", "delete-hitter", NAME, "--yes"]

    def act(folder, before):
        return run(folder, delete, before)

    def judge(folder):
        rows, wrong = counted(folder / "j.db")
        if wrong or rows not in (4, 10):
            return f"{rows} reps in place, {wrong or 'sound'}"
        if rows == 10:
            run(folder, delete)
        else:
            replay(folder)
        left = [name for name in holding(folder, NAME) if name != "backup.db"]
        return f"the name is in {', '.join(left)}" if left else ""

    cuts, bad = each_step(model, STEPS, act, judge)
    check("deletion cut", cuts > 20 and not bad, f"{cuts} kills: {told(bad) or 'all of the hitter or nothing, and nothing after the next run'}")


def old_journal(path):
    """As version 2 wrote it, with 5 MB of landmarks."""
    with sqlite3.connect(path) as journal:
        for step in sorted(SCHEMA.glob("*.sql"))[:2]:
            journal.executescript(step.read_text())
        journal.execute("INSERT INTO sessions (started_at, source, settings, program_version) VALUES ('2026-05-01T17:00:00.000Z', 'a', '', '1')")
        for number in range(1, 501):
            journal.execute(
                "INSERT INTO reps (session, number, kind, bats, view, fps, known_at_secs, logged_at)"
                " VALUES (1, ?, 'swing', 'left', 'open-side', 60.0, ?, '2026-05-01T17:00:00.000Z')", (number, float(number)))
            journal.execute(
                "INSERT INTO timelines (rep, start_secs, width_px, height_px, landmarks) VALUES (?, 0, 1, 1, ?)",
                (number, os.urandom(10_000)))
        journal.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        journal.execute("PRAGMA user_version = 2")


def migration_cut(_):
    with tempfile.TemporaryDirectory() as place:
        model = pathlib.Path(place)
        old_journal(model / "j.db")

        def act(folder, before):
            return replay(folder, before=before)

        def judge(folder):
            rows, wrong = counted(folder / "j.db")
            if wrong or rows not in (500, 501):
                return f"{rows} reps, {wrong or 'sound'}"
            if replay(folder).returncode:
                return "the next run fails"
            now, wrong = counted(folder / "j.db")
            landmarks, _ = counted(folder / "j.db", "timelines")
            if wrong or now < 501 or landmarks < 501:
                return f"after the next run {now} reps, {landmarks} with landmarks, {wrong}"
            left = list(folder.glob("j.db.before-*"))
            return f"{left[0].name} is left" if left else ""

        cuts, bad = each_step(model, ("rename", "unlink", "fsync", "fdatasync", "pwrite64"), act, judge, most=12)
        check("upgrade cut", cuts > 20 and not bad, f"{cuts} kills in an upgrade of 5 MB from version 2: {told(bad) or 'every rep and all landmarks'}")


def failing_disk(_):
    """Errors while reps are stored: what was logged is in the journal or its spool when the run ends, or the run says not."""
    bad, rounds = [], 0
    faults = [("fdatasync", "error=EIO"), ("fsync", "error=EIO"), ("pwrite64", "error=EIO"), ("pwrite64", "error=ENOSPC"), ("fdatasync", "error=ENOSPC")]
    for call, error in faults:
        for when in ("1..2", "3..9", "10+5", "20..60", "40+"):
            folder = pathlib.Path(tempfile.mkdtemp(prefix="faults-"))
            rounds += 1
            done = replay(folder, loops=20, before=inject(call, error, when), more=["--reps", "reps.jsonl"])
            ended = len((folder / "reps.jsonl").read_text().splitlines()) if (folder / "reps.jsonl").exists() else 0
            rows, wrong = counted(folder / "j.db") if (folder / "j.db").exists() and (folder / "j.db").stat().st_size else (0, "")
            lost = re.search(r"(\d+) reps could not be stored", done.stderr)
            waiting = 0
            if (folder / "j.db.spool").exists():
                replay(folder)
                now, wrong = counted(folder / "j.db")
                waiting = now - 1 - rows
            missing = ended - rows - waiting - int(lost[1] if lost else 0)
            if wrong or missing > 0 or (done.returncode == 0 and ended and rows + waiting < ended):
                bad.append(f"{call} {error} {when}: {ended} ended, {rows} stored, {waiting} in the spool, told lost {lost and lost[1]}, status {done.returncode} {wrong}")
            shutil.rmtree(folder, ignore_errors=True)
    check("failing disk", not bad, f"{rounds} patterns of failing writes and flushes: {told(bad) or 'each rep stored, waiting, or told as lost'}")


def full_disk_steps(model):
    """No room at each write of a restore and of a deletion."""
    for what, arguments in (
        ("restore, disk full", ["journal", "--journal", "j.db", "restore", "backup.db"]),
        ("deletion, disk full", ["journal", "--journal", "j.db", "delete-hitter", NAME, "--yes"]),
    ):
        bad, rounds = [], 0
        for step in [*range(1, 30), *range(30, 200, 13)]:
            folder = fresh(model)
            done = run(folder, arguments, inject("pwrite64", "error=ENOSPC", f"{step}+"))
            rows, wrong = counted(folder / "j.db")
            rounds += 1
            wanted = (10, 6) if "restore" in what else (10, 4)
            if wrong or rows not in wanted:
                bad.append(f"write {step}: {rows} reps, {wrong or 'sound'}, status {done.returncode}")
            shutil.rmtree(folder, ignore_errors=True)
        check(what, not bad, f"{rounds} rounds: {told(bad) or 'the journal is whole, before or after'}")


def kills(rounds):
    dice = random.Random(19)
    bad, stored_all = [], 0
    folder = pathlib.Path(tempfile.mkdtemp(prefix="faults-"))
    before = 0
    for number in range(1, rounds + 1):
        said = open(folder / "err.txt", "wb")
        child = subprocess.Popen(
            [str(PROGRAM), "replay", str(TRACK), "--pace", "fast", "--loops", "100000", "--journal", "j.db", "--sound", "none"],
            cwd=folder, env={**environment(folder), "RUST_LOG": "cagehand=debug"}, stdout=subprocess.DEVNULL, stderr=said)
        time.sleep(dice.uniform(0.02, 0.5))
        child.kill()
        child.wait()
        said.close()
        stored = (folder / "err.txt").read_bytes().count(b"rep stored")
        stored_all += stored
        if number % 25 == 0 or number == rounds:
            rows, wrong = counted(folder / "j.db")
            if wrong or rows < before + stored_all:
                bad.append(f"kill {number}: {rows} of {before + stored_all} reps, {wrong or 'sound'}")
            for path in folder.glob("j.db*"):
                path.unlink()
            stored_all = 0
    shutil.rmtree(folder, ignore_errors=True)
    check("kills", not bad, f"{rounds} kills: {told(bad) or 'every rep that was told as stored is there'}")


def damage(journal, kind, dice):
    """What a failing disk or another program does to an open journal."""
    length = journal.stat().st_size
    with open(journal, "r+b") as file:
        if kind == "head":
            file.write(dice.randbytes(100))
        elif kind == "pages":
            for at in dice.sample(range(0, length, 4096), max(1, length // 8192)):
                file.seek(at)
                file.write(dice.randbytes(4096))
        elif kind == "zeros":
            file.write(bytes(length))
        elif kind == "half":
            file.truncate(length // 2)
        else:
            log = journal.with_name(journal.name + "-wal")
            log.write_bytes(dice.randbytes(log.stat().st_size if log.exists() else 4096))


def damaged_running(rounds):
    """A journal that is damaged while reps go into it: whatever is stored after it was noticed is in the new one."""
    dice = random.Random(20)
    bad, noticed = [], collections.Counter()
    kinds = ["head", "pages", "zeros", "half", "log"]
    for number in range(rounds):
        kind = kinds[number % len(kinds)]
        folder = pathlib.Path(tempfile.mkdtemp(prefix="faults-"))
        with open(folder / "err.txt", "wb") as said:
            child = subprocess.Popen(
                [str(PROGRAM), "replay", str(TRACK), "--pace", "fast", "--loops", "400", "--journal", "j.db", "--sound", "none"],
                cwd=folder, env={**environment(folder), "RUST_LOG": "cagehand=debug"}, stdout=subprocess.DEVNULL, stderr=said)
        wanted = dice.randrange(5, 150)
        while child.poll() is None and (folder / "err.txt").read_bytes().count(b"rep stored") < wanted:
            time.sleep(0.005)
        is_running = child.poll() is None
        damage(folder / "j.db", kind, dice)
        status = child.wait(timeout=300)
        lines = (folder / "err.txt").read_text(errors="replace").splitlines()
        moved = [at for at, line in enumerate(lines) if "set aside" in line]
        noticed[kind] += bool(moved)
        last = moved[-1] if moved else 0
        after = sum("rep stored" in line for line in lines[last:])
        rows, wrong = counted(folder / "j.db")
        if moved and (status or wrong or rows < after or not list(folder.glob("j.damaged-*"))):
            bad.append(f"{kind} {number}: {rows} reps of {after} since, {wrong or 'sound'}, status {status}")
        # What nobody noticed while it ran is noticed by whoever opens it next.
        again = replay(folder)
        rows, wrong = counted(folder / "j.db")
        if again.returncode or wrong or not rows or not is_running:
            bad.append(f"{kind} {number}: the next run, {rows} reps, {wrong or 'sound'}, status {again.returncode}, running {is_running}")
        shutil.rmtree(folder, ignore_errors=True)
    seen = ", ".join(f"{kind} {noticed[kind]}" for kind in kinds)
    check("damage while running", not bad, f"{rounds} rounds, noticed while it ran ({seen}): {told(bad) or 'a new journal, and every rep since in it'}")


class Disk:
    """Files as a disk has them: what was synced, and what was written since."""

    def __init__(self):
        self.synced = collections.defaultdict(bytearray)
        self.pending = collections.defaultdict(list)

    def sync(self, name):
        for change in self.pending.pop(name, []):
            apply(self.synced[name], change)

    def cut(self, dice):
        """Any part of what was not synced, each write whole, torn or lost."""
        files = {name: bytearray(content) for name, content in self.synced.items()}
        for name, changes in self.pending.items():
            content = files.setdefault(name, bytearray())
            for at, data in changes:
                fate = dice.random()
                if fate < 0.4:
                    continue
                if data is not None and fate < 0.6:
                    data = data[: dice.randrange(0, len(data) + 1) // SECTOR * SECTOR]
                apply(content, (at, data))
        return files


def apply(content, change):
    at, data = change
    if data is None:
        del content[at:]
        content.extend(bytes(at - len(content)) if at > len(content) else b"")
        return
    if len(content) < at + len(data):
        content.extend(bytes(at + len(data) - len(content)))
    content[at : at + len(data)] = data


CALL = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)")


def recorded(folder):
    """The run's changes of files in order: (name, change), (name, None) for a sync, ("stored", n) and renames."""
    record = folder / "trace.txt"
    calls = "pwrite64,write,fsync,fdatasync,ftruncate,unlink,rename"
    tracer = ["strace", "-f", "-qq", "-y", "-xx", "-s", "70000", "-o", str(record), "-e", f"trace={calls}"]
    said = open(folder / "err.txt", "wb")
    subprocess.run(
        [*tracer, str(PROGRAM), "replay", str(TRACK), "--pace", "fast", "--loops", "40", "--journal", "j.db", "--sound", "none"],
        cwd=folder, env={**environment(folder), "RUST_LOG": "cagehand=debug"}, stdout=subprocess.DEVNULL, stderr=said, check=True)
    events, stored = [], 0

    def text(escaped):
        return bytes.fromhex(escaped.replace("\\x", ""))

    begun = {}
    for line in record.read_text(errors="replace").splitlines():
        # A call during which another thread made one is told in two lines.
        thread = line.split(" ", 1)[0]
        if line.endswith("<unfinished ...>"):
            begun[thread] = line.removesuffix("<unfinished ...>")
            continue
        resumed = re.match(r"\d+ +<\.\.\. \w+ resumed>(.*)", line)
        if resumed:
            line = begun.pop(thread, "") + resumed[1]
        found = CALL.match(line)
        if not found or int(found[3]) < 0:
            continue
        call, arguments = found[1], found[2]
        names = [pathlib.PurePath(text(part).decode()).name for part in re.findall(r'"((?:\\x[0-9a-f]{2})*)"', arguments)] if call in ("unlink", "rename") else []
        file = re.match(r"\d+<([^>]*)>", arguments)
        name = pathlib.PurePath(text(file[1]).decode() if file and "\\x" in file[1] else file[1] if file else "").name
        if call in ("pwrite64", "write"):
            data = text(re.search(r'"((?:\\x[0-9a-f]{2})*)"', arguments)[1])
            if name == "err.txt":
                stored += data.count(b"rep stored")
                events.append(("stored", stored))
            elif call == "pwrite64" and name.startswith("j.db"):
                events.append(("write", name, (int(arguments.rsplit(", ", 1)[1]), data)))
        elif call == "ftruncate" and name.startswith("j.db"):
            events.append(("write", name, (int(arguments.rsplit(", ", 1)[1]), None)))
        elif call in ("fsync", "fdatasync") and name.startswith("j.db"):
            events.append(("sync", name))
        elif call == "unlink" and names[0].startswith("j.db"):
            events.append(("unlink", names[0]))
    return events


def power_cut(rounds):
    folder = pathlib.Path(tempfile.mkdtemp(prefix="faults-"))
    events = recorded(folder)
    last = max((event[1] for event in events if event[0] == "stored"), default=0)
    dice, bad, most = random.Random(7), [], 0
    for _ in range(rounds):
        cut = dice.randrange(len(events) // 20, len(events))
        disk, stored = Disk(), 0
        for event in events[:cut]:
            if event[0] == "stored":
                stored = event[1]
            elif event[0] == "write":
                disk.pending[event[1]].append(event[2])
            elif event[0] == "sync":
                disk.sync(event[1])
            else:
                disk.synced.pop(event[1], None)
                disk.pending.pop(event[1], None)
        place = pathlib.Path(tempfile.mkdtemp(prefix="faults-"))
        for name, content in disk.cut(dice).items():
            if not name.endswith("-shm"):
                (place / name).write_bytes(content)
        rows, wrong = counted(place / "j.db") if (place / "j.db").exists() else (0, "")
        after = replay(place)
        now, wrong_after = counted(place / "j.db")
        most = max(most, stored)
        aside = list(place.glob("j.damaged-*"))
        if (stored and (wrong or rows < stored)) or wrong_after or after.returncode or now < stored + 1 or (aside and stored):
            bad.append(f"event {cut}: {stored} told as stored, {rows} there, {now} after the next run, {wrong or wrong_after}{' set aside' if aside else ''}")
        shutil.rmtree(place, ignore_errors=True)
    shutil.rmtree(folder, ignore_errors=True)
    check("power cut", last > 30 and most > 20 and not bad, f"{rounds} cuts in a run of {last} reps, unsynced writes lost or torn: {told(bad) or 'every stored rep is there'}")


def disk_image(model):
    """A name on the raw device after a deletion: what the file system keeps of overwritten blocks."""
    folder = pathlib.Path(tempfile.mkdtemp(prefix="faults-"))
    image, mount = folder / "disk.img", folder / "disk"
    mount.mkdir()
    subprocess.run(["truncate", "-s", "256M", image], check=True)
    made = subprocess.run(["mkfs.ext4", "-q", image], capture_output=True)
    mounted = made.returncode == 0 and subprocess.run(["mount", "-o", "loop", image, mount], capture_output=True).returncode == 0
    if not mounted:
        print("----  raw disk image              NOT RUN: it needs root and a loop device")
        return
    try:
        replay(mount, loops=6, name=NAME)
        replay(mount, loops=4, name=OTHER)
        (mount / "hitter.toml").unlink()
        subprocess.run(["sync"], check=True)
        had = image.read_bytes().count(NAME.encode())
        deleted = run(mount, ["journal", "--journal", "j.db", "delete-hitter", NAME, "--yes"])
        rows, wrong = counted(mount / "j.db")
        in_files = holding(mount, NAME)
    finally:
        subprocess.run(["umount", mount], check=True)
    left = image.read_bytes().count(NAME.encode())
    shutil.rmtree(folder, ignore_errors=True)
    good = had > 0 and deleted.returncode == 0 and (rows, wrong) == (4, "") and not in_files
    check("raw disk image", good, f"the name stood {had} times on the disk; after the deletion in {len(in_files)} files, and {left} times in blocks that belong to no file (settings file and freed log included)")


def main():
    global PROGRAM
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--rounds", type=int, default=50)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--only", help="run the checks whose name begins so")
    options = parser.parse_args()
    PROGRAM = options.program.resolve()
    model = pathlib.Path(tempfile.mkdtemp(prefix="faults-model-"))
    replay(model, loops=6, name=NAME)
    run(model, ["journal", "--journal", "j.db", "backup", "backup.db"])
    replay(model, loops=4, name=OTHER)
    (model / "hitter.toml").unlink()
    checks = {
        "restore": lambda: restore_cut(model),
        "deletion": lambda: deletion_cut(model),
        "upgrade": lambda: migration_cut(model),
        "failing": lambda: failing_disk(model),
        "full": lambda: full_disk_steps(model),
        "damage": lambda: damaged_running(30),
        "power": lambda: power_cut(options.rounds),
        "image": lambda: disk_image(model),
        "kills": lambda: kills(options.kills),
    }
    for name, act in checks.items():
        if not options.only or name.startswith(options.only):
            act()
    shutil.rmtree(model, ignore_errors=True)
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
