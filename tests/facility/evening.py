"""How many reps a second the store takes from forty cages at once, and whether it falls behind.

    python3 -m venv target/facility-venv
    target/facility-venv/bin/pip install -r tests/facility/requirements.txt
    target/facility-venv/bin/python tests/facility/evening.py PROGRAM [--cages 40] [--secs 30] [--sql]

Each cage has a login, a journal and a connection of its own, and says what src/daemon/facility_link.rs says, in the same order and batches, with
a round trip to prepare each statement and one to run it, as the program's driver does. Rows and landmarks are those of the bundled recording,
which PROGRAM replays. Four parts:

    after an hour     every cage was away for an hour and has 300 reps to send, all at once
    one by one        each rep in a batch of its own, as fast as they are taken: what a commit costs
    live              a rep each 12 s a cage, looked for every 3 s, both so many times faster than life; the factor doubles until it falls behind
    with deletions    after an hour again, while an office deletes a hitter three times a second: nothing of them may be left
    bad network       300 ms there and back, and each connection cut every few seconds

After each part the store must hold every rep once, with its measures and landmarks; else this ends with 1. Cages and server share the
machine: what the server's processes used by themselves is told beside.
"""

import argparse
import asyncio
import datetime
import json
import pathlib
import random
import shutil
import statistics
import struct
import sys
import tempfile
import threading
import time

import psycopg
import server as stores
from fill import stamp, uid

LOCAL = {"id", "rev", "hitter", "session", "plan", "rep"}
MOST_ROWS, FULL_BYTES = 200, 1 << 20
A_SESSION = 50
REPS_AN_HOUR = 300
LOOK_SECS, TELL_SECS = 3, 30
HELLO = "SELECT received, mark::text FROM hello($1::text::uuid, $2, $3::text::jsonb)"
CHANGES = "SELECT number, mark::text, what, uid::text, content::text FROM changes_for($1::text::uuid, $2, $3::text::uuid, $4)"
RECEIVE = "SELECT receive($1::text::uuid, $2::text::uuid, $3, $4::text::jsonb, $5::text[]::uuid[], $6, $7, $8, $9)::text[]"
WATCHED = "SELECT is_watched($1::text::uuid)"
OIDS = {"text[]": 25, "float8[]": 701, "int8[]": 20, "bytea[]": 17}


def array(kind, values):
    """An array in the server's binary form."""
    packed = b"".join(struct.pack(">i", len(value)) + value for value in values)
    head = struct.pack(">iii", 1, 0, OIDS[kind]) + struct.pack(">ii", len(values), 1) if values else struct.pack(">iii", 0, 0, OIDS[kind])
    return head + packed


class Model:
    """Rows as a cage sends them, with marks where each one has its own values."""

    def __init__(self, real):
        def columns(table):
            return [row[1] for row in real.execute(f"PRAGMA table_info({table})") if row[1] not in LOCAL]

        def rows(table, which, *values):
            names = columns(table)
            return [dict(zip(names, row)) for row in real.execute(f"SELECT {', '.join(names)} FROM {table} {which}", values)]

        own = {"uid": "@uid", "logged_at": "@at", "session_uid": "@session", "number": "@number"}
        self.reps, self.blobs = [], []
        for (rep,) in real.execute("SELECT id FROM reps ORDER BY id").fetchall():
            row = rows("reps", "WHERE id = ?", rep)[0] | own | {"edits": 0, "edited_in": None}
            row |= {"measures": rows("measures", "WHERE rep = ?", rep), "found_events": None, "found_measures": []}
            self.reps.append(json.dumps(row).replace('"@number"', "@number"))
            self.measures = len(row["measures"])
            self.blobs.append(real.execute("SELECT start_secs, width_px, height_px, landmarks FROM timelines WHERE rep = ?", [rep]).fetchone())
        session = rows("sessions", "LIMIT 1")[0] | {"uid": "@uid", "started_at": "@at", "ended_at": None, "hitter_uid": "@hitter", "plan_uid": None, "edits": 0, "edited_in": None}
        self.session = json.dumps(session)
        self.hitter = json.dumps({"name": "@name", "bats": "right", "height_cm": 170.0, "created_at": "@at", "frozen_at": None, "uid": "@uid", "edits": 0, "edited_in": None, "freezes": 0})


