//! What is kept beside the journal: log files, and how much of them.

use tracing::Level;

use super::super::file::Log;
use super::{Checked, named, within, word};
use crate::logging::{LogFiles, LogLimits};

/// Days that log files may be kept; longer is for an archive, which this is not.
const DAYS: (u32, u32) = (1, 3650);
/// A log file's size, MB, and how many there may be.
const FILE_MB: (u32, u32) = (1, 1000);
const FILES: (u32, u32) = (1, 1000);
/// Bytes of a MB, as disks are sold.
const MB: u64 = 1_000_000;

/// What goes into log files; `None` where no folder is named. The other values are checked all the same.
pub(super) fn log_files(given: Log, default: Log) -> Checked<Option<LogFiles>> {
    let level = word(
        given.level.or(default.level),
        "level",
        &[
            ("error", Level::ERROR),
            ("warn", Level::WARN),
            ("info", Level::INFO),
            ("debug", Level::DEBUG),
            ("trace", Level::TRACE),
        ],
    )?
    .unwrap_or(Level::INFO);
    let mb = given.file_mb.or(default.file_mb);
    let files = given.keep_files.or(default.keep_files);
    let days = given.keep_days.or(default.keep_days);
    let limits = LogLimits {
        file_bytes: MB * u64::from(within(mb, "file_mb", FILE_MB.0, FILE_MB.1)?),
        keep_files: within(files, "keep_files", FILES.0, FILES.1)? as usize,
        keep_days: within(days, "keep_days", DAYS.0, DAYS.1)?,
    };
    let folder = named(given.folder.or(default.folder));
    Ok(folder.map(|folder| LogFiles {
        folder: folder.into(),
        level,
        limits,
    }))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::settings::Settings;

    fn settings(text: &str) -> Result<Settings, String> {
        Settings::parse(text, Path::new("s.toml")).map_err(|error| error.to_string())
    }

    #[test]
    fn nothing_is_kept_where_nobody_says_so() {
        let default = settings("").unwrap();
        assert_eq!(default.log_files, None);
    }

    #[test]
    fn limits_are_taken_and_held_to_what_makes_sense() {
        let told = settings("[log]\nfolder = \"logs\"\nlevel = \"debug\"\nfile_mb = 2").unwrap();
        let log = told.log_files.unwrap();
        assert_eq!(
            (log.level, log.limits.file_bytes),
            (Level::DEBUG, 2_000_000)
        );
        assert_eq!(log.limits.keep_files, 10);
        for (text, says) in [
            ("[log]\nlevel = \"all\"", "one of \"error\""),
            ("[log]\nkeep_files = 0", "1 to 1000"),
            ("[log]\nfile = 3", "unknown field `file`"),
        ] {
            let reason = settings(text).unwrap_err();
            assert!(reason.contains(says), "{text:?}: {reason}");
        }
    }
}
