"""A believable history of a facility, straight into a store.

    python3 tests/facility/fill.py PROGRAM URL --reps 1000000 [--landmarks all|none|SHARE]

URL is the store's, as its owner reaches it; the store must be empty. What a rep holds comes from the bundled recording, which PROGRAM
replays: its measures with their errors and bands, its landmarks byte by byte. Around that each hitter has habits of their own, and each
swing its scatter. A tenth of the hitters come three times a week, a third now and then, the rest once or twice; most in the evening and at
the weekend, and from January to June. Measures that need a pitch are there in a fifth of the sessions.

Rows of hitters, sessions, plans, decisions and notes are made here, reps and what belongs to them in the server. The triggers are on, so
that the list of changes is what an office's work would have left. Standard library and psql only.
"""

import argparse
import concurrent.futures
import datetime
import heapq
import pathlib
import random
import statistics
import subprocess
import tempfile

import server as stores

DAYS = 900
CAGES = 40
FIRST = "Ana Ben Cho Dee Eli Fay Gus Hal Ida Jon Kim Lea Max Noa Ole Pia Quy Ray Sam Tia Uma Vic Wes Xan Yui Zoe".split()
LAST = "Abel Brandt Cruz Dorsey Engel Flores Grant Hayes Irwin Joyce Kern Lopez Meyer Nolan Ortiz Pratt Quinn Reyes Stone Tran".split()
PLAN = 'name = "head still"\nfocus = ["head_to_plant_cm", "head_between_feet_pct"]\n'
NOTES = ["Stays on the back leg longer now.", "Head still up to foot down; keep it.", "Shorter stride, ask again next week.", "Hands late today, tired."]
WHY_STRUCK = ["practice swing", "someone walked through the picture", "bat slipped"]
# By month and by weekday, how full the place is; by hour of a weekday and of the weekend.
MONTHS = [1.5, 1.7, 2.0, 2.0, 1.8, 1.4, 0.7, 0.5, 0.6, 0.6, 0.6, 0.7]
WEEK = [1.0, 1.0, 1.0, 1.0, 0.8, 1.7, 1.5]
SECS_A_REP = 12
REPS_AT_A_TIME = 20_000


def uid(milliseconds, count, dice):
    """A UUID of version 7, whose time is the row's own."""
    rest = dice.getrandbits(62)
    return f"{milliseconds:012x}7{count & 4095:03x}{0x8000000000000000 | rest:016x}"


def row_id(of):
    """As the store's function of that name."""
    return (int(of[:12], 16) - 1577836800000) * 4096 + int(of[13:16], 16)


def stamp(at):
    return at.strftime("%Y-%m-%dT%H:%M:%S.") + f"{at.microsecond // 1000:03d}Z"


def ms(at):
    return int(at.timestamp() * 1000)


