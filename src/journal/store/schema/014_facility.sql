-- Version 14. What a facility with several cages needs (docs/journal.md): rows have ids of their own for ever, changes are
-- numbered so that those since a number can be found, and what two people changed at once has an order that no clock decides.
--
--   uid    UUID version 7 (RFC 9562), without hyphens. Its time is the row's own stamp; the 12 bits behind it count on from row to
--          row, since the store makes its row numbers of both.
--   rev    the number of the row's last change in this journal.
--   edits  how often people changed the row; of two versions the one with more edits holds, then the one with the greater
--          edited_in. How often a hitter was frozen or not any more is counted for itself: no other change may undo it.
--   turn   of plans and decisions: one more than the newest that was known when it was made. Two with the same turn were made
--          without knowing of each other.

CREATE TABLE facility (
    id          INTEGER PRIMARY KEY CHECK (id = 1),
    journal     TEXT NOT NULL,
    first_count INTEGER NOT NULL,
    rev         INTEGER NOT NULL DEFAULT 0,
    pulled      INTEGER NOT NULL DEFAULT 0,
    pulled_mark TEXT,
    is_quiet    INTEGER NOT NULL DEFAULT 0 CHECK (is_quiet IN (0, 1))
) STRICT;

INSERT INTO facility (id, journal, first_count)
VALUES (1, lower(hex(randomblob(16))), random() & 4095);

-- What was deleted, so that everybody who has it hears of it. A hitter who was merged into another goes on under that uid.
-- While is_quiet nothing is noted: a cage that keeps less than the facility deletes for itself alone.
CREATE TABLE deleted (
    uid         TEXT PRIMARY KEY,
    what        TEXT NOT NULL CHECK (what IN ('hitter', 'session', 'note')),
    merged_into TEXT,
    rev         INTEGER
) STRICT, WITHOUT ROWID;

CREATE INDEX deleted_by_rev ON deleted (rev);

CREATE TRIGGER deleted_added AFTER INSERT ON deleted WHEN new.rev IS NULL
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE deleted SET rev = (SELECT rev FROM facility) WHERE uid = new.uid;
END;

-- The last batches that were sent: by them a store and a journal find out that either was restored from a backup.
CREATE TABLE sent (
    mark TEXT PRIMARY KEY,
    rev  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

ALTER TABLE hitters ADD COLUMN uid TEXT;
ALTER TABLE hitters ADD COLUMN rev INTEGER;
ALTER TABLE hitters ADD COLUMN edits INTEGER NOT NULL DEFAULT 0;
ALTER TABLE hitters ADD COLUMN edited_in TEXT;
ALTER TABLE hitters ADD COLUMN freezes INTEGER NOT NULL DEFAULT 0;
UPDATE hitters SET
    uid = printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(created_at, 'subsec') * 1000) AS INTEGER)), (id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2)),
    rev = (SELECT rev FROM facility) + id;
UPDATE facility SET rev = rev + (SELECT coalesce(max(id), 0) FROM hitters);
CREATE UNIQUE INDEX hitters_by_uid ON hitters (uid);
CREATE INDEX hitters_by_rev ON hitters (rev);
CREATE TRIGGER hitters_added AFTER INSERT ON hitters WHEN new.rev IS NULL
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE hitters SET
        uid = coalesce(uid, printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(new.created_at, 'subsec') * 1000) AS INTEGER)), (new.id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2))),
        rev = (SELECT rev FROM facility)
    WHERE id = new.id;
