//! What is exported of one hitter holds nothing of another: every table, every file, names of three letters too.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use super::super::files::names::find_name;
use super::super::files::spool::Spool;
use super::super::record::{HitterId, PackedRep};
use super::not_counted::log_not_counted;
use super::*;
use crate::rep::{EventName, MissedCondition, NotCountedReason};
use crate::video::{FilmId, FilmStore};

const NAMES: [&str; 4] = ["Ana", "Ben", "Kim", "Ana Kim"];

/// Height, a text that nobody else has, and numbers of their own for the landmarks.
fn height(who: usize) -> f64 {
    150.537 + who as f64
}

fn mark(who: usize) -> String {
    format!("only-of-number-{who}")
}

fn hitter(who: usize) -> NewHitter {
    NewHitter {
        name: Some(NAMES[who].into()),
        bats: Some(Bats::Right),
        height_cm: Some(height(who)),
    }
}

/// A session of this hitter under the settings of the next one, with comments about everybody.
fn session_of(who: usize, hitter: HitterId, hour: usize) -> NewSession {
    let other = (who + 1) % NAMES.len();
    NewSession {
        hitter: Some(hitter),
        started_at: stamp(&format!("2026-05-01T{hour:02}:{who:02}:00Z")),
        settings: format!(
            "# {}'s cage\n[hitter]\nname = \"{}\"\nheight_cm = {}\n[camera]\nfps = 60 # {}\n",
            NAMES.join(" and "),
            NAMES[other],
            height(other),
            mark(other)
        ),
        ..session()
    }
}

fn rep_of(who: usize, number: u32) -> RepRecord {
    let mut rep = record(number);
    rep.frames = frames(
        60,
        60.0,
        false,
        &mut Dice::new(1000 * (who as u64 + 1) + u64::from(number)),
    );
    rep.judged.rep.known_at = CaptureTime::from_secs(100.0 * who as f64 + f64::from(number));
    let hidden = Measure::NotMade {
        why: mark(who).as_str().into(),
    };
    rep.judged
        .rep
        .measures
        .insert(MeasureName::HandsBack, hidden);
    rep
}

fn not_counted_of(who: usize) -> RepRecord {
    let mut seen = rep_of(who, 9);
    seen.judged.number = 0;
    seen.judged.cue = None;
    seen
}

/// Something of everything that is kept of a hitter, in two sessions; the coach's words name all of them.
fn fill(journal: &mut Journal, who: usize) {
    let id = journal.find_or_add_hitter(&hitter(who)).unwrap();
    let all = NAMES.join(", ");
    let plan = NewPlan {
        name: format!("{} and {all}", mark(who)),
        text: "focus = [\"head_drop_cm\"]".into(),
    };
    journal.set_plan(Some(id), &plan, "Maria").unwrap();
    let by = format!("{} for {all}", mark(who));
    super::consents::record_consent(
        journal,
        id,
        super::consents::consent(Purpose::Picture, Decision::Given, &by),
    );
    for hour in [10, 11] {
        let session = journal.begin_session(&session_of(who, id, hour)).unwrap();
        let reps = [1, 2].map(|number| journal.log_rep(session, &rep_of(who, number)).unwrap());
        log_not_counted(journal, session, &not_counted_of(who));
        let note = |rep| Edit::AddNote {
            session,
            rep,
            text: format!("{} with {all}", mark(who)),
        };
        let mut judged = rep_of(who, 2).judged;
        judged.rep.events.plant = time(13.01);
        let why = Some(format!("{} beside {all}", mark(who)));
        let edits = [
            note(None),
            note(Some(reps[0])),
            Edit::Exclude { rep: reps[0], why },
            Edit::MoveEvent(Box::new(MovedEvent {
                rep: reps[1],
                event: EventName::Plant,
                judged,
            })),
        ];
        for edit in edits {
            journal.edit(&edit, "Maria").unwrap();
        }
        journal
            .end_session(
                session,
                stamp("2026-05-01T18:00:00Z"),
                Some(&format!("{all} left")),
            )
            .unwrap();
        film_of(journal, session, who);
    }
}

/// A file in the place of a film; that it is no film is told, and it is not exported.
fn film_of(journal: &Journal, session: SessionId, who: usize) {
    let store = FilmStore::of_journal(journal.path());
    let film = FilmId {
        session: session.get(),
        session_started_ms: 0,
        rep: 1,
    };
    let path = store.path(film.session, film.rep);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, mark(who)).unwrap();
}

/// What waits while the journal takes nothing goes to its own hitter.
fn wait_in_spool(journal: &Path, who: usize) {
    let mut name = journal.as_os_str().to_owned();
    name.push(".spool");
    let mut spool = Spool::open(&[name.into()]).unwrap();
    let session = session_of(who, HitterId::new(1), 12);
    spool.begin_session(Some(&hitter(who)), &session).unwrap();
    spool
        .log(&PackedRep::from_record(&rep_of(who, 3)), None)
        .unwrap();
    let missed = MissedCondition {
        reason: NotCountedReason::WayBack,
        value: 1.75,
        limit: 4.0,
    };
    spool
        .log(&PackedRep::from_record(&not_counted_of(who)), Some(missed))
        .unwrap();
}

