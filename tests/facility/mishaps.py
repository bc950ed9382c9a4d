"""Upgrades, parts that are replaced or restored, and wrong clocks: parts of faults.py, which says what each is held to. Standard library only."""

import contextlib
import pathlib
import random
import shutil
import subprocess
import time
import uuid

import cages as them
import judge
import server as stores
from cages import check, few
from edits import Edits, everybody_known
from network import Network

# As a newer version might: a column more, with a default; a table more; functions anew under their names; news of a kind that is not known yet.
NEWER = """
ALTER TABLE reps ADD COLUMN weather text DEFAULT 'dry';
ALTER TABLE hitters ADD COLUMN jersey text DEFAULT '';
ALTER TABLE sessions ADD COLUMN bay bigint;
CREATE TABLE lineups (id bigint PRIMARY KEY, uid uuid NOT NULL);
DO $do$ DECLARE made text; BEGIN
    FOR made IN SELECT pg_get_functiondef(oid) FROM pg_proc WHERE proname IN ('hello', 'changes_for', 'receive', 'hitter_row', 'rep_row') LOOP
        EXECUTE replace(made, '$function$', '$newer$');
    END LOOP;
END $do$;
INSERT INTO changes (what, uid) VALUES ('lineup', gen_random_uuid());
INSERT INTO refinery_schema_history SELECT 1 + max(version), 'lineups', max(applied_on), '1' FROM refinery_schema_history;
"""


@contextlib.contextmanager
def people(program, server, logins, told):
    """Cages and an office that know of each other, with people who edit."""
    with them.Facility(program, server) as facility:
        office = facility.office()
        office.start()
        cages = [facility.cage(login) for login in logins]
        edits = Edits(facility, office, cages, random.Random(told.seed))
        everybody_known(edits)
        yield facility, cages, edits


def sent(cages):
    """Waits until the store has everything."""
    if not them.until(90, lambda: all(cage.tail_is_sent(cage.facility.server) for cage in cages)):
        raise RuntimeError(f"not sent: {[cage.trouble() for cage in cages]}")


def log_and_send(cages, loops, edits, hitter=None):
    for cage in cages:
        cage.end()
        cage.log_reps(loops, hitter)
        cage.start()
        cage.at_page()
    for _ in range(8):
        edits.one()
    sent(cages)


def own_rows(cage):
    """What only this cage's journal and the store have: sessions, with all that belongs to them, and notes."""
    return {uid for (uid,) in cage.rows("SELECT uid FROM sessions UNION SELECT uid FROM notes")}


def heard(cages):
    """Waits until every cage has heard of all changes that are its business."""
    last = int(cages[0].facility.server.value("SELECT max(number) FROM changes WHERE journal IS NULL"))
    them.until(60, lambda: all(cage.value("SELECT pulled FROM facility") >= last for cage in cages))


def upgrade(program, told):
    """A newer schema comes while cages send; then a program that is newer than its store."""
    with stores.Server() as server, people(program, server, ["cage1", "cage2", "cage3", "cage4"], told) as (facility, cages, edits):
        old, new = cages[:2], cages[2:]
        for cage in cages:
            cage.end()
            cage.log_reps(60, "Hitter 1")
        for cage in old:
            cage.start()
        them.until(60, lambda: int(server.value("SELECT count(*) FROM reps")) > 10, every=0.01)
        at = int(server.value("SELECT count(*) FROM reps"))
        began = time.monotonic()
        server.psql("BEGIN;" + NEWER + "COMMIT", user=stores.OWNER)
        secs = time.monotonic() - began
        for cage in new:
            cage.start()
        for _ in range(12):
            edits.one()
        wrong = judge.when_quiet(facility, cages) + edits.wrong()
        said = [line.split("WARN ")[-1] for cage in cages for line in cage.said().splitlines() if "without the facility" in line]
        judge.judged("newer store", wrong, f"upgraded in {secs:.1f} s with {at} of 245 reps there; {edits.taken} of {edits.count} edits taken; the cages said {few(said) or 'nothing'}")
        done = subprocess.run([program, "facility", "set-up", "--store", server.url(stores.OWNER)], capture_output=True, text=True)
        check("newer store: set-up", done.returncode != 0 and "newer" in done.stderr and "filesystem" not in done.stderr, f"an older program's set-up says: {' '.join((done.stdout + done.stderr).split())[:200]}")
        for name, versions in (("of version 1", 1), ("empty", 0)):
            older_store(program, server, name, versions)


