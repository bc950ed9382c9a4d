//! The page's credentials: a PIN for the hitter's screen and a password for the coach's pages.
//!
//! In: what a person types. Out: a file beside the journal with nothing but their Argon2id hashes (RFC 9106), readable by
//! its owner alone. It is read afresh for each login, so that a change holds at once.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use argon2::Argon2;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use serde::{Deserialize, Serialize};

/// The file's name, beside the journal.
const FILE: &str = "page-keys.toml";
/// Digits of a PIN.
const PIN_DIGITS: std::ops::RangeInclusive<usize> = 4..=12;
/// Characters of a password, at least.
const MIN_PASSWORD: usize = 10;
/// Bytes; hashing anything longer would only cost time.
const MAX_BYTES: usize = 200;

/// One of the two.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum CredentialKind {
    /// Opens the hitter's screen.
    Pin,
    /// Opens the coach's pages and the hitter's screen.
    Password,
}

/// Why credentials cannot be set or read.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CredentialError {
    /// Too short, too long or, for a PIN, not of digits.
    #[error("{0}")]
    Weak(&'static str),
    /// The file cannot be read or written.
    #[error("{path}: {source}; check who owns it and the disk")]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// The file holds something else.
    #[error("{path} is no file of keys: {reason}; delete it and set the keys again")]
    Content {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
}

/// The hashes; `None` where no key is set.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Credentials {
    pin: Option<String>,
    password: Option<String>,
}

impl Credentials {
    /// Where the credentials for a journal's page lie.
    pub(crate) fn file_beside(journal: &Path) -> PathBuf {
        journal.with_file_name(FILE)
    }

    /// Reads the credentials; none where there is no file.
    ///
    /// # Errors
    /// Where there is a file that cannot be read: such a file must not open anything.
    pub(crate) fn read(path: &Path) -> Result<Self, CredentialError> {
        match fs::read_to_string(path) {
            Ok(text) => toml::from_str(&text).map_err(|error| CredentialError::Content {
                path: path.to_owned(),
                reason: error.message().to_owned(),
            }),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Self::default()),
            Err(source) => Err(CredentialError::File {
                path: path.to_owned(),
                source,
            }),
        }
    }

    /// Replaces the file, readable by its owner alone.
    ///
    /// # Errors
    /// Where the disk does not take it; the file before stays.
    pub(crate) fn write(&self, path: &Path) -> Result<(), CredentialError> {
        let failed = |source| CredentialError::File {
            path: path.to_owned(),
            source,
        };
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(failed)?;
        }
        let text = toml::to_string(self).map_err(|error| CredentialError::Content {
            path: path.to_owned(),
            reason: error.to_string(),
        })?;
        let new = path.with_extension("new");
        let mut options = fs::OpenOptions::new();
        options.write(true).create(true).truncate(true);
        #[cfg(unix)]
        {
            use std::os::unix::fs::OpenOptionsExt;
            options.mode(0o600);
        }
        let mut file = options.open(&new).map_err(failed)?;
        file.write_all(text.as_bytes()).map_err(failed)?;
        file.sync_all().map_err(failed)?;
        fs::rename(&new, path).map_err(failed)
    }

    /// Sets a credential, or removes it.
    ///
    /// # Errors
    /// [`CredentialError::Weak`].
    pub(crate) fn set(
        &mut self,
        kind: CredentialKind,
        key: Option<&str>,
    ) -> Result<(), CredentialError> {
        let hash = match key {
            None => None,
            Some(key) => {
                check_strength(kind, key)?;
                Some(hash(key)?)
            }
        };
        match kind {
            CredentialKind::Pin => self.pin = hash,
            CredentialKind::Password => self.password = hash,
        }
        Ok(())
    }

    /// Whether it is set.
    pub(crate) fn has(&self, kind: CredentialKind) -> bool {
        self.hash(kind).is_some()
    }

    /// Whether what was typed is right. It takes some tens of milliseconds and 19 MB by design, also where none is set.
    pub(crate) fn verify(&self, kind: CredentialKind, typed: &str) -> bool {
        let Some(hash) = self.hash(kind) else {
            // As long as for a real one, so that the time gives nothing away.
            let _ = hash("no key is set");
            return false;
        };
        typed.len() <= MAX_BYTES
            && PasswordHash::new(hash).is_ok_and(|hash| {
                Argon2::default()
                    .verify_password(typed.as_bytes(), &hash)
                    .is_ok()
            })
    }

    fn hash(&self, kind: CredentialKind) -> Option<&str> {
        match kind {
            CredentialKind::Pin => self.pin.as_deref(),
            CredentialKind::Password => self.password.as_deref(),
        }
    }
}

