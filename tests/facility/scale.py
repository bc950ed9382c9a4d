"""How long the office's pages take over a store with years of many cages.

    python3 tests/facility/scale.py PROGRAM --reps 1000000 [--landmarks SHARE] [--times 15] [--under FOLDER]

Starts a PostgreSQL server of its own, sets a store up with PROGRAM, fills it (fill.py), vacuums, serves `PROGRAM review --store`, and asks for
each page. Prints sizes, medians and the largest of each page in milliseconds for docs/scale.md, and what the statements behind each page
looked at: a page that goes through a part of a large table without an index, or looks at a tenth of one, fails, and so ends this with 1. The server has PostgreSQL's own
settings, but for those that a fill is faster with.

A million reps without landmarks take 2.1 GB. `--sql` takes the tables from the sources instead of from PROGRAM,
to try a change before it is built. Standard library only.
"""

import argparse
import json
import pathlib
import re
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request

import fill
import server as stores

PORT = 7429
LARGE = re.compile(r"(reps|packed_measures|timelines)_")
# Rows of one part of a table that may be gone through: a quarter has little more in a small store, where that is right.
FEW_ROWS = 5_000
SLOW_MS = 20
# Of a page that takes longer three times are enough.
SLOW_PAGE_MS = 2_000
# More of a table than this share, and more than so many rows, are no page's.
MOST_SHARE, MANY_ROWS = 0.1, 50_000
# It counts all reps of one hitter, who has a sixth of a small store's.
KNOWN = {"/people/H"}
FILLING = {"fsync": "off", "full_page_writes": "off", "wal_level": "minimal", "max_wal_senders": "0", "shared_buffers": "1GB", "max_wal_size": "2GB", "maintenance_work_mem": "256MB", "autovacuum": "off"}
SERVING = {"fsync": "on", "full_page_writes": "on", "wal_level": "replica", "shared_buffers": "128MB", "max_wal_size": "1GB", "maintenance_work_mem": "64MB", "autovacuum": "on"}
TELLING = {
    "shared_preload_libraries": "auto_explain", "logging_collector": "on", "log_destination": "jsonlog", "log_directory": "said", "log_filename": "plans",
    "log_rotation_size": "0", "auto_explain.log_format": "json", "auto_explain.log_analyze": "on", "auto_explain.log_nested_statements": "on",
}  # fmt: skip


def pages_of(server):
    """The pages that are asked for: of the hitter with the most reps, of the fullest day, of a session and a rep of theirs."""
    hitter = server.value("SELECT s.hitter FROM sessions s JOIN hitters h ON h.id = s.hitter WHERE h.name IS NOT NULL GROUP BY 1 ORDER BY count(*) DESC LIMIT 1")
    day = server.value("SELECT started_at::date FROM sessions GROUP BY 1 ORDER BY count(*) DESC LIMIT 1")
    session = server.value(f"SELECT id FROM sessions WHERE hitter = {hitter} ORDER BY started_at DESC LIMIT 1")
    middle = server.value("SELECT id FROM sessions ORDER BY started_at OFFSET (SELECT count(*) / 2 FROM sessions) LIMIT 1")
    seen = server.value(f"SELECT t.rep FROM timelines t JOIN reps r ON r.id = t.rep JOIN sessions s ON s.id = r.session WHERE s.hitter = {hitter} ORDER BY 1 DESC LIMIT 1")
    rep = seen or server.value(f"SELECT max(id) FROM reps WHERE session = {session}")
    return [
        ("/today", "/today"), ("/today?day=D", f"/today?day={day}"), ("/sessions", "/sessions"), ("/sessions?before=S", f"/sessions?before={middle}"),
        ("/sessions?hitter=H", f"/sessions?hitter={hitter}"), ("/sessions/S", f"/sessions/{session}"), ("/sessions/S/sheet", f"/sessions/{session}/sheet"),
        ("/sessions/S/reps.csv", f"/sessions/{session}/reps.csv"), ("/reps/R", f"/reps/{rep}"), *([("/reps/R/data", f"/reps/{rep}/data")] if seen else []),
        ("/trends?hitter=H", f"/trends?hitter={hitter}"), ("/trends?hitter=H&by=sessions", f"/trends?hitter={hitter}&by=sessions"),
        ("/trends?hitter=H&by=months", f"/trends?hitter={hitter}&by=months"), ("/plans?hitter=H", f"/plans?hitter={hitter}"), ("/people", "/people"),
        ("/people/H", f"/people/{hitter}"), ("/cages", "/cages"),
    ]  # fmt: skip


