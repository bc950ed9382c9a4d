//! One writer a journal: an advisory lock on a file beside it.
//!
//! The system gives the lock back when the process ends in any way, kill -9 included, so the file
//! that stays behind means nothing. It is never deleted: a second program could otherwise lock a
//! fresh file of the same name while the first still holds the old one.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::error::JournalError;

/// Held as long as this process may write the journal.
#[derive(Debug)]
pub(super) struct WriterLock {
    file: File,
}

/// The lock file of a journal: its path with `.lock` behind it.
pub(super) fn lock_path(journal: &Path) -> PathBuf {
    let mut name = journal.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

impl WriterLock {
    /// Takes the lock of this journal, or says who has it. Never waits.
    pub(super) fn take(journal: &Path) -> Result<Self, JournalError> {
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
        // The number only makes a message more helpful; a full disk must not keep us out.
        if let Err(error) = write_holder(&mut file) {
            tracing::debug!(path = %path.display(), %error, "process number not noted");
        }
        Ok(Self { file })
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
    let mut text = String::new();
    file.take(20).read_to_string(&mut text).ok()?;
    text.trim().parse().ok()
}

fn write_holder(file: &mut File) -> std::io::Result<()> {
    file.set_len(0)?;
    file.seek(SeekFrom::Start(0))?;
    writeln!(file, "{}", std::process::id())
}
