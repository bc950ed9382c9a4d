//! Log files that are rotated by size and by day, limited in number and age.
//!
//! In: whole lines. Out: files `cagehand-NUMBER-YYYYMMDD-HHMMSS.jsonl` in one folder, numbered in order whatever the clock does,
//! with the time (UTC) when each was begun. Runs on the log's thread; lines are not synced to the disk.
//!
//! The rolling appender of tracing-appender rotates by time only: it has no limits of size and age, does not go on with the
//! file of an earlier start, and does not report lines that a full disk refused.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use jiff::Timestamp;

/// How the names of our files begin and end; other files in the folder are left alone.
const NAME: (&str, &str) = ("cagehand-", ".jsonl");
/// Day and time in a name.
const DAY: &str = "%Y%m%d";
const TIME: &str = "%H%M%S";
/// Another process may take a number at the same moment; then the next ones are tried.
const MAX_TRIES: u64 = 100;

/// How much of the log is kept. The files together hold at most `keep_files` times `file_bytes` and one line more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct LogLimits {
    /// Files, the one being written included; at least 1.
    pub keep_files: usize,
    /// A file is full at this size.
    pub file_bytes: u64,
    /// Files that nothing was written to for so many days are deleted.
    pub keep_days: u32,
}

/// The file being written, in its folder.
#[derive(Debug)]
pub(crate) struct RotatingFile {
    folder: PathBuf,
    limits: LogLimits,
    current: Option<Current>,
    /// Lines that could not be written since the last one that was.
    lost: u64,
}

#[derive(Debug)]
struct Current {
    path: PathBuf,
    file: File,
    bytes: u64,
    day: String,
}

impl RotatingFile {
    /// Opens the folder, deletes surplus and old files, and continues today's newest file if it has room.
    ///
    /// # Errors
    /// Where folder or file cannot be made or written.
    pub(crate) fn open(folder: &Path, limits: LogLimits) -> io::Result<Self> {
        fs::create_dir_all(folder)?;
        let mut log = Self {
            folder: folder.to_owned(),
            limits,
            current: None,
            lost: 0,
        };
        let now = crate::wall_clock::now();
        let newest = log.files()?.pop();
        let continued = newest.filter(|(_, day, path)| {
            *day == day_of(now)
                && fs::metadata(path).is_ok_and(|found| found.len() < limits.file_bytes)
        });
        log.current = Some(match continued {
            Some((_, day, path)) => {
                let file = OpenOptions::new().append(true).open(&path)?;
                let bytes = file.metadata()?.len();
                Current {
                    path,
                    file,
                    bytes,
                    day,
                }
            }
            None => log.create(now)?,
        });
        log.delete_surplus();
        Ok(log)
    }

