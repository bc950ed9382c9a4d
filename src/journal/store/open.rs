//! Opening a journal, for writing or only for reading, and what opening found.
//!
//! Nothing is written to a file before it is known to be empty or a whole journal of a version that
//! this program understands.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags};

use super::insert::close_unclean_sessions;
use super::source::Source;
use super::sql::StorePool;
use super::upgrade;
use crate::journal::error::JournalError;
use crate::journal::files::lock::WriterLock;
use crate::journal::files::preflight::check_before_writing;
use crate::journal::files::quarantine::{self, Quarantined};
use crate::journal::files::spool;
use crate::journal::record::SessionId;
use crate::journal::store::schema::{self, FileKind};
use crate::wall_clock::now_to_the_millisecond;

/// How long to wait for another program's lock on the file before the writer retries later.
const BUSY_TIMEOUT: Duration = Duration::from_secs(1);
/// How large the write-ahead log may stay on disk after a checkpoint.
const WAL_KEPT_BYTES: i64 = 8 << 20;
/// Pages in the write-ahead log before a checkpoint (4 MB at 4 kB a page).
const CHECKPOINT_PAGES: i64 = 1000;

/// A session that an earlier run did not end.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct UncleanSession {
    /// The session.
    pub id: SessionId,
    /// When it began.
    pub started_at: Timestamp,
    /// The end it was given: when its last rep was logged, or its start.
    pub(crate) ended_at: Timestamp,
    /// How many reps it has.
    pub(crate) reps: u32,
}

/// What opening found and did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OpenReport {
    /// There was no journal before.
    pub(crate) created: bool,
    /// The version that the file had before it was upgraded, where it was.
    pub(crate) upgraded_from: Option<u32>,
    /// Sessions that a crash, kill or power cut left open; they are closed now, with a note.
    pub(crate) unclean: Vec<UncleanSession>,
    /// The damaged journal that [`Journal::open_or_quarantine`] renamed and replaced by a new one.
    pub quarantined: Option<Quarantined>,
    /// Reps that had waited in a spool of an earlier run and are in the journal now.
    pub(crate) taken_in: u64,
    /// Hitters and sessions that a backup brought back, and that are deleted again.
    pub(crate) deleted_again: (usize, usize),
    /// Spools that could not be taken in yet.
    pub(crate) spools_left: Vec<PathBuf>,
}

/// What to do about a damaged journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum OnDamage {
    Refuse,
    Quarantine,
}

/// A journal open for reading, or the facility's store. It sees all reps logged so far, also while another thread or program
/// writes.
#[derive(Debug)]
pub struct JournalReader {
    pub(in crate::journal) source: Source,
    /// The file; of the store the name that people know it by.
    pub(in crate::journal) path: PathBuf,
}

/// A journal open for writing: the only one of its file on this machine. Or the facility's store, which others write too.
#[derive(Debug)]
pub struct Journal {
    pub(in crate::journal) reader: JournalReader,
    report: OpenReport,
    identity: Option<FileIdentity>,
    // Last, so that it is released after the connection has closed. `None` for an editor beside a writer.
    _lock: Option<WriterLock>,
}

impl Journal {
    /// Opens the journal for writing; creates it, and its folder, where there is none. Reps that wait in its spool are taken in.
    ///
    /// # Errors
    /// [`JournalError::InUse`] while another cagehand writes it; [`JournalError::Directory`],
    /// [`JournalError::NoAccess`], [`JournalError::NotDatabase`], [`JournalError::NotJournal`],
    /// [`JournalError::Damaged`], [`JournalError::NewerSchema`] about the file, which is then left as
    /// it was; [`JournalError::DiskFull`], [`JournalError::Disk`] and [`JournalError::Busy`], which
    /// may pass.
    pub fn open(path: &Path) -> Result<Self, JournalError> {
        Self::open_with(path, OnDamage::Refuse)
    }

