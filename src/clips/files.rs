//! Files of clips, which are gone as soon as nobody needs them.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::private_file::with_suffix;

/// A file that is deleted when this goes.
pub(super) struct DeletedLater(pub(super) PathBuf);

impl Drop for DeletedLater {
    fn drop(&mut self) {
        delete(&self.0);
    }
}

/// The journal of what was found in a clip, which is deleted with all that belongs to it.
pub(super) struct Found(pub(super) PathBuf);

impl Found {
    pub(super) fn beside(clip: &Path) -> Self {
        let found = Self(with_suffix(clip, ".db"));
        found.delete();
        found
    }

    fn delete(&self) {
        let (Some(folder), Some(name)) = (self.0.parent(), self.0.file_name()) else {
            return;
        };
        let name = name.to_string_lossy().into_owned();
        let files = fs::read_dir(folder).into_iter().flatten().flatten();
        for file in files.filter(|file| file.file_name().to_string_lossy().starts_with(&name)) {
            delete(&file.path());
        }
    }
}

impl Drop for Found {
    fn drop(&mut self) {
        self.delete();
    }
}

fn delete(file: &Path) {
    if let Err(error) = fs::remove_file(file)
        && error.kind() != io::ErrorKind::NotFound
    {
        tracing::warn!(%error, "a clip that was read cannot be deleted");
    }
}
