//! Reads a film of a rep: which frames there are, when each was taken, and its picture.
//!
//! In: what [`avi`](super::avi) wrote, as a file or from elsewhere, or anything that claims to be it. Out: times and JPEG bytes. Nothing in the file is
//! trusted before it is checked against the file's size. Runs on the caller's thread.

use std::fmt;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::avi::{FRAME, INDEX_ENTRY, LARGEST, TIMES, TIMES_HEAD, VERSION};
use super::error::FilmError;
use crate::time::CaptureTime;

/// Which rep a film shows. The session's start tells apart sessions with the same number, which a new journal at the same path
/// produces.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FilmId {
    /// The session's number in the journal.
    pub session: i64,
    /// When the session began, milliseconds since 1970.
    pub(crate) session_started_ms: i64,
    /// The rep's number in its session.
    pub rep: u32,
}

/// What a film is read from.
pub(crate) trait FilmBytes: Read + Seek {}

impl<T: Read + Seek> FilmBytes for T {}

/// An open film.
pub struct Film<'b> {
    path: PathBuf,
    file: Box<dyn FilmBytes + 'b>,
    id: FilmId,
    times: Vec<CaptureTime>,
    /// Where each frame's chunk begins, and the bytes in it.
    places: Vec<(u64, u32)>,
}

/// A chunk's content: where it begins and how many bytes it has.
#[derive(Clone, Copy)]
struct Span {
    at: u64,
    bytes: u64,
}

impl fmt::Debug for Film<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut film = f.debug_struct("Film");
        film.field("path", &self.path).field("id", &self.id);
        film.finish_non_exhaustive()
    }
}

impl<'b> Film<'b> {
    /// Opens a film's file and reads its times and its index.
    ///
    /// # Errors
    /// [`FilmError::Disk`], and [`FilmError::NotFilm`] for any other or damaged file.
    pub fn open(path: &Path) -> Result<Film<'static>, FilmError> {
        let disk = |source| FilmError::Disk {
            path: path.to_owned(),
            source,
        };
        let file = File::open(path).map_err(disk)?;
        let length = file.metadata().map_err(disk)?;
        if !length.is_file() {
            return Err(FilmError::NotFilm {
                path: path.to_owned(),
                why: "it is no file",
            });
        }
        Film::read(Box::new(file), length.len(), path)
    }

    /// Reads the times and the index of a film of so many bytes; `path` is what errors call it.
    ///
    /// # Errors
    /// As for [`Film::open`].
    pub(crate) fn read(
        file: Box<dyn FilmBytes + 'b>,
        length: u64,
        path: &Path,
    ) -> Result<Self, FilmError> {
        let mut reading = Reading { path, file };
        let (id, times, places) = reading.whole(length)?;
        Ok(Self {
            path: path.to_owned(),
            file: reading.file,
            id,
            times,
            places,
        })
    }

    /// Which rep it shows.
    pub fn id(&self) -> FilmId {
        self.id
    }

    /// How many frames it has; at least 1.
    pub fn frames(&self) -> usize {
        self.times.len()
    }

    /// When a frame was taken, seconds on the session's clock, as the events of its reps; `None` for a frame that is not there.
    pub fn time_secs(&self, frame: usize) -> Option<f64> {
        self.times.get(frame).map(|at| at.secs())
    }

    /// The frame nearest to a time on the session's clock.
    pub fn nearest(&self, secs: f64) -> usize {
        let after = self.times.partition_point(|at| at.secs() < secs);
        let distance = |frame: usize| self.time_secs(frame).map(|at| (at - secs).abs());
        match (after.checked_sub(1), distance(after)) {
            (Some(before), Some(later)) if distance(before).is_some_and(|d| d <= later) => before,
            (Some(before), None) => before,
            _ => after,
        }
    }

    /// A frame's picture as a whole JPEG file.
    ///
    /// # Errors
    /// [`FilmError::NoFrame`], [`FilmError::Disk`], and [`FilmError::NotFilm`] where the file is damaged there.
    pub fn jpeg(&mut self, frame: usize) -> Result<Vec<u8>, FilmError> {
        let Some(&(at, bytes)) = self.places.get(frame) else {
            return Err(FilmError::NoFrame {
                path: self.path.clone(),
                frames: self.frames(),
                asked: frame,
            });
        };
        let mut content = vec![0; 8 + bytes as usize];
        self.file
            .seek(SeekFrom::Start(at))
            .and_then(|_| self.file.read_exact(&mut content))
            .map_err(|source| FilmError::Disk {
                path: self.path.clone(),
                source,
            })?;
        let jpeg = content.split_off(8);
        if content[..4] != *FRAME || content[4..] != bytes.to_le_bytes() {
            return Err(FilmError::NotFilm {
                path: self.path.clone(),
                why: "its index leads to no frame",
            });
        }
        if !jpeg.starts_with(&[0xff, 0xd8]) {
            return Err(FilmError::NotFilm {
                path: self.path.clone(),
                why: "a frame is no JPEG picture",
            });
        }
        Ok(jpeg)
    }
}

