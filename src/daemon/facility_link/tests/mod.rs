//! Cages and a store: journals of the tests' own, a PostgreSQL of the tests' own.

mod any_order;
mod exchange;
mod films;
mod late;
mod losses;
mod screen;

use std::cell::RefCell;
use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};

use cagehand_stage::database::new_database;
use postgres::config::Host;
use postgres::{Client, Config, NoTls};

use super::*;
use crate::facility::{Member, StoreAddress, StoreOwner};
use crate::journal::{
    Decision, Edit, JournalWriter, NewConsent, NewHitter, NewPlan, NewSession, RepFilter,
    SessionId, WriterOptions, record,
};
use crate::page::{SwitchError, TurnChange};
use crate::settings::Settings;
use crate::sound::{CueSources, Language, SoundError};
use crate::status::ShownHitter;

/// What a cage hears in a test: who may not go on hitting, or is called otherwise now.
type Renamed = std::sync::Mutex<Vec<(String, Option<String>)>>;

/// A cage with a journal, in which nobody stands.
struct TestControl {
    path: PathBuf,
    writer: JournalHandle,
    renamed: Renamed,
    settings: Settings,
}

impl SessionControl for TestControl {
    fn switch_hitter(&self, _: NewHitter) -> Result<(), SwitchError> {
        Err(SwitchError::NoCamera)
    }
    fn turns(&self) -> Vec<String> {
        Vec::new()
    }
    fn change_turns(&self, _: TurnChange) -> Result<(), SwitchError> {
        Err(SwitchError::NoCamera)
    }
    fn asked(&self) -> Option<ShownHitter> {
        None
    }
    fn settings(&self) -> Settings {
        self.settings.clone()
    }
    fn consents_changed(&self, _: bool) {}
    fn hitter_changed(&self, before: &str, now: Option<&str>) -> Result<(), SwitchError> {
        let change = (before.to_owned(), now.map(str::to_owned));
        self.renamed.lock().unwrap().push(change);
        Ok(())
    }
    fn texts(&self) -> Vec<PathBuf> {
        Vec::new()
    }
    fn journal(&self) -> Option<PathBuf> {
        Some(self.path.clone())
    }
    fn journal_writer(&self) -> Option<JournalHandle> {
        Some(self.writer.clone())
    }
    fn cue_sources(&self) -> CueSources {
        CueSources::new(Language::English, None, Some(&self.path))
    }
    fn cues_changed(&self) -> Result<(), SoundError> {
        Ok(())
    }
}

/// A store with its owner.
struct Store {
    config: Config,
    owner: RefCell<Client>,
}

impl Store {
    fn new() -> Self {
        let config = new_database();
        let store = Self {
            owner: RefCell::new(config.connect(NoTls).unwrap()),
            config,
        };
        let mut owner = StoreOwner::connect(&store.address("postgres")).unwrap();
        owner.set_up().unwrap();
        store
    }

    fn address(&self, user: &str) -> StoreAddress {
        let Some(Host::Unix(folder)) = self.config.get_hosts().first() else {
            panic!("the tests' server listens at a socket");
        };
        let database = self.config.get_dbname().unwrap();
        let url = format!(
            "postgres:///{database}?host={}&user={user}",
            folder.display()
        );
        StoreAddress::new(&url, None, None).unwrap()
    }

    /// Logins are a server's, which the tests share.
    fn login(&self, name: &str) -> String {
        format!("{name}_{}", self.config.get_dbname().unwrap())
    }

    /// The first column of each row, as text.
    fn texts(&self, sql: &str) -> Vec<String> {
        let mut owner = self.owner.borrow_mut();
        let rows = owner.query(sql, &[]).unwrap();
        rows.iter().map(|row| row.get(0)).collect()
    }

    fn count(&self, table: &str) -> i64 {
        let sql = format!("SELECT count(*) FROM {table}");
        self.owner.borrow_mut().query_one(&sql, &[]).unwrap().get(0)
    }

    fn run(&self, sql: &str) {
        self.owner.borrow_mut().batch_execute(sql).unwrap();
    }
}

/// A cage with a login of its own.
struct Cage {
    folder: tempfile::TempDir,
    carrier: Carrier,
    control: Arc<TestControl>,
    // Dropped last but for the folder: the carrier has a handle.
    writer: JournalWriter,
    _stop: Sender<()>,
    reps: AtomicU32,
}

