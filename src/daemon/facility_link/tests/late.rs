//! Rows that come late, out of their order, or from a cage that they are not of; files that are others now.

use super::*;
use crate::facility::StoreError;

/// The name of each hitter, in the order in which a cage hears of them; "deleted" for what is.
fn told(store: &Store, journal: &str, login: &str) -> Vec<String> {
    let mut config = store.config.clone();
    let mut cage = config.user(&store.login(login)).connect(NoTls).unwrap();
    let sql = format!(
        "SELECT coalesce(content -> 'hitter' ->> 'name', content ->> 'name', what)
         FROM changes_for('{journal}', 0, NULL, 100) WHERE content IS NOT NULL"
    );
    let rows = cage.query(&sql, &[]).unwrap();
    rows.iter().map(|row| row.get(0)).collect()
}

#[test]
fn reps_that_came_before_their_session_go_when_it_is_deleted() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    let session = cage.hit("Ana", 2);
    let note = Edit::AddNote {
        session,
        rep: None,
        text: "her elbow".to_owned(),
    };
    cage.edit(note);
    cage.exchange();
    assert_eq!((store.count("reps"), store.count("notes")), (2, 1));
    // As if the line had been cut before the session's row.
    store.run(
        "ALTER TABLE sessions DISABLE TRIGGER USER; DELETE FROM sessions;
         ALTER TABLE sessions ENABLE TRIGGER USER",
    );
    cage.delete("Ana");
    cage.exchange();
    for table in ["reps", "notes", "timelines", "packed_measures"] {
        assert_eq!(store.count(table), 0, "{table}");
    }
}

#[test]
fn a_note_that_came_before_its_session_is_told_to_no_other_cage() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    let session = one.hit("Ana", 1);
    let note = Edit::AddNote {
        session,
        rep: None,
        text: "her elbow".to_owned(),
    };
    one.edit(note);
    // The session's row alone is held back.
    store.run(
        "CREATE FUNCTION late() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END';
         CREATE TRIGGER late BEFORE INSERT ON sessions FOR EACH ROW EXECUTE FUNCTION late()",
    );
    one.exchange();
    other.exchange();
    assert_eq!((store.count("notes"), store.count("sessions")), (1, 0));
    let journal = other.reader().standing().unwrap().journal;
    assert_eq!(told(&store, &journal, "cage2"), ["Ana"]);
}

#[test]
fn a_cage_corrects_no_rep_of_another() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 1);
    other.hit("Bo", 1);
    one.exchange();
    other.exchange();
    let uid = |name: &str, of: &str| {
        let sql = format!(
            "SELECT {of}.uid::text FROM reps r JOIN sessions s ON s.id = r.session
             JOIN hitters h ON h.id = s.hitter WHERE h.name = '{name}'"
        );
        store.texts(&sql).remove(0)
    };
    let journal = other.reader().standing().unwrap().journal;
    let mut config = store.config.clone();
    let mut stranger = config.user(&store.login("cage2")).connect(NoTls).unwrap();
    for (rep, session, is_taken) in [("Ana", "Bo", 0), ("Ana", "Ana", 0), ("Bo", "Bo", 1)] {
        let (rep, session) = (uid(rep, "r"), uid(session, "s"));
        let sql = format!(
            r#"SELECT receive('{journal}', gen_random_uuid(), 9, jsonb_build_object('corrections', jsonb_build_array(jsonb_build_object(
                'uid', new_uid(), 'rep_uid', '{rep}', 'session_uid', '{session}', 'made_at', now(), 'made_by', 'x',
                'what', 'called', 'was', '', 'became', 'in'))), '{{}}', '{{}}', '{{}}', '{{}}', '{{}}')"#
        );
        // The functions that make uids are the owner's.
        let sql = sql.replace(
            "new_uid()",
            &format!("'{}'", store.texts("SELECT new_uid()::text").remove(0)),
        );
        stranger.batch_execute(&sql).unwrap();
        assert_eq!(store.count("corrections"), is_taken, "{rep} {session}");
    }
}

