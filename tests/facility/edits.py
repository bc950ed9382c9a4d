"""People who edit while things fail, and what of that must hold afterward.

Imported by the checks beside it. Standard library only.
"""

import os

import cages as them
import judge

PLAN = 'name = "{}"\nfocus = ["head_to_plant_cm"]\n[cues]\nwhen = "faded"\n'


class Edits:
    """Edits by people, at the pages and by commands, and which of them were taken."""

    def __init__(self, facility, office, cages, dice):
        self.facility, self.office, self.cages, self.dice = facility, office, cages, dice
        # Of each: what it was about, what it became, whether it was taken.
        self.named, self.marked, self.noted, self.planned, self.decided, self.deleted = [], [], [], [], [], []
        self.taken = self.count = 0

    def hitters(self):
        """Names at the office, by row number; those that are kept for one purpose stay out."""
        rows = self.facility.server.rows("SELECT id, name FROM hitters WHERE name LIKE 'Hitter%' ORDER BY id")
        return [(int(number), name) for number, name in rows]

    def add_hitter(self, name):
        return self.office.at_page().post("/people", name=name)

    def one(self):
        """One edit, somewhere."""
        self.count += 1
        kinds = [self.rename] * 3 + [self.plan] * 3 + [self.mark] * 6 + [self.note] * 4 + [self.decide] * 2 + [self.delete_session] * 2 + [self.delete_hitter]
        try:
            kind = self.dice.choice(kinds)
            done = kind()
        except (RuntimeError, IndexError, OSError):
            # The server is down, or there is nobody yet whom it could be about.
            done = False
        self.taken += bool(done)
        if not done and os.environ.get("SAY_WHY"):
            print("      not taken:", kind.__name__, getattr(self.office.page, "said", ""), flush=True)
        return done

    def at(self):
        """The office or a cage that runs, whose journal then counts."""
        running = [cage for cage in self.cages if cage.page_now()]
        return self.dice.choice([None, None, *running])

    def rename(self):
        number, name = self.dice.choice(self.hitters())
        became = f"Hitter {name.split()[1]} {self.count}"
        taken = self.office.at_page().post(f"/people/{number}", what="rename", name=became)
        self.named.append((number, became, taken))
        return taken

    def plan(self):
        number, name = self.dice.choice(self.hitters())
        plan = f"Plan {self.count}"
        cage = self.at()
        page, here = self.place_of_hitter(cage, name, number)
        taken = page.post("/plans", hitter=here, text=PLAN.format(plan), what="put")
        self.planned.append((number, plan, taken))
        return taken

    def place_of_hitter(self, cage, name, number):
        page = cage and cage.page_now()
        here = page and cage.value("SELECT id FROM hitters WHERE name = ?", name)
        if here:
            return page, here
        return self.office.at_page(), number

    def decide(self):
        number, name = self.dice.choice(self.hitters())
        page, here = self.place_of_hitter(self.at(), name, number)
        by = f"Aunt {self.count}"
        decision = self.dice.choice(["given", "refused"])
        taken = page.post(f"/people/{here}/consents", purpose=self.dice.choice(["film", "picture"]), decision=decision, decided_by=by, decided_on="2026-11-02", sure="on")
        self.decided.append((number, by, taken))
        return taken

    def latest(self, table, count):
        """One of a cage's latest rows: its uid, and the page of the cage or of the office with the row's number there."""
        cage = self.dice.choice(self.cages)
        uid, here = self.dice.choice(cage.rows(f"SELECT uid, id FROM {table} ORDER BY id DESC LIMIT {count}"))
        page = self.dice.random() < 0.5 and cage.page_now()
        if page:
            return uid, page, here
        return uid, self.office.at_page(), self.facility.server.rows(f"SELECT id FROM {table} WHERE uid = '{uid}'")[0][0]

    def mark(self):
        """A rep, which nobody touched before."""
        uid, page, place = self.latest("reps", 60)
        if uid in {about for about, *_ in self.marked}:
            return False
        what = self.dice.choice(["mark", "exclude", "take"])
        taken = page.post(f"/reps/{place}", what=what, why=f"Excluded {self.count}")
        self.marked.append((uid, what, taken))
        return taken

    def note(self):
        uid, page, place = self.latest("sessions", 20)
        text = f"Note number {self.count}."
        taken = page.post(f"/sessions/{place}/notes", text=text, to=f"/sessions/{place}")
        self.noted.append((uid, text, taken))
        return taken

    def delete_session(self):
        uid, page, place = self.latest("sessions", 8)
        taken = page.post(f"/sessions/{place}/delete", sure="on")
        self.deleted.append((uid, taken))
        return taken

    def delete_hitter(self):
        """Somebody who hit lately and is not one of those that stay."""
        number, uid = self.dice.choice(self.facility.server.rows("SELECT id, uid FROM hitters WHERE name LIKE 'Guest%'"))
        taken = self.office.at_page().post(f"/people/{number}/delete", sure="on")
        self.deleted.append((uid.replace("-", ""), taken))
        return taken

    def wrong(self):
        """What was taken and is not there, or is there twice."""
        store = judge.of_store(self.facility.server)
        reps, sessions, found = store.tables["reps"], store.tables["sessions"], []
        names = {int(number): name for number, name in self.facility.server.rows("SELECT id, name FROM hitters")}
        by_number = lambda edits, number: [(became, taken) for about, became, taken in edits if about == number]  # noqa: E731
        for number in {number for number, *_ in self.named} & names.keys():
            tried = by_number(self.named, number)
            last = max((place for place, (_, taken) in enumerate(tried) if taken), default=-1)
            # One that nobody confirmed may have been taken all the same.
            if names[number] not in [became for became, _ in tried[max(0, last):]] and last >= 0:
                found.append(f"hitter {number} is {names[number]}, and became {tried[last:]}")
        holds = {"mark": lambda rep: rep["marked"] == 1, "exclude": lambda rep: rep["struck_why"] is not None, "take": lambda rep: rep["called"] == "take"}
        found += [f"rep {uid}: {what} is lost" for uid, what, taken in self.marked if taken and uid in reps and not holds[what](reps[uid])]
        notes = [row["text"] for row in store.tables["notes"].values()]
        for uid, text, taken in self.noted:
            if notes.count(text) > 1 or (taken and uid in sessions and text not in notes):
                found.append(f"{text} is there {notes.count(text)} times")
        for table, edits, column in (("plans", self.planned, "name"), ("consents", self.decided, "decided_by")):
            there = [row[column] for row in store.tables[table].values()]
            for number, became, taken in edits:
                if there.count(became) > 1 or (taken and number in names and became not in there):
                    found.append(f"{table}: {became} is there {there.count(became)} times")
        found += [f"{uid} was deleted, and nobody knows" for uid, taken in self.deleted if taken and uid not in store.deleted]
        return found