/// The tables that have rows.
fn filled_tables(reader: &JournalReader) -> BTreeSet<String> {
    let names = |sql: &str| -> Vec<String> {
        let mut select = reader.connection().prepare(sql).unwrap();
        let rows = select.query_map([], |row| row.get(0)).unwrap();
        rows.map(Result::unwrap).collect()
    };
    names("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
        .into_iter()
        .filter(|table| names(&format!("SELECT 'x' FROM {table} LIMIT 1")).len() == 1)
        .collect()
}

fn files_under(folder: &Path) -> Vec<(String, Vec<u8>)> {
    super::maintenance::names_in(folder)
        .into_iter()
        .map(|name| {
            let bytes = fs::read(folder.join(&name)).unwrap();
            (name, bytes)
        })
        .collect()
}

#[test]
fn what_is_exported_of_one_hitter_holds_nothing_of_another() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let mut journal = Journal::open(&path).unwrap();
    for who in 0..NAMES.len() {
        fill(&mut journal, who);
    }
    // Nobody's session belongs into no export.
    let nobody = journal.begin_session(&session()).unwrap();
    let mut strange = rep_of(9, 1);
    strange.judged.rep.known_at = CaptureTime::from_secs(7777.0);
    journal.log_rep(nobody, &strange).unwrap();
    drop(journal);
    for who in 0..NAMES.len() {
        wait_in_spool(&path, who);
        drop(Journal::open(&path).unwrap());
    }

    let reader = Journal::read_only(&path).unwrap();
    let all_tables: BTreeSet<String> = super::super::store::columns::all_columns()
        .iter()
        .map(|listed| listed.table.to_owned())
        // Uids of what is gone, and marks of batches.
        .filter(|table| !["deleted", "sent"].contains(&table.as_str()))
        .collect();
    assert_eq!(filled_tables(&reader), all_tables, "every table is tried");
    for (who, name) in NAMES.into_iter().enumerate() {
        let folder = dir.path().join(format!("out-{who}"));
        let choice = HitterChoice::Name(name.into());
        let exported = reader.export_hitter(&choice, &folder).unwrap();
        assert_eq!((exported.reps, exported.tracks), (5, 5));
        for (file, bytes) in files_under(&folder) {
            let text = String::from_utf8(bytes).unwrap();
            for other in (0..NAMES.len()).filter(|other| *other != who) {
                let mut rest = text.clone();
                if name.contains(NAMES[other]) {
                    rest = rest.replace(name, "");
                }
                let found = find_name(&rest, NAMES[other]).len();
                assert_eq!(found, 0, "{} in {file}", NAMES[other]);
                for theirs in [mark(other), height(other).to_string()] {
                    assert!(!text.contains(&theirs), "{theirs} in {file}");
                }
            }
        }
        let text = fs::read_to_string(folder.join("hitter.json")).unwrap();
        assert!(text.contains(&mark(who)) && text.contains(&height(who).to_string()));
        // The landmarks are this hitter's, each rep's own.
        for rep in reader.reps_of_hitter(&choice) {
            let track = format!(
                "session-{}-rep-{}.track.jsonl",
                rep.session, rep.judged.number
            );
            let track = fs::read_to_string(folder.join(track)).unwrap();
            let wanted = on_the_grid(&rep_of(who, rep.judged.number).frames);
            let x = wanted[5].body.as_ref().unwrap().image[0].unwrap().x_px;
            assert!(track.contains(&format!("[{x},")), "{x}");
        }
    }
}

#[cfg(unix)]
#[test]
fn an_export_can_be_read_by_its_owner_only() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    super::maintenance::filled(&path, "Ana", 2);
    let folder = dir.path().join("out");
    let choice = HitterChoice::Name("Ana".into());
    let reader = Journal::read_only(&path).unwrap();
    reader.export_hitter(&choice, &folder).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&folder), 0o700);
    for name in super::maintenance::names_in(&folder) {
        assert_eq!(mode(&folder.join(&name)), 0o600, "{name}");
    }
}

impl JournalReader {
    fn reps_of_hitter(&self, choice: &HitterChoice) -> Vec<StoredRep> {
        let filter = RepFilter {
            hitter: Some(choice.clone()),
            ..RepFilter::default()
        };
        let mut reps = Vec::new();
        self.for_each_rep(&filter, |rep| {
            reps.push(rep);
            Ok(())
        })
        .unwrap();
        reps
    }
}

/// A journal of a version that kept the whole settings file.
#[test]
fn an_upgrade_leaves_no_byte_of_the_settings_that_older_versions_kept() {
    use super::super::store::schema;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("journal.db");
    let long = "# Bartholomea Quixwood's cage\n".repeat(400);
    {
        let mut old = Connection::open(&path).unwrap();
        old.pragma_update(None, "journal_mode", "WAL").unwrap();
        schema::upgrade(&mut old, &schema::STEPS[..8], 0).unwrap();
        let texts = [
            format!("{long}[hitter]\nname = \"Bartholomea Quixwood\"\n[camera]\nfps = 60\n"),
            "[hitter]\nname = \"Bartholomea Quixwood\"".to_owned(),
            "name = Bartholomea Quixwood".to_owned(),
        ];
        for text in texts {
            old.execute(
                "INSERT INTO sessions (started_at, ended_at, source, settings, program_version)
                 VALUES ('2026-05-01T17:00:00.000Z', '2026-05-01T17:00:00.000Z', 'a', ?1, '1')",
                [text],
            )
            .unwrap();
        }
    }
    let journal = Journal::open(&path).unwrap();
    let kept: Vec<String> = journal
        .reader()
        .sessions()
        .unwrap()
        .into_iter()
        .map(|row| row.settings)
        .collect();
    assert_eq!(kept, ["", "", "[camera]\nfps = 60\n"]);
    journal.empty_wal().unwrap();
    drop(journal);
    for (name, bytes) in files_under(dir.path()) {
        let text = String::from_utf8_lossy(&bytes).into_owned();
        assert!(!text.contains("Quixwood"), "{name}");
    }
}
