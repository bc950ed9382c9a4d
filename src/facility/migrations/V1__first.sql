-- The facility's store: what all cages have logged, in one PostgreSQL database (docs/facility.md).
--
-- Tables and columns are those of a cage's journal (docs/journal.md), so that one program reads both. What differs:
--
--   id        made of the uid: milliseconds since 2020 and the 12 bits behind them. So a row has the same number wherever and in
--             whatever order its parts arrive, after a restore too, and rows of one time lie together. It fits 53 bits.
--   journal   the journal that a session comes from. Cages call functions and see no table (see V2).
--   changes   what a cage has to hear of, numbered in the order of its commits: whoever notes a change holds one lock.
--
-- No row refers to another by a foreign key: order of arrival does not matter. What belongs to a deleted row is deleted by triggers.

CREATE SEQUENCE uid_count;

CREATE FUNCTION new_uid() RETURNS uuid LANGUAGE sql VOLATILE AS $$
    SELECT (lpad(to_hex((extract(epoch FROM clock_timestamp()) * 1000)::bigint), 12, '0')
            || '7' || lpad(to_hex(nextval('uid_count') & 4095), 3, '0')
            || substr('89ab', 1 + floor(random() * 4)::int, 1)
            || substr(replace(gen_random_uuid()::text, '-', ''), 1, 15))::uuid
$$;

CREATE FUNCTION row_id(uid uuid) RETURNS bigint LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE AS $$
    SELECT (('x' || substr(uid::text, 1, 8) || substr(uid::text, 10, 4))::bit(48)::bigint - 1577836800000) * 4096
           + ('x' || substr(uid::text, 16, 3))::bit(12)::int
$$;

-- The first row number of a moment.
CREATE FUNCTION first_id(moment timestamptz) RETURNS bigint LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE AS $$
    SELECT ((extract(epoch FROM moment) * 1000)::bigint - 1577836800000) * 4096
$$;

CREATE TABLE office (
    id  int PRIMARY KEY DEFAULT 1 CHECK (id = 1),
    uid uuid NOT NULL DEFAULT new_uid()
);
INSERT INTO office DEFAULT VALUES;

CREATE TABLE journals (
    uid        uuid PRIMARY KEY,
    cage       text NOT NULL CHECK (cage <> ''),
    login      name NOT NULL,
    joined_at  timestamptz NOT NULL DEFAULT now(),
    received   bigint NOT NULL DEFAULT 0,
    mark       uuid,
    pulled     bigint NOT NULL DEFAULT 0,
    seen_at    timestamptz NOT NULL DEFAULT now(),
    state      jsonb NOT NULL DEFAULT '{}',
    -- Since when the office waits for it no longer; it counts again once it is heard from.
    retired_at timestamptz
);

CREATE TABLE hitters (
    id         bigint PRIMARY KEY,
    name       text CHECK (name <> ''),
    bats       text CHECK (bats IN ('left', 'right')),
    height_cm  double precision CHECK (height_cm > 0),
    created_at timestamptz NOT NULL,
    frozen_at  timestamptz,
    uid        uuid NOT NULL UNIQUE DEFAULT new_uid(),
    rev        bigint,
    edits      bigint NOT NULL DEFAULT 0,
    edited_in  uuid,
    freezes    bigint NOT NULL DEFAULT 0
);
CREATE INDEX hitters_by_name ON hitters (name);

-- In which cages a hitter may hit; one without any row may hit in every cage.
CREATE TABLE may_hit (
    hitter bigint NOT NULL,
    cage   text NOT NULL,
    PRIMARY KEY (hitter, cage)
);

CREATE TABLE sessions (
    id              bigint PRIMARY KEY,
    hitter          bigint,
    started_at      timestamptz NOT NULL,
    ended_at        timestamptz,
    end_note        text,
    source          text NOT NULL,
    settings        text NOT NULL,
    program_version text NOT NULL,
    plan            bigint,
    said_by         text CHECK (said_by IN ('settings', 'page')),
    uid             uuid NOT NULL UNIQUE DEFAULT new_uid(),
    rev             bigint,
    edits           bigint NOT NULL DEFAULT 0,
    edited_in       uuid,
    journal         uuid NOT NULL
);
CREATE INDEX sessions_by_hitter ON sessions (hitter, started_at, id);
CREATE INDEX sessions_of_hitter ON sessions (hitter, id);
CREATE INDEX sessions_by_start ON sessions (started_at, id);
CREATE INDEX sessions_by_journal ON sessions (journal, started_at);