def ask(path):
    began = time.monotonic()
    with urllib.request.urlopen(f"http://127.0.0.1:{PORT}{path}", timeout=180) as answer:
        size = len(answer.read())
    return 1e3 * (time.monotonic() - began), size


def serve(program, server, folder):
    settings = folder / "office.toml"
    settings.write_text(f'[page]\ntrial = true\n[journal]\npath = "{folder}/journal.db"\n')
    said = open(folder / "said.txt", "w")
    office = subprocess.Popen(
        [program, "review", "--store", server.url(stores.OFFICE), "--listen", f"127.0.0.1:{PORT}", "--settings", settings], stdout=said, stderr=said)  # fmt: skip
    until = time.monotonic() + 30
    while True:
        try:
            ask("/assets/page.css")
        except urllib.error.HTTPError:
            pass
        except OSError:
            if office.poll() is not None or time.monotonic() > until:
                office.kill()
                raise SystemExit(f"the office's pages do not come up: {(folder / 'said.txt').read_text()}")
            time.sleep(0.2)
            continue
        return office


class Plans:
    """The plans of the statements that ran since it was last asked."""

    def __init__(self, server):
        self.server = server
        self.file = server.data / "said" / "plans.json"
        server.psql("ALTER SYSTEM SET auto_explain.log_min_duration = 0; SELECT pg_reload_conf()")
        time.sleep(1)
        self.place = self.file.stat().st_size

    def since(self):
        time.sleep(0.3)
        with open(self.file) as lines:
            lines.seek(self.place)
            text = lines.read()
            self.place = lines.tell()
        for line in text.splitlines():
            message = json.loads(line)["message"]
            found = re.match(r"duration: ([0-9.]+) ms  plan:\n", message)
            if found:
                yield float(found[1]), json.loads(message[found.end() :])

    def end(self):
        self.server.psql("ALTER SYSTEM RESET auto_explain.log_min_duration; SELECT pg_reload_conf()")


def looked_at(node):
    """What a plan read of the large tables: rows, whether by an index, of which part."""
    part = node.get("Relation Name", "")
    if LARGE.match(part):
        rows = (node.get("Actual Rows", 0) + node.get("Rows Removed by Filter", 0) + node.get("Rows Removed by Index Recheck", 0)) * node.get("Actual Loops", 0)
        yield rows, "Index Cond" in node or node["Node Type"] == "Bitmap Heap Scan", part
    for inner in node.get("Plans", ()):
        yield from looked_at(inner)


def statements(server, pages):
    """What the statements behind each page read; gives whether all went by index."""
    held = {table: int(server.value(f"SELECT sum(reltuples)::bigint FROM pg_class WHERE relispartition AND relkind = 'r' AND relname LIKE '{table}%'")) for table in ("reps", "packed_measures")}
    plans, good = Plans(server), True
    print("\n| page | statements | rows of large tables | slowest, ms |\n|---|---|---|---|")
    slow = []
    for name, path in pages:
        ask(path)
        ran = list(plans.since())
        reads = [read for _, plan in ran for read in looked_at(plan["Plan"])]
        for table in ("reps", "packed_measures"):
            rows = sum(rows for rows, _, part in reads if part.startswith(table))
            if rows > MANY_ROWS and rows > MOST_SHARE * held[table]:
                good &= name in KNOWN
                print(f"{'known' if name in KNOWN else 'FAIL '} {name} looks at {rows:.0f} of {held[table]} {table}")
        print(f"| `{name}` | {len(ran)} | {sum(rows for rows, *_ in reads):.0f} | {max((took for took, _ in ran), default=0):.0f} |", flush=True)
        for rows, by_index, part in reads:
            if not by_index and rows > FEW_ROWS:
                good = False
                print(f"FAIL  {name} goes through {rows:.0f} rows of {part}")
        slow += [(took, name, plan["Query Text"]) for took, plan in ran if took > SLOW_MS]
    plans.end()
    for took, name, text in sorted(slow, reverse=True)[:12]:
        print(f"slow  {took:.0f} ms, {name}: {' '.join(text.split())[:400]}")
    return good