    /// As [`Self::open`], but a damaged journal is replaced by a new one: the damaged file and its log keep all their bytes
    /// under another name, which the report gives. A file that never was a journal is refused.
    ///
    /// # Errors
    /// As [`Self::open`]; also [`JournalError::NoAccess`] where the damaged file cannot be renamed.
    pub fn open_or_quarantine(path: &Path) -> Result<Self, JournalError> {
        Self::open_with(path, OnDamage::Quarantine)
    }

    fn open_with(path: &Path, on_damage: OnDamage) -> Result<Self, JournalError> {
        let mut journal = Self::open_itself(path, on_damage)?;
        let (taken_in, spools_left) = spool::take_in_left_over(&mut journal);
        journal.report.deleted_again = journal.delete_again()?;
        journal.report.taken_in = taken_in;
        journal.report.spools_left = spools_left;
        Ok(journal)
    }

    /// As [`Self::open`], but leaves its spool alone: for a spool, which has none.
    pub(in crate::journal) fn open_alone(path: &Path) -> Result<Self, JournalError> {
        Self::open_itself(path, OnDamage::Refuse)
    }

    fn open_itself(path: &Path, on_damage: OnDamage) -> Result<Self, JournalError> {
        let path = full_path(path)?;
        let lock = WriterLock::take(&path)?;
        quarantine::drop_second_name(&path);
        let (reader, report) = match open_file(&path) {
            Err(error)
                if on_damage == OnDamage::Quarantine
                    && quarantine::was_a_journal(&path, &error, lock.knows_a_journal()) =>
            {
                let quarantined = quarantine::quarantine_damaged(&path, &error)?;
                let (reader, report) = open_file(&path)?;
                let report = OpenReport {
                    quarantined: Some(quarantined),
                    ..report
                };
                (reader, report)
            }
            opened => opened?,
        };
        Ok(Self::held(reader, report, lock))
    }

    /// Opens a file whose lock is held already.
    pub(in crate::journal) fn open_locked(
        path: &Path,
        lock: WriterLock,
    ) -> Result<Self, JournalError> {
        let (reader, report) = open_file(path)?;
        Ok(Self::held(reader, report, lock))
    }

    fn held(reader: JournalReader, report: OpenReport, mut lock: WriterLock) -> Self {
        lock.note_a_journal();
        Self {
            identity: FileIdentity::of(&reader.path),
            reader,
            report,
            _lock: Some(lock),
        }
    }

    /// Opens the journal for a short change, such as a new plan: as [`Self::open`], but also while another cagehand
    /// writes it, whose running session is left alone. SQLite's own locks keep the two apart.
    ///
    /// # Errors
    /// As [`Self::open`], never [`JournalError::InUse`].
    pub(crate) fn open_to_edit(path: &Path) -> Result<Self, JournalError> {
        match Self::open(path) {
            Err(JournalError::InUse { .. }) => {}
            opened => return opened,
        }
        // The writer has brought the tables up to date, or is of another version.
        drop(Self::read_only(path)?);
        let connection = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE)
            .map_err(|error| JournalError::from_sqlite(path, "open it", error))?;
        let reader = JournalReader {
            source: Source::File(connection),
            path: path.to_path_buf(),
        };
        reader.enforce_pragmas()?;
        Ok(Self {
            identity: FileIdentity::of(&reader.path),
            reader,
            report: OpenReport::default(),
            _lock: None,
        })
    }

    /// Opens the journal only for reading, beside a writer or without one.
    ///
    /// # Errors
    /// As [`Journal::open`], never [`JournalError::InUse`]; [`JournalError::Missing`] where there is
    /// no journal, [`JournalError::OlderSchema`] where a writer has not upgraded it yet.
    pub fn read_only(path: &Path) -> Result<JournalReader, JournalError> {
        refuse_special_files(path)?;
        match fs::metadata(path) {
            Ok(_) => {}
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return Err(JournalError::Missing {
                    path: path.to_path_buf(),
                });
            }
            Err(error) => return Err(JournalError::from_io(path, &error)),
        }
        let reader = JournalReader::open(path)?;
        let found = reader.query_file("read it", schema::identify)?;
        let known = schema::VERSION;
        match found {
            FileKind::Journal { version } if version == known => Ok(reader),
            FileKind::Journal { version } if version < known => Err(JournalError::OlderSchema {
                path: reader.path,
                found: version,
                known,
            }),
            FileKind::Journal { version } => Err(JournalError::NewerSchema {
                path: reader.path,
                found: version,
                known,
            }),
            FileKind::Empty => Err(JournalError::Missing { path: reader.path }),
            FileKind::Foreign => Err(JournalError::NotJournal { path: reader.path }),
        }
    }

    /// The facility's store, for the changes that a person makes at a page. `name` is what messages call it.
    pub fn of_store(pool: StorePool, name: &str) -> Self {
        Self {
            reader: JournalReader::of_store(pool, name),
            report: OpenReport::default(),
            identity: None,
            _lock: None,
        }
    }

    /// What opening found and did.
    pub fn report(&self) -> &OpenReport {
        &self.report
    }

    /// Makes sure that the open file still has its name: SQLite would go on writing to a deleted one.
    pub(in crate::journal) fn refuse_moved(&self) -> Result<(), JournalError> {
        if self.reader.is_store() || FileIdentity::of(&self.reader.path) == self.identity {
            return Ok(());
        }
        Err(JournalError::Moved {
            path: self.reader.path.clone(),
        })
    }

    /// The same journal for queries.
    pub fn reader(&self) -> &JournalReader {
        &self.reader
    }

    /// The file, with its full path.
    pub fn path(&self) -> &Path {
        &self.reader.path
    }
}

