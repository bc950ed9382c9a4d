//! The rep log: a text file that gets one line as each rep ends.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::coach::JudgedRep;
use crate::journal::rep_json::{REP_LINE_START, rep_line};
use crate::output_file::{self, Existing};

/// Why the rep log could not be written.
#[derive(Debug, thiserror::Error)]
pub enum RepLogError {
    /// The file cannot be opened.
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
    /// Makes the file; one that holds something is left alone.
    ///
    /// # Errors
    /// [`RepLogError::Create`].
    pub(crate) fn create(path: &Path) -> Result<Self, RepLogError> {
        Self::open(path, Existing::Refuse)
    }

    /// Goes on with the rep log of an earlier run, or makes one.
    ///
    /// # Errors
    /// [`RepLogError::Create`], also where the file is no rep log.
    pub(crate) fn continued(path: &Path) -> Result<Self, RepLogError> {
        Self::open(path, Existing::Append(REP_LINE_START.as_bytes()))
    }

    fn open(path: &Path, existing: Existing<'_>) -> Result<Self, RepLogError> {
        let file = output_file::open(path, existing).map_err(|source| RepLogError::Create {
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