def older(program, told):
    """An earlier program set the store up; half of the cages, and the office, still run it when the newer one brings the store up to date."""
    if not told.older:
        print("SKIP  older: no earlier program is given", flush=True)
        return
    earlier = told.older.resolve()
    with stores.Server() as server, people(earlier, server, ["cage1", "cage2", "cage3", "cage4"], told) as (facility, cages, edits):
        new = cages[2:]
        for cage in cages:
            cage.end()
            cage.program = program if cage in new else earlier
            cage.log_reps(60, "Hitter 1")
            cage.start()
        them.until(60, lambda: int(server.value("SELECT count(*) FROM reps")) > 10, every=0.01)
        at = int(server.value("SELECT count(*) FROM reps"))
        done = subprocess.run([program, "facility", "set-up", "--store", server.url(stores.OWNER)], capture_output=True, text=True)
        check("older: set-up", done.returncode == 0, f"with {at} reps there the newer program's set-up says: {' '.join((done.stdout + done.stderr).split())[:200]}")
        for _ in range(12):
            edits.one()
        said = [line.split("WARN ")[-1] for cage in cages for line in cage.said().splitlines() if "without the facility" in line]
        judge.judged("older: four cages", judge.when_quiet(facility, cages) + edits.wrong(), f"{edits.taken} of {edits.count} edits taken; the cages said {few(said) or 'nothing'}")
        office = edits.office
        office.end()
        office.program = program
        office.start()
        for _ in range(6):
            edits.one()
        # A connection knows what the store could do when it was made.
        for cage in cages:
            cage.end()
            cage.start(clip=them.BUSY)
        journals = {cage: cage.value("SELECT journal FROM facility") for cage in cages}
        shown = lambda cage: f'/cages/{uuid.UUID(journals[cage])}/screen'  # noqa: E731
        them.until(60, lambda: all(shown(cage) in office.at_page().get("/cages")[1] for cage in new))
        listed = office.at_page().get("/cages")[1]
        seen = sum(shown(cage) in listed for cage in cages)
        check("older: screens", all(shown(cage) in listed for cage in new), f"the newer office shows {seen} screens, those of the {len(new)} newer cages among them")
        for cage in cages:
            cage.end()
            cage.start()
        judge.judged("older: afterward", judge.when_quiet(facility, cages) + edits.wrong(), f"{server.value('SELECT count(*) FROM reps')} reps there")


def older_store(program, server, name, versions):
    """A program whose store was not set up for it says what to do, and loses nothing until that was done."""
    view = server.view(f"early{versions}")
    server.psql(f"CREATE DATABASE {view.database} OWNER {stores.OWNER}", database="postgres")
    if versions:
        history = server.psql("SELECT format('INSERT INTO refinery_schema_history VALUES (%s, %L, %L, %L);', version, name, applied_on, checksum) FROM refinery_schema_history WHERE version = 1")
        view.psql(stores.MIGRATIONS[0].read_text() + "CREATE TABLE refinery_schema_history (version int4 PRIMARY KEY, name varchar(255), applied_on varchar(255), checksum varchar(255));" + history, user=stores.OWNER)
    with them.Facility(program, view, is_set_up=False) as facility:
        cage = facility.cage(f"early{versions}")
        cage.log_reps(20)
        cage.start()
        trouble = them.until(30, cage.trouble)
        figures = cage.health()
        check(f"store {name}: said", bool(trouble) and "set-up" in trouble, f"the cage says: {trouble}; {figures.get('cagehand_facility_reps_behind', 0):.0f} reps behind")
        stores.facility(view, program, "set-up")
        began = time.monotonic()
        them.until(120, lambda: cage.tail_is_sent(view))
        secs = time.monotonic() - began
        judge.judged(f"store {name}: afterward", judge.when_quiet(facility, [cage]), f"{view.value('SELECT count(*) FROM reps')} reps there, {secs:.0f} s after it was set up")


