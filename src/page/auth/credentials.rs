//! The page's credentials: a PIN for the hitter's screen, and for each coach a password and, where wanted, a second factor.
//!
//! In: what a person types. Out: a file beside the journal with their Argon2id hashes (RFC 9106), readable by its owner alone. It
//! is looked at for each request, so that a change holds at once.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::key_hash::{hash, is_hash, matches};
use super::one_time_code::is_secret;
use super::strength::{self, Weakness};
use super::web_session::Role;
use crate::private_file::write_private;

/// The file's name, beside the journal.
const FILE: &str = "page-keys.toml";
/// The account whose password is typed without a name.
pub(crate) const SHARED_ACCOUNT: &str = "coach";
/// Characters of an account's name, at most.
const MAX_NAME: usize = 40;

/// Who logs in.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) enum Principal {
    /// Whoever has the PIN.
    Screen,
    /// The coach of this account.
    Coach(String),
}

impl Principal {
    /// What they may see.
    pub(in crate::page) fn role(&self) -> Role {
        match self {
            Self::Screen => Role::Hitter,
            Self::Coach(_) => Role::Coach,
        }
    }
}

impl std::fmt::Display for Principal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Screen => f.write_str("screen"),
            Self::Coach(name) => write!(f, "coach {name}"),
        }
    }
}

/// What is typed at a login.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Typed<'a> {
    /// The coach's account; empty for the PIN and the shared account.
    pub(crate) name: &'a str,
    pub(crate) key: &'a str,
}

/// Why credentials cannot be set or read.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CredentialError {
    /// It would be guessed.
    #[error(transparent)]
    Weak(#[from] Weakness),
    /// An account needs a name of one line.
    #[error("a coach's name has 1 to 40 characters on one line")]
    Name,
    /// A second factor without a password.
    #[error("there is no coach {0:?}; set a password first: cagehand keys password --coach {0:?}")]
    NoAccount(String),
    /// The system's random numbers or the hash failed.
    #[error("the system gives no random numbers; try again")]
    Random,
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

/// A coach's account.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Account {
    password: String,
    /// The secret of their one-time codes, base 32.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    code: Option<String>,
}

