//! `cagehand review`: the coach's pages without a camera.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::Args;

use super::settings_files::SettingsFiles;
use super::{Failure, journal_path, notice, terminal};
use crate::daemon::{ReviewOptions, Terminal, review};
use crate::facility::StoreAddress;
use crate::settings::Settings;

/// Where the pages are served where the settings name no address.
const LISTEN: &str = "127.0.0.1:7420";

/// Arguments of `review`.
#[derive(Debug, Args)]
pub(super) struct Review {
    /// The journal, or a backup of one; without it the journal of the settings.
    #[arg(long, value_name = "FILE", conflicts_with = "store")]
    journal: Option<PathBuf>,
    /// The store of a facility instead of a journal, such as `postgres://office@office.example.org/cagehand`: the coach's pages for
    /// all its cages. Notes, marks, corrections and plans can be written.
    #[arg(long, value_name = "URL", conflicts_with = "edit")]
    store: Option<String>,
    /// A file with the password of the store; without it the system's credential `facility_password`, if there is one.
    #[arg(long, value_name = "FILE", requires = "store")]
    password_file: Option<PathBuf>,
    /// A PEM file with the authority that signed the store's certificate; without it those that the system trusts.
    #[arg(long, value_name = "FILE", requires = "store")]
    authority: Option<PathBuf>,
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
        page.trial = page.trial || self.store.is_none();
        let store = self
            .store
            .map(|url| StoreAddress::new(&url, self.password_file, self.authority))
            .transpose()
            .map_err(|why| Failure::Request(format!("--store: {why}")))?;
        let options = ReviewOptions {
            journal: match &store {
                // Beside it are the keys of the office's page and its audit trail.
                Some(_) => journal_path(None, &settings)?
                    .with_file_name("office")
                    .join("office.db"),
                None => journal_path(self.journal.as_deref(), &settings)?,
            },
            store,
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
