//! Checks the sections about what is stored beside the journal: films and log files, and how much of them.

use std::ops::RangeInclusive;
use std::path::PathBuf;

use toml::Spanned;
use tracing::Level;

use super::super::file::{Log, Video};
use super::{choice, non_empty, within};
use crate::logging::{LogFiles, LogLimits};
use crate::toml_checked::Checked;
use crate::video::VideoSettings;

/// Days that films and log files may be kept; longer is for an archive, which this is not.
const DAYS: RangeInclusive<u32> = 1..=3650;
/// Months that the journal may be kept; 0 is for ever.
const MONTHS: RangeInclusive<u32> = 0..=600;
/// Space for films, GB.
const VIDEO_GB: RangeInclusive<f64> = 0.1..=10_000.0;
/// A log file's size, MB, and how many there may be.
const FILE_MB: RangeInclusive<u32> = 1..=1000;
const FILES: RangeInclusive<u32> = 1..=1000;
/// Bytes of a MB and of a GB, as disks are sold.
const MB: u64 = 1_000_000;
const GB: f64 = 1e9;

/// After how many months sessions are deleted; `None` for never.
pub(super) fn keep_months(given: Option<Spanned<u32>>) -> Checked<Option<u32>> {
    let months = within(given, "keep_months", &MONTHS)?;
    Ok((months > 0).then_some(months))
}

/// A folder for exports, and how many days they are kept.
pub(super) fn exports(
    folder: Option<Spanned<String>>,
    days: Option<Spanned<u32>>,
) -> Checked<Option<(PathBuf, u32)>> {
    let days = within(days, "keep_exports_days", &DAYS)?;
    Ok(non_empty(folder).map(|folder| (folder.into(), days)))
}

pub(super) fn video(given: Video) -> Checked<VideoSettings> {
    Ok(VideoSettings {
        // Off unless asked for: films show people.
        keep: given.keep.unwrap_or(false),
        keep_days: within(given.keep_days, "keep_days", &DAYS)?,
        keep_bytes: (within(given.keep_gb, "keep_gb", &VIDEO_GB)? * GB) as u64,
    })
}

/// What goes into log files; `None` where no folder is named. The other values are checked all the same.
pub(super) fn log_files(given: Log) -> Checked<Option<LogFiles>> {
    let level = choice(
        given.level,
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
    let limits = LogLimits {
        file_bytes: MB * u64::from(within(given.file_mb, "file_mb", &FILE_MB)?),
        keep_files: within(given.keep_files, "keep_files", &FILES)? as usize,
        keep_days: within(given.keep_days, "keep_days", &DAYS)?,
    };
    Ok(non_empty(given.folder).map(|folder| LogFiles {
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
        assert!(!default.video.keep);
        assert_eq!(default.video.keep_days, 7);
        assert_eq!(default.video.keep_bytes, 5_000_000_000);
        assert_eq!(default.log_files, None);
        assert!(!settings("[video]\nkeep_gb = 0.5").unwrap().video.keep);
        assert!(!default.page.picture);
        let listens = settings("[page]\nlisten = \"127.0.0.1:1\"").unwrap();
        assert!(!listens.page.picture, "nor shown");
        assert!(settings("[page]\npicture = true").unwrap().page.picture);
    }

    #[test]
    fn limits_are_taken_and_held_to_what_makes_sense() {
        let given = settings(
            "[video]\nkeep = true\nkeep_days = 1\nkeep_gb = 0.5\n[log]\nfolder = \"logs\"\nlevel = \"debug\"\nfile_mb = 2",
        )
        .unwrap();
        let video = VideoSettings {
            keep: true,
            keep_days: 1,
            keep_bytes: 500_000_000,
        };
        assert_eq!(given.video, video);
        let log = given.log_files.unwrap();
        assert_eq!(
            (log.level, log.limits.file_bytes),
            (Level::DEBUG, 2_000_000)
        );
        assert_eq!(log.limits.keep_files, 10);
        for (text, says) in [
            (
                "[video]\nkeep_days = 0",
                "line 2: keep_days is 0; it must be 1 to 3650",
            ),
            ("[video]\nkeep_gb = nan", "keep_gb is NaN"),
            ("[video]\nkeep = 1", "line 2: invalid type"),
            ("[log]\nlevel = \"all\"", "one of \"error\""),
            ("[log]\nkeep_files = 0", "1 to 1000"),
            ("[log]\nfile = 3", "unknown field `file`"),
        ] {
            let reason = settings(text).unwrap_err();
            assert!(reason.contains(says), "{text:?}: {reason}");
        }
    }
}
