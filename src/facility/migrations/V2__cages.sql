-- What a cage calls. Its login sees no table and can do nothing but this (docs/facility.md): the functions run with the owner's
-- rights and look at who calls them. They keep their names and arguments; rows are JSON, so that a cage of an older version goes on.

CREATE INDEX changes_by_row ON changes (what, uid, number);

-- Who a hitter is now, through merges; NULL for one who was deleted.
CREATE FUNCTION living(who uuid) RETURNS uuid LANGUAGE plpgsql STABLE AS $$
DECLARE
    next uuid;
BEGIN
    LOOP
        SELECT merged_into INTO next FROM deleted WHERE uid = who;
        IF NOT FOUND THEN
            RETURN who;
        END IF;
        who := next;
        IF who IS NULL THEN
            RETURN NULL;
        END IF;
    END LOOP;
END $$;

CREATE FUNCTION is_deleted(row_uid uuid) RETURNS boolean LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN EXISTS (SELECT 1 FROM deleted WHERE uid = row_uid);
END $$;

-- Everything of one hitter becomes another's. Two merges that would go round in a circle: the second is none.
CREATE FUNCTION merge_hitter(one uuid, other uuid) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    now_one uuid := living(one);
    now_other uuid := living(other);
BEGIN
    IF now_one IS NULL OR is_deleted(one) THEN
        RETURN;
    ELSIF now_other IS NULL THEN
        DELETE FROM hitters WHERE uid = one;
        INSERT INTO deleted (uid, what) VALUES (one, 'hitter') ON CONFLICT DO NOTHING;
        RETURN;
    ELSIF now_other = one THEN
        RETURN;
    END IF;
    INSERT INTO deleted (uid, what, merged_into) VALUES (one, 'hitter', now_other);
    UPDATE sessions SET hitter = row_id(now_other) WHERE hitter = row_id(one);
    UPDATE plans SET hitter = row_id(now_other) WHERE hitter = row_id(one);
    UPDATE consents SET hitter = row_id(now_other) WHERE hitter = row_id(one);
    DELETE FROM hitters WHERE uid = one;
END $$;

-- The office merges in its own statements and notes it first, as a journal does.
CREATE FUNCTION follow_merge() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    UPDATE sessions SET hitter = row_id(NEW.merged_into) WHERE hitter = row_id(NEW.uid);
    RETURN NULL;
END $$;
CREATE TRIGGER follow_merge AFTER INSERT ON deleted FOR EACH ROW WHEN (NEW.merged_into IS NOT NULL) EXECUTE FUNCTION follow_merge();

CREATE FUNCTION refuse_strangers(of_journal uuid) RETURNS void LANGUAGE plpgsql STABLE AS $$
BEGIN
    IF NOT EXISTS (SELECT 1 FROM journals WHERE uid = of_journal AND login = session_user) THEN
        RAISE EXCEPTION 'no journal of this login' USING ERRCODE = '42501';
    END IF;
END $$;

-- A cage begins to speak: who it is, and how it is. Gives what has been received of its journal.
CREATE FUNCTION hello(of_journal uuid, of_cage text, of_state jsonb, OUT received bigint, OUT mark uuid)
LANGUAGE plpgsql SECURITY DEFINER AS $$
BEGIN
    INSERT INTO journals AS j (uid, cage, login, state) VALUES (of_journal, of_cage, session_user, of_state)
    ON CONFLICT (uid) DO UPDATE SET cage = excluded.cage, state = excluded.state, seen_at = now(), retired_at = NULL WHERE j.login = session_user;
    PERFORM refuse_strangers(of_journal);
    SELECT j.received, j.mark INTO received, mark FROM journals j WHERE j.uid = of_journal;
END $$;

CREATE FUNCTION is_needed(whom bigint, of_journal uuid) RETURNS boolean LANGUAGE sql STABLE AS $$
    SELECT NOT EXISTS (SELECT 1 FROM may_hit WHERE hitter = whom)
        OR EXISTS (SELECT 1 FROM may_hit m JOIN journals j ON j.cage = m.cage WHERE m.hitter = whom AND j.uid = of_journal)
        OR EXISTS (SELECT 1 FROM sessions WHERE hitter = whom AND journal = of_journal)
