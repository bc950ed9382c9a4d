-- Version 12. What a person allows, each decision as a row of its own; and who made a note, a correction, a plan or a
-- rep of what was not counted: NULL in older rows, and for plans that no person put there.

CREATE TABLE consents (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    hitter      INTEGER NOT NULL REFERENCES hitters (id) ON DELETE CASCADE,
    purpose     TEXT NOT NULL CHECK (purpose IN ('landmarks', 'name', 'film', 'picture')),
    decision    TEXT NOT NULL CHECK (decision IN ('given', 'refused', 'withdrawn')),
    decided_by  TEXT NOT NULL CHECK (decided_by <> ''),
    decided_on  TEXT NOT NULL,
    recorded_by TEXT NOT NULL,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE INDEX consents_by_hitter ON consents (hitter, id);

ALTER TABLE notes ADD COLUMN made_by TEXT;
ALTER TABLE corrections ADD COLUMN made_by TEXT;
ALTER TABLE plans ADD COLUMN made_by TEXT;
ALTER TABLE not_counted ADD COLUMN counted_by TEXT;
