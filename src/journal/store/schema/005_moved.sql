-- Version 5. What a rep's lengths were measured with, so that it can be measured again; and events that the coach moved: the
-- rep then holds the moved times and what is measured with them, these two tables hold what was found.

ALTER TABLE reps ADD COLUMN cm_per_px REAL;
ALTER TABLE reps ADD COLUMN scaled_for_cm REAL;
ALTER TABLE reps ADD COLUMN scale_spread REAL;
ALTER TABLE reps ADD COLUMN roll_deg REAL;

CREATE TABLE found_events (
    rep            INTEGER PRIMARY KEY REFERENCES reps (id) ON DELETE CASCADE,
    set_secs       REAL,
    gather_secs    REAL,
    lift_off_secs  REAL,
    plant_secs     REAL,
    heel_rise_secs REAL,
    contact_secs   REAL,
    finish_secs    REAL
) STRICT;

CREATE TABLE found_measures (
    rep        INTEGER NOT NULL REFERENCES found_events (rep) ON DELETE CASCADE,
    name       TEXT NOT NULL,
    value      REAL,
    plus_minus REAL,
    confidence REAL,
    verdict    TEXT,
    band_low   REAL,
    band_high  REAL,
    why        TEXT,
    PRIMARY KEY (rep, name)
) STRICT, WITHOUT ROWID;

-- The same table with more that can be corrected; the names of events are those of found_events without "_secs".
CREATE TABLE corrections_wider (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    rep     INTEGER NOT NULL REFERENCES reps (id) ON DELETE CASCADE,
    what    TEXT NOT NULL CHECK (what IN ('struck', 'called', 'set', 'gather', 'lift_off', 'plant', 'heel_rise', 'contact', 'finish')),
    was     TEXT,
    became  TEXT,
    made_at TEXT NOT NULL
) STRICT;

INSERT INTO corrections_wider SELECT id, rep, what, was, became, made_at FROM corrections;
DROP TABLE corrections;
ALTER TABLE corrections_wider RENAME TO corrections;
CREATE INDEX corrections_by_rep ON corrections (rep);