$$;

CREATE FUNCTION plan_row(p plans) RETURNS jsonb LANGUAGE sql STABLE AS $$
    SELECT to_jsonb(p) || jsonb_build_object('hitter_uid', (SELECT uid FROM hitters WHERE id = p.hitter)) - 'id' - 'hitter' - 'rev'
$$;

CREATE FUNCTION consent_row(c consents) RETURNS jsonb LANGUAGE sql STABLE AS $$
    SELECT to_jsonb(c) || jsonb_build_object('hitter_uid', (SELECT uid FROM hitters WHERE id = c.hitter)) - 'id' - 'hitter' - 'rev'
$$;

-- A hitter with what a cage has to know before they may hit there: the newest plans and decisions, none of their history.
CREATE FUNCTION hitter_row(h hitters) RETURNS jsonb LANGUAGE sql STABLE AS $$
    SELECT to_jsonb(h) - 'id' - 'rev' || jsonb_build_object(
        'plans', (SELECT coalesce(jsonb_agg(plan_row(p)), '[]') FROM plans p WHERE p.hitter = h.id
                  AND p.turn = (SELECT max(turn) FROM plans WHERE hitter = h.id)),
        'consents', (SELECT coalesce(jsonb_agg(consent_row(c)), '[]') FROM consents c WHERE c.hitter = h.id
                     AND NOT EXISTS (SELECT 1 FROM consents n WHERE n.hitter = h.id AND n.purpose = c.purpose AND n.turn > c.turn)))
$$;

CREATE FUNCTION rep_row(r reps) RETURNS jsonb LANGUAGE sql STABLE AS $$
    SELECT to_jsonb(r) - 'id' - 'rev' - 'session' || jsonb_build_object(
        'session_uid', (SELECT uid FROM sessions WHERE id = r.session),
        'measures', (SELECT coalesce(jsonb_agg(to_jsonb(m) - 'rep'), '[]') FROM measures m WHERE m.rep = r.id),
        'found_events', (SELECT to_jsonb(f) - 'rep' FROM found_events f WHERE f.rep = r.id),
        'found_measures', (SELECT coalesce(jsonb_agg(to_jsonb(m) - 'rep'), '[]') FROM found_measures m WHERE m.rep = r.id))
$$;

-- What one change is about, for a cage; NULL where it is nothing to that cage.
CREATE FUNCTION row_for(of_journal uuid, of_what text, of_uid uuid) RETURNS jsonb LANGUAGE plpgsql STABLE AS $$
BEGIN
    CASE of_what
        WHEN 'hitter' THEN
            RETURN (SELECT hitter_row(h) FROM hitters h WHERE h.uid = of_uid AND is_needed(h.id, of_journal));
        WHEN 'plan' THEN
            RETURN (SELECT plan_row(p) FROM plans p WHERE p.uid = of_uid AND (p.hitter IS NULL OR is_needed(p.hitter, of_journal)));
        WHEN 'consent' THEN
            RETURN (SELECT consent_row(c) FROM consents c WHERE c.uid = of_uid AND is_needed(c.hitter, of_journal));
        WHEN 'session' THEN
            RETURN (SELECT to_jsonb(s) - 'id' - 'rev' - 'hitter' - 'plan' - 'journal'
                           || jsonb_build_object('hitter', hitter_row(h), 'hitter_uid', h.uid)
                    FROM sessions s LEFT JOIN hitters h ON h.id = s.hitter WHERE s.uid = of_uid);
        WHEN 'rep' THEN
            RETURN (SELECT rep_row(r) FROM reps r WHERE r.id = row_id(of_uid) AND r.uid = of_uid);
        WHEN 'note' THEN
            RETURN (SELECT to_jsonb(n) - 'id' - 'rev' - 'session' - 'rep' || jsonb_build_object(
                        'session_uid', (SELECT uid FROM sessions WHERE id = n.session), 'rep_uid', (SELECT uid FROM reps WHERE id = n.rep))
                    FROM notes n WHERE n.uid = of_uid);
        WHEN 'correction' THEN
            RETURN (SELECT to_jsonb(c) - 'id' - 'rev' - 'rep' || jsonb_build_object('rep_uid', (SELECT uid FROM reps WHERE id = c.rep))
                    FROM corrections c WHERE c.uid = of_uid);
        ELSE
            RETURN (SELECT to_jsonb(d) - 'at' FROM deleted d WHERE d.uid = of_uid);
    END CASE;
