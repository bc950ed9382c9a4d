-- Version 8. What was seen and not counted as a rep, measured like one, with the condition that it missed. Beside the reps, so
-- that nothing counts it by mistake. Where the coach makes it count, it becomes a rep with its measures and landmarks, and the
-- row here keeps which one and why it had not counted.

CREATE TABLE not_counted (
    id                 INTEGER PRIMARY KEY AUTOINCREMENT,
    session            INTEGER NOT NULL REFERENCES sessions (id) ON DELETE CASCADE,
    kind               TEXT NOT NULL CHECK (kind IN ('swing', 'take')),
    bats               TEXT NOT NULL CHECK (bats IN ('left', 'right')),
    view               TEXT NOT NULL CHECK (view IN ('open-side', 'back-side', 'rear', 'front')),
    fps                REAL NOT NULL,
    set_secs           REAL,
    gather_secs        REAL,
    lift_off_secs      REAL,
    plant_secs         REAL,
    heel_rise_secs     REAL,
    contact_secs       REAL,
    finish_secs        REAL,
    known_at_secs      REAL NOT NULL,
    logged_at          TEXT NOT NULL,
    stance_width_cm    REAL,
    hand_height_cm     REAL,
    lift_height_cm     REAL,
    load               TEXT CHECK (load IN ('toe_tap', 'leg_lift', 'slide', 'no_stride')),
    pitch_kmh          REAL CHECK (pitch_kmh > 0),
    pitch_release_secs REAL CHECK ((pitch_kmh IS NULL) = (pitch_release_secs IS NULL)),
    pitch_arrival_secs REAL CHECK ((pitch_kmh IS NULL) = (pitch_arrival_secs IS NULL)),
    cm_per_px          REAL,
    scaled_for_cm      REAL,
    scale_spread       REAL,
    roll_deg           REAL,
    pitcher            TEXT CHECK (pitcher IN ('left', 'right')),
    reason             TEXT NOT NULL,
    value              REAL NOT NULL,
    asked              REAL NOT NULL,
    counted_as         INTEGER UNIQUE REFERENCES reps (id) ON DELETE SET NULL,
    counted_at         TEXT
) STRICT;

CREATE INDEX not_counted_by_session ON not_counted (session, id);

CREATE TABLE not_counted_measures (
    rep        INTEGER NOT NULL REFERENCES not_counted (id) ON DELETE CASCADE,
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

CREATE TABLE not_counted_timelines (
    rep        INTEGER PRIMARY KEY REFERENCES not_counted (id) ON DELETE CASCADE,
    start_secs REAL NOT NULL,
    width_px   INTEGER NOT NULL CHECK (width_px >= 0),
    height_px  INTEGER NOT NULL CHECK (height_px >= 0),
    landmarks  BLOB NOT NULL
) STRICT;