#[test]
fn a_change_before_a_deletion_is_told_before_it_although_the_row_changed_again() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    let session = one.hit("Ana", 2);
    other.hit("Bo", 1);
    other.hit("Cy", 1);
    for cage in [&one, &other, &one] {
        cage.exchange();
    }
    // The cage is away while the office gives her session to Bo, deletes her, and gives it on to Cy.
    let give = |from: &str, to: &str| {
        format!(
            "UPDATE sessions SET hitter = (SELECT id FROM hitters WHERE name = '{to}')
             WHERE hitter = (SELECT id FROM hitters WHERE name = '{from}') AND source = 'cage 0' AND journal = '{}'",
            one.reader().standing().unwrap().journal
        )
    };
    store.run(&give("Ana", "Bo"));
    store.run("DELETE FROM hitters WHERE name = 'Ana'");
    store.run(&give("Bo", "Cy"));
    for cage in [&one, &other, &one] {
        cage.exchange();
    }
    assert!(!one.has_hitter("Ana"));
    let rows = one.reader().sessions().unwrap();
    let row = rows.iter().find(|row| row.id == session).unwrap();
    assert_eq!(row.hitter_name.as_deref(), Some("Cy"));
    assert_eq!(store.count("reps"), 4);
}

#[test]
fn a_batch_with_rows_that_need_other_uids_counts_as_not_received() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    cage.hit("Ana", 1);
    let batch = cage
        .reader()
        .batch_after(0, LARGEST_BATCH)
        .unwrap()
        .unwrap();
    let uid = batch.rows["reps"][0]["uid"].as_str().unwrap();
    let other = format!("{}0000000000000000", &uid[..16]);
    store.run(&format!(
        "INSERT INTO reps (id, uid, session, number, kind, bats, view, fps, known_at_secs, logged_at)
         VALUES (row_id('{other}'), '{other}', 1, 1, 'swing', 'left', 'rear', 60, 1, now())"
    ));
    let mut exchange = cage.carrier.begin().unwrap();
    // The program ends between the answer and the other uids.
    let collided = exchange.store.send(&batch, &new_mark()).unwrap();
    assert_eq!(collided.len(), 1);
    drop(exchange);
    let received = store.texts("SELECT received::text FROM journals");
    assert_eq!(received, ["0"]);
    cage.exchange();
    assert_eq!(store.count("reps"), 2);
    assert_ne!(store.texts("SELECT received::text FROM journals"), ["0"]);
}

#[test]
fn rows_of_a_clock_before_2020_find_room_where_their_moment_is_full() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    store.run(
        "INSERT INTO hitters (name, created_at, uid) SELECT 'Hitter ' || n, now(),
             ('016f5e66e8007' || lpad(to_hex(n), 3, '0') || '80000000' || lpad(n::text, 8, '0'))::uuid FROM generate_series(0, 4095) n",
    );
    assert_eq!(store.texts("SELECT min(id)::text FROM hitters"), ["0"]);
    let journal = rusqlite::Connection::open(&cage.control.path).unwrap();
    journal
        .execute(
            "INSERT INTO hitters (name, created_at) VALUES ('Ana', '1970-01-01T00:01:00.000Z')",
            [],
        )
        .unwrap();
    cage.exchange();
    assert_eq!(store.count("hitters"), 4097);
    let own = store.texts("SELECT id::text FROM hitters WHERE name = 'Ana'");
    let own: i64 = own[0].parse().unwrap();
    assert!((0..256 * 4096).contains(&own), "{own}");
}

#[test]
fn a_hitter_without_a_name_is_deleted_by_no_cage_that_does_not_know_them() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    let ana = one.hit("Ana", 2);
    one.exchange();
    let journal = rusqlite::Connection::open(&one.control.path).unwrap();
    journal
        .execute("UPDATE hitters SET name = NULL", [])
        .unwrap();
    let session = other.hit("Bo", 1);
    for cage in [&one, &other] {
        cage.exchange();
    }
    // Whoever gives a session away may leave somebody without a name and a session behind.
    other.hit("Cy", 1);
    let hitter = Some(other.hitter("Cy"));
    other.edit(Edit::GiveSession { session, hitter });
    for cage in [&other, &one] {
        cage.exchange();
    }
    assert_eq!(store.count("reps"), 4);
    assert_eq!(one.reader().reps_of(ana).unwrap().len(), 2);
}

