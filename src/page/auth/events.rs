//! What happens at the doors, told in one place: to the log and to the audit trail.
//!
//! An event names an account, never a hitter, and never holds what was typed.

use std::net::IpAddr;

use super::credentials::Principal;
use crate::audit::{Act, Actor, AuditEntry};
use crate::page::state::AppState;

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
    /// Somebody asked for what they have no right to.
    AccessRefused {
        who: Option<&'a Principal>,
        /// The route, without its numbers.
        path: &'a str,
    },
}

/// Reports an event; `from` is where it came from, nothing where it happened on the machine.
pub(in crate::page) fn report(state: &AppState, event: &AuthEvent<'_>, from: Option<IpAddr>) {
    let address = from.map(|address| address.to_string());
    let from = address.as_deref().unwrap_or("this machine");
    let entry = match event {
        AuthEvent::LoggedIn(who) => {
            tracing::info!(%who, from, "a login");
            AuditEntry::now(Actor::from(*who), Act::LoggedIn)
        }
        AuthEvent::Refused(why) => {
            tracing::warn!(why = why.as_str(), from, "a login was refused");
            AuditEntry::now(Actor::Nobody, Act::LoginRefused).with_detail(why.as_str())
        }
        AuthEvent::LoggedOut(who) => {
            tracing::info!(%who, from, "a logout");
            AuditEntry::now(Actor::from(*who), Act::LoggedOut)
        }
        AuthEvent::SessionEnded { whose, by } => {
            tracing::info!(%whose, %by, from, "a web session was ended by a coach");
            AuditEntry::now(Actor::from(*by), Act::SessionEnded).with_detail(match whose {
                Principal::Screen => "screen".to_owned(),
                Principal::Coach(name) => format!("coach: {name}"),
            })
        }
        AuthEvent::KeysChanged => {
            tracing::info!(from, "the keys of the page changed");
            AuditEntry::now(Actor::Program, Act::KeysChanged).with_detail("seen by the page")
        }
        AuthEvent::AccessRefused { who, path } => {
            tracing::warn!(?who, path, from, "a request without the right to it");
            let who = who.map_or(Actor::Nobody, Actor::from);
            AuditEntry::now(who, Act::AccessRefused).with_detail(*path)
        }
    };
    state.enter_entry(AuditEntry {
        from: address,
        ..entry
    });
}
