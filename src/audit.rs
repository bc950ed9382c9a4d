//! The audit trail: who logged in, looked at a hitter, exported, deleted, changed keys.
//!
//! In: what was done at the page and at the command line. Out: a file of JSON lines beside the journal, which its owner alone can read. It names
//! accounts and users of the machine, and hitters by their number alone, so that a deletion leaves no name in it.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::private_file::{open_private, with_suffix, write_private};
use crate::text_enum::{Recorded, text_enum};

/// What is larger was written by something else.
const MOST_BYTES: u64 = 256 << 20;

text_enum! {
    /// What was done.
    pub(crate) enum Act {
        /// A right key.
        LoggedIn = "logged in",
        /// A key that was not right, or too many of them.
        LoginRefused = "login refused",
        LoggedOut = "logged out",
        /// A coach ended somebody's web session.
        SessionEnded = "web session ended",
        /// A PIN, password or second factor was set or taken away.
        KeysChanged = "keys changed",
        /// Somebody asked for what they have no right to.
        AccessRefused = "access refused",
        /// Pages about a hitter, or lists of hitters, were opened.
        Looked = "looked",
        /// The camera's live picture was opened from another machine.
        SawPicture = "saw the picture",
        /// What a cage's screen shows was looked at from the office.
        SawScreen = "saw the screen",
        /// Reps left the program as a file.
        Exported = "exported",
        /// A rep, a note or a plan was changed.
        Corrected = "corrected",
        /// A clip was dropped on the page.
        TookClip = "took a clip",
        /// A cue was recorded, worded anew or brought back at the page.
        ChangedCue = "changed cue",
        /// A hitter was renamed, merged or frozen, or a session given to another.
        ChangedHitter = "changed hitter",
        /// A consent was recorded or withdrawn.
        ChangedConsent = "changed consent",
        Deleted = "deleted",
        /// A copy of the whole journal was made.
        BackedUp = "backed up",
        /// A backup was put in the journal's place.
        Restored = "restored",
    }
}

/// Who did it.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Actor {
    /// Somebody without a login.
    Nobody,
    /// Whoever has the PIN.
    Screen,
    /// The coach of this account.
    Coach(String),
    /// This user of the machine, at its command line.
    User(String),
    /// cagehand itself, by its settings.
    Program,
}

impl Actor {
    /// Whoever runs this process.
    pub(crate) fn this_user() -> Self {
        Self::User(this_user())
    }
}

/// Whoever runs this process, as text.
pub(crate) fn this_user() -> String {
    #[cfg(unix)]
    let id = format!("{}", rustix::process::getuid().as_raw());
    #[cfg(not(unix))]
    let id = String::new();
    // A name can be chosen by whoever sets it, the number cannot.
    let name = ["SUDO_USER", "USER", "LOGNAME"]
        .iter()
        .find_map(|name| std::env::var(name).ok())
        .filter(|name| !name.is_empty() && name.chars().count() <= 64);
    match name {
        Some(name) => format!("{name} (uid {id})"),
        None => format!("uid {id}"),
    }
}

/// One line of the trail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct AuditEntry {
    pub(crate) at: Timestamp,
    pub(crate) who: Actor,
    /// The address it came from; nothing at the command line.
    pub(crate) from: Option<String>,
    pub(crate) act: Recorded<Act>,
    /// The hitter's number, where it is about one.
    pub(crate) hitter: Option<i64>,
    pub(crate) session: Option<i64>,
    /// More about it, in English; never a hitter's name.
    pub(crate) detail: Option<String>,
}

impl AuditEntry {
    /// Something that is done now.
    pub(crate) fn now(who: Actor, act: Act) -> Self {
        Self {
            at: crate::wall_clock::now(),
            who,
            from: None,
            act: Recorded::Known(act),
            hitter: None,
            session: None,
            detail: None,
        }
    }

    /// The same, with more about it.
    pub(crate) fn with_detail(self, detail: impl Into<String>) -> Self {
        Self {
            detail: Some(detail.into()),
            ..self
        }
    }
}