def replaced(program, told):
    """A cage's disk is lost; the new one has the old one's login and name."""
    with stores.Server() as server, people(program, server, ["cage1", "cage2"], told) as (facility, cages, edits):
        log_and_send(cages, 20, edits, "Hitter 1")
        lost = cages[0]
        lost.kill()
        alone = own_rows(lost)
        for file in facility.folder.glob(f"{lost.journal.name}*"):
            file.unlink()
        before = int(server.value("SELECT count(*) FROM reps"))
        lost.start()
        lost.at_page()
        known = them.until(60, lambda: lost.value("SELECT count(*) FROM hitters WHERE name LIKE 'Hitter%'") == 5)
        log_and_send(cages, 10, edits)
        wrong = judge.when_quiet(facility, cages, alone=alone) + edits.wrong()
        after = int(server.value("SELECT count(*) FROM reps"))
        judge.judged("disk lost", wrong + ([] if known else ["the new cage knows nobody"]), f"{before} reps before and {after} after, the old ones stayed; {edits.taken} edits hold")


def restored(program, told):
    """A journal is put back to what it was yesterday, by the command and by copying a file."""
    for how in ("by command", "by copy"):
        with stores.Server() as server, people(program, server, ["cage1", "cage2"], told) as (facility, cages, edits):
            cage = cages[0]
            log_and_send(cages, 20, edits, "Hitter 1")
            yesterday = facility.folder / "yesterday.db"
            done = cage.run("journal", "backup", str(yesterday))
            known = own_rows(cage)
            # Since then: reps, edits anywhere, and for certain one of an older rep at the cage.
            uid, here = cage.rows("SELECT uid, id FROM reps WHERE edits = 0 ORDER BY id LIMIT 1")[0]
            log_and_send(cages, 10, edits)
            marked = cage.page.post(f"/reps/{here}", what="mark") and cage.page.post(f"/reps/{here}", what="exclude", why="Slipped.")
            edits.marked = [one for one in edits.marked if one[0] != uid]
            sent(cages)
            alone = own_rows(cage) - known
            cage.end()
            if how == "by command":
                done = cage.run("journal", "restore", str(yesterday))
            else:
                for file in facility.folder.glob(f"{cage.journal.name}-*"):
                    file.unlink()
                shutil.copy(yesterday, cage.journal)
            cage.log_reps(5)
            cage.start()
            cage.at_page()
            sent([cage])
            wrong = judge.when_quiet(facility, cages, alone=alone) + edits.wrong()
            if done.returncode or not marked:
                wrong.append(f"{done.stdout} {done.stderr} {marked}")
            judge.judged(f"journal restored, {how}", wrong, f"{len(alone)} sessions and notes since the backup stayed in the store; {edits.taken} edits hold, and are in the journal again")
            # What the cage says from now on counts.
            cage.start()
            cage.at_page().post(f"/reps/{here}", what="unmark")
            cage.page.post(f"/reps/{here}", what="count")
            wrong = judge.when_quiet(facility, cages, alone=alone)
            now = server.rows(f"SELECT marked, struck_why FROM reps WHERE uid = '{uid}'")
            judge.judged(f"restored, {how}: edits", wrong + ([] if now == [["0", ""]] else [f"the rep is {now}"]), "an edit after it is in the store")


def rewound(program, told):
    """The store is put back to what it was yesterday, while cages run."""
    with stores.Server() as server, people(program, server, ["cage1", "cage2"], told) as (facility, cages, edits):
        cages[0].end()
        cages[0].log_reps(5, "Guest 1")
        cages[0].start()
        log_and_send(cages, 20, edits, "Hitter 1")
        dump = server.folder / "store.dump"
        server.run("pg_dump", "-h", server.folder, "-U", "postgres", "--format=custom", "-f", dump, stores.DATABASE)
        log_and_send(cages, 20, edits, "Hitter 2")
        for _ in range(10):
            edits.one()
        gone = server.value("SELECT uid FROM hitters WHERE name = 'Guest 1'")
        if gone:
            edits.delete_hitter()
        sent(cages)
        heard(cages)
        server.psql(f"DROP DATABASE {stores.DATABASE} WITH (FORCE)", database="postgres")
        server.run("pg_restore", "-h", server.folder, "-U", "postgres", "--create", "--exit-on-error", "-d", "postgres", dump)
        at = int(server.value("SELECT count(*) FROM reps"))
        began = time.monotonic()
        them.until(120, lambda: all(cage.tail_is_sent(server) for cage in cages))
        secs = time.monotonic() - began
        wrong = judge.when_quiet(facility, cages) + edits.wrong()
        judge.judged("store restored", wrong, f"{at} reps in the backup, {server.value('SELECT count(*) FROM reps')} again after {secs:.0f} s; {edits.taken} edits of {edits.count} hold, {len(edits.deleted)} deletions among them")


