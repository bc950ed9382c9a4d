//! What can go wrong with a journal, in messages for the person who must fix it.
//!
//! Each message names the file, says why, and says what to do next. [`JournalError::is_passing`]
//! tells the writer which of them may pass by themselves.

use std::io;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

use super::record::{RepId, SessionId};
use super::store::sql::{Meaning, StoreFault};
use super::timeline::TimelineError;

/// Why the journal could not be opened, written or read.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// A folder was given where a file is expected.
    #[error("{path}: this is a folder, not a journal. Name a file in it, such as {}", path.join("journal.db").display())]
    Directory {
        /// The journal.
        path: PathBuf,
    },
    /// There is no journal to read.
    #[error("{path}: there is no journal here yet. Check the path, or log a session first")]
    Missing {
        /// The journal.
        path: PathBuf,
    },
    /// The system does not let the program read or write the file or its folder.
    #[error(
        "{path}: the journal cannot be opened or written: {reason}. Check who owns the file and its folder, and that the disk is not mounted read-only"
    )]
    NoAccess {
        /// The journal or its folder.
        path: PathBuf,
        /// What the system says.
        reason: String,
    },
    /// Another cagehand writes this journal.
    #[error("{path}: another cagehand is using this journal{}. Stop that one first, or give this one a journal of its own", holder_words(*.holder))]
    InUse {
        /// The journal.
        path: PathBuf,
        /// The other program's process number, where it left one.
        holder: Option<u32>,
    },
    /// The file is no SQLite database at all.
    #[error(
        "{path}: this file is not a journal (not an SQLite database). It was left as it is; name another file"
    )]
    NotDatabase {
        /// The file.
        path: PathBuf,
    },
    /// A database that belongs to another program.
    #[error(
        "{path}: this database belongs to another program, it is not a journal. It was left as it is; name another file"
    )]
    NotJournal {
        /// The file.
        path: PathBuf,
    },
    /// The file is a journal whose content is broken.
    #[error(
        "{path}: the journal is damaged ({reason}). It was left as it is. `cagehand journal restore FILE` puts a backup in its place, and `cagehand watch` sets it aside for a new one; `sqlite3 OLD .recover | sqlite3 NEW` saves what can be saved"
    )]
    Damaged {
        /// The journal.
        path: PathBuf,
        /// What was found.
        reason: String,
    },
    /// The file was written by a later version of the program.
    #[error(
        "{path}: the journal has format {found}, this program knows up to {known}. Use the newer cagehand that wrote it"
    )]
    NewerSchema {
        /// The journal.
        path: PathBuf,
        /// The file's schema version.
        found: u32,
        /// The newest version this program knows.
        known: u32,
    },
    /// The file was written by an earlier version and has not been upgraded yet.
    #[error(
        "{path}: the journal has the older format {found}, reading needs {known}. Start `cagehand watch` on it once; that upgrades it"
    )]
    OlderSchema {
        /// The journal.
        path: PathBuf,
        /// The file's schema version.
        found: u32,
        /// The version this program reads.
        known: u32,
    },
    /// SQLite did not accept a pragma that safety needs.
    #[error(
        "{path}: SQLite kept {setting} = {found} where {wanted} is needed, as happens on network drives. Put the journal on a local disk"
    )]
    PragmaRefused {
        /// The journal.
        path: PathBuf,
        /// The pragma.
        setting: &'static str,
        /// What is needed.
        wanted: String,
        /// What the file system allowed.
        found: String,
    },
    /// No room.
    #[error("{path}: the disk is full. Free some space; reps wait until then")]
    DiskFull {
        /// The journal.
        path: PathBuf,
    },
    /// The disk fails.
    #[error(
        "{path}: the disk does not take or give data: {reason}. Check the disk, its cable and the free space"
    )]
    Disk {
        /// The journal.
        path: PathBuf,
        /// What SQLite or the system says.
        reason: String,
    },
    /// Another program holds the file's write lock.
    #[error(
        "{path}: another program keeps the journal locked. Close the database tool that has it open"
    )]
    Busy {
        /// The journal.
        path: PathBuf,
    },
    /// The file is no longer where it was opened: what would be written goes to nobody.
    #[error(
        "{path}: the journal was moved or deleted while cagehand was writing it. Stop cagehand before touching its files"
    )]
    Moved {
        /// Where the journal was.
        path: PathBuf,
    },
    /// Reps wait in a spool that could not be taken in, so that nothing can be deleted for good.
    #[error(
        "{path}: reps wait in {}, which the journal could not take in yet. Free some space, start `cagehand watch` once, then try again",
        spool.display()
    )]
    SpoolLeft {
        /// The journal.
        path: PathBuf,
        /// The spool.
        spool: PathBuf,
    },
    /// The session is not in the journal.
    #[error("{path}: the journal has no session {session}")]
    NoSuchSession {
        /// The journal.
        path: PathBuf,
        /// The session asked for.
        session: SessionId,
    },
    /// The rep is not in the journal.
    #[error("{path}: the journal has no rep with id {rep}")]
    NoSuchRep {
        /// The journal.
        path: PathBuf,
        /// The rep asked for.
        rep: RepId,
    },
    /// The hitter is not in the journal.
    #[error("{path}: the journal has no hitter {hitter}. It has: {known}")]
    NoSuchHitter {
        /// The journal.
        path: PathBuf,
        /// The hitter asked for.
        hitter: String,
        /// The names that the journal has.
        known: String,
    },
    /// The rep was stored without landmarks.
    #[error(
        "{path}: rep {rep} was stored without a landmark timeline, so there is nothing to replay"
    )]
    NoTimeline {
        /// The journal.
        path: PathBuf,
        /// The rep asked for.
        rep: RepId,
    },
    /// The rep's landmarks cannot be read.
    #[error("{path}: the landmark timeline of rep {rep} cannot be read: {source}")]
    Timeline {
        /// The journal.
        path: PathBuf,
        /// The rep asked for.
        rep: RepId,
        /// What is wrong with it.
        source: TimelineError,
    },
    /// The journal refuses an entry that contradicts its rules; a fault of the program.
    #[error(
        "{path}: the journal refuses to {doing}: {reason}. This is a fault in cagehand, please report it"
    )]
    Refused {
        /// The journal.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// The rule, as the database words it.
        reason: String,
    },
    /// The export's target cannot be written.
    #[error("the export cannot be written: {0}")]
    Output(#[source] io::Error),
    /// A copy's target exists already.
    #[error("{path}: there is a file here already. Name a new file for the copy")]
    CopyExists {
        /// The target of the copy.
        path: PathBuf,
    },
    /// The folder for an export holds files already.
    #[error("{path}: this folder is not empty. Name a new or empty folder for the export")]
    FolderInUse {
        /// The folder.
        path: PathBuf,
    },
    /// The writer thread is gone, so that reps cannot be stored.
    #[error("{path}: the journal's writer has stopped. Restart cagehand")]
    WriterGone {
        /// The journal.
        path: PathBuf,
    },
    /// The program ended before everything could be stored.
    #[error("{path}: {reps} reps could not be stored before the end: {reason}")]
    NotStored {
        /// The journal.
        path: PathBuf,
        /// How many were lost.
        reps: u64,
        /// Why.
        reason: String,
    },
    /// The facility's store does not answer, or the way to it is broken.
    #[error(
        "{path}: the facility's store cannot be reached to {doing}: {reason}. Check that its database runs and that the network to it works"
    )]
    StoreUnreachable {
        /// The store's name.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What was seen.
        reason: String,
    },
    /// The facility's store was not set up for this program.
    #[error(
        "{path}: the facility's store cannot {doing}: its tables are missing, or older than this program; run \"cagehand facility set-up\" ({reason})"
    )]
    StoreNotSetUp {
        /// The store's name.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What was seen.
        reason: String,
    },
    /// Anything else that the facility's store reports.
    #[error("{path}: the facility's store cannot {doing}: {reason}")]
    Store {
        /// The store's name.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// The store's own words.
        reason: String,
    },
    /// Only a journal file can do that.
    #[error(
        "{path}: cannot {doing}: this is the facility's store, and only a journal file has that. Its database has tools of its own for backups and checks"
    )]
    NoFile {
        /// The store's name.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
    },
    /// Anything else that SQLite reports.
    #[error("{path}: cannot {doing}: {source}")]
    Sqlite {
        /// The journal.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// SQLite's own words.
        source: rusqlite::Error,
    },
}

