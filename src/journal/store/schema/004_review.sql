-- Version 4. What the coach makes of it: notes, marks, reps struck out or called something else. What was found stays as it
-- was found.

ALTER TABLE reps ADD COLUMN marked INTEGER NOT NULL DEFAULT 0 CHECK (marked IN (0, 1));
ALTER TABLE reps ADD COLUMN struck_why TEXT;
ALTER TABLE reps ADD COLUMN called TEXT CHECK (called IN ('swing', 'take'));

CREATE TABLE notes (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    session INTEGER NOT NULL REFERENCES sessions (id) ON DELETE CASCADE,
    rep     INTEGER REFERENCES reps (id) ON DELETE CASCADE,
    text    TEXT NOT NULL CHECK (text <> ''),
    made_at TEXT NOT NULL
) STRICT;

CREATE INDEX notes_by_session ON notes (session, rep);
CREATE INDEX notes_by_rep ON notes (rep) WHERE rep IS NOT NULL;

-- Each correction as it was made, so that it can be told who changed what when.
CREATE TABLE corrections (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    rep     INTEGER NOT NULL REFERENCES reps (id) ON DELETE CASCADE,
    what    TEXT NOT NULL CHECK (what IN ('struck', 'called')),
    was     TEXT,
    became  TEXT,
    made_at TEXT NOT NULL
) STRICT;

CREATE INDEX corrections_by_rep ON corrections (rep);