END;
CREATE TRIGGER hitters_changed AFTER UPDATE ON hitters
WHEN new.rev IS old.rev AND (new.name IS NOT old.name
         OR new.bats IS NOT old.bats
         OR new.height_cm IS NOT old.height_cm
         OR new.frozen_at IS NOT old.frozen_at)
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE hitters SET
        rev = (SELECT rev FROM facility),
        edits = new.edits + (new.edits = old.edits AND new.edited_in IS old.edited_in AND (new.name IS NOT old.name OR new.bats IS NOT old.bats OR new.height_cm IS NOT old.height_cm)),
        edited_in = iif(new.edits = old.edits AND new.edited_in IS old.edited_in AND (new.name IS NOT old.name OR new.bats IS NOT old.bats OR new.height_cm IS NOT old.height_cm), (SELECT journal FROM facility), new.edited_in),
        freezes = new.freezes + (new.freezes = old.freezes AND new.frozen_at IS NOT old.frozen_at)
    WHERE id = new.id;
END;
CREATE TRIGGER hitters_deleted AFTER DELETE ON hitters WHEN (SELECT is_quiet FROM facility) = 0
BEGIN
    INSERT INTO deleted (uid, what) VALUES (old.uid, 'hitter') ON CONFLICT DO NOTHING;
END;

ALTER TABLE sessions ADD COLUMN uid TEXT;
ALTER TABLE sessions ADD COLUMN rev INTEGER;
ALTER TABLE sessions ADD COLUMN edits INTEGER NOT NULL DEFAULT 0;
ALTER TABLE sessions ADD COLUMN edited_in TEXT;
UPDATE sessions SET
    uid = printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(started_at, 'subsec') * 1000) AS INTEGER)), (id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2)),
    rev = (SELECT rev FROM facility) + id;
UPDATE facility SET rev = rev + (SELECT coalesce(max(id), 0) FROM sessions);
CREATE UNIQUE INDEX sessions_by_uid ON sessions (uid);
CREATE INDEX sessions_by_rev ON sessions (rev);
CREATE TRIGGER sessions_added AFTER INSERT ON sessions WHEN new.rev IS NULL
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE sessions SET
        uid = coalesce(uid, printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(new.started_at, 'subsec') * 1000) AS INTEGER)), (new.id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2))),
        rev = (SELECT rev FROM facility)
    WHERE id = new.id;
END;
CREATE TRIGGER sessions_changed AFTER UPDATE ON sessions
WHEN new.rev IS old.rev AND (new.hitter IS NOT old.hitter
         OR new.ended_at IS NOT old.ended_at
         OR new.end_note IS NOT old.end_note
         OR new.plan IS NOT old.plan)
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE sessions SET
        rev = (SELECT rev FROM facility),
        edits = new.edits + (new.edits = old.edits AND new.edited_in IS old.edited_in AND (new.hitter IS NOT old.hitter)),
        edited_in = iif(new.edits = old.edits AND new.edited_in IS old.edited_in AND (new.hitter IS NOT old.hitter), (SELECT journal FROM facility), new.edited_in)
    WHERE id = new.id;
END;
CREATE TRIGGER sessions_deleted AFTER DELETE ON sessions WHEN (SELECT is_quiet FROM facility) = 0
BEGIN
    INSERT INTO deleted (uid, what) VALUES (old.uid, 'session') ON CONFLICT DO NOTHING;
END;

ALTER TABLE plans ADD COLUMN uid TEXT;
ALTER TABLE plans ADD COLUMN rev INTEGER;
ALTER TABLE plans ADD COLUMN edits INTEGER NOT NULL DEFAULT 0;
ALTER TABLE plans ADD COLUMN edited_in TEXT;
ALTER TABLE plans ADD COLUMN turn INTEGER;
UPDATE plans SET
    uid = printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(made_at, 'subsec') * 1000) AS INTEGER)), (id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2)),
    rev = (SELECT rev FROM facility) + id,
    turn = (SELECT count(*) FROM plans AS earlier WHERE earlier.hitter IS plans.hitter AND earlier.id <= plans.id);
