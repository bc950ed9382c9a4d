//! What may be kept and shown of the hitter who hits now, by what they allow.
//!
//! In: the journal's record of what its hitters allow, and whether the settings ask for it first. Out: [`Permissions`], and the
//! [`Gates`] of films and pictures, opened and closed by them. Reading happens on the threads `page` and `settings`; the line from
//! camera to cue sees an atomic load.

use std::path::Path;
use std::sync::Arc;

use crate::journal::{
    Consents, Decision, HitterChoice, HitterRow, Journal, JournalError, Purpose, has_set_aside,
};
use crate::status::{Preview, ShownHitter};
use crate::video::FilmGate;

/// What may be kept and shown of the hitter who hits now.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Permissions {
    /// Films of their reps.
    pub film: bool,
    /// The camera's picture on screens.
    pub picture: bool,
    /// The landmarks of their reps.
    pub landmarks: bool,
    /// How screens call them; `None` for nobody named.
    pub shown: Option<ShownHitter>,
    /// Whom screens ask for after a restart.
    pub asked: Option<ShownHitter>,
}

/// What closes on a hitter who does not allow something.
pub(super) struct Gates {
    pub films: FilmGate,
    pub preview: Arc<Preview>,
}

impl Gates {
    /// Opens and closes all by what a hitter allows.
    pub(super) fn set(&self, permissions: &Permissions) {
        self.films.set(permissions.film);
        self.preview.withhold(!permissions.picture);
    }

    /// Closes what a hitter does not allow; what they allow stays as it is.
    pub(super) fn close(&self, permissions: &Permissions) {
        if !permissions.film {
            self.films.set(false);
        }
        if !permissions.picture {
            self.preview.withhold(true);
        }
    }
}

/// What may be kept of a hitter of this name, and shown of one who is asked for; the journal is the one at `path`. `ask` says
/// that films and pictures need a consent. What somebody who is asked for does not allow is not done either: they may be there
/// still.
pub(super) fn permissions(
    path: &Path,
    name: Option<&str>,
    asked: Option<&str>,
    ask: bool,
) -> Permissions {
    let whose = name.or(asked);
    let found = whose.map(|whose| look_up(path, whose));
    let (row, consents) = match found {
        // Nobody is named: there is nobody whose decision could be known.
        None => (None, Ok(Consents::default())),
        Some(Ok((row, consents))) => (row, Ok(consents)),
        Some(Err(error)) => (None, Err(error)),
    };
    let call = |name: &str| match (&row, &consents) {
        (Some(row), Ok(consents)) if consents.refuses(Purpose::Name) => {
            ShownHitter::Number(row.id.get())
        }
        _ => ShownHitter::Name(name.to_owned()),
    };
    let allows = |purpose| match &consents {
        Ok(consents) => match consents.decision(purpose) {
            Some(decision) => decision == Decision::Given,
            // What was decided may stand in a journal that is not this one any more.
            None => !(ask || whose.is_some() && has_set_aside(path)),
        },
        Err(_) => false,
    };
    let permissions = Permissions {
        film: allows(Purpose::Film),
        picture: allows(Purpose::Picture),
        landmarks: consents
            .as_ref()
            .map_or(true, |consents| !consents.refuses(Purpose::Landmarks)),
        shown: name.map(call),
        asked: asked.map(call),
    };
    if let Err(error) = &consents {
        tracing::warn!(%error, "what the hitter allows could not be read; there is no film and no picture of them");
    }
    permissions
}

/// A hitter and what they allow; nobody where the name is new.
fn look_up(path: &Path, name: &str) -> Result<(Option<HitterRow>, Consents), JournalError> {
    let reader = match Journal::read_only(path) {
        Err(JournalError::Missing { .. }) => return Ok((None, Consents::default())),
        reader => reader?,
    };
    match reader.hitter(&HitterChoice::Name(name.to_owned())) {
        Ok(row) => {
            let consents = reader.consents(row.id)?;
            Ok((Some(row), consents))
        }
        Err(JournalError::NoSuchHitter { .. }) => Ok((None, Consents::default())),
        Err(error) => Err(error),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::{Edit, NewConsent, NewHitter};

    #[test]
    fn a_hitter_gets_what_was_decided_and_without_a_decision_what_the_settings_say() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal.db");
        let of = |name: Option<&str>, asked: Option<&str>, ask| {
            let found = permissions(&path, name, asked, ask);
            (found.film, found.picture, found.landmarks)
        };
        // No journal yet, and then nobody who decided anything.
        assert_eq!(of(Some("Ana"), None, false), (true, true, true));
        let mut journal = Journal::open(&path).unwrap();
        let mut add = |name: &str| {
            let hitter = NewHitter {
                name: Some(name.into()),
                ..NewHitter::default()
            };
            journal.find_or_add_hitter(&hitter).unwrap()
        };
        let ana = add("Ana");
        for who in [Some("Ana"), Some("Zoe"), None] {
            assert_eq!(of(who, None, false), (true, true, true));
            assert_eq!(of(who, None, true), (false, false, true));
        }
        let mut decide = |purpose, decision| {
            let consent = NewConsent {
                purpose,
                decision,
                decided_by: "mother".into(),
                decided_on: jiff::civil::date(2026, 11, 2),
            };
            let edit = Edit::RecordConsent {
                hitter: ana,
                consent,
            };
            journal.edit(&edit, "Maria").unwrap();
        };
        decide(Purpose::Film, Decision::Given);
        assert_eq!(of(Some("Ana"), None, true), (true, false, true));
        decide(Purpose::Film, Decision::Withdrawn);
        decide(Purpose::Landmarks, Decision::Refused);
        assert_eq!(of(Some("Ana"), None, false), (false, true, false));
        // Whoever is asked for may be there still.
        assert_eq!(of(None, Some("Ana"), false), (false, true, false));

        let shown = |name| permissions(&path, name, None, false).shown;
        assert_eq!(shown(Some("Ana")), Some(ShownHitter::Name("Ana".into())));
        decide(Purpose::Name, Decision::Refused);
        assert_eq!(shown(Some("Ana")), Some(ShownHitter::Number(ana.get())));
        assert_eq!(shown(None), None);

        // A refusal may stand in a journal that was set aside.
        std::fs::write(folder.path().join("journal.damaged-20260101-000000.db"), "").unwrap();
        assert_eq!(of(Some("Zoe"), None, false), (false, false, true));
        assert_eq!(of(None, None, false), (true, true, true));
        drop(journal);
        std::fs::write(&path, "no journal").unwrap();
        assert_eq!(of(Some("Zoe"), None, false), (false, false, true));
    }
}