END $$;

-- What a cage has to hear of, behind the change that it heard of last. A mark that is not that change's shows that the store was
-- restored from a backup since: everything is told again.
CREATE FUNCTION changes_for(of_journal uuid, after bigint, after_mark uuid, at_most int)
RETURNS TABLE (number bigint, mark uuid, what text, uid uuid, content jsonb)
LANGUAGE plpgsql SECURITY DEFINER AS $$
DECLARE
    -- A journal that was restored from a backup goes on with the sessions of the one that it was.
    own uuid[] := ARRAY(SELECT j.uid FROM journals j WHERE j.login = session_user);
BEGIN
    PERFORM refuse_strangers(of_journal);
    IF NOT EXISTS (SELECT 1 FROM changes c WHERE c.number = after AND c.mark = after_mark) THEN
        after := 0;
    END IF;
    -- A cage asks every few seconds: an answer that changes nothing is not written down each time.
    UPDATE journals j SET pulled = after, seen_at = now()
    WHERE j.uid = of_journal AND (j.pulled <> after OR j.seen_at < now() - interval '20 seconds');
    RETURN QUERY
        SELECT c.number, c.mark, c.what, c.uid, row_for(of_journal, c.what, c.uid) FROM changes c
        WHERE c.number > after AND (c.journal IS NULL OR c.journal = ANY (own))
          AND NOT EXISTS (SELECT 1 FROM changes l WHERE l.what = c.what AND l.uid = c.uid AND l.number > c.number)
        ORDER BY c.number LIMIT at_most;
END $$;

-- Takes rows of a cage: all or none. Rows that are here already change nothing. Gives uids whose row number another row has: the
-- cage gives those rows other uids and sends them again.
CREATE FUNCTION receive(of_journal uuid, new_mark uuid, new_rev bigint, batch jsonb, timeline_of uuid[], starts double precision[],
                        widths bigint[], heights bigint[], packed bytea[])
RETURNS uuid[] LANGUAGE plpgsql SECURITY DEFINER AS $$
DECLARE
    gone record;
    written bigint[];
    taken uuid[] := '{}';
    is_told boolean;
