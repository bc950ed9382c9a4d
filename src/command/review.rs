//! `cagehand review`: the coach's pages without a camera.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::Args;

use super::settings_files::SettingsFiles;
use super::{Failure, journal_path, notice, terminal};
use crate::daemon::{ReviewOptions, Terminal, review};
use crate::settings::Settings;

/// Where the pages are served where the settings name no address.
const LISTEN: &str = "127.0.0.1:7420";

/// Arguments of `review`.
#[derive(Debug, Args)]
pub(super) struct Review {
    /// The journal, or a backup of one; without it the journal of the settings.
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
    /// Serve the pages here instead of where the settings say, such as beside a cagehand that watches.
    #[arg(long, value_name = "ADDRESS:PORT")]
    listen: Option<SocketAddr>,
    /// Let notes, marks, corrections and plans be written; no other cagehand may then use the journal. Without it the journal
    /// is only read.
    #[arg(long)]
    edit: bool,
}

impl Review {
    pub(super) fn run(self, settings: &Settings, files: &SettingsFiles) -> Result<(), Failure> {
        terminal::println(notice::in_language(settings.cues.language));
        let mut settings = settings.clone();
        let page = &mut settings.page;
        page.listen = self.listen.or(page.listen).or_else(|| LISTEN.parse().ok());
        // There is nobody to look at, and whoever is at this machine has the file.
        page.picture = false;
        page.trial = true;
        let options = ReviewOptions {
            journal: journal_path(self.journal.as_deref(), &settings)?,
            edit: self.edit,
            settings_file: files.in_force().map(Into::into),
        };
        Ok(review(
            options,
            &settings,
            &Terminal::new(terminal::println),
        )?)
    }
}
