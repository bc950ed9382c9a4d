"""Whether a store and its cages' journals have the same, once and whole.

Imported by the checks beside it. Reads the files and the tables, not what the program says of them. Standard library only.
"""

import collections
import datetime
import functools
import hashlib
import json
import sqlite3
import time

import cages as them

# Columns that mean something in one place only.
LOCAL = {"id", "rev", "hitter", "session", "plan", "rep", "journal"}
OWNERS = {"plans": ["hitter"], "consents": ["hitter"], "sessions": ["hitter", "plan"], "reps": ["session"], "notes": ["session", "rep"], "corrections": ["rep"]}
# What says so is a number whose last digit was lost on the way: told for itself, so that it hides nothing else.
ROUNDED = "not exactly, "
TABLES = ("hitters", "plans", "consents", "sessions", "reps", "notes", "corrections")
OWN = ("sessions", "reps", "notes", "corrections")
BELONGING = ("measures", "found_events", "found_measures")


def plain(name, value):
    """A value as both sides have it: uids without hyphens, times as milliseconds, whole numbers as such."""
    if isinstance(value, str) and name in ("uid", "edited_in", "journal", "merged_into"):
        return value.replace("-", "")
    if isinstance(value, str) and name.endswith("_at"):
        return round(datetime.datetime.fromisoformat(value.replace("Z", "+00:00")).timestamp() * 1000)
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


class Side:
    """All rows of a store or a journal under their uids, with uids in place of row numbers."""

    def __init__(self, read):
        self.tables, self.belonging, self.refused, self.twice = {}, {}, set(), []
        numbers = {}
        for table in TABLES:
            rows, numbers[table] = {}, {}
            for row in read(table):
                uid = plain("uid", row["uid"])
                if uid in rows:
                    self.twice.append(f"{table} {uid}")
                numbers[table][row["id"]] = uid
                told = {name: plain(name, value) for name, value in row.items() if name not in LOCAL}
                for owner in OWNERS.get(table, []):
                    place = row.get(owner)
                    told[f"{owner}_uid"] = numbers[owner + "s"].get(place, f"number {place}") if place is not None else None
                told["journal"] = plain("journal", row.get("journal"))
                rows[uid] = told
            self.tables[table] = rows
        for table in BELONGING:
            rows = collections.defaultdict(dict)
            for row in read(table):
                rep = numbers["reps"].get(row["rep"])
                if rep is None:
                    self.twice.append(f"{table} of rep {row['rep']}, which is not there")
                rows[rep][row.get("name")] = {name: plain(name, value) for name, value in row.items() if name != "rep"}
            self.belonging[table] = rows
        self.timelines = {numbers["reps"].get(rep, rep): rest for rep, *rest in read("timelines")}
        self.deleted = {plain("uid", row["uid"]): row["what"] for row in read("deleted")}
        self.merged = {plain("uid", row["uid"]): plain("merged_into", row["merged_into"]) for row in read("deleted") if row["merged_into"]}

    def newest(self, table, key):
        """The rows of the greatest turn, by hitter or by hitter and purpose."""
        turns = collections.defaultdict(list)
        for uid, row in self.tables[table].items():
            turns[tuple(row[name] for name in key)].append((row["turn"], uid))
        return {whose: {uid for turn, uid in found if turn == max(found)[0]} for whose, found in turns.items()}

    def refusing(self):
        """Hitters who refuse landmarks: of decisions of one turn, one that does not allow it."""
        turns = self.newest("consents", ("hitter_uid", "purpose"))
        decisions = self.tables["consents"]
        return {whose for (whose, purpose), uids in turns.items() if purpose == "landmarks" and any(decisions[uid]["decision"] != "given" for uid in uids)}

    @functools.cache
    def ever_refusing(self):
        return {row["hitter_uid"] for row in self.tables["consents"].values() if row["purpose"] == "landmarks" and row["decision"] != "given"}


