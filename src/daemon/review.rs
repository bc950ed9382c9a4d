//! `review`: the coach's pages over a journal or a backup, on any machine, without a camera.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use crate::facility::StoreAddress;
use crate::journal::{
    Journal, JournalError, JournalHandle, JournalReader, JournalWriter, NewHitter, StorePool,
    StoreWriter,
};
use crate::page::{PageServer, PageUse, SessionControl, SwitchError, TurnChange};
use crate::private_file::{create_private_folder, folder_of};
use crate::settings::Settings;
use crate::sound::{CueSources, SoundError};
use crate::status::{Health, ShownHitter};

use super::cue_library::cue_sources;
use super::stop::Stop;
use super::training::open_journal;
use super::{DaemonError, Terminal};

/// How often it is looked whether a stop is requested.
const STOP_POLL: Duration = Duration::from_millis(100);
/// How long the last edits may take to reach the disk.
const CLOSE_PATIENCE: Duration = Duration::from_secs(10);

/// What is reviewed, and how.
#[derive(Debug)]
pub(crate) struct ReviewOptions {
    pub journal: PathBuf,
    /// A facility's store, which is reviewed instead; beside `journal` lie the office's own files then.
    pub store: Option<StoreAddress>,
    /// Whether notes, marks, corrections and plans may be written into it.
    pub edit: bool,
    /// The settings file in force, if there is one.
    pub settings_file: Option<PathBuf>,
}

/// Serves the pages until a stop is requested. The page's settings say where.
///
/// # Errors
/// Where the journal cannot be read, or the page cannot be served.
pub(crate) fn review(
    options: ReviewOptions,
    settings: &Settings,
    terminal: &Terminal,
) -> Result<(), DaemonError> {
    let stop = Stop::new();
    stop.on_signals()?;
    let store = options.store.map(Store::open).transpose()?;
    if store.is_some() {
        create_private_folder(folder_of(&options.journal))?;
    }
    let writer = match (&store, options.edit) {
        (Some(_), _) => None,
        (None, true) => Some(open_journal(&options.journal, terminal)?),
        // So that it is said here what is wrong with it.
        (None, false) => Journal::read_only(&options.journal).map(|_| None)?,
    };
    let edits = match &store {
        Some(store) => Some(store.writer.handle()),
        None => writer.as_ref().and_then(JournalWriter::handle),
    };
    let control = Arc::new(ReviewControl {
        journal: options.journal,
        writer: edits,
        store,
        settings: settings.clone(),
        settings_file: options.settings_file,
    });
    let health = Arc::new(Health::default());
    let page = PageServer::new(health, control, settings.cues.language);
    match page.serve(&settings.page) {
        Ok(Some(served)) => terminal.println(&served.to_string()),
        Ok(None) => return Err(DaemonError::NoPage("no address to serve it at".into())),
        Err(error) => return Err(DaemonError::NoPage(error.to_string())),
    }
    while !stop.requested() {
        std::thread::sleep(STOP_POLL);
    }
    page.end();
    if let Some(writer) = writer {
        writer.close(CLOSE_PATIENCE)?;
    }
    Ok(())
}

/// A facility's store, open.
struct Store {
    pool: StorePool,
    name: String,
    writer: StoreWriter,
}

impl Store {
    /// Asks it once, so that it is said here what is wrong with it.
    fn open(address: StoreAddress) -> Result<Self, DaemonError> {
        let pool = address
            .pool()
            .map_err(|error| DaemonError::NoStore(error.to_string()))?;
        let name = address.url().to_owned();
        let store = Self {
            writer: StoreWriter::start(pool.clone(), &name)?,
            pool,
            name,
        };
        store.reader().cages()?;
        Ok(store)
    }

    fn reader(&self) -> JournalReader {
        JournalReader::of_store(self.pool.clone(), &self.name)
    }
}

/// Nobody hits here.
struct ReviewControl {
    /// The journal; over a store, the place of an office's own files.
    journal: PathBuf,
    store: Option<Store>,
    /// Absent where the journal is only read.
    writer: Option<JournalHandle>,
    settings: Settings,
    settings_file: Option<PathBuf>,
}

impl SessionControl for ReviewControl {
    fn purpose(&self) -> PageUse {
        match (&self.store, &self.writer) {
            (Some(_), _) => PageUse::Office,
            (None, Some(_)) => PageUse::Review,
            (None, None) => PageUse::ReadOnlyReview,
        }
    }

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

    fn hitter_changed(&self, _: &str, _: Option<&str>) -> Result<(), SwitchError> {
        Ok(())
    }

    fn texts(&self) -> Vec<PathBuf> {
        self.settings.texts(self.settings_file.as_deref())
    }

    fn journal(&self) -> Option<PathBuf> {
        Some(Path::to_owned(&self.journal))
    }

    fn reader(&self) -> Option<Result<JournalReader, JournalError>> {
        Some(match &self.store {
            Some(store) => Ok(store.reader()),
            None => Journal::read_only(&self.journal),
        })
    }

    fn journal_writer(&self) -> Option<JournalHandle> {
        self.writer.clone()
    }

    fn cue_sources(&self) -> CueSources {
        cue_sources(&self.settings, Some(&self.journal))
    }

    fn cues_changed(&self) -> Result<(), SoundError> {
        Ok(())
    }
}
