//! The SQLite file itself: its schema, opening it, and the rows that go in and come out.
//!
//! A change of the schema begins in [`schema`] and [`columns`]; DEVELOPERS.md says how.

pub(super) mod columns;
pub(super) mod consents;
pub(super) mod edits;
pub(super) mod films;
pub(super) mod history;
pub(super) mod hitters;
pub(super) mod insert;
pub(super) mod kept_settings;
pub(super) mod moved_events;
pub(super) mod not_counted;
pub(super) mod office;
pub(super) mod open;
pub(super) mod people;
pub(super) mod plans;
pub(super) mod query;
pub(super) mod read;
pub(super) mod schema;
pub(super) mod sessions;
pub(super) mod source;
pub(super) mod sql;
pub(super) mod take_in;
pub(super) mod transactions;
mod upgrade;
