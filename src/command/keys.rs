//! `cagehand keys`: the PIN of the cage's screen and the password of the coach's pages.
//!
//! In: a key, typed on standard input so that it stands in no list of processes and no shell history. Out: its hash beside
//! the journal.

use std::io::{BufRead, IsTerminal};
use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::{Failure, journal_path, terminal};
use crate::page::{CredentialError, CredentialKind, Credentials};
use crate::settings::Settings;

/// Arguments of `keys`.
#[derive(Debug, Args)]
pub(super) struct KeysArgs {
    #[command(subcommand)]
    command: KeysCommand,
    /// The keys of the page that shows this journal.
    #[arg(long, value_name = "FILE", global = true)]
    journal: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum KeysCommand {
    /// Set the PIN of the cage's screen (4 to 12 digits), read from standard input
    Pin(Drop),
    /// Set the password of the coach's pages (10 characters at least), read from standard input
    Password(Drop),
    /// Say which keys are set
    Show,
}

#[derive(Debug, Args)]
struct Drop {
    /// Take the key away instead.
    #[arg(long)]
    drop: bool,
}

impl KeysArgs {
    pub(super) fn run(self, settings: &Settings) -> Result<(), Failure> {
        let journal = journal_path(self.journal.as_deref(), settings)?;
        let file = Credentials::file_beside(&journal);
        let failed = |error: CredentialError| match error {
            CredentialError::Weak(_) => Failure::Request(error.to_string()),
            CredentialError::File { .. } | CredentialError::Content { .. } => {
                Failure::Finding(error.to_string())
            }
        };
        let mut keys = Credentials::read(&file).map_err(failed)?;
        let (whose, drop) = match self.command {
            KeysCommand::Pin(Drop { drop }) => (CredentialKind::Pin, drop),
            KeysCommand::Password(Drop { drop }) => (CredentialKind::Password, drop),
            KeysCommand::Show => {
                for (whose, what) in [
                    (CredentialKind::Pin, "PIN"),
                    (CredentialKind::Password, "password"),
                ] {
                    let state = if keys.has(whose) { "set" } else { "not set" };
                    terminal::println(&format!("{what:<9} {state}"));
                }
                return Ok(());
            }
        };
        let typed = match drop {
            true => None,
            false => Some(typed()?),
        };
        keys.set(whose, typed.as_deref()).map_err(failed)?;
        keys.write(&file).map_err(failed)?;
        terminal::println(&format!(
            "{}: {}",
            file.display(),
            if drop {
                "the key is taken away"
            } else {
                "the key is set"
            }
        ));
        Ok(())
    }
}

/// The line that is typed or piped in.
fn typed() -> Result<String, Failure> {
    let input = std::io::stdin();
    if input.is_terminal() {
        terminal::println("Type the key and press Enter (it shows while you type):");
    }
    let mut line = String::new();
    input
        .lock()
        .read_line(&mut line)
        .map_err(|error| Failure::Request(format!("the key cannot be read: {error}")))?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}