type Whole = (FilmId, Vec<CaptureTime>, Vec<(u64, u32)>);

/// A file being read for the first time.
struct Reading<'a, 'b> {
    path: &'a Path,
    file: Box<dyn FilmBytes + 'b>,
}

impl Reading<'_, '_> {
    fn wrong<T>(&self, why: &'static str) -> Result<T, FilmError> {
        Err(FilmError::NotFilm {
            path: self.path.to_owned(),
            why,
        })
    }

    fn disk(&self, source: io::Error) -> FilmError {
        match source.kind() {
            io::ErrorKind::UnexpectedEof => FilmError::NotFilm {
                path: self.path.to_owned(),
                why: "it ends too early",
            },
            _ => FilmError::Disk {
                path: self.path.to_owned(),
                source,
            },
        }
    }

    fn bytes(&mut self, at: u64, count: usize) -> Result<Vec<u8>, FilmError> {
        let mut bytes = vec![0; count];
        self.file
            .seek(SeekFrom::Start(at))
            .and_then(|_| self.file.read_exact(&mut bytes))
            .map_err(|error| self.disk(error))?;
        Ok(bytes)
    }

    /// The whole of a small chunk, whose size was checked against the file's.
    fn content(&mut self, span: Span) -> Result<Vec<u8>, FilmError> {
        self.bytes(span.at, span.bytes as usize)
    }

    fn whole(&mut self, length: u64) -> Result<Whole, FilmError> {
        if length > LARGEST {
            return self.wrong("it is too large");
        }
        let head = self.bytes(0, 12)?;
        if head[..4] != *b"RIFF" || head[8..] != *b"AVI " {
            return self.wrong("it is no AVI file");
        }
        let (mut times, mut movi, mut index) = (None, None, None);
        let mut at = 12;
        while at + 8 <= length {
            let head = self.bytes(at, 8)?;
            let bytes = u64::from(u32_at(&head, 4));
            let span = Span { at: at + 8, bytes };
            if span.at + bytes > length {
                return self.wrong("a part is longer than the file");
            }
            match &head[..4] {
                b"LIST" if bytes >= 4 && self.bytes(span.at, 4)? == *b"movi" => movi = Some(span),
                kind if kind == TIMES => times = Some(span),
                b"idx1" => index = Some(span),
                _ => {}
            }
            at = span.at + bytes + bytes % 2;
        }
        let (Some(times), Some(movi), Some(index)) = (times, movi, index) else {
            return self.wrong("a part is missing");
        };
        let (id, times) = self.times(times)?;
        let places = self.places(movi, index)?;
        if times.is_empty() || times.len() != places.len() {
            return self.wrong("it does not have one time for each frame");
        }
        if !times.is_sorted() {
            return self.wrong("its times are not in order");
        }
        Ok((id, times, places))
    }

    fn times(&mut self, span: Span) -> Result<(FilmId, Vec<CaptureTime>), FilmError> {
        let content = self.content(span)?;
        if content.len() < TIMES_HEAD || !(content.len() - TIMES_HEAD).is_multiple_of(8) {
            return self.wrong("its times are cut off");
        }
        if u32_at(&content, 0) != VERSION {
            return self.wrong("its times are of another version; a newer cagehand wrote it");
        }
        let id = FilmId {
            rep: u32_at(&content, 4),
            session: i64_at(&content, 8),
            session_started_ms: i64_at(&content, 16),
        };
        let times = content[TIMES_HEAD..]
            .chunks_exact(8)
            .map(|nanos| CaptureTime::from_nanos(i64_at(nanos, 0)))
            .collect();
        Ok((id, times))
    }

    fn places(&mut self, movi: Span, index: Span) -> Result<Vec<(u64, u32)>, FilmError> {
        let content = self.content(index)?;
        let mut places = Vec::with_capacity(content.len() / INDEX_ENTRY);
        for entry in content.chunks(INDEX_ENTRY) {
            if entry.len() < INDEX_ENTRY || entry[..4] != *FRAME {
                return self.wrong("its index has other entries than frames");
            }
            let (place, bytes) = (u32_at(entry, 8), u32_at(entry, 12));
            if u64::from(place) + 8 + u64::from(bytes) > movi.bytes {
                return self.wrong("its index leads out of its frames");
            }
            places.push((movi.at + u64::from(place), bytes));
        }
        Ok(places)
    }
}

/// A number in bytes whose length was checked; 0 beyond their end.
fn u32_at(bytes: &[u8], at: usize) -> u32 {
    let part = bytes.get(at..at + 4).and_then(|part| part.try_into().ok());
    part.map_or(0, u32::from_le_bytes)
}

fn i64_at(bytes: &[u8], at: usize) -> i64 {
    let part = bytes.get(at..at + 8).and_then(|part| part.try_into().ok());
    part.map_or(0, i64::from_le_bytes)
}