CREATE TABLE plans (
    id        bigint PRIMARY KEY,
    hitter    bigint,
    name      text NOT NULL CHECK (name <> ''),
    text      text NOT NULL,
    made_at   timestamptz NOT NULL,
    made_by   text,
    uid       uuid NOT NULL UNIQUE DEFAULT new_uid(),
    rev       bigint,
    edits     bigint NOT NULL DEFAULT 0,
    edited_in uuid,
    turn      bigint NOT NULL
);
CREATE INDEX plans_by_hitter ON plans (hitter, turn, uid);

CREATE TABLE consents (
    id          bigint PRIMARY KEY,
    hitter      bigint NOT NULL,
    purpose     text NOT NULL CHECK (purpose IN ('landmarks', 'name', 'film', 'picture')),
    decision    text NOT NULL CHECK (decision IN ('given', 'refused', 'withdrawn')),
    decided_by  text NOT NULL CHECK (decided_by <> ''),
    decided_on  text NOT NULL,
    recorded_by text NOT NULL,
    recorded_at timestamptz NOT NULL,
    uid         uuid NOT NULL UNIQUE DEFAULT new_uid(),
    rev         bigint,
    edits       bigint NOT NULL DEFAULT 0,
    edited_in   uuid,
    turn        bigint NOT NULL
);
CREATE INDEX consents_by_hitter ON consents (hitter, purpose, turn);

CREATE TABLE reps (
    id                    bigint NOT NULL,
    session               bigint NOT NULL,
    number                bigint NOT NULL,
    kind                  text NOT NULL CHECK (kind IN ('swing', 'take')),
    bats                  text NOT NULL CHECK (bats IN ('left', 'right')),
    view                  text NOT NULL CHECK (view IN ('open-side', 'back-side', 'rear', 'front')),
    fps                   double precision NOT NULL,
    set_secs              double precision,
    gather_secs           double precision,
    lift_off_secs         double precision,
    plant_secs            double precision,
    heel_rise_secs        double precision,
    contact_secs          double precision,
    finish_secs           double precision,
    known_at_secs         double precision NOT NULL,
    cue                   text,
    cue_at_secs           double precision,
    cue_latency_ms        double precision,
    logged_at             timestamptz NOT NULL,
    stance_width_cm       double precision,
    hand_height_cm        double precision,
    lift_height_cm        double precision,
    load                  text,
    no_cue                text,
    pitch_kmh             double precision,
    pitch_release_secs    double precision,
    pitch_arrival_secs    double precision,
    marked                smallint NOT NULL DEFAULT 0 CHECK (marked IN (0, 1)),
    struck_why            text,
    called                text CHECK (called IN ('swing', 'take')),
    cm_per_px             double precision,
    scaled_for_cm         double precision,
    scale_spread          double precision,
    roll_deg              double precision,
    pitcher               text CHECK (pitcher IN ('left', 'right')),
    heard                 text CHECK (heard IN ('contact', 'nothing', 'unclear')),
    contact_plus_minus_ms double precision,
    contact_level_db      double precision,
    uid                   uuid NOT NULL,
    rev                   bigint,
    edits                 bigint NOT NULL DEFAULT 0,
    edited_in             uuid,
    PRIMARY KEY (id)
) PARTITION BY RANGE (id);
CREATE INDEX reps_by_session ON reps (session, number);
-- What lists of sessions count: answered from the index alone.
CREATE INDEX reps_counted ON reps (session) INCLUDE (called, kind, heard) WHERE struck_why IS NULL;
-- Without it the planner takes one rep in two hundred for a swing.
CREATE STATISTICS reps_kinds ON (coalesce(called, kind)) FROM reps;

-- Which place a measure has in the arrays of `packed_measures`: the same in every row, taken when the first rep with it comes.
CREATE TABLE measure_names (
    place smallint PRIMARY KEY CHECK (place > 0),
    name  text NOT NULL UNIQUE CHECK (name ~ '^[a-z][a-z0-9_]{0,62}$')
);
-- So few rows are never looked at by themselves, and would be taken for a thousand.
ALTER TABLE measure_names SET (autovacuum_analyze_threshold = 1);