class Logged:
    """Reps that a command logged and that must not be lost, by cage and row number."""

    def __init__(self):
        self.of = {}

    def add(self, cage, numbers):
        self.of.setdefault(cage, []).extend(numbers)

    def count(self):
        return sum(map(len, self.of.values()))


class Deletions:
    """Which reps went with a session or a hitter that somebody deleted."""

    def __init__(self, cages):
        self.cages, self.owners = cages, {}

    def look(self):
        """Row numbers never come again, so what was seen once stays true."""
        for cage in self.cages:
            for rep, *owners in cage.rows(
                "SELECT reps.id, sessions.uid, hitters.uid FROM reps JOIN sessions ON sessions.id = reps.session LEFT JOIN hitters ON hitters.id = sessions.hitter"):  # fmt: skip
                self.owners.setdefault((cage, rep), set()).update(owners)

    def wrong(self, logged):
        """Reps that a command logged and that are gone, though nobody deleted whose they are."""
        lost = []
        for cage, numbers in logged.of.items():
            here, gone = {row[0] for row in cage.rows("SELECT id FROM reps")}, {row[0] for row in cage.rows("SELECT uid FROM deleted")}
            for rep in sorted(set(numbers) - here):
                owners = self.owners.get((cage, rep), set())
                lost += [] if owners & gone else [f"rep {rep} of {cage.name} is lost, of {sorted(filter(None, owners))}"]
        return lost


def everybody_known(edits):
    """Starts the cages. Each of five hitters has swung once, and every cage has heard of it: from then on no cage's settings give a hitter
    a height, which would be an edit beside those that are watched."""
    cages = edits.cages
    for number in range(5):
        edits.add_hitter(f"Hitter {number}")
    for cage in cages:
        cage.start()
        cage.at_page()
    them.until(60, lambda: all(cage.value("SELECT count(*) FROM hitters WHERE name LIKE 'Hitter%'") == 5 for cage in cages))
    cages[0].end()
    for number in range(5):
        cages[0].log_reps(1, f"Hitter {number}")
    cages[0].start()
    if not them.until(60, lambda: all(cage.value("SELECT count(*) FROM hitters WHERE name LIKE 'Hitter%' AND height_cm = 178") == 5 for cage in cages)):
        raise RuntimeError("the cages do not hear of each other")