class History:
    """Who came when."""

    def __init__(self, reps, now, dice):
        self.dice = dice
        self.count = 0
        self.begin = now - datetime.timedelta(days=DAYS)
        days = [self.begin + datetime.timedelta(days=day) for day in range(DAYS)]
        self.full = [MONTHS[day.month - 1] * WEEK[day.weekday()] for day in days]
        self.hitters, self.sessions = [], []
        asked = reps // 50
        while len(self.sessions) < asked:
            self.add_hitter()
        del self.sessions[asked:]
        self.sessions.sort(key=lambda session: session["at"])
        self.put_into_cages()
        # As many reps as were asked for, no session longer than it was.
        left = reps - sum(session["reps"] for session in self.sessions)
        while left:
            session = dice.choice(self.sessions)
            step = 1 if left > 0 else -1
            if 20 <= session["reps"] + step <= 80:
                session["reps"] += step
                left -= step

    def new_uid(self, at):
        self.count += 1
        return uid(ms(at), self.count, self.dice)

    def add_hitter(self):
        dice = self.dice
        kind = dice.choices(["regular", "now and then", "once"], [10, 35, 55])[0]
        first = dice.choices(range(DAYS), self.full)[0]
        span = {"regular": dice.randrange(120, DAYS), "now and then": dice.randrange(60, DAYS), "once": 1}[kind]
        last = min(DAYS, first + span)
        times = {"regular": (last - first) * 3 / 7, "now and then": (last - first) / 15, "once": dice.randint(1, 2)}[kind]
        # Numbers are made of the millisecond: thousands begin on one day.
        at = self.begin + datetime.timedelta(days=first, seconds=-dice.uniform(0, 3600))
        hitter = {"uid": self.new_uid(at), "at": at, "kind": kind, "name": None}
        hitter["name"] = f"{dice.choice(FIRST)} {dice.choice(LAST)} {len(self.hitters) + 1}" if dice.random() < 0.95 else None
        self.hitters.append(hitter)
        for _ in range(max(1, round(times))):
            day = dice.choices(range(first, last), self.full[first:last])[0] if last - first > 1 else first
            date = self.begin + datetime.timedelta(days=day)
            hours = (9, 20) if date.weekday() > 4 else (15, 21)
            at = date.replace(hour=0, minute=0, second=0, microsecond=0) + datetime.timedelta(seconds=dice.uniform(hours[0] * 3600, hours[1] * 3600))
            self.sessions.append({"hitter": hitter, "at": at, "reps": max(20, min(80, round(dice.gauss(50, 14))))})

    def put_into_cages(self):
        """One after the other in each cage; whoever finds none free waits."""
        free = [(self.begin, cage) for cage in range(CAGES)]
        heapq.heapify(free)
        for session in self.sessions:
            at, cage = heapq.heappop(free)
            session["cage"] = cage
            session["at"] = max(at, session["at"])
            session["end"] = session["at"] + datetime.timedelta(seconds=SECS_A_REP * session["reps"] + 60)
            session["uid"] = self.new_uid(session["at"])
            heapq.heappush(free, (session["end"], cage))


def fill_rows(store, history, real, now):
    """Everything but reps."""
    dice = history.dice
    settings, source, version = real.execute("SELECT settings, source, program_version FROM sessions LIMIT 1").fetchone()
    journals = [uid(ms(history.begin), cage, dice) for cage in range(CAGES)]
    state = '{"version": "made", "fps": 60.0, "ready": "away", "reps_behind": 0}'
    store.copy("journals", ["uid", "cage", "login", "received", "state"], [(journal, f"Cage {n + 1}", f"cage{n + 1}", 1, state) for n, journal in enumerate(journals)])
    store.copy("hitters", ["uid", "name", "bats", "height_cm", "created_at"], [
        (one["uid"], one["name"], dice.choice(["left", "right", "right"]), round(dice.gauss(172, 14)), stamp(one["at"])) for one in history.hitters])  # fmt: skip
    plans = {}
    for one in history.hitters:
        if one["kind"] != "once" and dice.random() < 0.7:
            plans[one["uid"]] = [(history.new_uid(one["at"] + datetime.timedelta(days=30 * turn)), turn + 1) for turn in range(dice.randint(1, 3))]
    store.copy("plans", ["uid", "hitter", "name", "text", "made_at", "made_by", "turn"], [
        (plan, row_id(whose), "head still", PLAN, stamp(now), "coach", turn) for whose, theirs in plans.items() for plan, turn in theirs])  # fmt: skip
    # Nobody refuses landmarks here: how many there are is told to this program.
    store.copy("consents", ["uid", "hitter", "purpose", "decision", "decided_by", "decided_on", "recorded_by", "recorded_at", "turn"], [
        (history.new_uid(one["at"]), row_id(one["uid"]), purpose, dice.choice(["given", "given", "refused"]) if purpose != "landmarks" else "given",
         "mother, paper form", one["at"].date(), "coach", stamp(one["at"]), 1)
        for one in history.hitters for purpose in ("landmarks", "film")])  # fmt: skip
    store.copy("sessions", ["uid", "hitter", "started_at", "ended_at", "source", "settings", "program_version", "plan", "said_by", "journal"], [
        (one["uid"], row_id(one["hitter"]["uid"]) if one["hitter"]["name"] or dice.random() < 0.5 else None, stamp(one["at"]), stamp(one["end"]), source, settings,
         version, row_id(plans[one["hitter"]["uid"]][-1][0]) if one["hitter"]["uid"] in plans else None, "page", journals[one["cage"]])
        for one in history.sessions])  # fmt: skip
    store.copy("notes", ["uid", "session", "text", "made_at", "made_by"], [
        (history.new_uid(one["end"]), row_id(one["uid"]), dice.choice(NOTES), stamp(one["end"]), "coach") for one in history.sessions if dice.random() < 0.2])  # fmt: skip