/// An entry as the file has it.
#[derive(Serialize, Deserialize)]
struct Line {
    at: Timestamp,
    who: Actor,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    from: Option<String>,
    act: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    hitter: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    session: Option<i64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    detail: Option<String>,
}

impl From<&AuditEntry> for Line {
    fn from(entry: &AuditEntry) -> Self {
        let entry = entry.clone();
        Self {
            at: entry.at,
            who: entry.who,
            from: entry.from,
            act: entry.act.as_str().to_owned(),
            hitter: entry.hitter,
            session: entry.session,
            detail: entry.detail,
        }
    }
}

impl From<Line> for AuditEntry {
    fn from(line: Line) -> Self {
        Self {
            at: line.at,
            who: line.who,
            from: line.from,
            act: line.act.as_str().into(),
            hitter: line.hitter,
            session: line.session,
            detail: line.detail,
        }
    }
}

/// The trail of a journal.
pub(crate) fn trail_path(journal: &Path) -> PathBuf {
    with_suffix(journal, ".audit")
}

/// Adds an entry to a journal's trail; it is on disk when this returns. What was done is done: where that fails, the log says so.
pub(crate) fn enter(journal: &Path, entry: &AuditEntry) {
    if let Err(error) = append(journal, entry) {
        let act = entry.act.as_str();
        tracing::error!(%error, act, "an entry of the audit trail could not be written");
    }
}

fn append(journal: &Path, entry: &AuditEntry) -> io::Result<()> {
    let mut line = serde_json::to_string(&Line::from(entry))?;
    line.push('\n');
    let mut file = open_locked(&trail_path(journal))?;
    // A kill or a full disk may have cut the line before it.
    if !ends_a_line(&mut file)? {
        line.insert(0, '\n');
    }
    file.write_all(line.as_bytes())?;
    file.sync_data()
}

fn ends_a_line(file: &mut File) -> io::Result<bool> {
    if file.metadata()?.len() == 0 {
        return Ok(true);
    }
    let mut last = [0];
    file.seek(SeekFrom::End(-1))?;
    file.read_exact(&mut last)?;
    Ok(last == *b"\n")
}

/// The trail's entries, the latest last; none where there is no file. Lines that are none are passed over.
///
/// # Errors
/// Those of the system.
pub(crate) fn read(journal: &Path) -> io::Result<Vec<AuditEntry>> {
    let mut text = Vec::new();
    match File::open(trail_path(journal)) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
        Ok(file) => file.take(MOST_BYTES).read_to_end(&mut text)?,
    };
    Ok(entries(&text).map(|(_, entry)| entry).collect())
}

fn entries(text: &[u8]) -> impl Iterator<Item = (&[u8], AuditEntry)> {
    text.split_inclusive(|byte| *byte == b'\n')
        .filter_map(|bytes| {
            let line: Line = serde_json::from_slice(bytes).ok()?;
            Some((bytes, line.into()))
        })
}

/// Takes entries from before this out of the trail, and lines that are none; says how many entries that were.
///
/// # Errors
/// Those of the system; the trail is then as it was.
pub(crate) fn delete_before(journal: &Path, limit: Timestamp) -> io::Result<usize> {
    let path = trail_path(journal);
    if !path.exists() {
        return Ok(0);
    }
    let mut locked = open_locked(&path)?;
    let mut text = Vec::new();
    Read::by_ref(&mut locked)
        .take(MOST_BYTES)
        .read_to_end(&mut text)?;
    let (mut kept, mut gone) = (Vec::new(), 0);
    for (bytes, entry) in entries(&text) {
        if entry.at < limit {
            gone += 1;
        } else {
            kept.extend_from_slice(bytes);
        }
    }
    if gone == 0 {
        return Ok(0);
    }
    // Whoever waits for the lock finds that its file has no name any more, and opens the new one.
    write_private(&path, &kept)?;
    Ok(gone)
}

