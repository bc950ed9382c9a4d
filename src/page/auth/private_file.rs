//! Files that their owner alone can read.

use std::fs;
use std::io::Write;
use std::path::Path;

/// Writes a file that its owner alone can read, whole or not at all. Who runs the program as root writes for whoever owns the
/// folder: the service must be able to read it.
pub(in crate::page) fn write_private(path: &Path, text: &str) -> std::io::Result<()> {
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder)?;
    }
    let new = path.with_extension("new");
    // What a kill left there may be readable by others.
    match fs::remove_file(&new) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let mut options = fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    let mut file = options.open(&new)?;
    file.write_all(text.as_bytes())?;
    #[cfg(unix)]
    if let Some(folder) = path.parent()
        && rustix::process::geteuid().is_root()
    {
        use std::os::unix::fs::{MetadataExt, fchown};
        let folder = match folder.as_os_str().is_empty() {
            true => Path::new("."),
            false => folder,
        };
        let owner = fs::metadata(folder)?;
        fchown(&file, Some(owner.uid()), Some(owner.gid()))?;
    }
    file.sync_all()?;
    fs::rename(&new, path)?;
    // The rename itself is on the disk only once the folder is.
    if let Some(folder) = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty())
    {
        fs::File::open(folder)?.sync_all()?;
    }
    Ok(())
}