# What the server makes reps of: real ones, how each measure spreads, which habit each hitter has.
PREPARE = """
    DROP SCHEMA IF EXISTS filling CASCADE;
    CREATE SCHEMA filling;
    CREATE TABLE filling.reps (LIKE reps);
    ALTER TABLE filling.reps ALTER session DROP NOT NULL, ALTER uid DROP NOT NULL, ALTER logged_at DROP NOT NULL;
    CREATE TABLE filling.blobs (n int, start_secs float8, width_px bigint, height_px bigint, landmarks bytea);
    ALTER TABLE filling.blobs ALTER landmarks SET STORAGE EXTERNAL;
    CREATE TABLE filling.spread (name text, middle float8, plus_minus float8, low float8, high float8, missing float8, pitch boolean, why text, whole boolean);
    CREATE TABLE filling.sessions (part int, id bigint PRIMARY KEY, hitter bigint, at timestamptz, reps int, cage int, pitched boolean);
"""
# In the order of the places in a packed row.
HABITS = """
    SELECT measure_place(name) FROM filling.spread ORDER BY name;
    CREATE TABLE filling.habits AS
    SELECT h.id AS hitter, s.*, n.place, CASE WHEN whole THEN middle ELSE middle + 1.5 * plus_minus * (random() + random() + random() - 1.5) END AS habit
    FROM (SELECT DISTINCT coalesce(hitter, 0) AS id FROM filling.sessions) h, filling.spread s JOIN measure_names n USING (name) ORDER BY h.id, n.place;
    CREATE INDEX ON filling.habits (hitter, place);
    CREATE TABLE filling.bands AS SELECT array_agg(low ORDER BY place) AS low, array_agg(high ORDER BY place) AS high FROM filling.spread JOIN measure_names USING (name);
    ANALYZE filling.sessions, filling.habits, filling.bands, measure_names;
"""
# A rep's number is made of its cage and its place, so that no two have the same. Measures of one moment share how sure they are.
REPS = """
    CREATE TEMP TABLE made ON COMMIT DROP AS
    SELECT u.*, row_id(uid) AS id FROM (
        SELECT m.*, (lpad(to_hex((extract(epoch FROM logged_at) * 1000)::bigint), 12, '0') || '7' || lpad(to_hex(cage << 6 | (number & 63)), 3, '0')
            || '8' || substr(md5(session::text || number), 1, 15))::uuid AS uid
        FROM (SELECT s.id AS session, s.cage, s.pitched, coalesce(s.hitter, 0) AS hitter, n AS number, random() AS dice,
                     s.at + make_interval(secs => {secs} * n + random()) AS logged_at,
                     ARRAY[0.9 + 0.1 * random(), 0.9 + 0.1 * random(), 0.9 + 0.1 * random(), 0.9 + 0.1 * random(), 0.9 + 0.1 * random(), 0.9 + 0.1 * random()] AS sure
              FROM filling.sessions s, generate_series(1, s.reps) AS n WHERE s.part = {part}) m) u ORDER BY id;
    ANALYZE made;
    INSERT INTO reps (id, uid, session, number, logged_at, cue, no_cue, marked, struck_why, called, known_at_secs, {shifted}, {same})
    SELECT m.id, m.uid, m.session, m.number, date_trunc('milliseconds', m.logged_at), r.cue, CASE WHEN r.cue IS NULL THEN r.no_cue END, (dice < 0.01)::int,
           CASE WHEN dice > 0.992 THEN ({why})[1 + (dice * 1e6)::int % 3] END, CASE WHEN dice BETWEEN 0.5 AND 0.502 THEN 'take' END, known_at_secs + {secs} * m.number,
           {shifts}, {same}
    FROM made m JOIN filling.reps r ON r.number = 1 + (m.dice * 1e6)::int % {real} ORDER BY m.id;
    INSERT INTO packed_measures (rep, value, plus_minus, confidence, verdict, why, band_low, band_high)
    SELECT m.id, v.*, b.low, b.high FROM made m CROSS JOIN filling.bands b CROSS JOIN LATERAL (
        SELECT array_agg(value), array_agg(CASE WHEN value IS NOT NULL THEN plus_minus END), array_agg(CASE WHEN value IS NOT NULL THEN sure[1 + place % 6] END),
               array_agg((CASE WHEN value IS NULL OR (low IS NULL AND high IS NULL) THEN NULL WHEN value < low THEN 'l' WHEN value > high THEN 'h' ELSE 'i' END)::"char"),
               array_agg(CASE WHEN value IS NULL THEN why END)
        FROM (SELECT h.*, CASE WHEN CASE WHEN pitch THEN NOT pitched ELSE random() < missing END THEN NULL WHEN whole THEN habit
                          ELSE habit + 1.2 * h.plus_minus * (random() + random() + random() - 1.5) END AS value
              FROM filling.habits h WHERE h.hitter = m.hitter ORDER BY h.place) h) v;
    INSERT INTO timelines
    SELECT id, b.start_secs, width_px, height_px, landmarks FROM made JOIN filling.blobs b ON b.n = 1 + (dice * 1e6)::int % {real}
    WHERE {landmarks} > 0 AND ({landmarks} >= 1 OR id / 4096 % 1000 < 1000 * {landmarks}::float8) ORDER BY id;
    INSERT INTO found_events SELECT id, set_secs, gather_secs, lift_off_secs, plant_secs + 0.02, heel_rise_secs, contact_secs, finish_secs
    FROM made JOIN reps USING (id) WHERE dice BETWEEN 0.7 AND 0.702;
    INSERT INTO found_measures SELECT measures.* FROM made JOIN measures ON rep = id WHERE dice BETWEEN 0.7 AND 0.702;
    INSERT INTO corrections (uid, rep, what, was, became, made_at, made_by)
    SELECT (substr(uid::text, 1, 19) || substr(gen_random_uuid()::text, 20))::uuid, id, CASE WHEN dice > 0.992 THEN 'struck' WHEN dice < 0.6 THEN 'called' ELSE 'plant' END,
           NULL, 'made', logged_at + interval '1 day', 'coach'
    FROM made WHERE dice > 0.992 OR dice BETWEEN 0.5 AND 0.502 OR dice BETWEEN 0.7 AND 0.702;
"""
EVENTS = "set_secs gather_secs lift_off_secs plant_secs heel_rise_secs contact_secs finish_secs cue_at_secs".split()


