"""Brings a store back from its backups, and compares every row with what it was.

    python3 tests/facility/backup.py PROGRAM [--reps 3000] [--sql]

Two ways, each into a server that has never seen the store: a dump with pg_dump and the logins with pg_dumpall; a copy of the server's files with
pg_basebackup and the archived write-ahead log, up to a point before a mistake and up to the end. Tables are compared by the count of their
rows and a sum over a hash of each; functions, triggers, rights, logins and the numbers of the sequences by their text. After each a cage logs in
and asks for what it has to hear. These are the commands that docs/scale.md tells people to run. Under a minute. Standard library only.
"""

import argparse
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile
import time

import fill
import server as stores

POINT = "before_the_mistake"
failed = 0


def check(what, good, says):
    global failed
    failed += not good
    print(f"{'PASS' if good else 'FAIL'}  {what:<34}  {says}", flush=True)


class Copied(stores.Server):
    """A server over files that came from a backup."""

    def __init__(self, files, archive, target):
        super().__init__()
        self.files = files
        if target:
            self.settings |= {"recovery_target_name": target, "recovery_target_action": "promote"}
        self.settings |= {"restore_command": f"cp {archive}/%f %p"}

    def make(self):
        shutil.copytree(self.files, self.data)
        (self.data / "recovery.signal").touch()
        own = [self.data, *self.data.rglob("*")]
        for path in own if self.user else []:
            shutil.chown(path, "postgres", "postgres")
        os.chmod(self.data, 0o700)

    def start(self):
        super().start()
        until = time.monotonic() + 60
        while self.value("SELECT pg_is_in_recovery()", database="postgres") != "f":
            if time.monotonic() > until:
                raise RuntimeError("the recovery does not end")
            time.sleep(0.2)


def prints(server):
    """What the store is: rows of each table, and everything around them."""
    tables = [name for (name,) in server.rows(
        "SELECT relname FROM pg_class WHERE relkind IN ('r', 'p') AND NOT relispartition AND relnamespace = 'public'::regnamespace ORDER BY 1")]  # fmt: skip
    found = {name: server.value(f"SELECT count(*) || ' rows, ' || coalesce(sum(hashtextextended(t::text, 0)::numeric), 0) FROM {name} t") for name in tables}
    found["parts"] = server.psql("SELECT relname, pg_get_expr(relpartbound, oid) FROM pg_class WHERE relispartition ORDER BY 1")
    found["functions"] = server.psql("SELECT md5(pg_get_functiondef(oid)), proacl FROM pg_proc WHERE pronamespace = 'public'::regnamespace ORDER BY oid::regprocedure::text")
    found["triggers"] = server.psql("SELECT tgrelid::regclass, pg_get_triggerdef(oid), tgenabled FROM pg_trigger WHERE NOT tgisinternal ORDER BY tgrelid::regclass::text, 2")
    found["views"] = server.psql("SELECT viewname, definition FROM pg_views WHERE schemaname = 'public' ORDER BY 1")
    found["indexes"] = server.psql("SELECT indexdef FROM pg_indexes WHERE schemaname = 'public' ORDER BY 1")
    found["statistics"] = server.psql("SELECT pg_get_statisticsobjdef(oid) FROM pg_statistic_ext ORDER BY 1")
    found["rights"] = server.psql("SELECT relname, relacl FROM pg_class WHERE relnamespace = 'public'::regnamespace ORDER BY 1")
    found["settings"] = server.psql("SELECT setconfig FROM pg_db_role_setting s JOIN pg_database d ON d.oid = s.setdatabase WHERE datname = current_database()")
    found["logins"] = server.psql("SELECT rolname, rolcanlogin, rolsuper, rolcreaterole, rolpassword FROM pg_authid WHERE rolname !~ '^pg_' ORDER BY 1")
    found["members"] = server.psql("SELECT roleid::regrole, member::regrole FROM pg_auth_members WHERE roleid > 16383 ORDER BY roleid::regrole::text, 2")
    return found


def sequences(server):
    return [int(server.value(f"SELECT last_value FROM {name}")) for name in ("uid_count", "changes_number_seq")]


def differences(before, after):
    return [name for name in before if before[name] != after.get(name)] + [name for name in after if name not in before]


def compare(what, server, before, numbers, secs):
    wrong = differences(before, prints(server))
    check(what, not wrong, f"{before['reps'].split(',')[0]} of reps, {secs:.1f} s; " + (f"other than before: {', '.join(wrong)}" if wrong else "every row and right as before"))
    # A sequence that is ahead costs nothing; one that is behind would give a number twice.
    now = sequences(server)
    check(f"{what}: next numbers", all(after >= then for after, then in zip(now, numbers)), f"{now} where they were {numbers}")
    journal = server.value("SELECT uid FROM journals WHERE login = 'cage1'")
    heard = server.rows(f"SELECT received FROM hello('{journal}', 'Cage 1', '{{}}')", user="cage1")
    told = int(server.value(f"SELECT count(*) FROM changes_for('{journal}', 0, NULL, 1000)", user="cage1"))
    check(f"{what}: a cage", len(heard) == 1 and told > 0, f"it logs in, and hears of {told} changes")


