//! The folder of films: what is in it, its limits, and how films are deleted.
//!
//! In: the journal's path, limits, and what to delete. Out: a folder `NAME.video` beside the journal `NAME.db`, for its owner only,
//! with a folder for each session and in it `rep-N.avi`. Nothing else in these folders is ever touched. Runs on the caller's thread.

use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use super::VideoSettings;
use super::avi::{self, FilmFrame};
use super::error::FilmError;
use super::film::{Film, FilmId};
use crate::private_file::{create_private, create_private_folder, sync_folder, sync_folder_of};

/// Names of films, and of those that are still being written.
const NAME: (&str, &str) = ("rep-", ".avi");
const UNFINISHED: &str = ".unfinished";
/// The folder's name is the journal's with this suffix.
const FOLDER_ENDING: &str = ".video";
/// How often to try to delete films while others may be written.
const TRIES: usize = 3;

/// The films that belong to one journal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FilmStore {
    folder: PathBuf,
}

/// A film that is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredFilm {
    /// The file.
    pub path: PathBuf,
    /// The session's number, by the folder's name.
    pub session: i64,
    /// The rep's number in its session.
    pub rep: u32,
    /// Its size.
    pub bytes: u64,
    /// When it was written, by the system's clock.
    pub(crate) written: SystemTime,
}

/// How many films there are, and their size.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Usage {
    /// Films.
    pub(crate) films: u64,
    /// Their bytes.
    pub bytes: u64,
}

impl std::ops::AddAssign for Usage {
    fn add_assign(&mut self, other: Self) {
        self.films += other.films;
        self.bytes += other.bytes;
    }
}

/// The films that were deleted, and those that could not be.
#[derive(Debug, Default)]
pub(crate) struct DeletedFilms {
    /// How much was deleted.
    pub(crate) total: Usage,
    /// Files that are still there, and why.
    pub(crate) failed: Vec<(PathBuf, io::Error)>,
}

impl FilmStore {
    /// The films of this journal. Nothing is created or read yet.
    pub fn of_journal(journal: &Path) -> Self {
        let stem = journal.file_stem().unwrap_or(journal.as_os_str());
        let mut name = stem.to_owned();
        name.push(FOLDER_ENDING);
        Self {
            folder: journal.with_file_name(name),
        }
    }

    /// The folder, whether it exists or not.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Where the film of a rep lies, if there is one.
    pub fn path(&self, session: i64, rep: u32) -> PathBuf {
        self.session_folder(session)
            .join(format!("{}{rep}{}", NAME.0, NAME.1))
    }

    fn session_folder(&self, session: i64) -> PathBuf {
        self.folder.join(session.to_string())
    }