def prepare(store, history, real):
    """What the server makes reps of."""
    dice = history.dice
    store.psql(PREPARE)
    columns = [row[1] for row in real.execute("PRAGMA table_info(reps)") if row[1] not in ("id", "session", "uid", "rev", "edits", "edited_in")]
    reps = real.execute(f"SELECT {', '.join(columns)} FROM reps ORDER BY id").fetchall()
    store.copy("filling.reps", columns + ["id", "edits"], [(*row, 0, 0) for row in reps])
    store.copy("filling.blobs", ["n", "start_secs", "width_px", "height_px", "landmarks"], [
        (n + 1, *row) for n, row in enumerate(real.execute("SELECT start_secs, width_px, height_px, landmarks FROM timelines ORDER BY rep"))])  # fmt: skip
    spread = []
    for (name,) in real.execute("SELECT DISTINCT name FROM measures"):
        rows = real.execute("SELECT value, plus_minus, band_low, band_high, why FROM measures WHERE name = ?", [name]).fetchall()
        values = [row[0] for row in rows if row[0] is not None]
        low, high = rows[0][2:4]
        why = next((row[4] for row in rows if row[4]), "not seen")
        pitch = "pitch was played" in why
        # What the recording does not show lies about the middle of its band.
        whole = name in ("sequence", "path_shape", "back_before_forward")
        middle = statistics.mode(values or [1]) if whole else statistics.mean(values or [end for end in (low, high) if end is not None] or [20])
        error = statistics.mean([row[1] for row in rows if row[1] is not None] or [abs(middle) / 8 + 1])
        spread.append((name, middle, error, low, high, 0.3 if len(values) < len(rows) else 0.02, pitch, why, whole))
    store.copy("filling.spread", ["name", "middle", "plus_minus", "low", "high", "missing", "pitch", "why", "whole"], spread)
    parts, held = 0, 0
    sessions = []
    for one in history.sessions:
        sessions.append((parts, row_id(one["uid"]), row_id(one["hitter"]["uid"]), stamp(one["at"]), one["reps"], one["cage"], dice.random() < 0.2))
        held += one["reps"]
        if held >= REPS_AT_A_TIME:
            parts, held = parts + 1, 0
    store.copy("filling.sessions", ["part", "id", "hitter", "at", "reps", "cage", "pitched"], sessions)
    store.psql(HABITS)
    return [column for column in columns if column not in ("number", "logged_at", "cue", "no_cue", "marked", "struck_why", "called", "known_at_secs")], len(reps), parts + 1