impl Cage {
    fn new(store: &Store, login: &str) -> Self {
        let mut owner = StoreOwner::connect(&store.address("postgres")).unwrap();
        owner
            .add_login(Member::Cage, &store.login(login), "not asked for")
            .unwrap();
        Self::in_folder(store, login, tempfile::tempdir().unwrap())
    }

    fn in_folder(store: &Store, login: &str, folder: tempfile::TempDir) -> Self {
        let path = folder.path().join("journal.db");
        let writer = JournalWriter::start(&path, WriterOptions::default()).unwrap();
        let control = Arc::new(TestControl {
            path: path.canonicalize().unwrap(),
            writer: writer.handle().unwrap(),
            renamed: Renamed::default(),
            settings: Settings::parse("[video]\nkeep = true", Path::new("s.toml")).unwrap(),
        });
        let (stop, stopped) = bounded(0);
        let settings = FacilitySettings {
            address: store.address(&store.login(login)),
            cage: login.to_owned(),
            films: false,
            live: true,
        };
        let health = Arc::new(Health::default());
        health.change_facility(|_| {});
        let carrier = Carrier {
            settings,
            control: Arc::clone(&control) as _,
            health,
            began: Instant::now(),
            stopped,
            has_carried: Cell::default(),
            screen: RefCell::default(),
            batch_bytes: Cell::new(LARGEST_BATCH),
        };
        Self {
            folder,
            carrier,
            control,
            writer,
            _stop: stop,
            reps: AtomicU32::new(0),
        }
    }

    fn edit(&self, edit: Edit) -> i64 {
        let writer = self.writer.handle().unwrap();
        writer.edit(edit, "coach").unwrap()
    }

    fn reader(&self) -> JournalReader {
        Journal::read_only(&self.control.path).unwrap()
    }

    fn hitter(&self, name: &str) -> HitterId {
        let choice = HitterChoice::Name(name.to_owned());
        self.reader().hitter(&choice).unwrap().id
    }

    fn has_hitter(&self, name: &str) -> bool {
        let hitters = self.reader().hitters().unwrap();
        hitters.iter().any(|row| row.name.as_deref() == Some(name))
    }

    /// A session of a hitter with so many swings, which have landmarks.
    fn hit(&self, name: &str, swings: u32) -> SessionId {
        let started_at: jiff::Timestamp = "2026-11-30T17:00:00Z".parse().unwrap();
        let number = self.reps.fetch_add(swings, Ordering::Relaxed);
        let session = NewSession {
            started_at: started_at + jiff::SignedDuration::from_mins(number.into()),
            hitter: None,
            source: format!("cage {number}"),
            settings: String::new(),
            program_version: "1".to_owned(),
            plan: None,
            said_by: None,
        };
        let hitter = NewHitter {
            name: Some(name.to_owned()),
            ..NewHitter::default()
        };
        self.writer
            .begin_session(Some(hitter), session, Instant::now())
            .unwrap();
        for number in 1..=swings {
            self.writer.log_rep(record(number)).unwrap();
        }
        // Edits come behind what is logged.
        let added = NewHitter {
            name: Some(name.to_owned()),
            ..NewHitter::default()
        };
        self.edit(Edit::AddHitter(added));
        self.writer.state().session.unwrap()
    }

    fn plan(&self, name: &str, plan: &str) {
        let plan = NewPlan {
            name: plan.to_owned(),
            text: format!("name = \"{plan}\"\n"),
        };
        let hitter = Some(self.hitter(name));
        self.edit(Edit::SetPlan { hitter, plan });
    }

    fn plan_in_force(&self, name: &str) -> Option<String> {
        let plan = self.reader().plan_in_force(Some(self.hitter(name)));
        plan.unwrap().map(|plan| plan.name)
    }

    fn decide(&self, name: &str, purpose: Purpose, decision: Decision) {
        let consent = NewConsent {
            purpose,
            decision,
            decided_by: "mother, paper form".to_owned(),
            decided_on: "2026-11-29".parse().unwrap(),
        };
        let hitter = self.hitter(name);
        self.edit(Edit::RecordConsent { hitter, consent });
    }

    fn delete(&self, name: &str) {
        let target = DeletionTarget::Hitter(self.hitter(name));
        let writer = self.writer.handle().unwrap();
        writer.delete(target, Vec::new()).unwrap();
    }

    /// Connects once and exchanges all there is.
    fn exchange(&self) {
        let mut exchange = self.carrier.begin().unwrap();
        self.carrier.go_round(&mut exchange).unwrap();
    }
}
