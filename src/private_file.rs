//! Files that their owner alone can read, and names and renames that survive a power cut.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Opens a file that its owner alone can read. What root makes is made for whoever owns the folder: the service must be able
/// to go on with it.
///
/// # Errors
/// Those of the system.
pub(crate) fn open_private(options: &mut OpenOptions, path: &Path) -> io::Result<File> {
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(options, 0o600);
    let file = options.open(path)?;
    #[cfg(unix)]
    if rustix::process::geteuid().is_root() {
        use std::os::unix::fs::{MetadataExt, fchown};
        let owner = fs::metadata(folder_of(path))?;
        fchown(&file, Some(owner.uid()), Some(owner.gid()))?;
    }
    Ok(file)
}

/// Opens a new file that its owner alone can read, in the place of one that is there: what a kill left may be readable by
/// others.
///
/// # Errors
/// Those of the system.
pub(crate) fn create_private(path: &Path) -> io::Result<File> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    open_private(OpenOptions::new().write(true).create_new(true), path)
}

/// Creates a folder and its parents, the new ones for their owner only.
///
/// # Errors
/// Those of the system.
pub(crate) fn create_private_folder(folder: &Path) -> io::Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

/// Writes a file that its owner alone can read, whole or not at all.
///
/// # Errors
/// Those of the system; a file that was there stays as it was.
pub(crate) fn write_private(path: &Path, text: &[u8]) -> io::Result<()> {
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder)?;
    }
    let new = with_suffix(path, ".new");
    let mut file = create_private(&new)?;
    file.write_all(text)?;
    file.sync_all()?;
    fs::rename(&new, path)?;
    sync_folder_of(path)
}

/// Makes renames in a file's folder survive a power cut.
///
/// # Errors
/// Those of the system.
pub(crate) fn sync_folder_of(path: &Path) -> io::Result<()> {
    sync_folder(folder_of(path))
}

/// Makes renames in a folder survive a power cut.
///
/// # Errors
/// Those of the system.
pub(crate) fn sync_folder(folder: &Path) -> io::Result<()> {
    match cfg!(unix) {
        true => File::open(folder)?.sync_all(),
        false => Ok(()),
    }
}

/// The folder of a path, "." where it names none.
pub(crate) fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// The path with this after its name.
pub(crate) fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_replaced_whole_and_is_its_owners_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deeper").join("keys.toml");
        write_private(&path, b"one").unwrap();
        // A kill left this, readable by all.
        let left = with_suffix(&path, ".new");
        fs::write(&left, "half of wh").unwrap();
        write_private(&path, b"two").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"two");
        assert!(!left.exists());
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = fs::metadata(&path).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o600);
        }
    }

    #[test]
    fn what_cannot_be_replaced_stays() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("keys.toml");
        write_private(&path, b"one").unwrap();
        fs::create_dir(with_suffix(&path, ".new")).unwrap();
        write_private(&path, b"two").unwrap_err();
        assert_eq!(fs::read(&path).unwrap(), b"one");
    }

    #[test]
    fn a_bare_name_lies_here() {
        assert_eq!(folder_of(Path::new("j.db")), Path::new("."));
        assert_eq!(folder_of(Path::new("/a/j.db")), Path::new("/a"));
        assert_eq!(
            with_suffix(Path::new("a/j.db"), "-wal"),
            Path::new("a/j.db-wal")
        );
    }
}