def dumped(server, program):
    before, numbers = prints(server), sequences(server)
    began = time.monotonic()
    server.run("pg_dump", "--format=custom", "-h", server.folder, "-U", "postgres", "-f", server.folder / "store.dump", stores.DATABASE)
    server.run("pg_dumpall", "--roles-only", "-h", server.folder, "-U", "postgres", "-f", server.folder / "logins.sql")
    dumped_at = time.monotonic()
    with stores.Server() as other:
        # The one login that a new server has already is told as an error, and the rest goes on.
        subprocess.run(["psql", "-XAtq", "-h", other.folder, "-U", "postgres", "-d", "postgres", "-f", server.folder / "logins.sql"], check=True, capture_output=True)
        shutil.copy(server.folder / "store.dump", other.folder)
        restoring = time.monotonic()
        other.run("pg_restore", "--create", "--exit-on-error", "--jobs=2", "-h", other.folder, "-U", "postgres", "-d", "postgres", other.folder / "store.dump")
        secs = dumped_at - began + time.monotonic() - restoring
        compare("pg_dump and pg_restore", other, before, numbers, secs)
        if program:
            stores.facility(other, program, "set-up")
            check("pg_dump and pg_restore: set-up", not differences(before, prints(other) | {"journals": before["journals"]}), "finds the tables up to date")


def work_on(server):
    """A day's work after the backup: of cages and of the office."""
    server.psql(
        """SET ROLE office;
           UPDATE reps SET marked = 1 - marked WHERE id IN (SELECT id FROM reps ORDER BY id LIMIT 20);
           INSERT INTO notes (session, text, made_at, made_by) SELECT id, 'after the backup', now(), 'coach' FROM sessions ORDER BY id LIMIT 30;
           DELETE FROM hitters WHERE id = (SELECT max(hitter) FROM sessions);""")  # fmt: skip


def copied(server, archive):
    base = server.folder / "base"
    began = time.monotonic()
    server.run("pg_basebackup", "--checkpoint=fast", "-h", server.folder, "-U", "postgres", "-D", base)
    server.run("pg_verifybackup", base)
    secs = time.monotonic() - began
    at_backup = prints(server)
    work_on(server)
    before, numbers = prints(server), sequences(server)
    check("work after the backup", {"reps", "notes", "hitters", "changes", "deleted"} <= set(differences(at_backup, before)), "is in the log alone")
    server.psql(f"SELECT pg_create_restore_point('{POINT}')")
    server.psql("SET ROLE office; DELETE FROM hitters")
    after, numbers_after = prints(server), sequences(server)
    check("the mistake", before["reps"] != after["reps"], f"{before['reps'].split(',')[0]} of reps before, {after['reps'].split(',')[0]} after")
    last = server.value("SELECT pg_walfile_name(pg_switch_wal())")
    until = time.monotonic() + 60
    while not (archive / last).exists():
        if time.monotonic() > until:
            raise RuntimeError("the log is not archived")
        time.sleep(0.1)
    # As where the machine is lost: what is not archived is gone.
    server.stop("immediate")
    for what, target, wanted, sequence in (("base backup, to a point", POINT, before, numbers), ("base backup, to the end", None, after, numbers_after)):
        began = time.monotonic()
        with Copied(base, archive, target) as other:
            compare(what, other, wanted, sequence, secs + time.monotonic() - began)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--reps", type=int, default=3000)
    parser.add_argument("--journal", type=pathlib.Path, help="a journal that PROGRAM made of the recording, instead of making one")
    parser.add_argument("--sql", action="store_true", help="take the tables from the sources")
    told = parser.parse_args()
    program = told.program.resolve()
    with tempfile.TemporaryDirectory(prefix="cagehand-backup-") as scratch:
        folder = pathlib.Path(scratch)
        with stores.Server({"wal_level": "replica", "max_wal_senders": "4"}) as server:
            archive = server.folder / "archive"
            archive.mkdir()
            if server.user:
                shutil.chown(archive, "postgres", "postgres")
            server.restart(archive_mode="on", archive_command=f"test ! -f {archive}/%f && cp %p {archive}/%f")
            stores.set_up(server, None if told.sql else program)
            server.psql("CREATE ROLE cage1 LOGIN PASSWORD 'not asked for'; GRANT cagehand_cage TO cage1", user=stores.OWNER)
            fill.fill(server, told.reps, 0.2, stores.real_journal(program, folder, told.journal))
            dumped(server, None if told.sql else program)
            copied(server, archive)
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