class Cage(threading.Thread):
    def __init__(self, number, model, at, behind=0):
        super().__init__(daemon=True)
        self.number, self.model, self.at = number, model, at
        self.dice = random.Random(f"{number} {at}")
        self.journal = uid(int(at.timestamp() * 1000), number, self.dice)
        # Rows in the order of their changes: the table, the text, and a rep's landmarks.
        self.rows, self.logged = [], 0
        self.sent, self.sent_to, self.pulled = {}, 0, (0, None)
        self.took, self.polls, self.cuts, self.left = [], [], 0, None
        self.connection = None
        for _ in range(behind):
            self.log()

    def new_uid(self):
        return uid(int(self.at.timestamp() * 1000), self.number << 6 | self.logged & 63, self.dice)

    def log(self):
        """A rep, and now and then a session and a new hitter before it."""
        at, model = stamp(self.at), self.model
        if self.logged % (2 * A_SESSION) == 0:
            self.hitter = self.new_uid()
            self.rows.append(("hitters", model.hitter.replace("@name", f"hitter {self.hitter}").replace("@at", at).replace("@uid", self.hitter), None))
        if self.logged % A_SESSION == 0:
            self.session = self.new_uid()
            self.rows.append(("sessions", model.session.replace("@uid", self.session).replace("@at", at).replace("@hitter", self.hitter), None))
        self.at += datetime.timedelta(seconds=3600 / REPS_AN_HOUR)
        self.logged += 1
        rep, which = self.new_uid(), self.logged % len(model.reps)
        text = model.reps[which].replace("@uid", rep).replace("@at", stamp(self.at)).replace("@session", self.session).replace("@number", str((self.logged - 1) % A_SESSION + 1))
        self.rows.append(("reps", text, (rep, model.blobs[which])))

    def ask(self, text, values, formats):
        connection = self.connection.pgconn
        for result in (connection.prepare(b"", text.encode()), connection.exec_prepared(b"", values, formats)):
            if result.status not in (psycopg.pq.ExecStatus.COMMAND_OK, psycopg.pq.ExecStatus.TUPLES_OK):
                words = result.error_message.decode() or connection.error_message.decode()
                # The way to the store broke; anything else is a fault of the store.
                if connection.status != psycopg.pq.ConnStatus.OK:
                    raise psycopg.OperationalError(words)
                raise RuntimeError(words)
        return [[result.get_value(row, column) for column in range(result.nfields)] for row in range(result.ntuples)]

    def connect(self, folder):
        self.connection = psycopg.connect(host=folder, user=f"cage{self.number}", dbname=stores.DATABASE, autocommit=True, options="-c statement_timeout=120s -c timezone=UTC")
        received, mark = self.hello()
        known = self.sent.get(mark.replace(b"-", b"").decode()) if mark else None
        self.sent_to = known if known is not None and known == int(received) else 0

    def hello(self):
        state = json.dumps({"version": "made", "reps_behind": len(self.rows) - self.sent_to, "fps": 60.0})
        return self.ask(HELLO, [self.journal.encode(), f"Cage {self.number}".encode(), state.encode()], [0, 0, 0])[0]

    def pull(self):
        while True:
            number, mark = self.pulled
            began = time.monotonic()
            changes = self.ask(CHANGES, [self.journal.encode(), str(number).encode(), mark, b"100"], [0, 0, 0, 0])
            self.polls.append(time.monotonic() - began)
            if not changes:
                return
            self.pulled = (int(changes[-1][0]), changes[-1][1])

    def push(self, one_by_one=False):
        while self.sent_to < len(self.rows):
            tables, timelines, held, rev = {}, [], 0, self.sent_to
            for table, text, landmarks in self.rows[rev : rev + MOST_ROWS]:
                rev += 1
                tables.setdefault(table, []).append(text)
                if landmarks:
                    timelines.append(landmarks)
                    held += len(landmarks[1][3])
                if held >= FULL_BYTES or (one_by_one and landmarks):
                    break
            batch = "{" + ", ".join(f'"{table}": [{", ".join(texts)}]' for table, texts in tables.items()) + "}"
            mark = f"{self.dice.getrandbits(128):032x}"
            self.sent[mark] = rev
            blobs = [blob for _, blob in timelines]
            values = [
                self.journal.encode(), mark.encode(), str(rev).encode(), batch.encode(), array("text[]", [rep.encode() for rep, _ in timelines]),
                array("float8[]", [struct.pack(">d", blob[0]) for blob in blobs]), array("int8[]", [struct.pack(">q", blob[1]) for blob in blobs]),
                array("int8[]", [struct.pack(">q", blob[2]) for blob in blobs]), array("bytea[]", [blob[3] for blob in blobs]),
            ]  # fmt: skip
            began = time.monotonic()
            taken = self.ask(RECEIVE, values, [0, 0, 0, 0, 1, 1, 1, 1, 1])
            self.took.append((time.monotonic() - began, len(timelines)))
            if taken != [[b"{}"]]:
                raise RuntimeError(f"rows whose number another row has: {taken}")
            self.sent_to = rev
            if one_by_one and time.monotonic() > self.until:
                return

    def begin(self, folder, until, pace=None, one_by_one=False):
        """Until the moment, or without a pace until all is sent; a rep and a look so often as life has them, times `pace`."""
        self.folder, self.until, self.pace, self.one_by_one, self.trouble = folder, until, pace, one_by_one, None
        self.start()

    def run(self):
        try:
            while not self.carry():
                self.cuts += 1
                time.sleep(self.dice.uniform(0.2, 1))
        except Exception as trouble:
            self.trouble = trouble
        if self.connection:
            self.connection.close()

    def carry(self):
        """Whether it came to its end, and was not cut off."""
        try:
            self.connect(self.folder)
            told = time.monotonic()
            next_rep = next_look = told + self.dice.uniform(0, LOOK_SECS / (self.pace or 1))
            while True:
                now = time.monotonic()
                # What fell due while a batch was on its way waited meanwhile.
                while self.pace and next_rep <= min(now, self.until):
                    self.log()
                    next_rep += 3600 / REPS_AN_HOUR / self.pace
                if not self.pace or now >= self.until:
                    self.left = len(self.rows) - self.sent_to if self.left is None else self.left
                    if self.sent_to == len(self.rows) or (self.one_by_one and now > self.until):
                        return True
                self.pull()
                self.push(self.one_by_one)
                self.ask(WATCHED, [self.journal.encode()], [0])
                if now - told > TELL_SECS / (self.pace or 1):
                    self.hello()
                    told = now
                if self.pace:
                    next_look = max(next_look + LOOK_SECS / self.pace, time.monotonic())
                    time.sleep(max(0, next_look - time.monotonic()))
        except psycopg.OperationalError:
            return False