/// The hashes; `None` where no key is set.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct Credentials {
    #[serde(skip_serializing_if = "Option::is_none")]
    pin: Option<String>,
    /// Files of older versions have the shared account's password here.
    #[serde(skip_serializing)]
    password: Option<String>,
    /// Signs the marks of devices that were logged in.
    #[serde(skip_serializing_if = "Option::is_none")]
    secret: Option<String>,
    coaches: BTreeMap<String, Account>,
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
            Ok(text) => Self::parse(&text).map_err(|reason| CredentialError::Content {
                path: path.to_owned(),
                reason,
            }),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Self::default()),
            Err(source) => Err(CredentialError::File {
                path: path.to_owned(),
                source,
            }),
        }
    }

    /// The credentials in a file's text.
    ///
    /// # Errors
    /// What is wrong with it. A damaged hash or secret is an error like any other: a key that nothing fits, or a second factor
    /// that anybody can work out, must not pass for one.
    pub(in crate::page) fn parse(text: &str) -> Result<Self, String> {
        let mut read: Self = toml::from_str(text).map_err(|error| error.message().to_owned())?;
        if let Some(password) = read.password.take() {
            let shared = read.coaches.entry(SHARED_ACCOUNT.to_owned());
            shared.or_default().password = password;
        }
        if read.pin.as_deref().is_some_and(|pin| !is_hash(pin)) {
            return Err("the PIN's hash is damaged".into());
        }
        if read.secret.as_deref().is_some_and(|key| !is_random(key)) {
            return Err("the secret is damaged".into());
        }
        for (name, account) in &read.coaches {
            if account_name(name).ok().as_ref() != Some(name) {
                return Err(format!("{name:?} is no name of a coach"));
            }
            if !is_hash(&account.password) {
                return Err(format!("the hash of coach {name:?} is damaged"));
            }
            if account.code.as_deref().is_some_and(|key| !is_secret(key)) {
                return Err(format!("the second factor of coach {name:?} is damaged"));
            }
        }
        Ok(read)
    }

    /// The text of their file.
    ///
    /// # Errors
    /// None with what [`Credentials::parse`] takes.
    pub(in crate::page) fn to_text(&self) -> Result<String, toml::ser::Error> {
        toml::to_string(self)
    }

    /// Replaces the file, readable by its owner alone.
    ///
    /// # Errors
    /// Where the disk does not take it; the file before stays.
    pub(crate) fn write(&mut self, path: &Path) -> Result<(), CredentialError> {
        if self.secret.is_none() {
            self.secret = Some(random_hex().ok_or(CredentialError::Random)?);
        }
        let text = self.to_text().map_err(|error| CredentialError::Content {
            path: path.to_owned(),
            reason: error.to_string(),
        })?;
        write_private(path, text.as_bytes()).map_err(|source| CredentialError::File {
            path: path.to_owned(),
            source,
        })
    }

    /// Sets the PIN, or takes it away.
    ///
    /// # Errors
    /// [`CredentialError::Weak`].
    pub(crate) fn set_pin(&mut self, pin: Option<&str>) -> Result<(), CredentialError> {
        self.pin = match pin {
            Some(pin) => {
                strength::check_pin(pin)?;
                Some(hash(pin).ok_or(CredentialError::Random)?)
            }
            None => None,
        };
        Ok(())
    }

    /// Sets a coach's password, or takes the account away. A second factor stays.
    ///
    /// # Errors
    /// [`CredentialError::Weak`], and where the name is none.
    pub(crate) fn set_password(
        &mut self,
        account: &str,
        password: Option<&str>,
    ) -> Result<(), CredentialError> {
        let account = self.account(account)?;
        let Some(password) = password else {
            self.coaches.remove(&account);
            return Ok(());
        };
        strength::check_password(password, &account)?;
        let holds_pin = strength::possible_pins(password)
            .take(2)
            .any(|digits| matches(self.pin.as_deref(), digits));
        if holds_pin {
            return Err(Weakness::PasswordTelling.into());
        }
        let password = hash(password).ok_or(CredentialError::Random)?;
        self.coaches.entry(account).or_default().password = password;
        Ok(())
    }

    /// Sets the secret of a coach's one-time codes, or takes it away.
    ///
    /// # Errors
    /// Where there is no such account.
    pub(crate) fn set_code(
        &mut self,
        account: &str,
        secret: Option<String>,
    ) -> Result<(), CredentialError> {
        let name = self.account(account)?;
        let account = self
            .coaches
            .get_mut(&name)
            .ok_or(CredentialError::NoAccount(name))?;
        account.code = secret;
        Ok(())
    }

    /// The account that a name means, as it is spelled: a login does not tell capitals from small letters either.
    fn account(&self, name: &str) -> Result<String, CredentialError> {
        let name = account_name(name)?;
        let known = self.coaches.keys().find(|known| same_name(known, &name));
        Ok(known.cloned().unwrap_or(name))
    }

    /// Whether a PIN is set.
    pub(crate) fn has_pin(&self) -> bool {
        self.pin.is_some()
    }

    /// Whether any coach has a password.
    pub(crate) fn has_coach(&self) -> bool {
        !self.coaches.is_empty()
    }

    /// The coaches' accounts, and whether each has a second factor.
    pub(crate) fn coaches(&self) -> impl Iterator<Item = (&str, bool)> {
        let coaches = self.coaches.iter();
        coaches.map(|(name, account)| (name.as_str(), account.code.is_some()))
    }

    /// The secret of a principal's one-time codes, where they have one.
    pub(crate) fn code(&self, who: &Principal) -> Option<&str> {
        match who {
            Principal::Screen => None,
            Principal::Coach(name) => self.coaches.get(name)?.code.as_deref(),
        }
    }

    /// What proves that a key is still the one that somebody logged in with: it changes whenever the key is set.
    pub(crate) fn proof(&self, who: &Principal) -> Option<&str> {
        match who {
            Principal::Screen => self.pin.as_deref(),
            Principal::Coach(name) => self.coaches.get(name).map(|account| &*account.password),
        }
    }

    /// All who could log in.
    pub(in crate::page) fn principals(&self) -> impl Iterator<Item = Principal> {
        let coaches = self.coaches.keys().cloned().map(Principal::Coach);
        self.pin.iter().map(|_| Principal::Screen).chain(coaches)
    }

    /// What signs the marks of devices that were logged in.
    pub(in crate::page) fn secret(&self) -> Option<&str> {
        self.secret.as_deref()
    }

    /// Whose key was typed. It takes two hashes of some tens of milliseconds and 19 MB by design, whoever has a key.
    pub(crate) fn verify(&self, typed: Typed<'_>) -> Option<Principal> {
        let name = typed.name.trim();
        let account = if name.is_empty() {
            SHARED_ACCOUNT
        } else {
            name
        };
        let coach = self
            .coaches
            .iter()
            .find(|(known, _)| same_name(known, account));
        let is_coach = matches(coach.map(|(_, account)| &*account.password), typed.key);
        let is_pin = matches(self.pin.as_deref(), typed.key) && name.is_empty();
        match coach {
            Some((name, _)) if is_coach => Some(Principal::Coach(name.clone())),
            _ if is_pin => Some(Principal::Screen),
            _ => None,
        }
    }
}

/// Whether a right key would be refused today: it was set when less was asked for.
pub(in crate::page) fn is_outdated(who: &Principal, key: &str) -> bool {
    match who {
        Principal::Screen => strength::check_pin(key).is_err(),
        Principal::Coach(name) => strength::check_password(key, name).is_err(),
    }
}

/// 256 random bits as hexadecimal digits. `None` where the system gives no random numbers.
pub(in crate::page) fn random_hex() -> Option<String> {
    let mut bytes = [0u8; 32];
    getrandom::fill(&mut bytes).ok()?;
    Some(hex(&bytes))
}

/// Bytes as hexadecimal digits.
pub(in crate::page) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Whether a text is one of [`random_hex`].
pub(super) fn is_random(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|b| b.is_ascii_hexdigit())
}

fn account_name(name: &str) -> Result<String, CredentialError> {
    let name = name.trim();
    let is_name =
        (1..=MAX_NAME).contains(&name.chars().count()) && !name.chars().any(char::is_control);
    is_name
        .then(|| name.to_owned())
        .ok_or(CredentialError::Name)
}

fn same_name(one: &str, other: &str) -> bool {
    one.to_lowercase() == other.to_lowercase()
}

#[cfg(test)]
mod tests;