/// Opens the trail for adding and waits until nobody else changes it.
fn open_locked(path: &Path) -> io::Result<File> {
    loop {
        let file = open_private(
            OpenOptions::new().create(true).append(true).read(true),
            path,
        )?;
        file.lock()?;
        if is_same(&file, path) {
            return Ok(file);
        }
    }
}

#[cfg(unix)]
fn is_same(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let number =
        |found: io::Result<fs::Metadata>| found.ok().map(|found| (found.dev(), found.ino()));
    let own = number(file.metadata());
    own.is_some() && own == number(fs::metadata(path))
}

#[cfg(not(unix))]
fn is_same(_: &File, _: &Path) -> bool {
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn entry(when: &str, hitter: i64) -> AuditEntry {
        AuditEntry {
            at: at(when),
            from: Some("192.0.2.7".to_owned()),
            hitter: Some(hitter),
            ..AuditEntry::now(Actor::Coach("Ruth".to_owned()), Act::Looked)
        }
    }

    #[test]
    fn entries_read_back_and_what_is_none_is_passed_over() {
        let dir = tempfile::tempdir().unwrap();
        let journal = dir.path().join("journal.db");
        assert_eq!(read(&journal).unwrap(), []);
        let first = entry("2026-03-01T10:00:00Z", 3);
        let second = AuditEntry::now(Actor::this_user(), Act::Exported).with_detail("CSV");
        append(&journal, &first).unwrap();
        fs::OpenOptions::new()
            .append(true)
            .open(trail_path(&journal))
            .unwrap()
            .write_all(b"\xff\xfe\n{\"at\":\"half a li")
            .unwrap();
        append(&journal, &second).unwrap();
        let foreign =
            "{\"at\":\"2026-03-01T10:00:00Z\",\"who\":\"screen\",\"act\":\"of a later version\"}\n";
        open_locked(&trail_path(&journal))
            .unwrap()
            .write_all(foreign.as_bytes())
            .unwrap();
        let found = read(&journal).unwrap();
        assert_eq!(found[..2], [first, second]);
        assert_eq!(found[2].act.as_str(), "of a later version");
    }

    #[test]
    fn old_entries_go_and_what_is_added_meanwhile_stays() {
        let dir = tempfile::tempdir().unwrap();
        let journal = dir.path().join("journal.db");
        assert_eq!(
            delete_before(&journal, at("2026-01-01T00:00:00Z")).unwrap(),
            0
        );
        assert!(!trail_path(&journal).exists());
        for day in 1..=9 {
            append(&journal, &entry(&format!("2025-12-2{day}T10:00:00Z"), day)).unwrap();
        }
        let adding = {
            let journal = journal.clone();
            crate::thread::spawn("adds", move || {
                for hitter in 100..200 {
                    append(&journal, &entry("2026-01-02T10:00:00Z", hitter)).unwrap();
                }
            })
            .unwrap()
        };
        let mut gone = 0;
        for day in 1..=9 {
            gone += delete_before(&journal, at(&format!("2025-12-2{day}T12:00:00Z"))).unwrap();
        }
        adding.join().unwrap();
        assert_eq!(gone, 9);
        let hitters: Vec<_> = read(&journal).unwrap().iter().map(|e| e.hitter).collect();
        assert_eq!(hitters, (100..200).map(Some).collect::<Vec<_>>());
    }

    #[cfg(unix)]
    #[test]
    fn its_owner_alone_can_read_it() {
        use std::os::unix::fs::MetadataExt;
        let dir = tempfile::tempdir().unwrap();
        let journal = dir.path().join("journal.db");
        append(&journal, &entry("2020-03-01T10:00:00Z", 3)).unwrap();
        append(&journal, &entry("2026-03-01T10:00:00Z", 3)).unwrap();
        let mode = || fs::metadata(trail_path(&journal)).unwrap().mode() & 0o777;
        assert_eq!(mode(), 0o600);
        assert_eq!(
            delete_before(&journal, at("2026-01-01T00:00:00Z")).unwrap(),
            1
        );
        assert_eq!(mode(), 0o600);
    }
}