UPDATE facility SET rev = rev + (SELECT coalesce(max(id), 0) FROM plans);
CREATE UNIQUE INDEX plans_by_uid ON plans (uid);
CREATE INDEX plans_by_rev ON plans (rev);
CREATE TRIGGER plans_added AFTER INSERT ON plans WHEN new.rev IS NULL
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE plans SET
        uid = coalesce(uid, printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(new.made_at, 'subsec') * 1000) AS INTEGER)), (new.id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2))),
        rev = (SELECT rev FROM facility),
        turn = coalesce(turn, 1 + coalesce((SELECT max(turn) FROM plans WHERE hitter IS new.hitter), 0))
    WHERE id = new.id;
END;
CREATE TRIGGER plans_changed AFTER UPDATE ON plans
WHEN new.rev IS old.rev AND (new.hitter IS NOT old.hitter)
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE plans SET
        rev = (SELECT rev FROM facility),
        edits = new.edits + (new.edits = old.edits AND new.edited_in IS old.edited_in),
        edited_in = iif(new.edits = old.edits AND new.edited_in IS old.edited_in, (SELECT journal FROM facility), new.edited_in)
    WHERE id = new.id;
END;

ALTER TABLE consents ADD COLUMN uid TEXT;
ALTER TABLE consents ADD COLUMN rev INTEGER;
ALTER TABLE consents ADD COLUMN edits INTEGER NOT NULL DEFAULT 0;
ALTER TABLE consents ADD COLUMN edited_in TEXT;
ALTER TABLE consents ADD COLUMN turn INTEGER;
UPDATE consents SET
    uid = printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(recorded_at, 'subsec') * 1000) AS INTEGER)), (id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2)),
    rev = (SELECT rev FROM facility) + id,
    turn = (SELECT count(*) FROM consents AS earlier WHERE earlier.hitter = consents.hitter AND earlier.purpose = consents.purpose AND earlier.id <= consents.id);
UPDATE facility SET rev = rev + (SELECT coalesce(max(id), 0) FROM consents);
CREATE UNIQUE INDEX consents_by_uid ON consents (uid);
CREATE INDEX consents_by_rev ON consents (rev);
CREATE TRIGGER consents_added AFTER INSERT ON consents WHEN new.rev IS NULL
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE consents SET
        uid = coalesce(uid, printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(new.recorded_at, 'subsec') * 1000) AS INTEGER)), (new.id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2))),
        rev = (SELECT rev FROM facility),
        turn = coalesce(turn, 1 + coalesce((SELECT max(turn) FROM consents WHERE hitter = new.hitter AND purpose = new.purpose), 0))
    WHERE id = new.id;
END;
CREATE TRIGGER consents_changed AFTER UPDATE ON consents
WHEN new.rev IS old.rev AND (new.hitter IS NOT old.hitter)
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE consents SET
        rev = (SELECT rev FROM facility),
        edits = new.edits + (new.edits = old.edits AND new.edited_in IS old.edited_in),
        edited_in = iif(new.edits = old.edits AND new.edited_in IS old.edited_in, (SELECT journal FROM facility), new.edited_in)
    WHERE id = new.id;
END;

ALTER TABLE reps ADD COLUMN uid TEXT;
ALTER TABLE reps ADD COLUMN rev INTEGER;
ALTER TABLE reps ADD COLUMN edits INTEGER NOT NULL DEFAULT 0;
ALTER TABLE reps ADD COLUMN edited_in TEXT;
UPDATE reps SET
    uid = printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(logged_at, 'subsec') * 1000) AS INTEGER)), (id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2)),
    rev = (SELECT rev FROM facility) + id;
UPDATE facility SET rev = rev + (SELECT coalesce(max(id), 0) FROM reps);
CREATE UNIQUE INDEX reps_by_uid ON reps (uid);
CREATE INDEX reps_by_rev ON reps (rev);
CREATE TRIGGER reps_added AFTER INSERT ON reps WHEN new.rev IS NULL
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE reps SET
        uid = coalesce(uid, printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(new.logged_at, 'subsec') * 1000) AS INTEGER)), (new.id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2))),
        rev = (SELECT rev FROM facility)
    WHERE id = new.id;