fn check_strength(kind: CredentialKind, key: &str) -> Result<(), CredentialError> {
    let count = key.chars().count();
    match kind {
        CredentialKind::Pin
            if !PIN_DIGITS.contains(&count) || !key.chars().all(|c| c.is_ascii_digit()) =>
        {
            Err(CredentialError::Weak(
                "a PIN has 4 to 12 digits and nothing else",
            ))
        }
        CredentialKind::Password if count < MIN_PASSWORD || key.len() > MAX_BYTES => Err(
            CredentialError::Weak("a password has 10 characters at least, and 200 at most"),
        ),
        _ => Ok(()),
    }
}

fn hash(key: &str) -> Result<String, CredentialError> {
    let mut salt = [0u8; 16];
    getrandom::fill(&mut salt)
        .map_err(|_| CredentialError::Weak("the system gives no random numbers; try again"))?;
    let salt = SaltString::encode_b64(&salt)
        .map_err(|_| CredentialError::Weak("the system gives no random numbers; try again"))?;
    Argon2::default()
        .hash_password(key.as_bytes(), &salt)
        .map(|hash| hash.to_string())
        .map_err(|_| CredentialError::Weak("this key cannot be hashed; choose another"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn credentials_are_kept_as_hashes_and_open_their_own_pages_only() {
        let dir = tempfile::tempdir().unwrap();
        let path = Credentials::file_beside(&dir.path().join("journal.db"));
        let mut keys = Credentials::read(&path).unwrap();
        assert!(!keys.has(CredentialKind::Password) && !keys.verify(CredentialKind::Password, ""));
        keys.set(CredentialKind::Pin, Some("2468")).unwrap();
        keys.set(CredentialKind::Password, Some("nine long innings"))
            .unwrap();
        keys.write(&path).unwrap();
        let text = fs::read_to_string(&path).unwrap();
        assert!(!text.contains("2468") && !text.contains("innings"));
        assert!(text.matches("$argon2id$v=19$m=19456,t=2,p=1$").count() == 2);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(
                fs::metadata(&path).unwrap().permissions().mode() & 0o777,
                0o600
            );
        }
        let keys = Credentials::read(&path).unwrap();
        assert!(
            keys.verify(CredentialKind::Pin, "2468") && !keys.verify(CredentialKind::Pin, "2469")
        );
        assert!(keys.verify(CredentialKind::Password, "nine long innings"));
        assert!(!keys.verify(CredentialKind::Password, "2468"));
    }

    #[test]
    fn weak_credentials_and_broken_files_open_nothing() {
        let mut keys = Credentials::default();
        for pin in ["123", "12a4", "", "1234567890123"] {
            assert!(keys.set(CredentialKind::Pin, Some(pin)).is_err(), "{pin}");
        }
        assert!(
            keys.set(CredentialKind::Password, Some("too short"))
                .is_err()
        );
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(FILE);
        fs::write(&path, "pin = 3").unwrap();
        assert!(Credentials::read(&path).is_err());
        fs::write(&path, "pin = \"not a hash\"").unwrap();
        assert!(
            !Credentials::read(&path)
                .unwrap()
                .verify(CredentialKind::Pin, "not a hash")
        );
    }
}
