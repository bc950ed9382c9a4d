//! The journal as a file: its writer lock, the check before writing, the spool, quarantine, backups, deletion of people's data, and
//! exports.

pub(super) mod backup;
mod by_age;
pub(super) mod byte_search;
mod c3d;
mod csv_rows;
pub(super) mod deletion;
pub(super) mod deletion_list;
pub(super) mod export;
pub(super) mod exports_folder;
mod hitter_export;
pub(super) mod lock;
pub(super) mod names;
pub(super) mod preflight;
pub(super) mod quarantine;
pub(super) mod remnants;
pub(super) mod rep_log;
pub(super) mod spool;
