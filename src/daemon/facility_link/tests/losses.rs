//! Backups that are put back, logins that ask for too much, numbers that are taken.

use super::*;

#[test]
fn a_store_that_was_restored_from_a_backup_gets_back_what_it_lost() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 2);
    one.exchange();
    other.exchange();
    // The backup, by the server's own means.
    let database = store.config.get_dbname().unwrap().to_owned();
    let keeper = |sql: &str| {
        let mut admin = store.config.clone();
        admin.dbname("postgres");
        admin.connect(NoTls).unwrap().batch_execute(sql).unwrap();
    };
    let end = format!(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{database}'"
    );
    keeper(&end);
    keeper(&format!(
        "CREATE DATABASE {database}_backup TEMPLATE {database}"
    ));
    one.hit("Ana", 2);
    one.plan("Ana", "head still");
    one.hit("Bo", 1);
    one.exchange();
    other.exchange();
    other.delete("Bo");
    other.exchange();
    keeper(&end);
    keeper(&format!("DROP DATABASE {database}"));
    keeper(&format!(
        "ALTER DATABASE {database}_backup RENAME TO {database}"
    ));
    *store.owner.borrow_mut() = store.config.connect(NoTls).unwrap();
    assert_eq!(store.count("reps"), 2);
    // A cage that had heard of more than the store knows now tells it.
    for cage in [&one, &other, &one, &other] {
        cage.exchange();
    }
    assert_eq!((store.count("reps"), store.count("hitters")), (4, 1));
    assert_eq!(store.count("plans"), 1);
    assert!(!one.has_hitter("Bo"));
    assert_eq!(other.plan_in_force("Ana").as_deref(), Some("head still"));
}

#[test]
fn a_journal_put_back_from_a_backup_sends_what_it_does_then() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    cage.hit("Ana", 1);
    cage.exchange();
    let backup = cage.folder.path().join("backup.db");
    cage.reader().back_up_to(&backup).unwrap();
    cage.hit("Ana", 2);
    cage.exchange();
    let Cage { folder, writer, .. } = cage;
    writer.close(Duration::from_secs(5)).unwrap();
    Journal::restore(&folder.path().join("journal.db"), &backup).unwrap();
    let cage = Cage::in_folder(&store, "cage1", folder);
    cage.reps.store(9, Ordering::Relaxed);
    cage.hit("Ana", 4);
    cage.exchange();
    // Two swings that the backup had not are in the store alone.
    assert_eq!((store.count("reps"), store.count("hitters")), (7, 1));
}

#[test]
fn a_login_sends_and_hears_for_its_own_journal_alone_and_sees_no_table() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 1);
    one.exchange();
    other.exchange();
    let journal = one.reader().standing().unwrap().journal;
    let mut config = store.config.clone();
    let mut stranger = config.user(&store.login("cage2")).connect(NoTls).unwrap();
    for sql in [
        "SELECT name FROM hitters",
        "DELETE FROM reps",
        "DROP TABLE notes",
        "SELECT merge_hitter(new_uid(), new_uid())",
        "CREATE TABLE mine (id int)",
        "SELECT * FROM journals",
        &format!("SELECT * FROM changes_for('{journal}', 0, NULL, 10)"),
        &format!("SELECT * FROM hello('{journal}', 'cage1', '{{}}')"),
        &format!(
            "SELECT receive('{journal}', gen_random_uuid(), 9, '{{}}', '{{}}', '{{}}', '{{}}', '{{}}', '{{}}')"
        ),
    ] {
        let refused = stranger.batch_execute(sql).unwrap_err();
        let code = refused.code().map(|code| code.code().to_owned());
        assert_eq!(code.as_deref(), Some("42501"), "{sql}: {refused}");
    }
    let mut owner = StoreOwner::connect(&store.address("postgres")).unwrap();
    let office = store.login("office");
    owner.add_login(Member::Office, &office, "x").unwrap();
    let mut office = config.user(&office).connect(NoTls).unwrap();
    office
        .batch_execute("UPDATE hitters SET bats = 'left'")
        .unwrap();
    for sql in [
        "DROP TABLE notes",
        "TRUNCATE reps",
        "CREATE TABLE mine (id int)",
    ] {
        office.batch_execute(sql).unwrap_err();
    }
}