BEGIN
    PERFORM refuse_strangers(of_journal);
    is_told := EXISTS (SELECT 1 FROM outdated(batch));
    IF is_told OR batch ?| ARRAY['hitters', 'plans', 'consents', 'notes', 'corrections', 'deleted'] OR EXISTS (SELECT 1 FROM orphaned(batch)) THEN
        PERFORM hold_changes();
    ELSE
        PERFORM share_changes();
    END IF;
    -- One batch of a journal after the other: of a connection that broke, one can still be on its way.
    PERFORM 1 FROM journals j WHERE j.uid = of_journal FOR NO KEY UPDATE;
    PERFORM set_config('cagehand.receiving', of_journal::text, true);

    FOR gone IN SELECT * FROM jsonb_to_recordset(batch -> 'deleted') AS d (uid uuid, what text, merged_into uuid) LOOP
        IF gone.what = 'hitter' AND gone.merged_into IS NOT NULL THEN
            PERFORM merge_hitter(gone.uid, gone.merged_into);
        ELSIF gone.what = 'hitter' THEN
            DELETE FROM hitters h WHERE h.uid = gone.uid;
            PERFORM delete_unknown_hitter(row_id(gone.uid));
            INSERT INTO deleted (uid, what) VALUES (gone.uid, 'hitter') ON CONFLICT DO NOTHING;
        ELSIF gone.what = 'session' THEN
            -- A cage deletes sessions of its own alone.
            CONTINUE WHEN EXISTS (SELECT 1 FROM sessions s JOIN journals j ON j.uid = s.journal
                                  WHERE s.uid = gone.uid AND j.login <> session_user);
            DELETE FROM sessions s WHERE s.uid = gone.uid;
            INSERT INTO deleted (uid, what) VALUES (gone.uid, 'session') ON CONFLICT DO NOTHING;
        ELSE
            CONTINUE WHEN EXISTS (SELECT 1 FROM notes n JOIN sessions s ON s.id = n.session JOIN journals j ON j.uid = s.journal
                                  WHERE n.uid = gone.uid AND j.login <> session_user);
            DELETE FROM notes n WHERE n.uid = gone.uid;
            INSERT INTO deleted (uid, what) VALUES (gone.uid, 'note') ON CONFLICT DO NOTHING;
        END IF;
    END LOOP;

    -- Nothing of a session may stay whose hitter was deleted after the cage asked, whatever of it comes now or later.
    INSERT INTO deleted (uid, what) SELECT o.uid, 'session' FROM orphaned(batch) AS o (uid) ON CONFLICT DO NOTHING;

    INSERT INTO hitters AS old
    SELECT r.* FROM jsonb_array_elements(batch -> 'hitters') AS e (content),
        jsonb_populate_record(NULL::hitters, '{"edits": 0, "freezes": 0}' || content || jsonb_build_object('id', row_id((content ->> 'uid')::uuid), 'rev', NULL)) AS r
    WHERE NOT is_deleted(r.uid)
    ON CONFLICT (id) DO UPDATE SET
        (name, bats, height_cm, edits, edited_in) = (SELECT n.* FROM (VALUES
            (excluded.name, excluded.bats, excluded.height_cm, excluded.edits, excluded.edited_in)) AS n
            WHERE is_newer(excluded.edits, excluded.edited_in, old.edits, old.edited_in)
            UNION ALL SELECT old.name, old.bats, old.height_cm, old.edits, old.edited_in
            WHERE NOT is_newer(excluded.edits, excluded.edited_in, old.edits, old.edited_in)),
        frozen_at = CASE WHEN excluded.freezes > old.freezes THEN excluded.frozen_at
                         WHEN excluded.freezes = old.freezes THEN coalesce(old.frozen_at, excluded.frozen_at)
                         ELSE old.frozen_at END,
        freezes = greatest(old.freezes, excluded.freezes)
    WHERE old.uid = excluded.uid
      AND (is_newer(excluded.edits, excluded.edited_in, old.edits, old.edited_in) OR excluded.freezes >= old.freezes);

    INSERT INTO plans AS old
    SELECT r.* FROM jsonb_array_elements(batch -> 'plans') AS e (content),
        jsonb_populate_record(NULL::plans, '{"edits": 0}' || content || jsonb_build_object(
            'id', row_id((content ->> 'uid')::uuid), 'hitter', row_id(living((content ->> 'hitter_uid')::uuid)), 'rev', NULL)) AS r
    WHERE content ->> 'hitter_uid' IS NULL OR living((content ->> 'hitter_uid')::uuid) IS NOT NULL
    ON CONFLICT (id) DO NOTHING;

    INSERT INTO consents AS old
    SELECT r.* FROM jsonb_array_elements(batch -> 'consents') AS e (content),
        jsonb_populate_record(NULL::consents, '{"edits": 0}' || content || jsonb_build_object(
            'id', row_id((content ->> 'uid')::uuid), 'hitter', row_id(living((content ->> 'hitter_uid')::uuid)), 'rev', NULL)) AS r
    WHERE living((content ->> 'hitter_uid')::uuid) IS NOT NULL
    ON CONFLICT (id) DO NOTHING;

    INSERT INTO sessions AS old
    SELECT r.* FROM jsonb_array_elements(batch -> 'sessions') AS e (content),
        jsonb_populate_record(NULL::sessions, '{"edits": 0}' || content || jsonb_build_object(
            'id', row_id((content ->> 'uid')::uuid), 'hitter', row_id(living((content ->> 'hitter_uid')::uuid)),
            'plan', row_id((content ->> 'plan_uid')::uuid), 'journal', of_journal, 'rev', NULL)) AS r
    WHERE NOT is_deleted(r.uid) AND (content ->> 'hitter_uid' IS NULL OR living((content ->> 'hitter_uid')::uuid) IS NOT NULL)
    ON CONFLICT (id) DO UPDATE SET
        (hitter, edits, edited_in) = (SELECT n.* FROM (VALUES (excluded.hitter, excluded.edits, excluded.edited_in)) AS n
            WHERE is_newer(excluded.edits, excluded.edited_in, old.edits, old.edited_in)
            UNION ALL SELECT old.hitter, old.edits, old.edited_in
            WHERE NOT is_newer(excluded.edits, excluded.edited_in, old.edits, old.edited_in)),
        ended_at = excluded.ended_at, end_note = excluded.end_note, plan = coalesce(excluded.plan, old.plan), journal = excluded.journal
    WHERE old.uid = excluded.uid AND EXISTS (SELECT 1 FROM journals j WHERE j.uid = old.journal AND j.login = session_user);

    WITH put AS (
        INSERT INTO reps AS old
        SELECT r.* FROM jsonb_array_elements(batch -> 'reps') AS e (content),
            jsonb_populate_record(NULL::reps, '{"edits": 0, "marked": 0}' || content || jsonb_build_object(
                'id', row_id((content ->> 'uid')::uuid), 'session', row_id((content ->> 'session_uid')::uuid), 'rev', NULL)) AS r
        WHERE may_belong((content ->> 'session_uid')::uuid)
        ON CONFLICT (id) DO UPDATE SET
            marked = excluded.marked, struck_why = excluded.struck_why, called = excluded.called, set_secs = excluded.set_secs,
            gather_secs = excluded.gather_secs, lift_off_secs = excluded.lift_off_secs, plant_secs = excluded.plant_secs,
            heel_rise_secs = excluded.heel_rise_secs, contact_secs = excluded.contact_secs, finish_secs = excluded.finish_secs,
            edits = excluded.edits, edited_in = excluded.edited_in
        WHERE old.uid = excluded.uid AND is_newer(excluded.edits, excluded.edited_in, old.edits, old.edited_in)
        RETURNING id
    ) SELECT array_agg(id) INTO written FROM put;
    PERFORM put_measures(batch -> 'reps', written);

    INSERT INTO timelines
    SELECT r.id, t.start, t.width, t.height, t.landmarks
    FROM unnest(timeline_of, starts, widths, heights, packed) AS t (rep, start, width, height, landmarks)
    JOIN reps r ON r.id = row_id(t.rep) AND r.uid = t.rep
    LEFT JOIN sessions s ON s.id = r.session
    WHERE s.hitter IS NULL OR NOT refuses_landmarks(s.hitter)
    ON CONFLICT DO NOTHING;

    INSERT INTO notes
    SELECT r.* FROM jsonb_array_elements(batch -> 'notes') AS e (content),
        jsonb_populate_record(NULL::notes, content || jsonb_build_object('id', row_id((content ->> 'uid')::uuid),
            'session', row_id((content ->> 'session_uid')::uuid), 'rep', row_id((content ->> 'rep_uid')::uuid), 'rev', NULL)) AS r
    WHERE NOT is_deleted(r.uid) AND may_belong((content ->> 'session_uid')::uuid)
    ON CONFLICT DO NOTHING;

    INSERT INTO corrections
    SELECT r.* FROM jsonb_array_elements(batch -> 'corrections') AS e (content),
        jsonb_populate_record(NULL::corrections, content || jsonb_build_object('id', row_id((content ->> 'uid')::uuid),
            'rep', row_id((content ->> 'rep_uid')::uuid), 'rev', NULL)) AS r
    WHERE NOT is_deleted((content ->> 'session_uid')::uuid)
    ON CONFLICT DO NOTHING;

    -- What a cage itself had corrected, and lost with its journal, it hears of again.
    IF is_told THEN
        INSERT INTO changes (what, uid, journal) SELECT o.what, o.uid, of_journal FROM outdated(batch) AS o;
    END IF;

    taken := collided(batch);
    UPDATE journals SET received = new_rev, mark = new_mark, seen_at = now() WHERE uid = of_journal;
    RETURN taken;