class BadNetwork(threading.Thread):
    """A socket before the store's, through which everything comes later, and which breaks."""

    def __init__(self, server, one_way_secs, cut_every_secs):
        super().__init__(daemon=True)
        self.folder = tempfile.mkdtemp(prefix="cagehand-net-")
        self.to, self.wait, self.cut = str(server.folder / ".s.PGSQL.5432"), one_way_secs, cut_every_secs
        self.dice, self.cuts, self.is_up = random.Random(5), 0, threading.Event()
        self.start()
        self.is_up.wait(10)

    def run(self):
        asyncio.run(self.serve())

    async def serve(self):
        socket_ = await asyncio.start_unix_server(self.pass_on, f"{self.folder}/.s.PGSQL.5432", limit=1 << 22)
        self.is_up.set()
        await socket_.serve_forever()

    async def pass_on(self, near, out):
        try:
            far, to_far = await asyncio.open_unix_connection(self.to, limit=1 << 22)
        except OSError:
            out.close()
            return
        ways = [asyncio.create_task(self.one_way(near, to_far)), asyncio.create_task(self.one_way(far, out))]
        done, _ = await asyncio.wait(ways, timeout=self.dice.expovariate(1 / self.cut), return_when=asyncio.FIRST_COMPLETED)
        self.cuts += not done
        for way in ways:
            way.cancel()
        for writer in (out, to_far):
            writer.transport.abort()

    async def one_way(self, reader, writer):
        due = asyncio.Queue()

        async def late():
            while True:
                at, part = await due.get()
                await asyncio.sleep(at - time.monotonic())
                if not part:
                    writer.close()
                    return
                writer.write(part)
                await writer.drain()

        sending = asyncio.create_task(late())
        try:
            while True:
                part = await reader.read(1 << 16)
                await due.put((time.monotonic() + self.wait, part))
                if not part:
                    await sending
                    return
        except ConnectionError:
            pass
        finally:
            sending.cancel()