#[test]
fn an_owner_who_is_no_superuser_sets_up_and_gives_logins_other_passwords() {
    let store = Store::new();
    let (name, cage) = (store.login("keeper"), store.login("cage1"));
    let database = store.config.get_dbname().unwrap();
    store.run(&format!(
        "DROP SCHEMA public CASCADE; CREATE SCHEMA public AUTHORIZATION pg_database_owner;
         CREATE ROLE {name} LOGIN CREATEROLE; ALTER DATABASE {database} OWNER TO {name};
         GRANT cagehand_cage, cagehand_office TO {name} WITH ADMIN OPTION"
    ));
    let mut owner = StoreOwner::connect(&store.address(&name)).unwrap();
    owner.set_up().unwrap();
    let password = "SELECT rolpassword FROM pg_authid WHERE rolname = ";
    let mut found = Vec::new();
    for given in ["one", "other"] {
        owner.add_login(Member::Cage, &cage, given).unwrap();
        found.extend(store.texts(&format!("{password}'{cage}'")));
    }
    assert!(found[0].starts_with("SCRAM-SHA-256") && found[0] != found[1]);
    // Nobody gets what another login may: an office's, the owner's, or the group's own.
    for (member, taken) in [
        (Member::Office, cage.as_str()),
        (Member::Cage, &name),
        (Member::Office, "cagehand_cage"),
    ] {
        let refused = owner.add_login(member, taken, "third").unwrap_err();
        assert!(
            refused.to_string().contains("choose another name"),
            "{refused}"
        );
    }
    assert_eq!(store.texts(&format!("{password}'{cage}'")), found[1..]);
    owner.remove_login(&cage).unwrap();
    assert_eq!(store.texts(&format!("{password}'{cage}'")), [] as [&str; 0]);
}

#[test]
fn a_store_that_is_not_set_up_or_newer_says_what_to_do() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    store.run("INSERT INTO refinery_schema_history (version, name, applied_on, checksum) VALUES (99, 'later', '2030-01-01T00:00:00Z', '0')");
    let mut owner = StoreOwner::connect(&store.address("postgres")).unwrap();
    let newer = owner.set_up().unwrap_err().to_string();
    assert!(newer.contains("a newer cagehand"), "{newer}");
    store.run(
        "DROP SCHEMA public CASCADE; CREATE SCHEMA public; GRANT USAGE ON SCHEMA public TO public",
    );
    let missing = cage.carrier.begin().err().unwrap().to_string();
    assert!(missing.contains("facility set-up"), "{missing}");
}

#[test]
fn a_batch_that_does_not_go_through_is_tried_in_smaller_ones() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    cage.hit("Ana", 3);
    let whole = cage.reader().batch_after(0, LARGEST_BATCH).unwrap();
    assert_eq!(whole.unwrap().rows["reps"].as_array().unwrap().len(), 3);
    let bytes = || cage.carrier.batch_bytes.get();
    let mut exchange = cage.carrier.begin().unwrap();
    store.run(
        "CREATE FUNCTION break() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'broken'; END $$;
         CREATE TRIGGER break BEFORE INSERT ON reps FOR EACH ROW EXECUTE FUNCTION break()",
    );
    for half in [1 << 19, 1 << 18, 1 << 17, 1 << 16, 1 << 15, 1 << 15] {
        cage.carrier.go_round(&mut exchange).unwrap_err();
        assert_eq!(bytes(), half);
    }
    assert_eq!(store.count("reps"), 0);
    assert!(!cage.carrier.has_carried.get());
    store.run("DROP FUNCTION break CASCADE");
    cage.carrier.go_round(&mut exchange).unwrap();
    assert_eq!(store.count("reps"), 3);
    assert!(cage.carrier.has_carried.get() && bytes() > SMALLEST_BATCH);
    // With a byte each row is a batch.
    let one = cage.reader().batch_after(0, 1).unwrap().unwrap();
    assert_eq!(one.count, 1);
}

#[test]
fn rows_whose_number_another_row_has_get_another_one() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    cage.hit("Ana", 2);
    let batch = cage
        .reader()
        .batch_after(0, LARGEST_BATCH)
        .unwrap()
        .unwrap();
    // A rep and a session of another cage, with the first 64 bits of these.
    for (table, columns) in [
        (
            "sessions",
            "id, uid, started_at, source, settings, program_version, journal",
        ),
        (
            "reps",
            "id, uid, session, number, kind, bats, view, fps, known_at_secs, logged_at",
        ),
    ] {
        let uid = batch.rows[table][0]["uid"].as_str().unwrap();
        let other = format!("{}0000000000000000", &uid[..16]);
        let rest = match table {
            "sessions" => "now(), '', '', '', gen_random_uuid()",
            _ => "1, 1, 'swing', 'left', 'rear', 60, 1, now()",
        };
        store.run(&format!(
            "INSERT INTO {table} ({columns}) VALUES (row_id('{other}'), '{other}', {rest})"
        ));
    }
    cage.exchange();
    cage.exchange();
    let own = "SELECT r.uid::text FROM reps r JOIN sessions s ON s.id = r.session JOIN hitters h ON h.id = s.hitter WHERE h.name = 'Ana'";
    assert_eq!(store.texts(own).len(), 2);
    assert_eq!((store.count("sessions"), store.count("reps")), (2, 3));
    assert_eq!(store.count("timelines"), 2);
}
