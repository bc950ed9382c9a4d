//! `review`: the coach's pages over a journal or a backup, on any machine, without a camera.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use crate::journal::{Journal, JournalHandle, JournalWriter, NewHitter};
use crate::page::{PageServer, PageUse, SessionControl, SwitchError, TurnChange};
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
    let writer = match options.edit {
        true => Some(open_journal(&options.journal, terminal)?),
        // So that it is said here what is wrong with it.
        false => Journal::read_only(&options.journal).map(|_| None)?,
    };
    let control = Arc::new(ReviewControl {
        journal: options.journal,
        writer: writer.as_ref().and_then(JournalWriter::handle),
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

/// Nobody hits here.
struct ReviewControl {
    journal: PathBuf,
    /// Absent where the journal is only read.
    writer: Option<JournalHandle>,
    settings: Settings,
    settings_file: Option<PathBuf>,
}

impl SessionControl for ReviewControl {
    fn purpose(&self) -> PageUse {
        match self.writer {
            Some(_) => PageUse::Review,
            None => PageUse::ReadOnlyReview,
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
