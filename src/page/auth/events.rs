//! What happens at the doors, told in one place: to the log, and to whatever keeps a trail of it.
//!
//! An event names an account, never a hitter, and never holds what was typed.

use std::net::IpAddr;

use super::credentials::Principal;

/// Why nobody was let in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::page) enum Refusal {
    /// No such key.
    WrongKey,
    /// The password is right, the one-time code is not.
    WrongCode,
    /// Too many wrong keys before it.
    TooMany,
    /// The key is right and of a kind that is no longer good enough for the network.
    OutdatedKey,
}

impl Refusal {
    fn as_str(self) -> &'static str {
        match self {
            Self::WrongKey => "wrong key",
            Self::WrongCode => "wrong one-time code",
            Self::TooMany => "too many wrong keys",
            Self::OutdatedKey => "outdated key",
        }
    }
}

/// Something that happened at the doors.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::page) enum AuthEvent<'a> {
    LoggedIn(&'a Principal),
    Refused(Refusal),
    LoggedOut(&'a Principal),
    /// A coach ended somebody's session out of the list.
    SessionEnded {
        whose: &'a Principal,
        by: &'a Principal,
    },
    /// Keys were set, changed or taken away, which ended the sessions that were opened with them.
    KeysChanged,
}

/// Reports an event; `from` is where it came from, nothing where it happened on the machine.
pub(in crate::page) fn report(event: &AuthEvent<'_>, from: Option<IpAddr>) {
    let from = from.map(|address| address.to_string());
    let from = from.as_deref().unwrap_or("this machine");
    match event {
        AuthEvent::LoggedIn(who) => tracing::info!(%who, from, "a login"),
        AuthEvent::Refused(why) => tracing::warn!(why = why.as_str(), from, "a login was refused"),
        AuthEvent::LoggedOut(who) => tracing::info!(%who, from, "a logout"),
        AuthEvent::SessionEnded { whose, by } => {
            tracing::info!(%whose, %by, from, "a web session was ended by a coach");
        }
        AuthEvent::KeysChanged => tracing::info!(from, "the keys of the page changed"),
    }
}