    /// Opens the film of a rep; `None` where none was kept, or where the file there shows a rep of another journal.
    ///
    /// # Errors
    /// As for [`Film::open`].
    pub(crate) fn film(&self, id: FilmId) -> Result<Option<Film<'static>>, FilmError> {
        match Film::open(&self.path(id.session, id.rep)) {
            Ok(film) => Ok(Some(film).filter(|film| film.id() == id)),
            Err(FilmError::Disk { source, .. }) if source.kind() == io::ErrorKind::NotFound => {
                Ok(None)
            }
            Err(error) => Err(error),
        }
    }

    /// All films, the oldest first. A folder that is not there has none.
    ///
    /// # Errors
    /// Where a folder cannot be read.
    pub fn films(&self) -> Result<Vec<StoredFilm>, FilmError> {
        Ok(self.walk()?.0)
    }

    /// How much there is.
    ///
    /// # Errors
    /// As for [`FilmStore::films`].
    pub(crate) fn usage(&self) -> Result<Usage, FilmError> {
        Ok(sum(&self.films()?))
    }

    /// Films, and files that a kill left unfinished.
    fn walk(&self) -> Result<(Vec<StoredFilm>, Vec<PathBuf>), FilmError> {
        let (mut films, mut unfinished) = (Vec::new(), Vec::new());
        for (folder, name) in entries(&self.folder)? {
            let Ok(session) = name.parse::<i64>() else {
                continue;
            };
            for (path, name) in entries(&folder)? {
                if name.starts_with(NAME.0) && name.ends_with(UNFINISHED) {
                    unfinished.push(path);
                    continue;
                }
                let number = name
                    .strip_prefix(NAME.0)
                    .and_then(|name| name.strip_suffix(NAME.1));
                let Some(rep) = number.and_then(|number| number.parse().ok()) else {
                    continue;
                };
                // Deleted since the folder was read.
                let Ok(found) = fs::symlink_metadata(&path) else {
                    continue;
                };
                if found.is_file() {
                    films.push(StoredFilm {
                        session,
                        rep,
                        bytes: found.len(),
                        written: found.modified().unwrap_or(SystemTime::UNIX_EPOCH),
                        path,
                    });
                }
            }
        }
        films.sort_by_key(|film| (film.written, film.session, film.rep));
        Ok((films, unfinished))
    }

    /// Writes a film under a temporary name, syncs it, and renames it. `room` is how many bytes must stay free, and `free`
    /// returns how many are.
    ///
    /// # Errors
    /// [`FilmError::NoRoom`] and those of the disk; nothing is left of the film then.
    pub(super) fn write(
        &self,
        id: &FilmId,
        frames: &[FilmFrame],
        room: u64,
        free: impl Fn(&Path) -> io::Result<u64>,
    ) -> Result<u64, FilmError> {
        let path = self.path(id.session, id.rep);
        let folder = self.session_folder(id.session);
        let at = |path: &Path| {
            let path = path.to_owned();
            move |source| FilmError::Disk { path, source }
        };
        let free = free(&self.folder).map_err(at(&self.folder))?;
        let bytes = avi::size(frames);
        if free < room.saturating_add(bytes) {
            return Err(FilmError::NoRoom {
                path: self.folder.clone(),
                free,
            });
        }
        create_private_folder(&folder).map_err(at(&folder))?;
        let mut unfinished = path.clone().into_os_string();
        unfinished.push(UNFINISHED);
        let unfinished = PathBuf::from(unfinished);
        let written = write_film(&unfinished, id, frames)
            .and_then(|()| fs::rename(&unfinished, &path))
            .and_then(|()| sync_folder(&folder));
        if let Err(source) = written {
            // A part of a film only takes up space.
            let _ = fs::remove_file(&unfinished);
            let _ = fs::remove_dir(&folder);
            return Err(FilmError::Disk { path, source });
        }
        Ok(bytes)
    }

    /// Deletes films that are older than the limit, then the oldest ones beyond the space; returns what was deleted and what is kept.
    ///
    /// # Errors
    /// As for [`FilmStore::films`].
    pub(super) fn enforce_limits(
        &self,
        limits: &VideoSettings,
        now: SystemTime,
    ) -> Result<(DeletedFilms, Usage), FilmError> {
        let films = self.films()?;
        let age = Duration::from_secs(86_400 * u64::from(limits.keep_days));
        let mut kept = sum(&films);
        let mut deleted = DeletedFilms::default();
        for film in &films {
            let too_old = now
                .duration_since(film.written)
                .is_ok_and(|since| since > age);
            if !too_old && kept.bytes <= limits.keep_bytes {
                continue;
            }
            remove(film, &mut deleted);
            kept.films -= 1;
            kept.bytes -= film.bytes;
        }
        let left: u64 = deleted.failed.len() as u64;
        if left > 0 {
            return Ok((deleted, self.usage()?));
        }
        self.remove_empty_folders()?;
        Ok((deleted, kept))
    }

    /// Deletes files that a kill left unfinished. To be called before anything is written.
    ///
    /// # Errors
    /// As for [`FilmStore::films`], and where one cannot be deleted.
    pub(super) fn remove_unfinished(&self) -> Result<(), FilmError> {
        for path in self.walk()?.1 {
            fs::remove_file(&path).map_err(|source| FilmError::Disk { path, source })?;
        }
        Ok(())
    }

    /// Deletes the films of some sessions for good: files are removed, and so are the folders that are empty then.
    ///
    /// # Errors
    /// As for [`FilmStore::films`].
    pub(crate) fn delete_sessions(&self, sessions: &[i64]) -> Result<DeletedFilms, FilmError> {
        self.delete(|session, _| sessions.contains(&session))
    }

    /// Deletes all films for good.
    ///
    /// # Errors
    /// As for [`FilmStore::films`].
    pub(crate) fn delete_all(&self) -> Result<DeletedFilms, FilmError> {
        self.delete(|_, _| true)
    }

    /// Deletes what is chosen by its session and its rep; an unfinished film has no rep.
    fn delete(&self, chosen: impl Fn(i64, Option<u32>) -> bool) -> Result<DeletedFilms, FilmError> {
        let mut deleted = DeletedFilms::default();
        // A film that is being written meanwhile turns up in the next round.
        for _ in 0..TRIES {
            let (films, unfinished) = self.walk()?;
            deleted.failed.clear();
            for film in films.iter().filter(|f| chosen(f.session, Some(f.rep))) {
                remove(film, &mut deleted);
            }
            for path in unfinished {
                let session = path
                    .parent()
                    .and_then(Path::file_name)
                    .and_then(|name| name.to_str()?.parse().ok());
                if session.is_some_and(|session| chosen(session, None))
                    && let Err(error) = fs::remove_file(&path)
                    && error.kind() != io::ErrorKind::NotFound
                {
                    deleted.failed.push((path, error));
                }
            }
        }
        self.remove_empty_folders()?;
        Ok(deleted)
    }

    /// A folder that holds anything, ours or not, stays.
    fn remove_empty_folders(&self) -> Result<(), FilmError> {
        for (folder, name) in entries(&self.folder)? {
            if name.parse::<i64>().is_ok() {
                let _ = fs::remove_dir(&folder);
            }
        }
        let _ = fs::remove_dir(&self.folder);
        match self.folder.parent() {
            // Synced, so that a power cut does not bring it back.
            Some(_) if self.folder.exists() => sync_folder(&self.folder)
                .and_then(|()| sync_folder_of(&self.folder))
                .or_else(not_there),
            Some(_) => sync_folder_of(&self.folder).or_else(not_there),
            None => Ok(()),
        }
        .map_err(|source| FilmError::Disk {
            path: self.folder.clone(),
            source,
        })
    }
}