impl JournalReader {
    pub(in crate::journal) fn open(path: &Path) -> Result<Self, JournalError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags)
            .map_err(|error| JournalError::from_sqlite(path, "open it", error))?;
        let reader = Self {
            source: Source::File(connection),
            path: path.to_path_buf(),
        };
        reader.query_file("set how long to wait", |c| c.busy_timeout(BUSY_TIMEOUT))?;
        Ok(reader)
    }

    /// Sets the pragmas by which every commit survives a power cut, and reads them back.
    fn enforce_pragmas(&self) -> Result<(), JournalError> {
        self.query_file("set how long to wait", |c| c.busy_timeout(BUSY_TIMEOUT))?;
        // On macOS an ordinary fsync leaves data in the drive's cache; elsewhere this has no effect.
        self.enforce_pragma("fullfsync", "1", "1")?;
        self.enforce_pragma("journal_mode", "WAL", "wal")?;
        self.enforce_pragma("synchronous", "FULL", "2")?;
        self.enforce_pragma("foreign_keys", "ON", "1")?;
        // Deleted bytes are overwritten: a hitter's data is gone when they ask for it.
        self.enforce_pragma("secure_delete", "ON", "1")?;
        let kept = WAL_KEPT_BYTES.to_string();
        self.enforce_pragma("journal_size_limit", &kept, &kept)?;
        let pages = CHECKPOINT_PAGES.to_string();
        self.enforce_pragma("wal_autocheckpoint", &pages, &pages)
    }

    fn enforce_pragma(
        &self,
        setting: &'static str,
        value: &str,
        wanted: &str,
    ) -> Result<(), JournalError> {
        let found = self.query_file("set how it is written", |c| {
            // Some pragmas answer with a row and some do not; what counts is reading them back.
            c.pragma_update_and_check(None, setting, value, |_| Ok(()))
                .or_else(|error| match error {
                    rusqlite::Error::QueryReturnedNoRows => Ok(()),
                    other => Err(other),
                })?;
            setting_text(c, setting)
        })?;
        if found == wanted {
            return Ok(());
        }
        Err(JournalError::PragmaRefused {
            path: self.path.clone(),
            setting,
            wanted: wanted.to_owned(),
            found,
        })
    }

    /// The file, as it was named; of the store its name.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

/// What stays the same for a file while its name and content change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct FileIdentity {
    device: u64,
    file: u64,
}

