//! What the errors of other rooms say on the page.

use super::Messages;
use crate::journal::JournalError;
use crate::page::SwitchError;
use crate::page::auth::CredentialError;
use crate::rep::CannotMove;
use crate::sound::{Language, SoundError};

/// An error that a reader may see.
pub(in crate::page) trait Explained {
    /// What it says in English by itself; nothing where that would name files of the machine.
    fn english(&self) -> Option<String>;

    /// The key of what it says otherwise.
    fn key(&self) -> &'static str;
}

impl Messages {
    /// What an error says.
    pub(in crate::page) fn error(&self, error: &impl Explained) -> String {
        let own = match self.language {
            Language::English => error.english(),
            Language::Spanish => None,
        };
        own.unwrap_or_else(|| self.t(error.key()).to_owned())
    }
}

impl Explained for SwitchError {
    fn english(&self) -> Option<String> {
        matches!(self, Self::NoCamera).then(|| self.to_string())
    }

    fn key(&self) -> &'static str {
        match self {
            Self::NoCamera => "fault.switch.no_camera",
            Self::Frozen => "fault.switch.frozen",
            Self::Preparation(_) => "fault.switch.preparation",
        }
    }
}

impl Explained for SoundError {
    fn english(&self) -> Option<String> {
        None
    }

    fn key(&self) -> &'static str {
        match self {
            Self::DecodeSound { .. } => "error.not_sound",
            Self::SilentSound { .. } => "error.sound_silent",
            Self::ReadPhrases { .. } | Self::ParsePhrases { .. } | Self::RepeatedCue { .. } => {
                "error.sound_list"
            }
            _ => "error.sound_not_kept",
        }
    }
}

impl Explained for CannotMove {
    fn english(&self) -> Option<String> {
        Some(self.to_string())
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
    fn english(&self) -> Option<String> {
        None
    }

    fn key(&self) -> &'static str {
        match self {
            Self::Weak(_) | Self::Name | Self::NoAccount(_) | Self::Random => {
                "fault.credentials.weak"
            }
            Self::File { .. } => "fault.credentials.file",
            Self::Content { .. } => "fault.credentials.content",
        }
    }
}

impl Explained for JournalError {
    fn english(&self) -> Option<String> {
        match self {
            // The reader's own entry, not a fault of the program.
            Self::Refused { reason, .. } => Some(reason.clone()),
            _ => None,
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
            Self::StoreUnreachable { .. } => "fault.journal.store_away",
            Self::StoreNotSetUp { .. } => "fault.journal.store_set_up",
            _ => "fault.journal.other",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rep::Lengths;

    #[test]
    fn errors_name_no_file_of_the_machine() {
        let path = std::path::PathBuf::from("/secret/place.db");
        for language in Language::ALL {
            let i18n = Messages::of(language, Lengths::Metric);
            let texts = [
                i18n.error(&JournalError::Missing { path: path.clone() }),
                i18n.error(&CredentialError::File {
                    path: path.clone(),
                    source: std::io::ErrorKind::PermissionDenied.into(),
                }),
                i18n.error(&SwitchError::Preparation("in /secret/place.db".into())),
            ];
            for text in texts {
                assert!(!text.contains("secret") && text.len() > 20, "{text}");
                assert!(!text.starts_with("fault."), "{text}");
            }
        }
    }
}