END $$;

-- Of two versions of a row: the one that was edited more often, then the one from the greater journal.
CREATE FUNCTION is_newer(edits bigint, edited_in uuid, old_edits bigint, old_edited_in uuid) RETURNS boolean
LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
    SELECT (edits, coalesce(edited_in, '00000000-0000-0000-0000-000000000000'::uuid))
         > (old_edits, coalesce(old_edited_in, '00000000-0000-0000-0000-000000000000'::uuid))
$$;

-- Rows in a batch of which the store has a newer version, and the corrections that made it so.
CREATE FUNCTION outdated(batch jsonb) RETURNS TABLE (what text, uid uuid) LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN QUERY
        WITH newer AS (
            SELECT r.id, r.uid FROM jsonb_array_elements(batch -> 'reps') AS e (content)
            JOIN reps r ON r.id = row_id((content ->> 'uid')::uuid) AND r.uid = (content ->> 'uid')::uuid
            WHERE is_newer(r.edits, r.edited_in, coalesce((content ->> 'edits')::bigint, 0), (content ->> 'edited_in')::uuid)
        )
        SELECT 'session', s.uid FROM jsonb_array_elements(batch -> 'sessions') AS e (content)
        JOIN sessions s ON s.id = row_id((content ->> 'uid')::uuid) AND s.uid = (content ->> 'uid')::uuid
        WHERE is_newer(s.edits, s.edited_in, coalesce((content ->> 'edits')::bigint, 0), (content ->> 'edited_in')::uuid)
        UNION ALL SELECT 'rep', newer.uid FROM newer
        UNION ALL SELECT 'correction', c.uid FROM newer JOIN corrections c ON c.rep = newer.id;
