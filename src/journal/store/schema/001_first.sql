-- Version 1. Stamps are RFC 3339 UTC text with three decimals; *_secs run on the session's capture clock.

CREATE TABLE hitters (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    name       TEXT UNIQUE CHECK (name <> ''),
    bats       TEXT CHECK (bats IN ('left', 'right')),
    height_cm  REAL CHECK (height_cm > 0),
    created_at TEXT NOT NULL
) STRICT;

CREATE TABLE sessions (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    hitter          INTEGER REFERENCES hitters (id) ON DELETE CASCADE,
    started_at      TEXT NOT NULL,
    ended_at        TEXT,
    end_note        TEXT,
    source          TEXT NOT NULL,
    settings        TEXT NOT NULL,
    program_version TEXT NOT NULL
) STRICT;

CREATE INDEX sessions_by_hitter ON sessions (hitter, started_at);
CREATE INDEX sessions_by_start ON sessions (started_at);
CREATE INDEX sessions_open ON sessions (id) WHERE ended_at IS NULL;

CREATE TABLE reps (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    session         INTEGER NOT NULL REFERENCES sessions (id) ON DELETE CASCADE,
    number          INTEGER NOT NULL,
    kind            TEXT NOT NULL CHECK (kind IN ('swing', 'take')),
    bats            TEXT NOT NULL CHECK (bats IN ('left', 'right')),
    view            TEXT NOT NULL CHECK (view IN ('open-side', 'rear', 'front')),
    fps             REAL NOT NULL,
    set_secs        REAL,
    gather_secs     REAL,
    lift_off_secs   REAL,
    plant_secs      REAL,
    heel_rise_secs  REAL,
    contact_secs    REAL,
    finish_secs     REAL,
    known_at_secs   REAL NOT NULL,
    cue             TEXT,
    cue_at_secs     REAL CHECK ((cue IS NULL) = (cue_at_secs IS NULL)),
    cue_latency_ms  REAL CHECK (cue IS NOT NULL OR cue_latency_ms IS NULL),
    logged_at       TEXT NOT NULL,
    UNIQUE (session, number)
) STRICT;

CREATE INDEX reps_by_time ON reps (logged_at);

CREATE TABLE measures (
    rep        INTEGER NOT NULL REFERENCES reps (id) ON DELETE CASCADE,
    name       TEXT NOT NULL,
    value      REAL,
    plus_minus REAL,
    confidence REAL,
    verdict    TEXT CHECK (verdict IN ('in', 'low', 'high')),
    band_low   REAL,
    band_high  REAL,
    why        TEXT CHECK ((value IS NULL) = (why IS NOT NULL)),
    PRIMARY KEY (rep, name)
) STRICT, WITHOUT ROWID;

CREATE TABLE timelines (
    rep        INTEGER PRIMARY KEY REFERENCES reps (id) ON DELETE CASCADE,
    start_secs REAL NOT NULL,
    width_px   INTEGER NOT NULL CHECK (width_px >= 0),
    height_px  INTEGER NOT NULL CHECK (height_px >= 0),
    landmarks  BLOB NOT NULL
) STRICT;