# The program of that name would stand between the check and the cage, and a signal would end it alone.
FAKETIME = next(iter(sorted(pathlib.Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))), None)


def faketime(offset):
    """The environment of a process whose clock is wrong by so much; how long it waits goes by the true one."""
    return {"LD_PRELOAD": str(FAKETIME), "FAKETIME": offset, "FAKETIME_DONT_FAKE_MONOTONIC": "1", "DONT_FAKE_MONOTONIC": "1"}


def without_faketime(what):
    if FAKETIME:
        return False
    print(f"LEFT  {what:<28}  it needs the Debian package faketime")
    return True


def week(program, told):
    """A cage is without the network for a week; the office and another cage go on."""
    if without_faketime("week"):
        return
    with stores.Server() as server, people(program, server, ["cage1", "cage2"], told) as (facility, cages, edits):
        line = Network(server.folder)
        away, other = cages
        away.end()
        away.use(f"postgres:///{stores.DATABASE}?host={line.folder}&user={away.name}")
        log_and_send(cages, 10, edits, "Hitter 1")
        line.is_down = True
        away.kill()
        session = other.rows("SELECT uid FROM sessions WHERE id IN (SELECT session FROM reps) ORDER BY id LIMIT 1")[0][0]
        refusing = server.value("SELECT id FROM hitters WHERE name LIKE 'Hitter 1%' ORDER BY id LIMIT 1")
        logged = 0
        for day in range(1, 8):
            # Some for one who meanwhile refuses landmarks at the office, some for nobody.
            name = away.value("SELECT name FROM hitters WHERE name LIKE 'Hitter 1%'") if day % 2 else None
            that_day = faketime(f"+{day}d")
            logged += len(away.log_reps(10, name, **that_day))
            away.start(**that_day)
            away.at_page()
            for _ in range(3):
                edits.one()
            if day == 3:
                office = edits.office.at_page()
                refused = office.post(f"/people/{refusing}/consents", purpose="landmarks", decision="refused", decided_by="Aunt May", decided_on="2026-11-02", sure="on")
                place = server.value(f"SELECT id FROM sessions WHERE uid = '{session}'")
                edits.deleted.append((session, bool(place) and office.post(f"/sessions/{place}/delete", sure="on")))
            away.end()
        behind = away.value("SELECT count(*) FROM timelines")
        line.is_down = False
        began = time.monotonic()
        away.start(**faketime("+7d"))
        them.until(120, lambda: away.tail_is_sent(server))
        secs = time.monotonic() - began
        wrong = judge.when_quiet(facility, cages) + edits.wrong() + ([] if refused else ["nobody refused"])
        left = away.value("SELECT count(*) FROM timelines")
        judge.judged("a week away", wrong, f"{logged} reps of the week there after {secs:.0f} s; {behind - left} landmarks that were refused meanwhile went; {edits.taken} edits of {edits.count} hold")
        line.end()


def clock(program, told):
    """One cage's clock goes back and forth, by days and by decades."""
    if without_faketime("clock"):
        return
    with stores.Server() as server, people(program, server, ["cage1", "cage2"], told) as (facility, cages, edits):
        wrong_one = cages[0]
        for offset in ("-3d", "+40d", "-1y", "+30y", "-10y", "-2h", "+0"):
            wrong_one.end()
            wrong_one.log_reps(6, wrong_one.value("SELECT name FROM hitters WHERE name LIKE 'Hitter%' ORDER BY random()"), **faketime(offset))
            wrong_one.start(**faketime(offset))
            wrong_one.at_page()
            for _ in range(4):
                edits.one()
            sent([wrong_one])
        wrong = judge.when_quiet(facility, cages) + edits.wrong()
        years = server.rows("SELECT DISTINCT date_part('year', logged_at)::int FROM reps ORDER BY 1")
        judge.judged("clock", wrong, f"{server.value('SELECT count(*) FROM reps')} reps of the years {', '.join(year for (year,) in years)}, each there once; {edits.taken} edits of {edits.count} hold")