#[test]
fn a_session_that_is_given_to_a_namesake_does_not_go_with_whoever_had_it() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 1);
    let session = one.hit("Bo", 2);
    one.exchange();
    store.run("UPDATE hitters SET name = 'Anna' WHERE name = 'Ana'");
    other.hit("Ana", 1);
    other.exchange();
    // The office tells two of a name apart; a cage cannot.
    store.run("UPDATE hitters SET name = 'Ana' WHERE name = 'Anna'");
    store.run(
        "UPDATE sessions SET hitter = (SELECT max(id) FROM hitters WHERE name = 'Ana')
         WHERE hitter = (SELECT id FROM hitters WHERE name = 'Bo')",
    );
    one.exchange();
    let whose = || {
        let rows = one.reader().sessions().unwrap();
        let row = rows.into_iter().find(|row| row.id == session).unwrap();
        row.hitter_name
    };
    assert_eq!(whose(), None);
    one.delete("Bo");
    one.exchange();
    assert_eq!(store.count("reps"), 4);
    assert_eq!(one.reader().reps_of(session).unwrap().len(), 2);
    // Once the name is free.
    one.delete("Ana");
    one.exchange();
    one.exchange();
    assert_eq!(whose().as_deref(), Some("Ana"));
    assert_eq!((store.count("hitters"), store.count("reps")), (1, 3));
}

/// SQLite keeps a NUL, which a store's text cannot have.
#[test]
fn a_note_with_a_nul_holds_up_nothing() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    let session = cage.hit("Ana", 1);
    let note = |text: &str| Edit::AddNote {
        session,
        rep: None,
        text: text.to_owned(),
    };
    let writer = cage.writer.handle().unwrap();
    assert!(writer.edit(note("hips\0first"), "coach").is_err());
    cage.edit(note("hips first\r\n\tthen hands"));
    let journal = rusqlite::Connection::open(&cage.control.path).unwrap();
    journal
        .execute(
            "UPDATE notes SET text = replace(text, 'hips ', 'hips' || char(0))",
            [],
        )
        .unwrap();
    cage.exchange();
    assert_eq!(
        store.texts("SELECT text FROM notes"),
        ["hips first\r\n\tthen hands"]
    );
}

#[test]
fn a_journal_that_is_another_file_now_is_neither_sent_nor_deleted_from() {
    let store = Store::new();
    let (one, other) = (Cage::new(&store, "cage1"), Cage::new(&store, "cage2"));
    one.hit("Ana", 1);
    one.exchange();
    other.exchange();
    let mut exchange = one.carrier.begin().unwrap();
    one.carrier.go_round(&mut exchange).unwrap();
    other.delete("Ana");
    other.exchange();
    let path = &one.control.path;
    std::fs::rename(path, path.with_extension("moved")).unwrap();
    std::fs::write(path, "another one").unwrap();
    let refused = one.carrier.go_round(&mut exchange).unwrap_err();
    assert!(
        matches!(refused, StoreError::Journal(JournalError::Moved { .. })),
        "{refused}"
    );
    assert_eq!(exchange.ends.reader.hitters().unwrap().len(), 1);
}

#[test]
fn films_that_are_over_go_a_few_at_a_time() {
    let store = Store::new();
    let cage = Cage::new(&store, "cage1");
    store.run(
        "INSERT INTO films SELECT n, 1, 1, now() - interval '1 hour' FROM generate_series(1, 25) n;
         INSERT INTO film_parts SELECT rep, 0, 'x' FROM films",
    );
    let mut left = Vec::new();
    for _ in 0..3 {
        cage.exchange();
        left.push(store.count("film_parts"));
    }
    assert_eq!(left, [15, 5, 0]);
}
