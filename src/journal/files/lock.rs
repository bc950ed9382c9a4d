//! One writer a journal: an advisory lock on a file beside it.
//!
//! The system releases the lock however the process ends, kill -9 included, so a file that stays behind means nothing. It is never deleted: a second program could otherwise lock a
//! fresh file of the same name while the first still holds the old one.
//!
//! The file holds the process number of whoever took it last and, once a journal was opened under it, a second line
//! that says so: should the journal ever be damaged beyond recognition, this line proves that it was one.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::journal::error::JournalError;

/// Held as long as this process may write the journal.
#[derive(Debug)]
pub(in crate::journal) struct WriterLock {
    file: File,
    knows_a_journal: bool,
}

/// The line that says that a journal was opened under this lock.
const KNOWN_LINE: &str = "journal";

/// The lock file of a journal: its path with `.lock` behind it.
pub(in crate::journal) fn lock_path(journal: &Path) -> PathBuf {
    let mut name = journal.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

impl WriterLock {
    /// Takes the lock of this journal, or says who has it. Never waits.
    pub(in crate::journal) fn take(journal: &Path) -> Result<Self, JournalError> {
        let path = lock_path(journal);
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|error| JournalError::from_io(&path, &error))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let holder = read_holder(&mut file);
                return Err(JournalError::InUse {
                    path: journal.to_path_buf(),
                    holder,
                });
            }
            Err(TryLockError::Error(error)) => {
                return Err(JournalError::NoAccess {
                    path,
                    reason: format!("it cannot be locked: {error}"),
                });
            }
        }
        let knows_a_journal =
            read_lines(&mut file).is_some_and(|text| text.lines().nth(1) == Some(KNOWN_LINE));
        // The number only makes a message more helpful; a full disk must not stop the program here.
        if let Err(error) = write_lines(&mut file, knows_a_journal) {
            tracing::debug!(path = %path.display(), %error, "process number not noted");
        }
        Ok(Self {
            file,
            knows_a_journal,
        })
    }

    /// Whether a journal was opened under this lock before.
    pub(in crate::journal) fn knows_a_journal(&self) -> bool {
        self.knows_a_journal
    }

    /// Notes that a journal was opened under this lock.
    pub(in crate::journal) fn note_a_journal(&mut self) {
        if self.knows_a_journal {
            return;
        }
        match write_lines(&mut self.file, true) {
            Ok(()) => self.knows_a_journal = true,
            // Without it a damaged file must be recognized by its content.
            Err(error) => tracing::debug!(%error, "the lock file could not note the journal"),
        }
    }
}

impl Drop for WriterLock {
    fn drop(&mut self) {
        // Closing the file is not enough while a program is being started elsewhere in this process: until it runs, it
        // holds a copy of every open file (flock(2)).
        if let Err(error) = self.file.unlock() {
            tracing::debug!(%error, "the journal's lock was left to the system");
        }
    }
}

fn read_holder(file: &mut File) -> Option<u32> {
    read_lines(file)?.lines().next()?.trim().parse().ok()
}

fn read_lines(file: &mut File) -> Option<String> {
    let mut text = String::new();
    file.seek(SeekFrom::Start(0)).ok()?;
    file.take(40).read_to_string(&mut text).ok()?;
    Some(text)
}

fn write_lines(file: &mut File, knows_a_journal: bool) -> std::io::Result<()> {
    let mut text = format!("{}\n", std::process::id());
    if knows_a_journal {
        text += KNOWN_LINE;
        text.push('\n');
    }
    // Overwritten in place, then truncated: a kill in between leaves the second line where it was.
    file.seek(SeekFrom::Start(0))?;
    file.write_all(text.as_bytes())?;
    file.set_len(text.len() as u64)
}