-- The measures of a rep in one row: as rows of their own, which `measures` shows, they take four times the room, and a page that reads
-- a hundred reps looks up thousands.
CREATE TABLE packed_measures (
    rep        bigint NOT NULL PRIMARY KEY,
    value      double precision[],
    plus_minus double precision[],
    confidence double precision[],
    -- The first letter: i, l or h.
    verdict    "char"[],
    band_low   double precision[],
    band_high  double precision[],
    why        text[]
) PARTITION BY RANGE (rep);

-- A journal's table of that name, of which the program reads and writes rows.
CREATE VIEW measures AS
SELECT p.rep, n.name, p.value[n.place] AS value, p.plus_minus[n.place] AS plus_minus, p.confidence[n.place] AS confidence,
       CASE p.verdict[n.place] WHEN 'i' THEN 'in' WHEN 'l' THEN 'low' WHEN 'h' THEN 'high' END AS verdict,
       p.band_low[n.place] AS band_low, p.band_high[n.place] AS band_high, p.why[n.place] AS why
FROM packed_measures p CROSS JOIN measure_names n
WHERE p.value[n.place] IS NOT NULL OR p.why[n.place] IS NOT NULL;

-- Nobody else adds a name meanwhile: whose row comes second looks again.
CREATE FUNCTION measure_place(measure text) RETURNS smallint LANGUAGE plpgsql AS $$
DECLARE
    found_place smallint;
BEGIN
    LOOP
        SELECT place INTO found_place FROM measure_names WHERE name = measure;
        IF FOUND THEN
            RETURN found_place;
        END IF;
        INSERT INTO measure_names SELECT coalesce(max(place), 0) + 1, measure FROM measure_names ON CONFLICT DO NOTHING;
    END LOOP;
END $$;

-- Rows that the office writes. None is changed in place.
CREATE FUNCTION add_measure() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    at smallint := measure_place(NEW.name);
BEGIN
    IF (NEW.value IS NULL) = (NEW.why IS NULL) OR NEW.verdict NOT IN ('in', 'low', 'high') THEN
        RAISE EXCEPTION 'the measure % has neither a value nor a reason why it has none, or both, or no known verdict', NEW.name
            USING ERRCODE = 'check_violation';
    END IF;
    INSERT INTO packed_measures (rep) VALUES (NEW.rep) ON CONFLICT DO NOTHING;
    UPDATE packed_measures SET
        value[at] = NEW.value, plus_minus[at] = NEW.plus_minus, confidence[at] = NEW.confidence, verdict[at] = NEW.verdict::"char",
        band_low[at] = NEW.band_low, band_high[at] = NEW.band_high, why[at] = NEW.why
    WHERE rep = NEW.rep AND value[at] IS NULL AND why[at] IS NULL;
    IF NOT FOUND THEN
        RAISE EXCEPTION 'the rep % has the measure % already', NEW.rep, NEW.name USING ERRCODE = 'unique_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER add_measure INSTEAD OF INSERT ON measures FOR EACH ROW EXECUTE FUNCTION add_measure();

CREATE FUNCTION delete_measure() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    at smallint := measure_place(OLD.name);
BEGIN
    UPDATE packed_measures SET
        value[at] = NULL, plus_minus[at] = NULL, confidence[at] = NULL, verdict[at] = NULL, band_low[at] = NULL, band_high[at] = NULL, why[at] = NULL
    WHERE rep = OLD.rep;
    DELETE FROM packed_measures WHERE rep = OLD.rep AND NOT EXISTS (SELECT 1 FROM measures WHERE rep = OLD.rep);
    RETURN OLD;
END $$;
CREATE TRIGGER delete_measure INSTEAD OF DELETE ON measures FOR EACH ROW EXECUTE FUNCTION delete_measure();

-- Landmarks are packed already.
CREATE TABLE timelines (
    rep        bigint NOT NULL PRIMARY KEY,
    start_secs double precision NOT NULL,
    width_px   bigint NOT NULL,
    height_px  bigint NOT NULL,
    landmarks  bytea NOT NULL
) PARTITION BY RANGE (rep);
ALTER TABLE timelines ALTER COLUMN landmarks SET STORAGE EXTERNAL;