def held(server):
    return [int(count) for count in server.rows(
        """SELECT (SELECT count(*) FROM reps), (SELECT count(DISTINCT uid) FROM reps), (SELECT count(*) FROM measures), (SELECT count(*) FROM timelines),
                  (SELECT count(*) FROM sessions), (SELECT count(*) FROM hitters)""")[0]]  # fmt: skip


def written(server):
    return int(server.value("SELECT pg_current_wal_insert_lsn() - '0/0'::pg_lsn"))


def part(server, name, cages, folder=None, until=0.0, **how):
    """Runs the cages; prints what it took, and gives whether the store has what it should, and how far behind it was."""
    before, cpu, log = held(server), stores.cpu_secs(server), written(server)
    began = time.monotonic()
    for cage in cages:
        cage.begin(str(folder or server.folder), began + until, **how)
    for cage in cages:
        cage.join()
    secs = time.monotonic() - began
    sent = sum(cage.logged - sum(table == "reps" for table, *_ in cage.rows[cage.sent_to :]) for cage in cages)
    now = [after - count for after, count in zip(held(server), before)]
    model = cages[0].model
    tables = [sum(table == wanted for cage in cages for table, *_ in cage.rows[: cage.sent_to]) for wanted in ("sessions", "hitters")]
    wanted = [sent, sent, sent * model.measures, sent, *tables]
    took = sorted(secs for cage in cages for secs, _ in cage.took)
    polls = sorted(secs for cage in cages for secs in cage.polls)
    batches = max(1, len(took))
    cpu, log = stores.cpu_secs(server) - cpu, written(server) - log
    print(
        f"| {name} | {len(cages)} | {sent} | {sent / secs:.0f} | {sent / batches:.1f} | {1e3 * statistics.median(took):.0f} | {1e3 * took[int(0.95 * len(took))]:.0f} | {1e3 * took[-1]:.0f} | "
        f"{1e3 * statistics.median(polls):.1f} | {1e3 * polls[int(0.95 * len(polls))]:.0f} | {1e3 * cpu / sent:.1f} | {100 * cpu / secs:.0f} % | {log / sent / 1e3:.0f} | "
        f"{sum(cage.cuts for cage in cages)} |", flush=True)  # fmt: skip
    troubles = {str(cage.trouble) for cage in cages if cage.trouble}
    if now != wanted or troubles:
        print(f"FAIL  {name}: the store got {now}, and should have {wanted}; {troubles or ''}")
    return now == wanted and not troubles


class Deleting(threading.Thread):
    """An office that deletes hitters who hit just now, as src/journal/store/office.rs does."""

    def __init__(self, server):
        super().__init__(daemon=True)
        self.connection = psycopg.connect(host=str(server.folder), user=stores.OFFICE, dbname=stores.DATABASE)
        self.gone, self.is_over = 0, threading.Event()
        self.start()

    def run(self):
        while not self.is_over.wait(0.3):
            with self.connection.transaction():
                self.connection.execute("SELECT hold_changes()")
                # Of the newest sessions, whose reps are on their way.
                self.gone += self.connection.execute("DELETE FROM hitters WHERE id = (SELECT hitter FROM sessions WHERE id % 7 = 0 ORDER BY id DESC LIMIT 1)").rowcount

    def end(self):
        self.is_over.set()
        self.join()


def with_deletions(server, cages):
    """Whether anything is left of who was deleted."""
    office, began = Deleting(server), time.monotonic()
    for cage in cages:
        cage.begin(str(server.folder), began)
    for cage in cages:
        cage.join()
    office.end()
    left = server.rows(
        """SELECT (SELECT count(*) FROM sessions s JOIN deleted d ON row_id(d.uid) = s.hitter OR d.uid = s.uid),
                  (SELECT count(*) FROM reps r WHERE NOT EXISTS (SELECT 1 FROM sessions s WHERE s.id = r.session)),
                  (SELECT count(*) FROM packed_measures m WHERE NOT EXISTS (SELECT 1 FROM reps r WHERE r.id = m.rep)),
                  (SELECT count(*) FROM timelines t WHERE NOT EXISTS (SELECT 1 FROM reps r WHERE r.id = t.rep))""")[0]  # fmt: skip
    troubles = {str(cage.trouble) for cage in cages if cage.trouble}
    good = office.gone > 0 and left == ["0"] * 4 and not troubles
    print(f"{'PASS' if good else 'FAIL'}  with deletions: {office.gone} hitters in {time.monotonic() - began:.0f} s; sessions, reps, measures and landmarks left of them: {', '.join(left)} {troubles or ''}", flush=True)
    return good