END $$;

-- Whether rows of a session may be here: not of one that was deleted, nor of one whose number another session has, nor of one that
-- another login's journal began.
CREATE FUNCTION may_belong(to_session uuid) RETURNS boolean LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN NOT is_deleted(to_session) AND NOT EXISTS (
        SELECT 1 FROM sessions s LEFT JOIN journals j ON j.uid = s.journal
        WHERE s.id = row_id(to_session) AND (s.uid <> to_session OR j.login IS DISTINCT FROM session_user));
END $$;

-- Sessions in a batch whose hitter was deleted.
CREATE FUNCTION orphaned(batch jsonb) RETURNS SETOF uuid LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN QUERY SELECT (content ->> 'uid')::uuid FROM jsonb_array_elements(batch -> 'sessions') AS e (content)
    WHERE content ->> 'hitter_uid' IS NOT NULL AND living((content ->> 'hitter_uid')::uuid) IS NULL AND may_belong((content ->> 'uid')::uuid);
END $$;

-- The measures of a rep as one row. A hash of the few names is made sooner than each is looked up.
CREATE FUNCTION pack_measures(of_rep bigint, told jsonb) RETURNS packed_measures LANGUAGE plpgsql STRICT SET enable_hashjoin = on AS $$
DECLARE
    p packed_measures;
    known bigint;
    is_sound boolean;