CREATE TABLE reps_beyond PARTITION OF reps DEFAULT;
CREATE TABLE packed_measures_beyond PARTITION OF packed_measures DEFAULT;
CREATE TABLE timelines_beyond PARTITION OF timelines DEFAULT;

-- Rows that came before there was a part for them, because nobody had set the store up for years or a clock was wrong, move into it. By
-- itself the part beyond has no triggers, which would delete what belongs to the rows that leave it.
CREATE FUNCTION make_partition(parent text, part text, first bigint, next bigint) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    beyond text := parent || '_beyond';
    number text := CASE parent WHEN 'reps' THEN 'id' ELSE 'rep' END;
    are_there boolean;
BEGIN
    EXECUTE format('SELECT EXISTS (SELECT 1 FROM %I WHERE %I >= $1 AND %I < $2)', beyond, number, number) INTO are_there USING first, next;
    IF are_there THEN
        EXECUTE format('ALTER TABLE %I DETACH PARTITION %I', parent, beyond);
    END IF;
    EXECUTE format('CREATE TABLE %I PARTITION OF %I FOR VALUES FROM (%s) TO (%s)', part, parent, first, next);
    IF are_there THEN
        EXECUTE format('INSERT INTO %I SELECT * FROM %I WHERE %I >= $1 AND %I < $2', part, beyond, number, number) USING first, next;
        EXECUTE format('DELETE FROM %I WHERE %I >= $1 AND %I < $2', beyond, number, number) USING first, next;
        EXECUTE format('ALTER TABLE %I ATTACH PARTITION %I DEFAULT', parent, beyond);
    END IF;
END $$;

-- One partition of each for a year; what a clock that is wrong puts elsewhere goes to those named "beyond". Not finer: whatever goes by
-- session asks each of them.
CREATE FUNCTION make_partitions(first date, last date) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    year timestamptz := date_trunc('year', first::timestamp) AT TIME ZONE 'UTC';
    next timestamptz;
    parent text;
    part text;
BEGIN
    WHILE year <= last LOOP
        next := ((year AT TIME ZONE 'UTC') + interval '1 year') AT TIME ZONE 'UTC';
        FOREACH parent IN ARRAY ARRAY['reps', 'packed_measures', 'timelines'] LOOP
            part := parent || '_' || to_char(year AT TIME ZONE 'UTC', 'YYYY');
            IF to_regclass(part) IS NULL THEN
                PERFORM make_partition(parent, part, first_id(year), first_id(next));
            END IF;
        END LOOP;
        year := next;
    END LOOP;
END $$;
DO $$ BEGIN PERFORM make_partitions((now() - interval '3 years')::date, (now() + interval '2 years')::date); END $$;

CREATE TABLE found_events (
    rep            bigint PRIMARY KEY,
    set_secs       double precision,
    gather_secs    double precision,
    lift_off_secs  double precision,
    plant_secs     double precision,
    heel_rise_secs double precision,
    contact_secs   double precision,
    finish_secs    double precision
);

CREATE TABLE found_measures (
    rep        bigint NOT NULL,
    name       text NOT NULL,
    value      double precision,
    plus_minus double precision,
    confidence double precision,
    verdict    text,
    band_low   double precision,
    band_high  double precision,
    why        text,
    PRIMARY KEY (rep, name)
);

CREATE TABLE notes (
    id      bigint PRIMARY KEY,
    session bigint NOT NULL,
    rep     bigint,
    text    text NOT NULL CHECK (text <> ''),
    made_at timestamptz NOT NULL,
    made_by text,
    uid     uuid NOT NULL UNIQUE DEFAULT new_uid(),
    rev     bigint
);
CREATE INDEX notes_by_session ON notes (session, rep);

CREATE TABLE corrections (
    id      bigint PRIMARY KEY,
    rep     bigint NOT NULL,
    what    text NOT NULL,
    was     text,
    became  text,
    made_at timestamptz NOT NULL,
    made_by text,
    uid     uuid NOT NULL UNIQUE DEFAULT new_uid(),
    rev     bigint
);
CREATE INDEX corrections_by_rep ON corrections (rep);

