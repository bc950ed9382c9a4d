//! The journal as a file among files: locked, checked before it is written to, put into quarantine, copied and restored,
//! cleared of people, and the ways out of it.

pub(super) mod backup;
pub(super) mod byte_search;
mod csv_rows;
pub(super) mod deletion;
pub(super) mod export;
mod hitter_export;
pub(super) mod lock;
pub(super) mod preflight;
pub(super) mod quarantine;
pub(super) mod rep_log;
