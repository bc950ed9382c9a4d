//! The keys of the page: a PIN for the hitter's screen and a password for the coach's rooms.
//!
//! In: what a person types. Out: a file beside the journal with nothing but their Argon2id hashes (RFC 9106), readable by
//! its owner alone. It is read afresh for each login, so that a new key holds at once.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use argon2::Argon2;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use serde::{Deserialize, Serialize};

/// The file's name, beside the journal.
const FILE: &str = "page-keys.toml";
/// A PIN has so many digits.
pub(super) const PIN_DIGITS: std::ops::RangeInclusive<usize> = 4..=12;
/// A password has so many characters at least.
pub(super) const PASSWORD_LEAST: usize = 10;
/// What is longer is no key; hashing it would only cost time.
const LONGEST: usize = 200;

/// Whose key it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum KeyOf {
    /// The PIN: the hitter's screen.
    Hitter,
    /// The password: the coach's rooms, and the hitter's screen too.
    Coach,
}

/// Why a key is not taken.
#[derive(Debug, thiserror::Error)]
pub(crate) enum KeyError {
    /// It is not fit.
    #[error("{0}")]
    Unfit(&'static str),
    /// The file cannot be read or written.
    #[error("{path}: {source}; check who owns it and the disk")]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// The file is not one of keys.
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
pub(crate) struct Keys {
    pin: Option<String>,
    password: Option<String>,
}

impl Keys {
    /// Where the keys of a journal's page lie.
    pub(crate) fn file_beside(journal: &Path) -> PathBuf {
        journal.with_file_name(FILE)
    }

    /// Reads the keys; none where there is no file.
    ///
    /// # Errors
    /// Where there is a file that cannot be read: it must not open a door.
    pub(crate) fn read(path: &Path) -> Result<Self, KeyError> {
        match fs::read_to_string(path) {
            Ok(text) => toml::from_str(&text).map_err(|error| KeyError::Content {
                path: path.to_owned(),
                reason: error.message().to_owned(),
            }),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Self::default()),
            Err(source) => Err(KeyError::File {
                path: path.to_owned(),
                source,
            }),
        }
    }

    /// Writes the keys in the place of those before, readable by the owner alone.
    ///
    /// # Errors
    /// Where the disk does not take them; those before stay.
    pub(crate) fn write(&self, path: &Path) -> Result<(), KeyError> {
        let failed = |source| KeyError::File {
            path: path.to_owned(),
            source,
        };
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder).map_err(failed)?;
        }
        let text = toml::to_string(self).map_err(|error| KeyError::Content {
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

    /// Sets a key, or takes it away.
    ///
    /// # Errors
    /// [`KeyError::Unfit`] where it is too short or, for a PIN, not of digits.
    pub(crate) fn set(&mut self, whose: KeyOf, key: Option<&str>) -> Result<(), KeyError> {
        let hash = match key {
            None => None,
            Some(key) => {
                fit(whose, key)?;
                Some(hashed(key)?)
            }
        };
        match whose {
            KeyOf::Hitter => self.pin = hash,
            KeyOf::Coach => self.password = hash,
        }
        Ok(())
    }

    /// Whether this key is set.
    pub(crate) fn has(&self, whose: KeyOf) -> bool {
        self.hash(whose).is_some()
    }

    /// Whether what was typed is the key. It takes some tens of milliseconds and 19 MB by design, also where no key is set.
    pub(crate) fn opens(&self, whose: KeyOf, typed: &str) -> bool {
        let Some(hash) = self.hash(whose) else {
            // As long as for a real one, so that the time does not tell.
            let _ = hashed("no key is set");
            return false;
        };
        typed.len() <= LONGEST
            && PasswordHash::new(hash).is_ok_and(|hash| {
                Argon2::default()
                    .verify_password(typed.as_bytes(), &hash)
                    .is_ok()
            })
    }

    fn hash(&self, whose: KeyOf) -> Option<&str> {
        match whose {
            KeyOf::Hitter => self.pin.as_deref(),
            KeyOf::Coach => self.password.as_deref(),
        }
    }
}

fn fit(whose: KeyOf, key: &str) -> Result<(), KeyError> {
    let count = key.chars().count();
    match whose {
        KeyOf::Hitter
            if !PIN_DIGITS.contains(&count) || !key.chars().all(|c| c.is_ascii_digit()) =>
        {
            Err(KeyError::Unfit("a PIN has 4 to 12 digits and nothing else"))
        }
        KeyOf::Coach if count < PASSWORD_LEAST || key.len() > LONGEST => Err(KeyError::Unfit(
            "a password has 10 characters at least, and 200 at most",
        )),
        _ => Ok(()),
    }
}

fn hashed(key: &str) -> Result<String, KeyError> {
    let mut salt = [0u8; 16];
    getrandom::fill(&mut salt)
        .map_err(|_| KeyError::Unfit("the system gives no random numbers; try again"))?;
    let salt = SaltString::encode_b64(&salt)
        .map_err(|_| KeyError::Unfit("the system gives no random numbers; try again"))?;
    Argon2::default()
        .hash_password(key.as_bytes(), &salt)
        .map(|hash| hash.to_string())
        .map_err(|_| KeyError::Unfit("this key cannot be hashed; choose another"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_kept_as_hashes_and_open_their_own_door_only() {
        let dir = tempfile::tempdir().unwrap();
        let path = Keys::file_beside(&dir.path().join("journal.db"));
        let mut keys = Keys::read(&path).unwrap();
        assert!(!keys.has(KeyOf::Coach) && !keys.opens(KeyOf::Coach, ""));
        keys.set(KeyOf::Hitter, Some("2468")).unwrap();
        keys.set(KeyOf::Coach, Some("nine long innings")).unwrap();
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
        let keys = Keys::read(&path).unwrap();
        assert!(keys.opens(KeyOf::Hitter, "2468") && !keys.opens(KeyOf::Hitter, "2469"));
        assert!(keys.opens(KeyOf::Coach, "nine long innings"));
        assert!(!keys.opens(KeyOf::Coach, "2468"));
    }

    #[test]
    fn unfit_keys_and_broken_files_open_nothing() {
        let mut keys = Keys::default();
        for pin in ["123", "12a4", "", "1234567890123"] {
            assert!(keys.set(KeyOf::Hitter, Some(pin)).is_err(), "{pin}");
        }
        assert!(keys.set(KeyOf::Coach, Some("too short")).is_err());
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(FILE);
        fs::write(&path, "pin = 3").unwrap();
        assert!(Keys::read(&path).is_err());
        fs::write(&path, "pin = \"not a hash\"").unwrap();
        assert!(
            !Keys::read(&path)
                .unwrap()
                .opens(KeyOf::Hitter, "not a hash")
        );
    }
}