-- What did not count stays in the cage: these are empty, and here so that one program reads both.
CREATE TABLE not_counted (
    id                 bigint PRIMARY KEY,
    session            bigint NOT NULL,
    kind               text NOT NULL,
    bats               text NOT NULL,
    view               text NOT NULL,
    fps                double precision NOT NULL,
    set_secs           double precision,
    gather_secs        double precision,
    lift_off_secs      double precision,
    plant_secs         double precision,
    heel_rise_secs     double precision,
    contact_secs       double precision,
    finish_secs        double precision,
    known_at_secs      double precision NOT NULL,
    logged_at          timestamptz NOT NULL,
    stance_width_cm    double precision,
    hand_height_cm     double precision,
    lift_height_cm     double precision,
    load               text,
    pitch_kmh          double precision,
    pitch_release_secs double precision,
    pitch_arrival_secs double precision,
    cm_per_px          double precision,
    scaled_for_cm      double precision,
    scale_spread       double precision,
    roll_deg           double precision,
    pitcher            text,
    reason             text NOT NULL,
    value              double precision NOT NULL,
    asked              double precision NOT NULL,
    counted_as         bigint UNIQUE,
    counted_at         timestamptz,
    counted_by         text
);
CREATE INDEX not_counted_by_session ON not_counted (session, id);
CREATE TABLE not_counted_measures (LIKE found_measures INCLUDING ALL);
CREATE TABLE not_counted_timelines (
    rep        bigint PRIMARY KEY,
    start_secs double precision NOT NULL,
    width_px   bigint NOT NULL,
    height_px  bigint NOT NULL,
    landmarks  bytea NOT NULL
);