fn not_there(error: io::Error) -> io::Result<()> {
    match error.kind() {
        io::ErrorKind::NotFound => Ok(()),
        _ => Err(error),
    }
}

fn sum(films: &[StoredFilm]) -> Usage {
    Usage {
        films: films.len() as u64,
        bytes: films.iter().map(|film| film.bytes).sum(),
    }
}

fn remove(film: &StoredFilm, deleted: &mut DeletedFilms) {
    match fs::remove_file(&film.path) {
        Ok(()) => {
            deleted.total.films += 1;
            deleted.total.bytes += film.bytes;
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => deleted.failed.push((film.path.clone(), error)),
    }
}

/// The entries of a folder whose names are UTF-8; none where there is no folder.
fn entries(folder: &Path) -> Result<Vec<(PathBuf, String)>, FilmError> {
    let read = match fs::read_dir(folder) {
        Ok(read) => read,
        Err(error)
            if matches!(
                error.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ) =>
        {
            return Ok(Vec::new());
        }
        Err(source) => {
            return Err(FilmError::Disk {
                path: folder.to_owned(),
                source,
            });
        }
    };
    Ok(read
        .filter_map(Result::ok)
        .filter_map(|entry| {
            let name = entry.file_name().into_string().ok()?;
            Some((entry.path(), name))
        })
        .collect())
}

fn write_film(path: &Path, id: &FilmId, frames: &[FilmFrame]) -> io::Result<()> {
    let mut out = BufWriter::new(create_private(path)?);
    avi::write(&mut out, id, frames)?;
    out.flush()?;
    out.into_inner()
        .map_err(io::IntoInnerError::into_error)?
        .sync_all()
}