def of_store(server):
    def read(table):
        if table == "timelines":
            return [(int(rep), float(start), int(width), int(height), md5) for rep, start, width, height, md5 in server.rows(
                "SELECT rep, start_secs, width_px, height_px, md5(landmarks) FROM timelines")]  # fmt: skip
        return [json.loads(line) for line in server.psql(f"SELECT to_json(t) FROM {table} t").splitlines()]

    return Side(read)


def of_journal(path):
    journal = sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=30)
    journal.row_factory = sqlite3.Row
    try:
        # All tables as they are at one moment.
        journal.execute("BEGIN")

        def read(table):
            if table == "timelines":
                return [(row["rep"], row["start_secs"], row["width_px"], row["height_px"], hashlib.md5(row["landmarks"]).hexdigest()) for row in journal.execute("SELECT * FROM timelines")]
            return [dict(row) for row in journal.execute(f"SELECT * FROM {table}")]

        side = Side(read)
        side.name, side.journal = path.stem, journal.execute("SELECT journal FROM facility").fetchone()[0]
        return side
    finally:
        journal.close()


def is_rounded(here, there):
    """Whether numbers differ in their last digit alone."""
    if isinstance(here, dict) and isinstance(there, dict):
        return here.keys() == there.keys() and all(is_rounded(value, there[name]) for name, value in here.items())
    if isinstance(here, float) and isinstance(there, float):
        return abs(here - there) <= 1e-14 * max(abs(here), abs(there))
    return here == there


def unlike(table, uid, here, there):
    columns = sorted(name for name in here if name != "journal" and here[name] != there.get(name))
    rounded = ROUNDED if all(is_rounded(here[name], there.get(name)) for name in columns) else ""
    return [f"{rounded}{table} {uid}: {', '.join(f'{name} is {here[name]!r}, in the store {there.get(name)!r}' for name in columns)}"] if columns else []


def differences(server, paths, alone=frozenset()):
    """What is not the same, in words. `alone` are sessions and notes that no journal has any more."""
    store = of_store(server)
    sides = [of_journal(path) for path in paths]
    wrong = [f"twice or of nothing in the store: {what}" for what in store.twice]
    shares = server.rows("SELECT (SELECT count(*) FROM reps), (SELECT count(DISTINCT uid) FROM reps), (SELECT count(*) FROM (SELECT DISTINCT session, number FROM reps) AS n)")[0]
    if len(set(shares)) != 1:
        wrong.append(f"reps in the store, their uids, their places: {shares}")
    refusing = store.refusing()
    for side in sides:
        wrong += [f"{side.name}: {what}" for what in side.twice + compared(side, store, refusing)]
    here = {uid: side.name for side in sides for table in OWN for uid in side.tables[table]}
    for table in OWN:
        for uid, row in store.tables[table].items():
            session = row.get("session_uid") or (uid if table == "sessions" else store.tables["reps"].get(row["rep_uid"], {}).get("session_uid"))
            if uid not in here and not {uid, session} & alone:
                wrong.append(f"{table} {uid} is in the store alone")
    for uid, what in store.deleted.items():
        for side in [store, *sides]:
            if any(uid in rows for rows in side.tables.values()):
                wrong.append(f"{what} {uid} was deleted and is in {getattr(side, 'name', 'the store')}")
    orphans = [uid for uid, row in store.tables["reps"].items() if row["session_uid"] not in store.tables["sessions"]]
    wrong += [f"reps {uid} in the store has no session" for uid in orphans]
    return wrong