fn holder_words(holder: Option<u32>) -> String {
    holder
        .map(|pid| format!(" (process {pid})"))
        .unwrap_or_default()
}

impl JournalError {
    /// Whether a retry may succeed without anyone touching the file: the disk is full or fails, another program holds the
    /// lock, or the store is away. Such a rep is kept and retried.
    pub(crate) fn is_passing(&self) -> bool {
        matches!(
            self,
            Self::DiskFull { .. }
                | Self::Disk { .. }
                | Self::Busy { .. }
                | Self::StoreUnreachable { .. }
        )
    }

    /// The file of an error that says that a file is broken.
    pub(in crate::journal) fn damaged_file(&self) -> Option<&Path> {
        match self {
            Self::Damaged { path, .. } | Self::NotDatabase { path } => Some(path),
            _ => None,
        }
    }

    /// Converts an error of SQLite.
    ///
    /// Errors of the disk are never taken for damage: on a full disk SQLite may report either.
    pub(super) fn from_sqlite(path: &Path, doing: &'static str, source: rusqlite::Error) -> Self {
        let path = path.to_path_buf();
        if let rusqlite::Error::FromSqlConversionFailure(..)
        | rusqlite::Error::InvalidColumnType(..) = source
        {
            return Self::Damaged {
                path,
                reason: source.to_string(),
            };
        }
        let reason = source.to_string();
        match source.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::DiskFull { path },
            Some(ErrorCode::SystemIoFailure) => Self::Disk { path, reason },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy { path },
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged { path, reason },
            Some(ErrorCode::NotADatabase) => Self::NotDatabase { path },
            Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => {
                Self::NoAccess { path, reason }
            }
            Some(ErrorCode::ConstraintViolation | ErrorCode::TypeMismatch) => Self::Refused {
                path,
                doing,
                reason,
            },
            _ => Self::Sqlite {
                path,
                doing,
                source,
            },
        }
    }

    /// Converts an error of the facility's store.
    pub(super) fn from_store(name: &Path, doing: &'static str, source: &rusqlite::Error) -> Self {
        let path = name.to_path_buf();
        let fault = StoreFault::inside(source);
        let reason = fault.map_or_else(|| source.to_string(), StoreFault::to_string);
        match fault.map(StoreFault::meaning) {
            Some(Meaning::Unreachable) => Self::StoreUnreachable {
                path,
                doing,
                reason,
            },
            Some(Meaning::Refusal) => Self::Refused {
                path,
                doing,
                reason,
            },
            Some(Meaning::NotSetUp) => Self::StoreNotSetUp {
                path,
                doing,
                reason,
            },
            Some(Meaning::Other) | None => Self::Store {
                path,
                doing,
                reason,
            },
        }
    }

    /// Converts an error of the file system.
    pub(super) fn from_io(path: &Path, source: &io::Error) -> Self {
        let path = path.to_path_buf();
        match source.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::DiskFull { path },
            io::ErrorKind::IsADirectory => Self::Directory { path },
            // EIO has no stable kind of its own; the number is the same on every Unix.
            _ if cfg!(unix) && source.raw_os_error() == Some(5) => Self::Disk {
                path,
                reason: source.to_string(),
            },
            _ => Self::NoAccess {
                path,
                reason: source.to_string(),
            },
        }
    }
}
