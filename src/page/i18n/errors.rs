//! What the errors of other rooms say on the page.

use super::Messages;
use crate::journal::JournalError;
use crate::page::SwitchError;
use crate::page::auth::CredentialError;
use crate::rep::CannotMove;
use crate::sound::Language;

/// An error that a reader may see.
pub(in crate::page) trait Explained {
    /// What it says in English.
    fn english(&self) -> String;

    /// The key of what it says in another language.
    fn key(&self) -> &'static str;
}

impl Messages {
    /// What an error says.
    pub(in crate::page) fn error(&self, error: &impl Explained) -> String {
        match self.language {
            Language::English => error.english(),
            Language::Spanish => self.t(error.key()).to_owned(),
        }
    }
}

impl Explained for SwitchError {
    fn english(&self) -> String {
        self.to_string()
    }

    fn key(&self) -> &'static str {
        match self {
            Self::NoCamera => "fault.switch.no_camera",
            Self::Preparation(_) => "fault.switch.preparation",
        }
    }
}

impl Explained for CannotMove {
    fn english(&self) -> String {
        self.to_string()
    }

    fn key(&self) -> &'static str {
        match self {
            Self::OutOfOrder => "fault.move.out_of_order",
            Self::NotRecorded => "fault.move.not_recorded",
            Self::Unmeasurable => "fault.move.unmeasurable",
        }
    }
}

impl Explained for CredentialError {
    fn english(&self) -> String {
        self.to_string()
    }

    fn key(&self) -> &'static str {
        match self {
            Self::Weak(_) => "fault.credentials.weak",
            Self::File { .. } => "fault.credentials.file",
            Self::Content { .. } => "fault.credentials.content",
        }
    }
}

impl Explained for JournalError {
    fn english(&self) -> String {
        match self {
            // The reader's own entry, not a fault of the program.
            Self::Refused { reason, .. } => reason.clone(),
            error => error.to_string(),
        }
    }

    fn key(&self) -> &'static str {
        match self {
            Self::Missing { .. } => "fault.journal.missing",
            Self::NoAccess { .. } | Self::Directory { .. } => "fault.journal.no_access",
            Self::InUse { .. } | Self::Busy { .. } => "fault.journal.busy",
            Self::NotDatabase { .. } | Self::NotJournal { .. } => "fault.journal.not_journal",
            Self::Damaged { .. } | Self::Timeline { .. } => "fault.journal.damaged",
            Self::NewerSchema { .. } | Self::OlderSchema { .. } => "fault.journal.schema",
            Self::DiskFull { .. } => "fault.journal.disk_full",
            Self::Disk { .. } => "fault.journal.disk",
            Self::Moved { .. } => "fault.journal.moved",
            Self::Refused { .. } => "fault.journal.refused",
            _ => "fault.journal.other",
        }
    }
}
