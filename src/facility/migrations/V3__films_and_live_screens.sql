-- Films of reps from cages whose settings send them, and what cages' screens show while an office looks.

-- A film comes in parts, so that a connection that breaks costs one of them, and is there once all are. It goes with its rep, after its
-- days, or once its hitter does not allow it.
CREATE TABLE films (
    rep        bigint PRIMARY KEY,
    parts      int NOT NULL CHECK (parts BETWEEN 1 AND 4096),
    bytes      bigint NOT NULL,
    kept_until timestamptz NOT NULL
);
CREATE INDEX films_by_end ON films (kept_until);
CREATE TABLE film_parts (
    rep   bigint NOT NULL REFERENCES films ON DELETE CASCADE,
    part  int NOT NULL CHECK (part >= 0),
    bytes bytea NOT NULL,
    PRIMARY KEY (rep, part)
);
ALTER TABLE film_parts ALTER COLUMN bytes SET STORAGE EXTERNAL;

CREATE FUNCTION delete_film() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    DELETE FROM films WHERE rep = OLD.id;
    RETURN NULL;
END $$;
CREATE TRIGGER delete_film AFTER DELETE ON reps FOR EACH ROW EXECUTE FUNCTION delete_film();

-- Whether a hitter refuses what is asked for.
CREATE FUNCTION refuses(whom bigint, what text) RETURNS boolean LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN EXISTS (SELECT 1 FROM consents c WHERE c.hitter = whom AND c.purpose = what AND c.decision <> 'given'
                   AND NOT EXISTS (SELECT 1 FROM consents n WHERE n.hitter = whom AND n.purpose = what AND n.turn > c.turn));
END $$;

CREATE FUNCTION delete_refused_films() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.hitter IS NOT NULL AND refuses(NEW.hitter, 'film') THEN
        DELETE FROM films WHERE rep IN (SELECT r.id FROM reps r JOIN sessions s ON s.id = r.session WHERE s.hitter = NEW.hitter);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER delete_refused_films AFTER INSERT OR UPDATE ON consents FOR EACH ROW EXECUTE FUNCTION delete_refused_films();
CREATE TRIGGER delete_refused_films AFTER INSERT OR UPDATE OF hitter ON sessions FOR EACH ROW EXECUTE FUNCTION delete_refused_films();

-- The number of a rep of which a film may be here: of a session of this login, whose hitter does not refuse it. Else NULL.
CREATE FUNCTION may_be_filmed(of_rep uuid) RETURNS bigint LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN (SELECT r.id FROM reps r JOIN sessions s ON s.id = r.session JOIN journals j ON j.uid = s.journal
            WHERE r.id = row_id(of_rep) AND r.uid = of_rep AND j.login = session_user AND (s.hitter IS NULL OR NOT refuses(s.hitter, 'film')));
END $$;

-- Which parts of their films are here, for reps that may have one.
CREATE FUNCTION films_of(of_journal uuid, of_reps uuid[]) RETURNS TABLE (rep uuid, here int[])
LANGUAGE plpgsql SECURITY DEFINER AS $$
BEGIN
    PERFORM refuse_strangers(of_journal);
    RETURN QUERY SELECT u.uid, ARRAY(SELECT p.part FROM film_parts p WHERE p.rep = f.number)
        FROM unnest(of_reps) AS u (uid), may_be_filmed(u.uid) AS f (number) WHERE f.number IS NOT NULL;
END $$;

-- Takes a part of a film, which is to be deleted after so many seconds. Gives whether the film may be here.
CREATE FUNCTION receive_film(of_journal uuid, of_rep uuid, keep_secs double precision, of_bytes bigint, of_parts int, number int, content bytea)
RETURNS boolean LANGUAGE plpgsql SECURITY DEFINER AS $$
DECLARE
    filmed bigint;
BEGIN
    PERFORM refuse_strangers(of_journal);
    -- Nobody deletes or refuses it meanwhile.
    PERFORM share_changes();
    filmed := may_be_filmed(of_rep);
    IF filmed IS NULL OR keep_secs <= 0 THEN
        RETURN false;
    END IF;
    INSERT INTO films VALUES (filmed, of_parts, of_bytes, now() + make_interval(secs => keep_secs)) ON CONFLICT DO NOTHING;
    INSERT INTO film_parts VALUES (filmed, number, content) ON CONFLICT DO NOTHING;
    RETURN true;
