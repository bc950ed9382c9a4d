"""A facility under kills, a bad network, a full disk, upgrades, and restored or replaced parts: the built program, and a server of the check's own.

    python3 tests/facility/faults.py PROGRAM [--kills 500] [--only PART] [--seed 1]

Parts: kills, network, silence, cable, full, upgrade, older, replaced, restored, rewound, week, clock. Cages are processes that watch a recording, an office is one
that serves its pages, edits are made at those pages or by commands. In the end of each part everything runs and falls quiet; then every
journal and the store are read row by row, by SQLite and psql: each rep is there once with its measures, and its landmarks where its
hitter allows them; what was deleted is nowhere; edits are the same everywhere; and what a page or command said it had taken was not lost.

Prints one line a check and ends with 1 where one failed. Linux; the full disk needs root or user namespaces, the clock the Debian package
faketime, and each is told where it was left out.
"""

import argparse
import os
import pathlib
import random
import signal
import statistics
import sys
import threading
import time

import cages as them
import judge
import mishaps
import outages
import server as stores
from cages import check, few
from edits import Deletions, Edits, Logged, everybody_known
from network import Network

def kills(program, told):
    """Either side is killed at any moment, while rows are on their way and people edit."""
    dice = random.Random(told.seed)
    with stores.Server() as server, them.Facility(program, server) as facility:
        office = facility.office()
        office.start()
        networks = [Network(server.folder) for _ in range(3)]
        cages = [facility.cage(f"cage{number}", url=f"postgres:///{stores.DATABASE}?host={network.folder}&user=cage{number}") for number, network in enumerate(networks, 1)]
        edits, logged = Edits(facility, office, cages, dice), Logged()
        everybody_known(edits)
        tally = {"a cage": 0, "the server": 0, "a server's process": 0, "with rows to send": 0, "with a batch on its way": 0}
        deleted_reps, editing, began, lengths = Deletions(cages), None, time.monotonic(), []
        for number in range(1, told.kills + 1):
            round_began = time.monotonic()
            fresh = [cage for cage in cages if cage.is_over()]
            for cage in cages:
                if cage in fresh:
                    between(cage, dice, (logged, deleted_reps), number, edits)
                    cage.start(them.BUSY if dice.random() < 0.1 else them.NOBODY)
            if not editing or not editing.is_alive():
                editing = threading.Thread(target=edits.one)
                editing.start()
            deleted_reps.look()
            # One that has rows to send, mostly; after so many pieces of what it says, or when it has fallen silent.
            victim = dice.choice(fresh) if fresh and dice.random() < 0.7 else dice.choice(cages)
            networks[cages.index(victim)].wait_for(dice.randint(1, 60), dice.uniform(0.3, 3))
            time.sleep(dice.choice([0, 0, dice.uniform(0, 0.05)]))
            tally[kill_one(dice, server, victim)] += 1
            note_moment(tally, server, victim)
            if victim.is_over() is False and dice.random() < 0.3:
                victim.kill()
            lengths.append(time.monotonic() - round_began)
            if number % told.quiet == 0 or number == told.kills:
                editing.join()
                wrong = judge.when_quiet(facility, cages)
                judge.judged(f"kills, after {number}", wrong, f"{server.value('SELECT count(*) FROM reps')} reps in the store, each once and whole, and all else the same")
                print(f"      {number} rounds, {logged.count()} reps, {edits.taken} of {edits.count} edits taken, {time.monotonic() - began:.0f} s, {tally}", flush=True)
        check("kills", min(tally.values()) > 0 or told.kills < 100, f"{told.kills} kills, {tally}; {statistics.median(lengths):.1f} s a round at the median")
        wrong = edits.wrong() + deleted_reps.wrong(logged)
        check("kills: what was taken", not wrong and edits.taken > told.kills // 10, few(wrong) or f"{edits.taken} edits of {edits.count} were taken and hold, {len([1 for *_, taken in edits.deleted if taken])} of them deletions")
        reps = int(server.value("SELECT count(*) FROM reps"))
        check("kills: reps", reps > told.kills and not office.is_over(), f"{reps} reps with {server.value('SELECT count(*) FROM measures')} measures and {server.value('SELECT count(*) FROM timelines')} landmarks in the store, {logged.count()} were logged by commands; the office's process {'ended' if office.is_over() else 'ran all the while'}")
        for network in networks:
            network.end()


def between(cage, dice, followed, number, edits):
    """What happens at a cage that is down: reps come in and somebody uses a command."""
    names = [name for (name,) in cage.rows("SELECT name FROM hitters WHERE name IS NOT NULL")] or [None]
    name = dice.choice([*names, None])
    if dice.random() < 0.05:
        name = f"Guest {number} of {cage.name}"
    logged, deleted_reps = followed
    logged.add(cage, cage.log_reps(dice.choice([2, 4, 8]), name))
    # Before they can go: by the next command, or with their hitter, of whose deletion the cage may hear as soon as it runs.
    deleted_reps.look()
    if dice.random() < 0.04:
        latest = cage.rows("SELECT uid, id FROM sessions ORDER BY id DESC LIMIT 3")
        uid, here = dice.choice(latest)
        done = cage.run("journal", "delete-session", str(here), "--yes")
        edits.deleted.append((uid, done.returncode == 0))
    if dice.random() < 0.04 and name:
        cage.run("consent", name, "film", dice.choice(["given", "refused"]), "--by", f"Uncle {number}")


def kill_one(dice, server, victim):
    """Kills somebody; gives who it was."""
    which = dice.random()
    if which < 0.65 and not victim.is_over():
        victim.kill()
        return "a cage"
    leader, others = server.processes()
    mine = [process for process, words in others.items() if victim.name in words] or list(others)
    if which < 0.85 and mine:
        try:
            os.kill(dice.choice(mine), signal.SIGKILL)
        except ProcessLookupError:
            pass
        return "a server's process"
    server.kill()
    server.start_again()
    return "the server"


def note_moment(tally, server, victim):
    """At which moment it was."""
    journal, rev = victim.rows("SELECT journal, rev FROM facility")[0]
    try:
        received, mark = server.rows(f"SELECT received, replace(mark::text, '-', '') FROM journals WHERE uid = '{journal}'")[0]
    except (RuntimeError, IndexError):
        # It is still coming up.
        return
    tally["with rows to send"] += int(received) < rev
    last = victim.rows("SELECT mark FROM sent ORDER BY rev DESC LIMIT 1")
    tally["with a batch on its way"] += bool(last) and last[0][0] != mark


PARTS = {
    "kills": kills, "network": outages.network, "silence": outages.silence, "cable": outages.cable, "full": outages.full, "upgrade": mishaps.upgrade, "older": mishaps.older, "replaced": mishaps.replaced,
    "restored": mishaps.restored, "rewound": mishaps.rewound, "week": mishaps.week, "clock": mishaps.clock,
}  # fmt: skip


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--quiet", type=int, default=100, help="after how many kills everything is compared")
    parser.add_argument("--only", choices=PARTS)
    parser.add_argument("--older", type=pathlib.Path, help="an earlier program, for the part of that name")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sql", action="store_true", help="take the tables from the sources")
    told = parser.parse_args()
    # A shell that starts this in the background has it ignored, and so would a cage that has only just begun.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    them.Facility.by_sources = told.sql
    for name, part in PARTS.items():
        if told.only in (None, name):
            began = time.monotonic()
            part(told.program.resolve(), told)
            print(f"      {name}: {time.monotonic() - began:.0f} s", flush=True)
    sys.exit(1 if them.failed else 0)


if __name__ == "__main__":
    main()