impl FileIdentity {
    /// `None` where there is no file of this name, and on systems without inode numbers.
    pub(crate) fn of(path: &Path) -> Option<Self> {
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt;
            let found = fs::metadata(path).ok()?;
            Some(Self {
                device: found.dev(),
                file: found.ino(),
            })
        }
        #[cfg(not(unix))]
        {
            let _ = path;
            None
        }
    }
}

/// The journal's canonical path; creates its folder. Two names of one file must lead to one lock.
pub(in crate::journal) fn full_path(path: &Path) -> Result<PathBuf, JournalError> {
    refuse_special_files(path)?;
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    fs::create_dir_all(folder).map_err(|error| JournalError::from_io(folder, &error))?;
    match fs::canonicalize(path) {
        Ok(path) => Ok(path),
        Err(_) => Ok(fs::canonicalize(folder)
            .map_err(|error| JournalError::from_io(folder, &error))?
            .join(path.file_name().unwrap_or_default())),
    }
}

/// Opens a file for writing, creates it where there is none, and brings it up to date. The lock must be held.
fn open_file(path: &Path) -> Result<(JournalReader, OpenReport), JournalError> {
    let found = if fs::metadata(path).is_ok_and(|file| file.len() > 0) {
        check_before_writing(path)?
    } else {
        FileKind::Empty
    };
    create_for_owner_and_group(path)?;
    let connection = Connection::open_with_flags(path, writer_flags())
        .map_err(|error| JournalError::from_sqlite(path, "open it", error))?;
    let mut reader = JournalReader {
        source: Source::File(connection),
        path: path.to_path_buf(),
    };
    if reader.query_file("see whether it can be written", |c| c.is_readonly("main"))? {
        let reason = "the file is read-only".to_owned();
        return Err(JournalError::NoAccess {
            path: reader.path,
            reason,
        });
    }
    reader.enforce_pragmas()?;
    let version = match found {
        FileKind::Journal { version } => version,
        _ => 0,
    };
    upgrade::bring_up_to_date(&mut reader, version)?;
    let doing = "close the sessions of an earlier run";
    let unclean = close_unclean_sessions(reader.file_mut(doing)?, now_to_the_millisecond())
        .map_err(|error| reader.error(doing, error))?;
    let report = OpenReport {
        created: version == 0,
        upgraded_from: (version > 0 && version < schema::VERSION).then_some(version),
        unclean,
        ..OpenReport::default()
    };
    Ok((reader, report))
}

pub(in crate::journal) fn writer_flags() -> OpenFlags {
    OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
}

fn setting_text(connection: &Connection, setting: &str) -> rusqlite::Result<String> {
    connection.pragma_query_value(None, setting, |row| {
        Ok(match row.get_ref(0)? {
            rusqlite::types::ValueRef::Integer(number) => number.to_string(),
            rusqlite::types::ValueRef::Text(text) => String::from_utf8_lossy(text).into_owned(),
            other => format!("{other:?}"),
        })
    })
}

/// Refuses folders, and devices and pipes, which SQLite might take for an empty file.
pub(in crate::journal) fn refuse_special_files(path: &Path) -> Result<(), JournalError> {
    if path.is_dir() || path.file_name().is_none() {
        return Err(JournalError::Directory {
            path: path.to_path_buf(),
        });
    }
    if fs::metadata(path).is_ok_and(|found| !found.is_file()) {
        let reason = "it is a device or a pipe, not a file".to_owned();
        return Err(JournalError::NoAccess {
            path: path.to_path_buf(),
            reason,
        });
    }
    Ok(())
}

/// Creates an empty file that other users cannot read; SQLite gives its side files the same permissions. An existing
/// file keeps those that its owner chose.
pub(in crate::journal) fn create_for_owner_and_group(path: &Path) -> Result<(), JournalError> {
    let mut options = fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o640);
    match options.open(path) {
        Ok(_) => Ok(()),
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        Err(error) => Err(JournalError::from_io(path, &error)),
    }
}
