-- What comes late, out of its order, or from a cage that it is not of.

-- Reps and notes can come before their session: it is sent again, behind them, when it ends. Where it is deleted first, they go with it.
CREATE FUNCTION delete_of_unknown_session() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT 1 FROM sessions WHERE id = row_id(NEW.uid)) THEN
        DELETE FROM notes WHERE session = row_id(NEW.uid);
        DELETE FROM reps WHERE session = row_id(NEW.uid);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER delete_belonging AFTER INSERT ON deleted FOR EACH ROW WHEN (NEW.what = 'session') EXECUTE FUNCTION delete_of_unknown_session();

CREATE TEMPORARY TABLE gone ON COMMIT DROP AS
SELECT row_id(d.uid) AS id FROM deleted d WHERE d.what = 'session' AND NOT EXISTS (SELECT 1 FROM sessions s WHERE s.id = row_id(d.uid));
DELETE FROM notes WHERE session IN (SELECT id FROM gone);
DELETE FROM reps WHERE session IN (SELECT id FROM gone);

-- As before; a note or a correction whose session is not here is its cage's own: no other hears of it.
CREATE OR REPLACE FUNCTION tell() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    teller uuid := nullif(current_setting('cagehand.receiving', true), '');
BEGIN
    IF TG_OP = 'UPDATE' AND OLD IS NOT DISTINCT FROM NEW THEN
        RETURN NULL;
    END IF;
    CASE TG_TABLE_NAME
        WHEN 'hitters', 'plans', 'consents' THEN PERFORM note_change(rtrim(TG_TABLE_NAME, 's'), NEW.uid, NULL);
        WHEN 'sessions' THEN PERFORM note_change('session', NEW.uid, NEW.journal);
        WHEN 'notes' THEN
            PERFORM note_change('note', NEW.uid, coalesce((SELECT journal FROM sessions WHERE id = NEW.session), teller));
        WHEN 'corrections' THEN
            PERFORM note_change('correction', NEW.uid, coalesce(
                (SELECT s.journal FROM reps r JOIN sessions s ON s.id = r.session WHERE r.id = NEW.rep), teller));
        ELSE
            PERFORM note_change('rep', NEW.uid, coalesce((SELECT journal FROM sessions WHERE id = NEW.session), teller));
    END CASE;
    RETURN NULL;
END $$;
DELETE FROM changes WHERE what IN ('note', 'correction', 'rep') AND journal IS NULL;

-- As before; a session of theirs could not be given to whoever's name another one had in its cage, which hears of it again, also where it
-- told of the free name itself.
CREATE OR REPLACE FUNCTION tell_namesakes() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' OR NEW.name IS DISTINCT FROM OLD.name THEN
        PERFORM note_change('hitter', h.uid, NULL) FROM hitters h WHERE h.name = OLD.name AND h.id <> OLD.id;
        INSERT INTO changes (what, uid, journal)
            SELECT 'session', s.uid, s.journal FROM hitters h JOIN sessions s ON s.hitter = h.id WHERE h.name = OLD.name AND h.id <> OLD.id;
    END IF;
    RETURN NULL;
END $$;

-- A cage corrects reps of its own login's sessions alone, whatever session it names.
CREATE FUNCTION may_correct(of_rep uuid, of_session uuid) RETURNS boolean LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN may_belong(of_session)
        AND NOT EXISTS (SELECT 1 FROM reps r WHERE r.id = row_id(of_rep) AND (r.uid <> of_rep OR r.session <> row_id(of_session)));
END $$;

-- In three of the functions that cages call a few words change:
DO $$
DECLARE
    -- Function, words before, words now.
    changed text[] := ARRAY[
        -- A few at a time: a film is tens of megabytes, and whoever says hello has deletions to hear.
        ['hello', 'DELETE FROM films WHERE kept_until < now()', 'DELETE FROM films WHERE rep IN (
            SELECT f.rep FROM films f WHERE f.kept_until < now() ORDER BY f.kept_until LIMIT 10 FOR UPDATE SKIP LOCKED)'],
        -- Each change in its order, as often as a row changed: a row that is told at its last change alone comes after a deletion that
        -- must not take it along, or after a name that it frees.
        ['changes_for', 'AND NOT EXISTS (SELECT 1 FROM changes l WHERE l.what = c.what AND l.uid = c.uid AND l.number > c.number)', ''],
        -- A rep that made room for another has another number.
        ['receive', 'marked = excluded.marked,', 'number = excluded.number, marked = excluded.marked,'],
        ['receive', 'WHERE NOT is_deleted((content ->> ''session_uid'')::uuid)', 'WHERE may_correct((content ->> ''rep_uid'')::uuid, (content ->> ''session_uid'')::uuid)'],
        -- A batch with rows that need other uids is sent again, also where the cage ends before it has given them.
        ['receive', 'received = new_rev, mark = new_mark,', 'received = CASE WHEN taken = ''{}'' THEN new_rev ELSE received END, mark = CASE WHEN taken = ''{}'' THEN new_mark ELSE mark END,']
    ];
    one text[];
    before text;
BEGIN
    FOREACH one SLICE 1 IN ARRAY changed LOOP
        before := pg_get_functiondef(one[1]::regproc);
        ASSERT position(one[2] IN before) > 0, one[2];
        EXECUTE replace(before, one[2], one[3]);
    END LOOP;
END $$;

-- Rights, as in V2. What is set up is the owner's to note.
DO $$
DECLARE
    made text;
BEGIN
    FOREACH made IN ARRAY ARRAY['delete_of_unknown_session', 'may_correct', 'tell'] LOOP
        EXECUTE format('REVOKE ALL ON FUNCTION %I FROM PUBLIC', made);
        EXECUTE format('GRANT EXECUTE ON FUNCTION %I TO cagehand_office', made);
    END LOOP;
    REVOKE INSERT, UPDATE, DELETE ON refinery_schema_history FROM cagehand_office;
END $$;
