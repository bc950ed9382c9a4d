//! Who hits now, and who said so.
//!
//! In: what the journal knows of the runs before, and what is said at the page. Out: whose session the next one is. A hitter who
//! stepped in at the page is not taken for there after a restart, and the settings' hitter is not taken for them.

use std::path::Path;
use std::time::Duration;

use crate::journal::{Journal, JournalError, JournalWriter, LastSaid, SaidBy};
use crate::settings::HitterSettings;

/// Who hits now.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum HitterNow {
    /// The settings' hitter.
    Settings,
    /// Whoever was named at the page; nobody, where they said so.
    Page(HitterSettings),
    /// Nobody has said so since the start.
    Unsaid {
        /// Who hit shortly before it: somebody is to say whether they still do.
        before: Option<String>,
    },
}

impl HitterNow {
    /// Who hits at the start of a run. To be called once the journal is open.
    pub(super) fn at_start(path: &Path, journal: &JournalWriter, idle: Duration) -> Self {
        let set_aside = journal
            .state()
            .opened
            .is_some_and(|report| report.quarantined.is_some());
        if set_aside {
            return Self::Unsaid { before: None };
        }
        match Journal::read_only(path).and_then(|reader| reader.last_said()) {
            Ok(said) => Self::after(said, idle),
            Err(JournalError::Missing { .. }) => Self::Settings,
            Err(error) => {
                tracing::warn!(%error, "who hit last could not be read; nobody is named");
                Self::Unsaid { before: None }
            }
        }
    }

    fn after(said: Option<LastSaid>, idle: Duration) -> Self {
        let Some(said) = said.filter(|said| said.by_page) else {
            return Self::Settings;
        };
        let ago = crate::wall_clock::now().duration_since(said.active_at);
        // A clock that was set back says nothing about how long ago it was.
        let lately = Duration::try_from(ago).is_ok_and(|ago| ago < idle);
        Self::Unsaid {
            before: said.name.filter(|_| lately),
        }
    }

    /// Nobody named, because somebody said so or because the cage was empty for long.
    pub(super) fn nobody() -> Self {
        Self::Page(no_hitter())
    }

    /// The hitter in the place of the settings'; `None` for theirs.
    pub(super) fn instead(&self) -> Option<HitterSettings> {
        match self {
            Self::Settings => None,
            Self::Page(hitter) => Some(hitter.clone()),
            Self::Unsaid { .. } => Some(no_hitter()),
        }
    }

    pub(super) fn said_by(&self) -> Option<SaidBy> {
        match self {
            Self::Settings => Some(SaidBy::Settings),
            Self::Page(_) => Some(SaidBy::Page),
            Self::Unsaid { .. } => None,
        }
    }

    /// Whom to ask for.
    pub(super) fn asked(&self) -> Option<&str> {
        match self {
            Self::Unsaid { before } => before.as_deref(),
            Self::Settings | Self::Page(_) => None,
        }
    }

    /// Who hits after a hitter got another name, or may not hit any more; `None` where that changes nothing.
    pub(super) fn with_name(
        &self,
        before: &str,
        now: Option<&str>,
        in_settings: Option<&str>,
    ) -> Option<Self> {
        let renamed = |hitter: HitterSettings| HitterSettings {
            name: now.map(str::to_owned),
            ..hitter
        };
        match self {
            Self::Page(hitter) if hitter.name.as_deref() == Some(before) => Some(match now {
                Some(_) => Self::Page(renamed(hitter.clone())),
                None => Self::nobody(),
            }),
            // The settings still have the old name, and must not bring it back.
            Self::Settings if in_settings == Some(before) => Some(match now {
                Some(_) => Self::Page(renamed(no_hitter())),
                None => Self::nobody(),
            }),
            Self::Unsaid { before: asked } if asked.as_deref() == Some(before) => {
                Some(Self::Unsaid {
                    before: now.map(str::to_owned),
                })
            }
            _ => None,
        }
    }

    /// Who hits once nobody has stood in for long; `None` where that changes nothing.
    pub(super) fn once_idle(&self) -> Option<Self> {
        match self {
            Self::Page(hitter) if *hitter != no_hitter() => Some(Self::nobody()),
            Self::Unsaid { before: Some(_) } => Some(Self::Unsaid { before: None }),
            _ => None,
        }
    }
}

fn no_hitter() -> HitterSettings {
    HitterSettings {
        name: None,
        height_cm: None,
        bats: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_was_named_at_the_page_is_asked_for_and_never_assumed() {
        let idle = Duration::from_secs(1200);
        let said = |by_page, name: Option<&str>, secs_ago: i64| {
            let ago = jiff::SignedDuration::from_secs(secs_ago);
            Some(LastSaid {
                by_page,
                name: name.map(str::to_owned),
                active_at: crate::wall_clock::now() - ago,
            })
        };
        let asked = |name: Option<&str>| HitterNow::Unsaid {
            before: name.map(str::to_owned),
        };
        for (before, now) in [
            (None, HitterNow::Settings),
            (said(false, Some("Ana"), 5), HitterNow::Settings),
            (said(true, Some("Ben"), 5), asked(Some("Ben"))),
            (said(true, Some("Ben"), 1300), asked(None)),
            (said(true, Some("Ben"), -1300), asked(None)),
            (said(true, None, 5), asked(None)),
        ] {
            let found = HitterNow::after(before.clone(), idle);
            assert_eq!(found, now, "{before:?}");
            if before.is_some_and(|said| said.by_page) {
                assert_eq!(found.instead(), Some(no_hitter()));
                assert_eq!(found.said_by(), None);
            }
        }
    }

    #[test]
    fn an_empty_cage_steps_a_hitter_out_and_not_the_settings_own() {
        let ben = HitterSettings {
            name: Some("Ben".into()),
            ..no_hitter()
        };
        assert_eq!(HitterNow::Page(ben).once_idle(), Some(HitterNow::nobody()));
        assert_eq!(HitterNow::nobody().once_idle(), None);
        assert_eq!(HitterNow::Settings.once_idle(), None);
        let asked = HitterNow::Unsaid {
            before: Some("Ben".into()),
        };
        assert_eq!(asked.once_idle(), Some(HitterNow::Unsaid { before: None }));
    }
}