    fn create(&self, now: Timestamp) -> io::Result<Current> {
        let day = day_of(now);
        let time = now.strftime(TIME).to_string();
        let newest = self.files()?.pop();
        let next = newest.map_or(1, |(number, ..)| number.saturating_add(1));
        let mut number = next;
        loop {
            let name = format!("{}{number:06}-{day}-{time}{}", NAME.0, NAME.1);
            let path = self.folder.join(name);
            let mut options = OpenOptions::new();
            options.append(true).create_new(true);
            #[cfg(unix)]
            std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o640);
            match options.open(&path) {
                Ok(file) => {
                    return Ok(Current {
                        path,
                        file,
                        bytes: 0,
                        day,
                    });
                }
                Err(error)
                    if error.kind() == io::ErrorKind::AlreadyExists
                        && number - next < MAX_TRIES =>
                {
                    number += 1;
                }
                Err(error) => return Err(error),
            }
        }
    }

    /// Our files with their numbers and days, the oldest first.
    fn files(&self) -> io::Result<Vec<(u64, String, PathBuf)>> {
        let mut files: Vec<_> = fs::read_dir(&self.folder)?
            .filter_map(|entry| {
                let path = entry.ok()?.path();
                let (number, day) = parts_of(&path)?;
                Some((number, day, path))
            })
            .collect();
        files.sort();
        Ok(files)
    }

    /// A file that cannot be deleted is tried again at the next rotation; the only place to report it is the log itself.
    fn delete_surplus(&self) {
        let Ok(mut files) = self.files() else { return };
        let current = self.current.as_ref().map(|current| &current.path);
        files.retain(|(.., path)| Some(path) != current);
        let surplus = (files.len() + 1).saturating_sub(self.limits.keep_files.max(1));
        let age = Duration::from_secs(86_400 * u64::from(self.limits.keep_days));
        let oldest = SystemTime::from(crate::wall_clock::now()).checked_sub(age);
        for (place, (.., path)) in files.iter().enumerate() {
            let too_old = || {
                let written = fs::metadata(path).and_then(|found| found.modified());
                written.is_ok_and(|written| oldest.is_some_and(|oldest| written < oldest))
            };
            if place < surplus || too_old() {
                let _ = fs::remove_file(path);
            }
        }
    }

    fn append(&mut self, line: &[u8], now: Timestamp) -> io::Result<()> {
        let day = day_of(now);
        let fits = self.current.as_ref().is_some_and(|current| {
            let full = current.bytes + line.len() as u64 > self.limits.file_bytes;
            current.day == day && (!full || current.bytes == 0) && current.path.exists()
        });
        if !fits {
            self.current = Some(self.create(now)?);
            self.delete_surplus();
        }
        let Some(current) = &mut self.current else {
            return Ok(());
        };
        let written = current.file.write_all(line);
        match written {
            Ok(()) => current.bytes += line.len() as u64,
            // Readers of the file expect whole lines.
            Err(_) => current.file.set_len(current.bytes)?,
        }
        written
    }
}

