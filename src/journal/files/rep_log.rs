//! The rep log: a text file that gets one line as each rep ends.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::coach::JudgedRep;
use crate::journal::rep_json::rep_line;

/// Why the rep log could not be written.
#[derive(Debug, thiserror::Error)]
pub enum RepLogError {
    /// The file cannot be made.
    #[error(
        "{path}: the rep log cannot be made: {source}. Name a file in a folder that exists and can be written"
    )]
    Create {
        /// The rep log.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// A line could not be added.
    #[error(
        "{path}: rep {rep} could not be added to the rep log: {source}. Check the disk's free space"
    )]
    Append {
        /// The rep log.
        path: PathBuf,
        /// The rep's number.
        rep: u32,
        /// What the system says.
        source: io::Error,
    },
}

/// An open rep log.
#[derive(Debug)]
pub struct RepLog {
    file: File,
    path: PathBuf,
}

impl RepLog {
    /// Makes the file, or empties it where there is one.
    ///
    /// # Errors
    /// [`RepLogError::Create`].
    pub(crate) fn create(path: &Path) -> Result<Self, RepLogError> {
        let file = File::create(path).map_err(|source| RepLogError::Create {
            path: path.to_path_buf(),
            source,
        })?;
        Ok(Self {
            file,
            path: path.to_path_buf(),
        })
    }

    /// Adds the rep's line in one piece; another program that follows the file sees it at once.
    ///
    /// # Errors
    /// [`RepLogError::Append`].
    pub(crate) fn append(&mut self, judged: &JudgedRep) -> Result<(), RepLogError> {
        let mut line = rep_line(judged);
        line.push('\n');
        self.file
            .write_all(line.as_bytes())
            .and_then(|()| self.file.flush())
            .map_err(|source| RepLogError::Append {
                path: self.path.clone(),
                rep: judged.number,
                source,
            })
    }
}