END;
CREATE TRIGGER reps_changed AFTER UPDATE ON reps
WHEN new.rev IS old.rev AND (new.marked IS NOT old.marked
         OR new.struck_why IS NOT old.struck_why
         OR new.called IS NOT old.called
         OR new.set_secs IS NOT old.set_secs
         OR new.gather_secs IS NOT old.gather_secs
         OR new.lift_off_secs IS NOT old.lift_off_secs
         OR new.plant_secs IS NOT old.plant_secs
         OR new.heel_rise_secs IS NOT old.heel_rise_secs
         OR new.contact_secs IS NOT old.contact_secs
         OR new.finish_secs IS NOT old.finish_secs)
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE reps SET
        rev = (SELECT rev FROM facility),
        edits = new.edits + (new.edits = old.edits AND new.edited_in IS old.edited_in),
        edited_in = iif(new.edits = old.edits AND new.edited_in IS old.edited_in, (SELECT journal FROM facility), new.edited_in)
    WHERE id = new.id;
END;

ALTER TABLE notes ADD COLUMN uid TEXT;
ALTER TABLE notes ADD COLUMN rev INTEGER;
UPDATE notes SET
    uid = printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(made_at, 'subsec') * 1000) AS INTEGER)), (id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2)),
    rev = (SELECT rev FROM facility) + id;
UPDATE facility SET rev = rev + (SELECT coalesce(max(id), 0) FROM notes);
CREATE UNIQUE INDEX notes_by_uid ON notes (uid);
CREATE INDEX notes_by_rev ON notes (rev);
CREATE TRIGGER notes_added AFTER INSERT ON notes WHEN new.rev IS NULL
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE notes SET
        uid = coalesce(uid, printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(new.made_at, 'subsec') * 1000) AS INTEGER)), (new.id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2))),
        rev = (SELECT rev FROM facility)
    WHERE id = new.id;
END;
CREATE TRIGGER notes_changed AFTER UPDATE ON notes
WHEN new.rev IS old.rev AND (new.rep IS NOT old.rep
         OR new.session IS NOT old.session)
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE notes SET
        rev = (SELECT rev FROM facility)
    WHERE id = new.id;
END;
CREATE TRIGGER notes_deleted AFTER DELETE ON notes WHEN (SELECT is_quiet FROM facility) = 0
BEGIN
    INSERT INTO deleted (uid, what) VALUES (old.uid, 'note') ON CONFLICT DO NOTHING;
END;

ALTER TABLE corrections ADD COLUMN uid TEXT;
ALTER TABLE corrections ADD COLUMN rev INTEGER;
UPDATE corrections SET
    uid = printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(made_at, 'subsec') * 1000) AS INTEGER)), (id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2)),
    rev = (SELECT rev FROM facility) + id;
UPDATE facility SET rev = rev + (SELECT coalesce(max(id), 0) FROM corrections);
CREATE UNIQUE INDEX corrections_by_uid ON corrections (uid);
CREATE INDEX corrections_by_rev ON corrections (rev);
CREATE TRIGGER corrections_added AFTER INSERT ON corrections WHEN new.rev IS NULL
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE corrections SET
        uid = coalesce(uid, printf('%012x7%03x%s%s', max(1577836800000, CAST(round(unixepoch(new.made_at, 'subsec') * 1000) AS INTEGER)), (new.id + (SELECT first_count FROM facility)) & 4095, substr('89ab', 1 + (random() & 3), 1), substr(lower(hex(randomblob(8))), 2))),
        rev = (SELECT rev FROM facility)
    WHERE id = new.id;
END;
CREATE TRIGGER corrections_changed AFTER UPDATE ON corrections
WHEN new.rev IS old.rev AND (new.rep IS NOT old.rep)
BEGIN
    UPDATE facility SET rev = rev + 1;
    UPDATE corrections SET
        rev = (SELECT rev FROM facility)
    WHERE id = new.id;
END;