BEGIN
    LOOP
        SELECT of_rep, array_agg(m.value), array_agg(m.plus_minus), array_agg(m.confidence),
               CASE WHEN count(m.verdict) > 0 THEN array_agg(m.verdict::"char") END,
               CASE WHEN count(m.band_low) > 0 THEN array_agg(m.band_low) END,
               CASE WHEN count(m.band_high) > 0 THEN array_agg(m.band_high) END,
               CASE WHEN count(m.why) > 0 THEN array_agg(m.why) END,
               count(m.told_name),
               count(*) = max(m.place) AND NOT coalesce(bool_or(m.told_name IS NOT NULL AND (m.value IS NULL) = (m.why IS NULL)
                   OR m.verdict NOT IN ('in', 'low', 'high')), false)
        INTO p.rep, p.value, p.plus_minus, p.confidence, p.verdict, p.band_low, p.band_high, p.why, known, is_sound
        FROM (
            SELECT n.place, t.* FROM measure_names n
            LEFT JOIN jsonb_to_recordset(told) AS t (name text, value double precision, plus_minus double precision, confidence double precision,
                verdict text, band_low double precision, band_high double precision, why text) ON t.name = n.name
            ORDER BY n.place) AS m (place, told_name, value, plus_minus, confidence, verdict, band_low, band_high, why);
        EXIT WHEN known = jsonb_array_length(told);
        PERFORM measure_place(t.name) FROM jsonb_to_recordset(told) AS t (name text);
    END LOOP;
    IF NOT is_sound THEN
        RAISE EXCEPTION 'a measure of the rep % is told twice, or has neither a value nor a reason why it has none, or both, or no known verdict', of_rep
            USING ERRCODE = 'check_violation';
    END IF;
    RETURN p;
END $$;

-- The measures of those reps that were written; the columns are named, so that no row can say itself whose it is.
CREATE FUNCTION put_measures(told jsonb, written bigint[]) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    DELETE FROM packed_measures WHERE rep = ANY (written);
    INSERT INTO packed_measures
    SELECT p.* FROM jsonb_array_elements(told) AS e (content), pack_measures(row_id((content ->> 'uid')::uuid), content -> 'measures') AS p
    WHERE row_id((content ->> 'uid')::uuid) = ANY (written) AND jsonb_array_length(content -> 'measures') > 0;
    DELETE FROM found_events WHERE rep = ANY (written);
    DELETE FROM found_measures WHERE rep = ANY (written);
    IF told @? '$[*].found_events.*' THEN
        INSERT INTO found_events
        SELECT f.* FROM jsonb_array_elements(told) AS e (content),
            jsonb_populate_record(NULL::found_events, content -> 'found_events' || jsonb_build_object('rep', row_id((content ->> 'uid')::uuid))) AS f
        WHERE jsonb_typeof(content -> 'found_events') = 'object' AND f.rep = ANY (written);
        INSERT INTO found_measures (rep, name, value, plus_minus, confidence, verdict, band_low, band_high, why)
        SELECT row_id((content ->> 'uid')::uuid), m.*
        FROM jsonb_array_elements(told) AS e (content), jsonb_to_recordset(content -> 'found_measures') AS m (
            name text, value double precision, plus_minus double precision, confidence double precision, verdict text,
            band_low double precision, band_high double precision, why text)
        WHERE jsonb_typeof(content -> 'found_events') = 'object' AND row_id((content ->> 'uid')::uuid) = ANY (written);
    END IF;
END $$;

-- Sessions can have come before their hitter, who is deleted now.
CREATE FUNCTION delete_unknown_hitter(hitter_id bigint) RETURNS void LANGUAGE sql AS $$
    DELETE FROM sessions WHERE hitter = hitter_id;
    DELETE FROM plans WHERE hitter = hitter_id;
    DELETE FROM consents WHERE hitter = hitter_id
$$;