END $$;

-- What the screens show of the cages at which an office looks, the newest state alone. It is in no log and no base backup.
CREATE UNLOGGED TABLE live_screens (
    journal       uuid PRIMARY KEY REFERENCES journals ON DELETE CASCADE,
    watched_until timestamptz NOT NULL,
    told_at       timestamptz,
    state         jsonb
);

-- Whether an office looks at this cage's screen now.
CREATE FUNCTION is_watched(of_journal uuid) RETURNS boolean LANGUAGE plpgsql STABLE SECURITY DEFINER AS $$
BEGIN
    PERFORM refuse_strangers(of_journal);
    RETURN EXISTS (SELECT 1 FROM live_screens l WHERE l.journal = of_journal AND l.watched_until > now());
END $$;

-- Takes what a cage's screen shows. Gives whether an office still looks; where none does nothing is kept.
CREATE FUNCTION show_live(of_journal uuid, shown jsonb) RETURNS boolean LANGUAGE plpgsql SECURITY DEFINER AS $$
BEGIN
    PERFORM refuse_strangers(of_journal);
    UPDATE live_screens SET state = shown, told_at = now() WHERE journal = of_journal AND watched_until > now();
    IF NOT FOUND THEN
        DELETE FROM live_screens WHERE journal = of_journal AND watched_until <= now();
        RETURN false;
    END IF;
    RETURN true;
END $$;

-- Whoever is deleted is on no screen that is left here; a cage that is still looked at tells it anew.
CREATE FUNCTION forget_screens() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    UPDATE live_screens SET state = NULL, told_at = NULL;
    RETURN NULL;
END $$;
CREATE TRIGGER forget_screens AFTER DELETE ON hitters FOR EACH STATEMENT EXECUTE FUNCTION forget_screens();

-- As before; and deletes what is here no longer than until now.
CREATE OR REPLACE FUNCTION hello(of_journal uuid, of_cage text, of_state jsonb, OUT received bigint, OUT mark uuid)
LANGUAGE plpgsql SECURITY DEFINER AS $$
BEGIN
    INSERT INTO journals AS j (uid, cage, login, state) VALUES (of_journal, of_cage, session_user, of_state)
    ON CONFLICT (uid) DO UPDATE SET cage = excluded.cage, state = excluded.state, seen_at = now(), retired_at = NULL WHERE j.login = session_user;
    PERFORM refuse_strangers(of_journal);
    DELETE FROM films WHERE kept_until < now();
    DELETE FROM live_screens WHERE watched_until < now();
    SELECT j.received, j.mark INTO received, mark FROM journals j WHERE j.uid = of_journal;
END $$;

-- Rights, as in V2: a cage calls these functions too, and sees no table.
DO $$
DECLARE
    made text;
BEGIN
    FOR made IN SELECT p.oid::regprocedure FROM pg_proc p WHERE p.pronamespace = current_schema()::regnamespace LOOP
        EXECUTE format('REVOKE ALL ON FUNCTION %s FROM PUBLIC', made);
    END LOOP;
    FOREACH made IN ARRAY ARRAY['refuses', 'may_be_filmed', 'delete_film', 'delete_refused_films', 'forget_screens'] LOOP
        EXECUTE format('GRANT EXECUTE ON FUNCTION %I TO cagehand_office', made);
    END LOOP;
    FOREACH made IN ARRAY ARRAY['hello', 'films_of', 'receive_film', 'is_watched', 'show_live'] LOOP
        EXECUTE format('ALTER FUNCTION %I SET search_path = %I, pg_temp', made, current_schema());
        EXECUTE format('ALTER FUNCTION %I SET plan_cache_mode = force_generic_plan', made);
        EXECUTE format('ALTER FUNCTION %I SET enable_seqscan = off', made);
        EXECUTE format('ALTER FUNCTION %I SET enable_hashjoin = off', made);
        EXECUTE format('ALTER FUNCTION %I SET enable_mergejoin = off', made);
        EXECUTE format('ALTER FUNCTION %I SET jit = off', made);
        EXECUTE format('GRANT EXECUTE ON FUNCTION %I TO cagehand_cage', made);
    END LOOP;
    GRANT SELECT, INSERT, UPDATE, DELETE ON films, film_parts, live_screens TO cagehand_office;
END $$;