def compared(side, store, refusing):
    """A journal against the store."""
    wrong = []
    for table in OWN:
        for uid, row in side.tables[table].items():
            if uid not in store.tables[table]:
                wrong.append(f"{table} {uid} is not in the store")
            else:
                wrong += unlike(table, uid, row, store.tables[table][uid])
    for table in BELONGING:
        for uid in side.tables["reps"]:
            here, there = side.belonging[table].get(uid, {}), store.belonging[table].get(uid, {})
            if uid in store.tables["reps"] and here != there:
                wrong.append(f"{ROUNDED if is_rounded(here, there) else ''}{table} of rep {uid} differ")
    for uid, row in side.tables["reps"].items():
        hitter = side.tables["sessions"].get(row["session_uid"], {}).get("hitter_uid")
        for where, landmarks in ((side.name, side.timelines.get(uid)), ("the store", store.timelines.get(uid))):
            if hitter in refusing and landmarks:
                wrong.append(f"landmarks of rep {uid} are in {where}, and its hitter refuses them")
        # What a decision deleted that no longer holds, nothing brings back: a cage that was away then may have it still.
        if hitter not in store.ever_refusing() and side.timelines.get(uid) != store.timelines.get(uid):
            wrong.append(f"landmarks of rep {uid} differ: {side.timelines.get(uid)}, {store.timelines.get(uid)}")
    names = {row["name"] for row in side.tables["hitters"].values()}
    for uid in side.tables["hitters"].keys() ^ store.tables["hitters"].keys():
        # Of two of one name a cage keeps the one that it had, until somebody decides.
        if uid in store.tables["hitters"] and store.tables["hitters"][uid]["name"] in names:
            continue
        wrong.append(f"hitters {uid} is {'here' if uid in side.tables['hitters'] else 'in the store'} alone")
    for uid in side.tables["hitters"].keys() & store.tables["hitters"].keys():
        wrong += unlike("hitters", uid, side.tables["hitters"][uid], store.tables["hitters"][uid])
    for table, key in (("plans", ("hitter_uid",)), ("consents", ("hitter_uid", "purpose"))):
        here, there = side.newest(table, key), store.newest(table, key)
        for whose in here.keys() | there.keys():
            # Of a hitter whom this cage does not have it has nothing; that it does not is told above.
            if whose[0] not in {None, *side.tables["hitters"]}:
                continue
            if here.get(whose) != there.get(whose):
                wrong.append(f"newest {table} of {whose}: {here.get(whose)}, in the store {there.get(whose)}")
    for uid in side.deleted.keys() ^ store.deleted.keys():
        wrong.append(f"that {(side.deleted | store.deleted)[uid]} {uid} was deleted is known {'here' if uid in side.deleted else 'in the store'} alone")
    return wrong


def unsound(cage):
    """What SQLite and the program find wrong with a journal that nobody has open."""
    journal = sqlite3.connect(cage.journal)
    try:
        found = [row[0] for row in journal.execute("PRAGMA integrity_check")]
    finally:
        journal.close()
    wrong = [] if found == ["ok"] else [f"{cage.name}: {found[:3]}"]
    checked = cage.run("journal", "check")
    return wrong + ([f"{cage.name}: {checked.stdout[-300:]} {checked.stderr[-300:]}"] if checked.returncode else [])


def judged(what, wrong, says):
    """Two checks: of what is there, and of whether its numbers came through exactly."""
    rounded = [one for one in wrong if ROUNDED in one]
    others = [one for one in wrong if ROUNDED not in one]
    them.check(what, not others, them.few(others) or says)
    if rounded:
        them.check(f"{what}: numbers", False, f"{len(rounded)} rows have other last digits in a journal than in the store: {them.few(rounded[:2])}")


def when_quiet(facility, cages, secs=90, alone=frozenset(), before=()):
    """What differs once everything is up and nothing is said any more. Waits for that; a difference that stays is one."""
    them.until(60, lambda: facility.server.answers())
    for cage in cages:
        # A rep that is logged between the two looks would be a difference.
        if not cage.is_over() and cage.is_busy:
            cage.kill()
        if cage.is_over():
            cage.start(before=before)
    began = time.monotonic()
    wrong = ["nothing was compared"]
    while any(ROUNDED not in one for one in wrong) and time.monotonic() < began + secs:
        sent = them.until(30, lambda: all(cage.tail_is_sent(facility.server) for cage in cages), every=0.5)
        # A look each way.
        time.sleep(4)
        wrong = differences(facility.server, [cage.journal for cage in cages], alone)
        if not sent:
            wrong.append(f"not sent: {[cage.name for cage in cages if not cage.tail_is_sent(facility.server)]}")
    for cage in cages:
        cage.end()
        wrong += unsound(cage)
    return wrong
