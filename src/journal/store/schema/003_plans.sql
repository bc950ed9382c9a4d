-- Version 3. Plans, which plan a session went by, why a rep had no cue, and the pitch that was played for it.

CREATE TABLE plans (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    hitter  INTEGER REFERENCES hitters (id) ON DELETE CASCADE,
    name    TEXT NOT NULL CHECK (name <> ''),
    text    TEXT NOT NULL,
    made_at TEXT NOT NULL
) STRICT;

CREATE INDEX plans_by_hitter ON plans (hitter, id);

ALTER TABLE sessions ADD COLUMN plan INTEGER REFERENCES plans (id) ON DELETE SET NULL;
ALTER TABLE reps ADD COLUMN no_cue TEXT CHECK (cue IS NULL OR no_cue IS NULL);
ALTER TABLE reps ADD COLUMN pitch_kmh REAL CHECK (pitch_kmh > 0);
ALTER TABLE reps ADD COLUMN pitch_release_secs REAL CHECK ((pitch_kmh IS NULL) = (pitch_release_secs IS NULL));
ALTER TABLE reps ADD COLUMN pitch_arrival_secs REAL CHECK ((pitch_kmh IS NULL) = (pitch_arrival_secs IS NULL));