CREATE TABLE deleted (
    uid         uuid PRIMARY KEY,
    what        text NOT NULL CHECK (what IN ('hitter', 'session', 'note')),
    merged_into uuid,
    at          timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE changes (
    number  bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    mark    uuid NOT NULL DEFAULT gen_random_uuid(),
    what    text NOT NULL,
    uid     uuid NOT NULL,
    -- Whose alone it is; NULL where every cage may have to hear of it.
    journal uuid
);

-- Whoever is going to note a change takes this first: numbers are then committed in their order, so that a reader who has heard of
-- one has not missed a smaller one.
CREATE FUNCTION hold_changes() RETURNS void LANGUAGE sql AS $$ SELECT pg_advisory_xact_lock(20261) $$;

-- Whoever adds rows that nobody else hears of shares it: such do not wait for each other, but for whoever deletes or decides, and
-- that one for them. Otherwise a deletion would miss rows that are on their way.
CREATE FUNCTION share_changes() RETURNS void LANGUAGE sql AS $$ SELECT pg_advisory_xact_lock_shared(20261) $$;

CREATE FUNCTION note_change(what text, uid uuid, journal uuid) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    -- A cage that tells of its own rows need not be told of them.
    IF journal IS NULL OR journal::text IS DISTINCT FROM current_setting('cagehand.receiving', true) THEN
        PERFORM hold_changes();
        INSERT INTO changes (what, uid, journal) VALUES (what, uid, journal);
    END IF;
END $$;

-- Numbers of rows that the office adds, and whose turn they are.
CREATE FUNCTION number_row() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    NEW.id := row_id(NEW.uid);
    IF TG_TABLE_NAME = 'plans' THEN
        NEW.turn := coalesce(NEW.turn, 1 + coalesce((SELECT max(turn) FROM plans WHERE hitter IS NOT DISTINCT FROM NEW.hitter), 0));
    ELSIF TG_TABLE_NAME = 'consents' THEN
        NEW.turn := coalesce(NEW.turn, 1 + coalesce((SELECT max(turn) FROM consents WHERE hitter = NEW.hitter AND purpose = NEW.purpose), 0));
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER number_row BEFORE INSERT ON hitters FOR EACH ROW EXECUTE FUNCTION number_row();
CREATE TRIGGER number_row BEFORE INSERT ON sessions FOR EACH ROW EXECUTE FUNCTION number_row();
CREATE TRIGGER number_row BEFORE INSERT ON plans FOR EACH ROW EXECUTE FUNCTION number_row();
CREATE TRIGGER number_row BEFORE INSERT ON consents FOR EACH ROW EXECUTE FUNCTION number_row();
CREATE TRIGGER number_row BEFORE INSERT ON notes FOR EACH ROW EXECUTE FUNCTION number_row();
CREATE TRIGGER number_row BEFORE INSERT ON corrections FOR EACH ROW EXECUTE FUNCTION number_row();

-- Counts the office's edits, as a journal's triggers count those of its cage. Arguments: the columns whose change is an edit.
CREATE FUNCTION count_edit() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    before jsonb := to_jsonb(OLD);
    after jsonb := to_jsonb(NEW);
    name text;
BEGIN
    IF NEW.edits = OLD.edits AND NEW.edited_in IS NOT DISTINCT FROM OLD.edited_in THEN
        FOREACH name IN ARRAY TG_ARGV LOOP
            IF before -> name IS DISTINCT FROM after -> name THEN
                NEW.edits := OLD.edits + 1;
                NEW.edited_in := (SELECT uid FROM office);
                EXIT;
            END IF;
        END LOOP;
    END IF;
    IF TG_TABLE_NAME = 'hitters' THEN
        IF NEW.freezes = OLD.freezes AND NEW.frozen_at IS DISTINCT FROM OLD.frozen_at THEN
            NEW.freezes := OLD.freezes + 1;
        END IF;
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER count_edit BEFORE UPDATE ON hitters FOR EACH ROW EXECUTE FUNCTION count_edit('name', 'bats', 'height_cm');
CREATE TRIGGER count_edit BEFORE UPDATE ON sessions FOR EACH ROW EXECUTE FUNCTION count_edit('hitter');
CREATE TRIGGER count_edit BEFORE UPDATE ON plans FOR EACH ROW EXECUTE FUNCTION count_edit('hitter');
CREATE TRIGGER count_edit BEFORE UPDATE ON consents FOR EACH ROW EXECUTE FUNCTION count_edit('hitter');
CREATE TRIGGER count_edit BEFORE UPDATE ON reps FOR EACH ROW EXECUTE FUNCTION count_edit(
    'marked', 'struck_why', 'called', 'set_secs', 'gather_secs', 'lift_off_secs', 'plant_secs', 'heel_rise_secs', 'contact_secs', 'finish_secs');

-- Tells cages of what others changed.
CREATE FUNCTION tell() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' AND OLD IS NOT DISTINCT FROM NEW THEN
        RETURN NULL;
    END IF;
    CASE TG_TABLE_NAME
        WHEN 'hitters', 'plans', 'consents' THEN PERFORM note_change(rtrim(TG_TABLE_NAME, 's'), NEW.uid, NULL);
        WHEN 'sessions' THEN PERFORM note_change('session', NEW.uid, NEW.journal);
        WHEN 'notes' THEN
            PERFORM note_change('note', NEW.uid, (SELECT journal FROM sessions WHERE id = NEW.session));
        WHEN 'corrections' THEN
            PERFORM note_change('correction', NEW.uid, (SELECT s.journal FROM reps r JOIN sessions s ON s.id = r.session WHERE r.id = NEW.rep));
        ELSE
            PERFORM note_change('rep', NEW.uid, (SELECT journal FROM sessions WHERE id = NEW.session));
    END CASE;
    RETURN NULL;
END $$;
CREATE TRIGGER tell AFTER INSERT OR UPDATE ON hitters FOR EACH ROW EXECUTE FUNCTION tell();
CREATE TRIGGER tell AFTER INSERT OR UPDATE ON plans FOR EACH ROW EXECUTE FUNCTION tell();
CREATE TRIGGER tell AFTER INSERT OR UPDATE ON consents FOR EACH ROW EXECUTE FUNCTION tell();
CREATE TRIGGER tell AFTER UPDATE ON sessions FOR EACH ROW EXECUTE FUNCTION tell();
CREATE TRIGGER tell AFTER UPDATE ON reps FOR EACH ROW EXECUTE FUNCTION tell();
CREATE TRIGGER tell AFTER INSERT ON notes FOR EACH ROW EXECUTE FUNCTION tell();
CREATE TRIGGER tell AFTER INSERT ON corrections FOR EACH ROW EXECUTE FUNCTION tell();

-- A cage knows one hitter of a name. Once the name is free, it hears of the other again.
CREATE FUNCTION tell_namesakes() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' OR NEW.name IS DISTINCT FROM OLD.name THEN
        PERFORM note_change('hitter', h.uid, NULL) FROM hitters h WHERE h.name = OLD.name AND h.id <> OLD.id;
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER tell_namesakes AFTER UPDATE OF name OR DELETE ON hitters FOR EACH ROW EXECUTE FUNCTION tell_namesakes();

-- Whoever's cages a hitter is added to or taken from.
CREATE FUNCTION tell_may_hit() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM note_change('hitter', h.uid, NULL) FROM hitters h WHERE h.id = coalesce(NEW.hitter, OLD.hitter);
    RETURN NULL;
END $$;
CREATE TRIGGER tell AFTER INSERT OR DELETE ON may_hit FOR EACH ROW EXECUTE FUNCTION tell_may_hit();

-- What belongs to a deleted row goes with it, and everybody hears of it.
CREATE FUNCTION note_deletion() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO deleted (uid, what) VALUES (OLD.uid, rtrim(TG_TABLE_NAME, 's')) ON CONFLICT DO NOTHING;
    RETURN NULL;
END $$;
CREATE TRIGGER note_deletion AFTER DELETE ON hitters FOR EACH ROW EXECUTE FUNCTION note_deletion();
CREATE TRIGGER note_deletion AFTER DELETE ON sessions FOR EACH ROW EXECUTE FUNCTION note_deletion();
CREATE TRIGGER note_deletion AFTER DELETE ON notes FOR EACH ROW EXECUTE FUNCTION note_deletion();

CREATE FUNCTION tell_deletion() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM note_change('deleted', NEW.uid, NULL);
    -- A cage that had merged the two the other way round has to hear of the one that is left.
    IF NEW.merged_into IS NOT NULL THEN
        PERFORM note_change('hitter', NEW.merged_into, NULL);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER tell AFTER INSERT ON deleted FOR EACH ROW EXECUTE FUNCTION tell_deletion();

CREATE FUNCTION delete_of_hitter() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    DELETE FROM sessions WHERE hitter = OLD.id;
    DELETE FROM plans WHERE hitter = OLD.id;
    DELETE FROM consents WHERE hitter = OLD.id;
    DELETE FROM may_hit WHERE hitter = OLD.id;
    RETURN NULL;
END $$;
CREATE TRIGGER delete_belonging AFTER DELETE ON hitters FOR EACH ROW EXECUTE FUNCTION delete_of_hitter();

CREATE FUNCTION delete_of_session() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    DELETE FROM notes WHERE session = OLD.id;
    DELETE FROM reps WHERE session = OLD.id;
    RETURN NULL;
END $$;
CREATE TRIGGER delete_belonging AFTER DELETE ON sessions FOR EACH ROW EXECUTE FUNCTION delete_of_session();

CREATE FUNCTION delete_of_rep() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    DELETE FROM packed_measures WHERE rep = OLD.id;
    DELETE FROM timelines WHERE rep = OLD.id;
    DELETE FROM corrections WHERE rep = OLD.id;
    DELETE FROM found_events WHERE rep = OLD.id;
    DELETE FROM found_measures WHERE rep = OLD.id;
    RETURN NULL;
END $$;
CREATE TRIGGER delete_belonging AFTER DELETE ON reps FOR EACH ROW EXECUTE FUNCTION delete_of_rep();

-- Whether a hitter refuses that landmarks are kept. In PL/pgSQL, as all small questions that a batch asks for each row: its plans are
-- kept with the connection, those of SQL functions made anew each time.
CREATE FUNCTION refuses_landmarks(whom bigint) RETURNS boolean LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN EXISTS (SELECT 1 FROM consents c WHERE c.hitter = whom AND c.purpose = 'landmarks' AND c.decision <> 'given'
                   AND NOT EXISTS (SELECT 1 FROM consents n WHERE n.hitter = whom AND n.purpose = 'landmarks' AND n.turn > c.turn));
END $$;

CREATE FUNCTION delete_refused() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.hitter IS NOT NULL AND refuses_landmarks(NEW.hitter) THEN
        DELETE FROM timelines WHERE rep IN (SELECT r.id FROM reps r JOIN sessions s ON s.id = r.session WHERE s.hitter = NEW.hitter);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER delete_refused AFTER INSERT OR UPDATE ON consents FOR EACH ROW EXECUTE FUNCTION delete_refused();
CREATE TRIGGER delete_refused AFTER INSERT OR UPDATE OF hitter ON sessions FOR EACH ROW EXECUTE FUNCTION delete_refused();