impl Write for RotatingFile {
    /// Takes one whole line. Lines that the disk refuses are lost; the next one that it takes is preceded by their number.
    fn write(&mut self, line: &[u8]) -> io::Result<usize> {
        let now = crate::wall_clock::now();
        if self.lost > 0 {
            let report = serde_json::json!({
                "timestamp": now.to_string(),
                "level": "WARN",
                "fields": {
                    "message": "log lines were left out: the disk did not take them",
                    "lost": self.lost,
                },
                "target": module_path!(),
            });
            if self.append(format!("{report}\n").as_bytes(), now).is_ok() {
                self.lost = 0;
            }
        }
        if self.append(line, now).is_err() {
            self.lost += 1;
        }
        Ok(line.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn day_of(now: Timestamp) -> String {
    now.strftime(DAY).to_string()
}

/// The number and the day in the name of one of our files; `None` for any other file.
fn parts_of(path: &Path) -> Option<(u64, String)> {
    let name = path.file_name()?.to_str()?;
    let middle = name.strip_prefix(NAME.0)?.strip_suffix(NAME.1)?;
    let (number, begun) = middle.split_once('-')?;
    let (day, time) = begun.split_once('-')?;
    let digits = |text: &str| text.chars().all(|letter| letter.is_ascii_digit());
    let right = digits(day) && digits(time) && day.len() == 8;
    Some((number.parse().ok()?, day.to_owned())).filter(|_| right)
}

#[cfg(test)]
mod tests {
    use jiff::ToSpan;

    use super::*;

    const LIMITS: LogLimits = LogLimits {
        keep_files: 3,
        file_bytes: 100,
        keep_days: 30,
    };

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn files_are_limited_in_number_and_size_and_the_newest_lines_stay() {
        let folder = tempfile::tempdir().unwrap();
        let other = folder.path().join("cagehand-notes.jsonl");
        fs::write(&other, "mine").unwrap();
        let mut log = RotatingFile::open(folder.path(), LIMITS).unwrap();
        for number in 0..100 {
            log.write_all(format!("line {number:03} of a log\n").as_bytes())
                .unwrap();
        }
        assert!(other.exists(), "what is not ours is left alone");
        fs::remove_file(other).unwrap();
        let names = names(folder.path());
        assert_eq!(names.len(), 3);
        let texts: Vec<String> = log
            .files()
            .unwrap()
            .iter()
            .map(|(.., path)| fs::read_to_string(path).unwrap())
            .collect();
        assert!(texts.iter().all(|text| text.len() <= 100));
        let all = texts.concat();
        assert!(all.ends_with("line 099 of a log\n"));
        assert_eq!(all.lines().count(), 5 + 5 + 5, "{all}");
    }

    #[test]
    fn a_new_start_continues_the_file_and_a_line_larger_than_a_file_is_kept_whole() {
        let folder = tempfile::tempdir().unwrap();
        let mut log = RotatingFile::open(folder.path(), LIMITS).unwrap();
        log.write_all(b"first\n").unwrap();
        drop(log);
        let mut log = RotatingFile::open(folder.path(), LIMITS).unwrap();
        log.write_all(b"second\n").unwrap();
        assert_eq!(names(folder.path()).len(), 1);
        let long = [b'x'; 300];
        log.write_all(&long).unwrap();
        log.write_all(b"third\n").unwrap();
        let files = log.files().unwrap();
        let sizes: Vec<u64> = files
            .iter()
            .map(|(.., path)| fs::metadata(path).unwrap().len())
            .collect();
        assert_eq!(sizes, [13, 300, 6]);
    }

    #[test]
    fn files_of_other_days_are_closed_and_old_ones_deleted() {
        let folder = tempfile::tempdir().unwrap();
        let put = |number: u64, days: u64| {
            let day = day_of(Timestamp::now() - (24 * i64::try_from(days).unwrap()).hours());
            let path = folder
                .path()
                .join(format!("cagehand-{number:06}-{day}-120000.jsonl"));
            fs::write(&path, "before\n").unwrap();
            let file = OpenOptions::new().append(true).open(&path).unwrap();
            file.set_modified(SystemTime::now() - Duration::from_secs(86_400 * days))
                .unwrap();
            path
        };
        let (old, young, before) = (put(7, 31), put(8, 29), put(9, 1));
        let mut log = RotatingFile::open(folder.path(), LIMITS).unwrap();
        log.write_all(b"today\n").unwrap();
        assert_eq!(fs::read_to_string(&before).unwrap(), "before\n");
        assert!(!old.exists() && young.exists());
        assert_eq!(names(folder.path()).len(), 3);
        // A day that ends while it runs.
        log.append(b"tomorrow\n", Timestamp::now() + 24.hours())
            .unwrap();
        let (number, _, newest) = log.files().unwrap().pop().unwrap();
        assert_eq!(number, 11);
        assert!(!young.exists(), "three files are kept");
        assert_eq!(fs::read_to_string(newest).unwrap(), "tomorrow\n");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_loses_lines_and_their_number_is_reported() {
        let folder = tempfile::tempdir().unwrap();
        let mut log = RotatingFile::open(folder.path(), LIMITS).unwrap();
        let path = log.current.as_ref().unwrap().path.clone();
        // The device that is always full stands in for the file.
        let full = OpenOptions::new().write(true).open("/dev/full").unwrap();
        log.current.as_mut().unwrap().file = full;
        for _ in 0..3 {
            log.write_all(b"a line\n").unwrap();
        }
        log.current.as_mut().unwrap().file = OpenOptions::new().append(true).open(&path).unwrap();
        log.limits.file_bytes = 1000;
        log.write_all(b"{}\n").unwrap();
        let text = fs::read_to_string(&path).unwrap();
        let report: serde_json::Value = serde_json::from_str(text.lines().next().unwrap()).unwrap();
        assert_eq!(report["fields"]["lost"], 3);
        assert!(text.ends_with("\n{}\n"));
    }
}
