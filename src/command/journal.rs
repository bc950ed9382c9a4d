//! `cagehand journal`: upkeep of the journal.
//!
//! In: the journal, or a copy of it. Out: what it holds, whether it is sound, a checked copy, a hitter's files, or a
//! journal without the hitter. `restore` and the deletions change something; the others only read. All but `restore`,
//! `delete-hitter` and `delete-session` do their work while cagehand runs too.

use std::fs;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};

use super::deletion_report::report_deletion;
use super::{Failure, enter_audit, journal_path, terminal};
use crate::audit::Act;
use crate::journal::{
    DeletionTarget, HitterChoice, HitterId, Journal, JournalError, JournalReader, RepFilter, RepId,
    RowOf, SessionFilter, SessionId, prepare_exports_folder,
};
use crate::machine::free_bytes;
use crate::settings::Settings;
use crate::video::{DeletedFilms, FilmError, FilmStore};

/// What to do where a cagehand writes the journal.
const STOP_FIRST: &str = "Stop cagehand first (Ctrl-C, or `sudo systemctl stop cagehand` where it runs as a service), then say this again";
/// No more reps with bad landmarks are named.
const NAMED: usize = 20;

/// Arguments of `journal`.
#[derive(Debug, Args)]
pub(super) struct JournalArgs {
    #[command(subcommand)]
    command: JournalCommand,
    /// Use this journal.
    #[arg(long, value_name = "FILE", global = true)]
    journal: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum JournalCommand {
    /// Say where the journal is and what it holds.
    Info,
    /// Check the whole file: its structure, its references, every rep and its landmarks.
    Check,
    /// Copy the journal to a new file and check the copy; cagehand may run meanwhile.
    Backup {
        /// The new file.
        file: PathBuf,
    },
    /// Put a backup in the journal's place; the old journal is kept under another name.
    Restore {
        /// The backup.
        file: PathBuf,
    },
    /// Write all of a hitter's reps, landmarks, films, sessions and plans into a folder.
    ExportHitter {
        /// The hitter's name.
        name: String,
        /// A new or empty folder; without one a new one in the folder for exports of the settings.
        folder: Option<PathBuf>,
    },
    /// Delete a hitter and all of their data for good, and search the file for what is left.
    DeleteHitter {
        /// The hitter's name.
        name: String,
        /// Do not ask.
        #[arg(long)]
        yes: bool,
    },
    /// Delete one session of anybody for good, and search the journal for what is left of it; ask before
    DeleteSession {
        /// The session's number, as the page and `export` show it.
        number: i64,
        /// Do not ask.
        #[arg(long)]
        yes: bool,
    },
    /// Delete all films of reps for good; the reps and their landmarks stay.
    DeleteVideo {
        /// Do not ask.
        #[arg(long)]
        yes: bool,
    },
}

impl JournalArgs {
    pub(super) fn run(
        self,
        settings: &Settings,
        settings_file: Option<&Path>,
    ) -> Result<(), Failure> {
        let texts = || settings.texts(settings_file);
        let path = journal_path(self.journal.as_deref(), settings)?;
        match self.command {
            JournalCommand::Info => info(&path),
            JournalCommand::Check => check(&Journal::read_only(&path)?),
            JournalCommand::Backup { file } => backup(&path, &file),
            JournalCommand::Restore { file } => restore(&path, &file),
            JournalCommand::ExportHitter { name, folder } => {
                export_hitter(&path, name, folder, settings)
            }
            JournalCommand::DeleteHitter { name, yes } => delete_hitter(&path, name, &texts(), yes),
            JournalCommand::DeleteSession { number, yes } => {
                delete_session(&path, number, &texts(), yes)
            }
            JournalCommand::DeleteVideo { yes } => delete_video(&path, yes),
        }
    }
}

fn info(path: &Path) -> Result<(), Failure> {
    let reader = Journal::read_only(path)?;
    let size = |side: &str| {
        let mut name = path.as_os_str().to_owned();
        name.push(side);
        fs::metadata(name).map_or(0, |file| file.len())
    };
    terminal::println(&format!("journal   {}", path.display()));
    let log = match size("-wal") {
        0 => String::new(),
        bytes => format!(" and {} in its log", size_words(bytes)),
    };
    terminal::println(&format!("size      {}{log}", size_words(size(""))));
    terminal::println(&format!("version   {}", reader.version()?));
    terminal::println(&format!("holds     {}", reader.counts()?));
    terminal::println(&match reader.last_rep()? {
        Some(rep) => format!(
            "last rep  {:.0}, rep {} of session {}",
            rep.logged_at, rep.judged.number, rep.session
        ),
        None => "last rep  none yet".to_owned(),
    });
    let sessions = reader.sessions()?;
    let open = sessions.iter().filter(|s| s.ended_at.is_none()).count();
    if open > 0 {
        terminal::println(&format!(
            "sessions  {open} not ended: cagehand writes now, or was killed and has not run since"
        ));
    }
    let unclean: Vec<String> = sessions
        .iter()
        .filter(|session| session.is_unclean())
        .map(|session| format!("{} ({:.0})", session.id, session.started_at))
        .collect();
    terminal::println(&match unclean.len() {
        0 => "sessions  none closed uncleanly".to_owned(),
        count => format!(
            "sessions  {count} closed uncleanly (crash, kill or power cut), the newest first: {}{}",
            unclean[..count.min(5)].join(", "),
            if count > 5 { ", …" } else { "" }
        ),
    });
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let store = FilmStore::of_journal(path);
    terminal::println(&match store.usage() {
        Ok(usage) if usage.films == 0 => "films     none".to_owned(),
        Ok(usage) => format!(
            "films     {} in {}, {}",
            usage.films,
            store.folder().display(),
            size_words(usage.bytes)
        ),
        Err(error) => format!("films     {error}"),
    });
    terminal::println(&match free_bytes(folder) {
        Ok(free) => format!("disk      {} free", size_words(free)),
        Err(error) => format!("disk      {}: {error}", folder.display()),
    });
    Ok(())
}

fn check(reader: &JournalReader) -> Result<(), Failure> {
    let mut bad = reader.findings()?;
    let structure = bad.len();
    terminal::println(&match structure {
        0 => "structure and references  good".to_owned(),
        count => format!("structure and references  {count} faults"),
    });
    let mut ids: Vec<RepId> = Vec::new();
    let read = reader.for_each_rep(&RepFilter::default(), |rep| {
        ids.push(rep.id);
        Ok(())
    });
    match read {
        Ok(count) => terminal::println(&format!("reps                      {count} read")),
        Err(error @ JournalError::Damaged { .. }) => {
            terminal::println(&format!(
                "reps                      only {} read",
                ids.len()
            ));
            bad.push(error.to_string());
        }
        Err(error) => return Err(error.into()),
    }
    let (mut decoded, mut without) = (0u64, 0u64);
    for rep in ids {
        match reader.timeline(rep) {
            Ok(Some(_)) => decoded += 1,
            Ok(None) => without += 1,
            // Deleted since the list was made.
            Err(JournalError::NoSuchRep { .. }) => {}
            Err(error @ (JournalError::Timeline { .. } | JournalError::Damaged { .. })) => {
                bad.push(error.to_string());
            }
            Err(error) => return Err(error.into()),
        }
    }
    terminal::println(&format!(
        "landmark timelines        {decoded} read, {without} reps without"
    ));
    if bad.is_empty() {
        terminal::println("the journal is sound");
        return Ok(());
    }
    for finding in bad.iter().take(NAMED) {
        terminal::println(&format!("  {finding}"));
    }
    if bad.len() > NAMED {
        terminal::println(&format!("  and {} more", bad.len() - NAMED));
    }
    Err(Failure::Finding(format!(
        "{}: the journal has {} faults. `cagehand journal restore FILE` puts a backup in its place",
        reader.path().display(),
        bad.len()
    )))
}

fn backup(path: &Path, target: &Path) -> Result<(), Failure> {
    let counts = Journal::read_only(path)?
        .back_up_to(target)
        .map_err(|error| match error {
            JournalError::CopyExists { .. } => Failure::Request(error.to_string()),
            other => other.into(),
        })?;
    enter_audit(path, Act::BackedUp, None, "");
    let bytes = fs::metadata(target).map_or(0, |file| file.len());
    terminal::println(&format!(
        "{}: {counts}, {}; the copy was opened and checked",
        target.display(),
        size_words(bytes)
    ));
    Ok(())
}

fn restore(path: &Path, copy: &Path) -> Result<(), Failure> {
    if let (Ok(journal), Ok(copy)) = (fs::canonicalize(path), fs::canonicalize(copy))
        && journal == copy
    {
        return Err(Failure::Request(format!(
            "{}: this is the journal itself. Name a backup",
            path.display()
        )));
    }
    let restored = Journal::restore(path, copy).map_err(|error| stop_first(error, path))?;
    enter_audit(path, Act::Restored, None, "");
    if let Some(old) = &restored.replaced {
        terminal::println(&format!("the old journal is now {}", old.display()));
    }
    let (hitters, sessions) = restored.report.deleted_again;
    if hitters + sessions > 0 {
        terminal::println(&format!(
            "deleted again, because they were deleted after the backup was made: {hitters} hitters, {sessions} sessions"
        ));
    }
    match restored.consents {
        Some(0) => {}
        Some(decisions) => terminal::println(&format!(
            "taken over from the old journal: {decisions} decisions on what hitters allow, recorded after the backup was made"
        )),
        None => terminal::println(
            "the old journal could not be read: what hitters decided after the backup was made is to be recorded again",
        ),
    }
    if let Some(version) = restored.report.upgraded_from {
        terminal::println(&format!(
            "the backup had version {version} and was brought up to date"
        ));
    }
    terminal::println(&format!(
        "{}: {}; restored from {} and checked",
        path.display(),
        restored.counts,
        copy.display()
    ));
    Ok(())
}

fn export_hitter(
    path: &Path,
    name: String,
    folder: Option<PathBuf>,
    settings: &Settings,
) -> Result<(), Failure> {
    let reader = Journal::read_only(path)?;
    let choice = HitterChoice::Name(name);
    let hitter = reader.hitter(&choice).map_err(no_such_hitter)?;
    let folder = match folder {
        Some(folder) => folder,
        None => new_export_folder(hitter.id, settings)?,
    };
    enter_audit(path, Act::Exported, Some(hitter.id), "folder");
    let files = reader
        .export_hitter(&choice, &folder)
        .map_err(|error| match error {
            JournalError::FolderInUse { .. } => Failure::Request(error.to_string()),
            other => other.into(),
        })?;
    terminal::println(&format!(
        "{}: {} reps, {} with landmarks, {} stored without, {} with a film",
        folder.display(),
        files.reps,
        files.tracks,
        files.without_landmarks,
        files.films
    ));
    if let Some(first) = files.bad_films.first() {
        return Err(Failure::Finding(format!(
            "{} films could not be read and are missing from the export. The first: {first}",
            files.bad_films.len()
        )));
    }
    match files.unreadable.first() {
        None => Ok(()),
        Some(first) => Err(Failure::Finding(format!(
            "the landmarks of {} reps could not be read and are missing from the export. The first: {first}",
            files.unreadable.len()
        ))),
    }
}

/// A new folder in the one for exports; it names the hitter by number only.
fn new_export_folder(hitter: HitterId, settings: &Settings) -> Result<PathBuf, Failure> {
    let Some((exports, _)) = &settings.exports else {
        return Err(Failure::Request(
            "name a folder, or set journal.exports in the settings".to_owned(),
        ));
    };
    prepare_exports_folder(exports)
        .map_err(|error| Failure::Request(format!("{}: {error}", exports.display())))?;
    let now = crate::wall_clock::now().strftime("%Y%m%dT%H%M%SZ");
    Ok(exports.join(format!("hitter-{hitter}-{now}")))
}

fn delete_hitter(path: &Path, name: String, texts: &[PathBuf], yes: bool) -> Result<(), Failure> {
    let choice = HitterChoice::Name(name);
    // Looked up before anything is opened for writing, which would make a journal where there is none.
    let reader = Journal::read_only(path)?;
    let hitter = reader.hitter(&choice).map_err(no_such_hitter)?;
    let name = hitter.name.unwrap_or_default();
    let sessions = reader.sessions()?;
    let theirs = || sessions.iter().filter(|s| s.hitter == Some(hitter.id));
    let what = format!(
        "{name} with {} sessions and {} reps, landmarks and films included",
        theirs().count(),
        theirs().map(|s| s.swings + s.takes).sum::<u32>()
    );
    drop(reader);
    if !yes && !agreed(&what)? {
        return Err(Failure::Request(format!("{name} was not deleted")));
    }
    let mut journal = Journal::open(path).map_err(|error| stop_first(error, path))?;
    let report = journal.delete(DeletionTarget::Hitter(hitter.id), texts)?;
    enter_audit(path, Act::Deleted, Some(hitter.id), "hitter");
    report_deletion(&name, &report)
}

fn delete_session(path: &Path, number: i64, texts: &[PathBuf], yes: bool) -> Result<(), Failure> {
    let session = SessionId::new(number);
    let only = SessionFilter {
        only: Some(session),
        ..SessionFilter::default()
    };
    let row = Journal::read_only(path)?
        .sessions_of(&only)?
        .into_iter()
        .next()
        .ok_or_else(|| Failure::Request(format!("there is no session {number} in this journal")))?;
    let what = format!(
        "session {number} of {:.0} with {} reps, landmarks and films included",
        row.started_at,
        row.swings + row.takes
    );
    if !yes && !agreed(&what)? {
        return Err(Failure::Request("nothing was deleted".to_owned()));
    }
    let mut journal = Journal::open(path).map_err(|error| stop_first(error, path))?;
    let hitter = journal.reader().whose(RowOf::Session, number)?.1;
    let report = journal.delete(DeletionTarget::Session(session), texts)?;
    enter_audit(path, Act::Deleted, hitter, &format!("session: {number}"));
    report_deletion(&format!("session {number}"), &report)
}

/// Works while cagehand runs: a film is a file of its own.
fn delete_video(path: &Path, yes: bool) -> Result<(), Failure> {
    let store = FilmStore::of_journal(path);
    let usage = store.usage().map_err(film_failure)?;
    let what = format!(
        "{} films ({}) in {}",
        usage.films,
        size_words(usage.bytes),
        store.folder().display()
    );
    if usage.films > 0 && !yes && !agreed(&what)? {
        return Err(Failure::Request("nothing was deleted".to_owned()));
    }
    let films = store.delete_all().map_err(film_failure)?;
    if usage.films > 0 {
        enter_audit(path, Act::Deleted, None, "films");
    }
    tell_films(&films)?;
    if usage.films == 0 {
        terminal::println(&format!("there is no film in {}", store.folder().display()));
    }
    Ok(())
}

fn film_failure(error: FilmError) -> Failure {
    Failure::Finding(error.to_string())
}

/// Says what became of films; one that is still there is bad news.
pub(super) fn tell_films(films: &DeletedFilms) -> Result<(), Failure> {
    if films.total.films > 0 {
        terminal::println(&format!(
            "deleted {} films, {}",
            films.total.films,
            size_words(films.total.bytes)
        ));
    }
    match films.failed.first() {
        None => Ok(()),
        Some((path, error)) => Err(Failure::Finding(format!(
            "{} films could not be deleted. The first: {}: {error}",
            films.failed.len(),
            path.display()
        ))),
    }
}

/// Asks at the terminal; without one nobody can agree.
fn agreed(what: &str) -> Result<bool, Failure> {
    if !io::stdin().is_terminal() {
        return Err(Failure::Request(format!(
            "this would delete {what} for good. There is no terminal to ask at; add --yes to do it"
        )));
    }
    let mut out = io::stderr();
    write!(out, "Delete {what} for good? Type yes: ")?;
    out.flush()?;
    let mut answer = String::new();
    io::stdin().read_line(&mut answer)?;
    Ok(answer.trim().eq_ignore_ascii_case("yes"))
}

pub(super) fn no_such_hitter(error: JournalError) -> Failure {
    match error {
        JournalError::NoSuchHitter { .. } => Failure::Request(error.to_string()),
        other => other.into(),
    }
}

pub(super) fn stop_first(error: JournalError, path: &Path) -> Failure {
    match error {
        JournalError::InUse { holder, .. } => Failure::Request(format!(
            "{}: cagehand is writing this journal{}. {STOP_FIRST}",
            path.display(),
            holder.map_or(String::new(), |id| format!(" (process {id})"))
        )),
        other => other.into(),
    }
}

pub(super) fn size_words(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{:.1} kB", bytes as f64 / 1e3),
        1_000_000..1_000_000_000 => format!("{:.1} MB", bytes as f64 / 1e6),
        _ => format!("{:.1} GB", bytes as f64 / 1e9),
    }
}