CREATE FUNCTION collided(batch jsonb) RETURNS uuid[] LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN (SELECT coalesce(array_agg(c.uid), '{}') FROM (
        SELECT (e ->> 'uid')::uuid FROM jsonb_array_elements(batch -> 'hitters') e JOIN hitters t ON t.id = row_id((e ->> 'uid')::uuid) WHERE t.uid <> (e ->> 'uid')::uuid
        UNION ALL
        SELECT (e ->> 'uid')::uuid FROM jsonb_array_elements(batch -> 'plans') e JOIN plans t ON t.id = row_id((e ->> 'uid')::uuid) WHERE t.uid <> (e ->> 'uid')::uuid
        UNION ALL
        SELECT (e ->> 'uid')::uuid FROM jsonb_array_elements(batch -> 'consents') e JOIN consents t ON t.id = row_id((e ->> 'uid')::uuid) WHERE t.uid <> (e ->> 'uid')::uuid
        UNION ALL
        SELECT (e ->> 'uid')::uuid FROM jsonb_array_elements(batch -> 'sessions') e JOIN sessions t ON t.id = row_id((e ->> 'uid')::uuid) WHERE t.uid <> (e ->> 'uid')::uuid
        UNION ALL
        SELECT (e ->> 'uid')::uuid FROM jsonb_array_elements(batch -> 'reps') e JOIN reps t ON t.id = row_id((e ->> 'uid')::uuid) WHERE t.uid <> (e ->> 'uid')::uuid
        UNION ALL
        SELECT (e ->> 'uid')::uuid FROM jsonb_array_elements(batch -> 'notes') e JOIN notes t ON t.id = row_id((e ->> 'uid')::uuid) WHERE t.uid <> (e ->> 'uid')::uuid
        UNION ALL
        SELECT (e ->> 'uid')::uuid FROM jsonb_array_elements(batch -> 'corrections') e JOIN corrections t ON t.id = row_id((e ->> 'uid')::uuid) WHERE t.uid <> (e ->> 'uid')::uuid
    ) AS c (uid));
END $$;

-- Rights. Nobody but the owner makes or drops anything; a cage calls three functions; the office reads and corrects.
DO $$
DECLARE
    made text;
BEGIN
    FOREACH made IN ARRAY ARRAY['cagehand_cage', 'cagehand_office'] LOOP
        -- Roles are a server's: another store on it may have made them, or be about to.
        BEGIN
            EXECUTE format('CREATE ROLE %I NOLOGIN', made);
        EXCEPTION WHEN duplicate_object OR unique_violation THEN
            NULL;
        END;
    END LOOP;
    -- Functions that run with the owner's rights look nowhere else.
    FOR made IN SELECT p.oid::regprocedure FROM pg_proc p WHERE p.pronamespace = current_schema()::regnamespace LOOP
        EXECUTE format('REVOKE ALL ON FUNCTION %s FROM PUBLIC', made);
        EXECUTE format('GRANT EXECUTE ON FUNCTION %s TO cagehand_office', made);
    END LOOP;
    FOREACH made IN ARRAY ARRAY['hello', 'changes_for', 'receive'] LOOP
        EXECUTE format('ALTER FUNCTION %I SET search_path = %I, pg_temp', made, current_schema());
        -- All rows are looked up by their numbers. The plans for that are made once a connection, not anew for the part of a table that a
        -- row is in; and none that goes through whole tables, which would be right only while they are small.
        EXECUTE format('ALTER FUNCTION %I SET plan_cache_mode = force_generic_plan', made);
        EXECUTE format('ALTER FUNCTION %I SET enable_seqscan = off', made);
        EXECUTE format('ALTER FUNCTION %I SET enable_hashjoin = off', made);
        EXECUTE format('ALTER FUNCTION %I SET enable_mergejoin = off', made);
        EXECUTE format('ALTER FUNCTION %I SET jit = off', made);
        EXECUTE format('GRANT EXECUTE ON FUNCTION %I TO cagehand_cage', made);
        EXECUTE format('REVOKE ALL ON FUNCTION %I FROM cagehand_office', made);
    END LOOP;
    EXECUTE format('GRANT USAGE ON SCHEMA %I TO cagehand_cage, cagehand_office', current_schema());
    EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA %I TO cagehand_office', current_schema());
    -- A measure that loses its place is lost in every rep.
    REVOKE UPDATE, DELETE ON measure_names FROM cagehand_office;
    EXECUTE format('GRANT USAGE ON ALL SEQUENCES IN SCHEMA %I TO cagehand_office', current_schema());
END $$;
