-- Version 7. Reps that were seen from behind the back: the same table of reps with one more word for the view.

CREATE TABLE reps_wider (
    id                 INTEGER PRIMARY KEY AUTOINCREMENT,
    session            INTEGER NOT NULL REFERENCES sessions (id) ON DELETE CASCADE,
    number             INTEGER NOT NULL,
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
    cue                TEXT,
    cue_at_secs        REAL CHECK ((cue IS NULL) = (cue_at_secs IS NULL)),
    cue_latency_ms     REAL CHECK (cue IS NOT NULL OR cue_latency_ms IS NULL),
    logged_at          TEXT NOT NULL,
    stance_width_cm    REAL,
    hand_height_cm     REAL,
    lift_height_cm     REAL,
    load               TEXT CHECK (load IN ('toe_tap', 'leg_lift', 'slide', 'no_stride')),
    no_cue             TEXT CHECK (cue IS NULL OR no_cue IS NULL),
    pitch_kmh          REAL CHECK (pitch_kmh > 0),
    pitch_release_secs REAL CHECK ((pitch_kmh IS NULL) = (pitch_release_secs IS NULL)),
    pitch_arrival_secs REAL CHECK ((pitch_kmh IS NULL) = (pitch_arrival_secs IS NULL)),
    marked             INTEGER NOT NULL DEFAULT 0 CHECK (marked IN (0, 1)),
    struck_why         TEXT,
    called             TEXT CHECK (called IN ('swing', 'take')),
    cm_per_px          REAL,
    scaled_for_cm      REAL,
    scale_spread       REAL,
    roll_deg           REAL,
    pitcher            TEXT CHECK (pitcher IN ('left', 'right')),
    UNIQUE (session, number)
) STRICT;

INSERT INTO reps_wider SELECT * FROM reps;
-- Ids of deleted reps are not given again.
DELETE FROM sqlite_sequence WHERE name = 'reps_wider';
INSERT INTO sqlite_sequence (name, seq) SELECT 'reps_wider', seq FROM sqlite_sequence WHERE name = 'reps';
DROP TABLE reps;
ALTER TABLE reps_wider RENAME TO reps;
CREATE INDEX reps_by_time ON reps (logged_at);
