//! Files that a person asks for by name, opened so that a slip of the name costs nobody's data.
//!
//! They hold what people did, so that other users of the machine cannot read them.

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

/// What to do where the file holds something already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Existing<'a> {
    /// It stays as it is, whatever it is.
    Refuse,
    /// It goes where it begins like a file of this kind.
    Replace(&'a [u8]),
    /// What is written follows it where it begins like a file of this kind.
    Append(&'a [u8]),
}

/// Opens the file for writing; makes it where there is none. An empty file is as good as none.
///
/// # Errors
/// [`io::ErrorKind::AlreadyExists`] where it holds something that must stay, and those of the system.
pub(crate) fn open(path: &Path, existing: Existing<'_>) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o640);
    let mut file = match options.open(path) {
        // Devices such as /dev/null and pipes, which may not be readable, hold nothing that could be lost.
        Err(error) if error.kind() == io::ErrorKind::PermissionDenied && !is_file(path) => {
            return OpenOptions::new().write(true).open(path);
        }
        opened => opened?,
    };
    if !file.metadata()?.is_file() || file.metadata()?.len() == 0 {
        return Ok(file);
    }
    let (Existing::Replace(start) | Existing::Append(start)) = existing else {
        return Err(other_file("there is a file here already; name a new one"));
    };
    let mut found = vec![0; start.len()];
    if file.read_exact(&mut found).is_err() || found != start {
        return Err(other_file(
            "there is a file of another kind here; name a new one",
        ));
    }
    match existing {
        Existing::Append(_) => file.seek(SeekFrom::End(0))?,
        _ => {
            file.set_len(0)?;
            file.seek(SeekFrom::Start(0))?
        }
    };
    Ok(file)
}

fn is_file(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|found| found.is_file())
}

fn other_file(words: &'static str) -> io::Error {
    io::Error::new(io::ErrorKind::AlreadyExists, words)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn only_files_of_the_same_kind_are_replaced_or_continued() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("x");
        let all = [
            Existing::Refuse,
            Existing::Replace(b"ab"),
            Existing::Append(b"ab"),
        ];
        for existing in all {
            for text in ["", "a", "abc", "SQLite format 3"] {
                std::fs::write(&path, text).unwrap();
                let opened = open(&path, existing);
                let left = match opened {
                    Ok(mut file) => {
                        file.write_all(b"new").unwrap();
                        std::fs::read_to_string(&path).unwrap()
                    }
                    Err(error) => {
                        assert_eq!(error.kind(), io::ErrorKind::AlreadyExists);
                        assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
                        continue;
                    }
                };
                let wanted = match (existing, text) {
                    (_, "") | (Existing::Replace(_), "abc") => "new",
                    (Existing::Append(_), "abc") => "abcnew",
                    other => panic!("{other:?} was written over"),
                };
                assert_eq!(left, wanted);
            }
        }
        std::fs::remove_file(&path).unwrap();
        open(&path, Existing::Refuse).unwrap();
        assert!(open(Path::new("/dev/null"), Existing::Refuse).is_ok());
    }
}