def sizes(server, reps):
    """Bytes by rep: tables, indexes, landmarks."""
    print("\n| bytes a rep | rows | indexes | landmarks |\n|---|---|---|---|")
    parts = "SELECT t.name, relid FROM (VALUES ('reps'), ('packed_measures'), ('timelines')) t (name), pg_partition_tree(t.name::regclass) WHERE isleaf"
    rows = server.rows(
        f"""SELECT name, sum(pg_relation_size(relid)), sum(pg_indexes_size(relid)), sum(coalesce(pg_total_relation_size(nullif(c.reltoastrelid, 0)), 0))
            FROM ({parts}) p JOIN pg_class c ON c.oid = p.relid GROUP BY 1 ORDER BY 1""")  # fmt: skip
    held = int(server.value("SELECT count(*) FROM timelines"))
    for name, *bytes_of in rows:
        each = held if name == "timelines" else reps
        print(f"| `{name}` | " + " | ".join(f"{int(count) / max(each, 1):.0f}" for count in bytes_of) + " |")
    all_bytes = int(server.value("SELECT pg_database_size(current_database())"))
    print(f"{reps} reps, {held} with landmarks, {all_bytes / 1e9:.2f} GB in all")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--reps", type=int, default=100_000)
    parser.add_argument("--landmarks", type=fill.share, default=0.1, metavar="all|none|SHARE")
    parser.add_argument("--times", type=int, default=15)
    parser.add_argument("--under", type=pathlib.Path, help="where the server's folder is made")
    parser.add_argument("--journal", type=pathlib.Path, help="a journal that PROGRAM made of the recording, instead of making one")
    parser.add_argument("--sql", action="store_true", help="take the tables from the sources")
    parser.add_argument("--hold", action="store_true", help="wait at the end, so that the store can be asked by hand")
    told = parser.parse_args()
    program = told.program.resolve()
    with tempfile.TemporaryDirectory(prefix="cagehand-scale-") as scratch, stores.Server(FILLING, told.under) as server:
        folder = pathlib.Path(scratch)
        real = stores.real_journal(program, folder, told.journal)
        stores.set_up(server, None if told.sql else program)
        began = time.monotonic()
        history = fill.fill(server, told.reps, told.landmarks, real)
        filled = time.monotonic()
        server.psql("VACUUM (ANALYZE, FREEZE)")
        print(f"{stores.machine()}; {len(history.hitters)} hitters, {len(history.sessions)} sessions; filled in {filled - began:.0f} s, vacuumed in {time.monotonic() - filled:.0f} s")
        sizes(server, told.reps)
        server.psql("CHECKPOINT")
        server.restart(**SERVING, **TELLING)
        office = serve(program, server, folder)
        try:
            pages = pages_of(server)
            print("\n| page | median, ms | largest, ms | first, ms | kB |\n|---|---|---|---|---|")
            for name, path in pages:
                first, size = ask(path)
                took = [ask(path)[0] for _ in range(told.times if first < SLOW_PAGE_MS else 3)]
                print(f"| `{name}` | {statistics.median(took):.0f} | {max(took):.0f} | {first:.0f} | {size / 1e3:.0f} |{'' if len(took) == told.times else f' {len(took)} times'}", flush=True)
            good = statements(server, pages)
            if told.hold:
                input(f"the store: psql '{server.url('postgres')}'; Enter ends it\n")
        finally:
            office.terminate()
            office.wait(30)
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