def waiting(cages):
    """The share of the reps that still waited when the last was logged."""
    return sum(cage.left or 0 for cage in cages) / max(1, sum(cage.logged for cage in cages))


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--cages", type=int, default=40)
    parser.add_argument("--secs", type=float, default=30, help="how long each part with a pace lasts")
    parser.add_argument("--pace", type=int, default=8, help="how many times faster than life the live part begins")
    parser.add_argument("--under", type=pathlib.Path, help="where the server's folder is made")
    parser.add_argument("--journal", type=pathlib.Path, help="a journal that PROGRAM made of the recording, instead of making one")
    parser.add_argument("--sql", action="store_true", help="take the tables from the sources")
    parser.add_argument("--statements", action="store_true", help="tell which statements took most of the server's time")
    parser.add_argument("--only", help="run the parts whose name begins so")
    told = parser.parse_args()
    program = told.program.resolve()
    settings = {"max_connections": 100, "max_wal_size": "4GB"}
    if told.statements:
        settings |= {"shared_preload_libraries": "pg_stat_statements", "pg_stat_statements.track": "all"}
    now = datetime.datetime.now(datetime.timezone.utc)
    good = True
    with tempfile.TemporaryDirectory(prefix="cagehand-evening-") as scratch, stores.Server(settings, told.under) as server:
        model = Model(stores.real_journal(program, pathlib.Path(scratch), told.journal))
        stores.set_up(server, None if told.sql else program)
        for number in range(1, told.cages + 1):
            server.psql(f"CREATE ROLE cage{number} LOGIN; GRANT cagehand_cage TO cage{number}", user=stores.OWNER)
        if told.statements:
            server.psql("CREATE EXTENSION pg_stat_statements")
        print(f"{stores.machine()}; {told.cages} cages, {REPS_AN_HOUR} reps an hour each are {told.cages * REPS_AN_HOUR / 3600:.1f} a second")
        print("\n| | cages | reps | reps a second | reps a batch | receive, ms: median | 95 % | largest | changes_for, ms: median | 95 % | server's processor, ms a rep | of it in use | log, kB a rep | cuts |")
        print("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|")
        parts = 0

        def cages(**how):
            nonlocal parts
            parts += 1
            return [Cage(number, model, now - datetime.timedelta(days=10 * parts), **how) for number in range(1, told.cages + 1)]

        def wanted(name):
            return not told.only or name.startswith(told.only)

        if wanted("after an hour"):
            good &= part(server, "after an hour", cages(behind=REPS_AN_HOUR))
        if wanted("one by one"):
            good &= part(server, "one by one", cages(behind=REPS_AN_HOUR), until=told.secs, one_by_one=True)
        pace = told.pace
        while wanted("live"):
            them = cages()
            good &= part(server, f"live, {pace} times as fast", them, until=told.secs, pace=pace)
            if waiting(them) > 0.05:
                print(f"at {pace} times life's pace it falls behind: {100 * waiting(them):.0f} % of the reps still waited at the end")
                break
            pace *= 2
        if wanted("with deletions"):
            good &= with_deletions(server, cages(behind=REPS_AN_HOUR))
        if wanted("bad network"):
            network = BadNetwork(server, 0.15, 8)
            good &= part(server, "bad network, after 20 minutes", cages(behind=REPS_AN_HOUR // 3), folder=network.folder)
            good &= part(server, "bad network, live", cages(), folder=network.folder, until=2 * told.secs, pace=1)
            shutil.rmtree(network.folder)
        if told.statements:
            for calls, total, rows, text in server.rows(
                """SELECT sum(calls), round(sum(total_exec_time)), sum(rows), left(regexp_replace(query, '[|\\s]+', ' ', 'g'), 150) AS text
                   FROM pg_stat_statements GROUP BY 4 ORDER BY 2 DESC LIMIT 30"""):  # fmt: skip
                print(f"statement  {total} ms in all, {float(total) / int(calls):.3f} ms each, {calls} times, {rows} rows: {text}")
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