def fill(store, reps, landmarks, real, workers=2, seed=1):
    """Fills a store; gives the history. `store` has psql() and copy()."""
    now = datetime.datetime.now(datetime.timezone.utc)
    history = History(reps, now, random.Random(seed))
    fill_rows(store, history, real, now)
    same, count, parts = prepare(store, history, real)
    shifted = [column for column in EVENTS if column in same]
    texts = "ARRAY[" + ", ".join(f"'{why}'" for why in WHY_STRUCK) + "]"

    def make(part):
        store.psql("BEGIN;" + REPS.format(
            part=part, secs=SECS_A_REP, real=count, landmarks=landmarks, why=texts, shifted=", ".join(shifted),
            shifts=", ".join(f"{column} + {SECS_A_REP} * m.number" for column in shifted), same=", ".join(column for column in same if column not in shifted)) + "COMMIT;")  # fmt: skip

    with concurrent.futures.ThreadPoolExecutor(workers) as pool:
        list(pool.map(make, range(parts)))
    store.psql("DROP SCHEMA filling CASCADE")
    return history


class Given:
    """A store that somebody else runs."""

    def __init__(self, url):
        self.url = url

    def psql(self, text, content=None):
        given = ["-c", text] if content is not None else []
        done = subprocess.run(["psql", "-XAtq", "-v", "ON_ERROR_STOP=1", *given, self.url], input=text if content is None else content, capture_output=True, text=True)
        if done.returncode:
            raise SystemExit(done.stderr)
        return done.stdout

    copy = stores.Server.copy


def share(text):
    return {"all": 1.0, "none": 0.0}[text] if text in ("all", "none") else float(text)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("url")
    parser.add_argument("--reps", type=int, default=100_000)
    parser.add_argument("--landmarks", type=share, default=1.0, metavar="all|none|SHARE")
    parser.add_argument("--journal", type=pathlib.Path, help="a journal that PROGRAM made of the recording, instead of making one")
    told = parser.parse_args()
    store = Given(told.url)
    if store.psql("SELECT EXISTS (SELECT 1 FROM hitters) OR EXISTS (SELECT 1 FROM sessions)").strip() != "f":
        raise SystemExit("the store is not empty: made rows among real ones could not be told apart")
    with tempfile.TemporaryDirectory() as folder:
        real = stores.real_journal(told.program.resolve(), pathlib.Path(folder), told.journal)
        history = fill(store, told.reps, told.landmarks, real)
    print(f"{len(history.hitters)} hitters, {len(history.sessions)} sessions, {told.reps} reps")


if __name__ == "__main__":
    main()
