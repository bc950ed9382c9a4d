//! Frames from a video file.
//!
//! 8-bit 4:2:0 progressive H.264 in MP4 or QuickTime is decoded inside this program. Everything
//! else goes through the `ffmpeg` and `ffprobe` programs, if they are installed; so does an H.264
//! clip that the built-in decoder cannot start on, or cannot go on with. Either way the frames
//! stand upright and carry the file's own time stamps after its edit list, as `ffprobe` prints
//! them: the first is usually zero, and a variable frame rate stays variable.
//!
//! Colours: the stream's own matrix (BT.601, BT.709, BT.2020) and range are honoured; a stream that
//! names none is taken as BT.601 limited.
//!
//! Runs on the thread that asks for frames; the ffmpeg path has a helper thread for what ffmpeg
//! prints. Nothing is written to disk.

mod again;
mod container;
mod edits;
mod ffmpeg;
mod h264;
mod parameters;
mod probe;
mod said;
mod sniff;
mod stamps;
mod tables;

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use self::again::Again;
use self::container::{ContainerError, VideoTrack};
use self::ffmpeg::{FfmpegReader, Programs};
use self::h264::H264Reader;
use self::sniff::Looks;
use super::{CaptureError, Frame, Rotation};
use crate::time::CaptureTime;

/// What is known of a clip when it is opened.
#[derive(Clone, Debug, PartialEq)]
pub struct ClipInfo {
    /// Pixels, after rotation.
    pub width: usize,
    /// Pixels, after rotation.
    pub height: usize,
    /// Frames a second, from the median distance of the time stamps; zero where unknown.
    pub fps: f64,
    /// Frames that the file says it shows; none where it does not say.
    pub frame_count: Option<u64>,
    /// From the first frame to the end of the last, in seconds; zero where unknown.
    pub duration_secs: f64,
    /// The codec, in the words people use.
    pub codec: String,
    /// How far the stored pictures are turned before they are given out.
    pub rotation: Rotation,
    /// Who decodes: true for the decoder inside this program, false for the ffmpeg program.
    pub built_in: bool,
}

/// A clip being read, first frame first.
#[derive(Debug)]
pub struct ClipSource {
    path: PathBuf,
    programs: Programs,
    info: ClipInfo,
    reader: Reader,
    /// Decoded at opening, to know that the clip can be decoded at all.
    first: Option<Frame>,
    last_given: Option<CaptureTime>,
    /// Frames lost by a reader that was given up.
    lost_before: u64,
    problem: Option<String>,
    again: Again,
}

#[derive(Debug)]
enum Reader {
    BuiltIn(Box<H264Reader>),
    Ffmpeg(Box<FfmpegReader>),
}

impl ClipSource {
    /// Opens a clip and decodes its first frame.
    ///
    /// # Errors
    ///
    /// Says what the file is instead of a clip, what is wrong with it, or that ffmpeg is needed.
    pub fn open(path: &Path) -> Result<Self, CaptureError> {
        Self::open_with(path, Programs::default())
    }

    fn open_with(path: &Path, programs: Programs) -> Result<Self, CaptureError> {
        let track = match looks_of(path)? {
            Looks::Picture(kind) => {
                return Err(CaptureError::StillPicture {
                    path: path.into(),
                    kind,
                });
            }
            Looks::NotFilm(what) => {
                return Err(CaptureError::NotVideo {
                    path: path.into(),
                    what: what.into(),
                });
            }
            Looks::OtherFilm(name) => {
                return Self::through_ffmpeg(path, programs, Some(name.into()));
            }
            Looks::Unknown => return Self::through_ffmpeg(path, programs, None),
            Looks::Mp4 => container_of(path)?,
        };
        let track = match track {
            Ok(track) => track,
            // ffmpeg mends some broken indexes; without it the damage itself is the news.
            Err(reason) => {
                return Self::through_ffmpeg(path, programs, None).map_err(|error| match error {
                    CaptureError::NeedsFfmpeg { path, .. }
                    | CaptureError::NotVideo { path, .. } => CaptureError::Damaged { path, reason },
                    error => error,
                });
            }
        };
        if track.samples.iter().all(|sample| sample.shown.is_none()) {
            return Err(CaptureError::NoFrames { path: path.into() });
        }
        Self::from_track(path, programs, track)
    }

    /// Decodes the track here if that can be done, through ffmpeg if not.
    fn from_track(
        path: &Path,
        programs: Programs,
        track: VideoTrack,
    ) -> Result<Self, CaptureError> {
        let codec = track.codec.clone();
        let Some(setup) = track.avc.clone() else {
            return Self::through_ffmpeg(path, programs, Some(codec));
        };
        let colour = match (track.unusual, parameters::inspect(&setup.sequence_sets)) {
            (None, Ok(colour)) => colour,
            (Some(why), _) | (None, Err(why)) => {
                return Self::through_ffmpeg(path, programs, Some(format!("{codec} with {why}")));
            }
        };
        let mut info = ClipInfo {
            width: 0,
            height: 0,
            fps: stamps::nominal_fps(&track.stamps),
            frame_count: Some(track.shown_count),
            duration_secs: span_secs(&track.stamps) + track.last_frame_secs,
            codec,
            rotation: track.rotation,
            built_in: true,
        };
        let file = File::open(path).map_err(|source| unreadable(path, source))?;
        let mut reader = H264Reader::new(file, track, setup, colour);
        let mut first = Frame::default();
        if !reader.next_frame(&mut first) {
            tracing::debug!(path = %path.display(), "the built-in decoder cannot start on this clip; trying ffmpeg");
            return Self::through_ffmpeg(
                path,
                programs,
                Some(format!(
                    "{}, of a kind that the built-in decoder does not know,",
                    info.codec
                )),
            );
        }
        (info.width, info.height) = (first.width, first.height);
        Ok(Self::new(
            path,
            programs,
            info,
            Reader::BuiltIn(Box::new(reader)),
            first,
        ))
    }

    /// `codec` is for the message if ffmpeg is missing; none where nothing is known of the file.
    fn through_ffmpeg(
        path: &Path,
        programs: Programs,
        codec: Option<String>,
    ) -> Result<Self, CaptureError> {
        let opened = FfmpegReader::open(path, &programs, codec.as_deref())?;
        Ok(Self::new(
            path,
            programs,
            opened.info,
            Reader::Ffmpeg(Box::new(opened.reader)),
            opened.first,
        ))
    }

    fn new(path: &Path, programs: Programs, info: ClipInfo, reader: Reader, first: Frame) -> Self {
        Self {
            path: path.into(),
            programs,
            info,
            reader,
            first: Some(first),
            last_given: None,
            lost_before: 0,
            problem: None,
            again: Again::default(),
        }
    }

    /// What is known of the clip.
    pub fn info(&self) -> &ClipInfo {
        &self.info
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// While `true`, pictures that no other one is made from are passed over where that saves decoding them: for a reader that
    /// is behind. Their numbers are left out.
    pub fn skip_disposable(&mut self, skip: bool) {
        if let Reader::BuiltIn(reader) = &mut self.reader {
            reader.skip_disposable(skip);
        }
    }

    /// The next frame, into a buffer used again; false at the end, which for a looped clip is that of its last run.
    ///
    /// Frames that cannot be decoded are left out and counted; their numbers are left out too.
    ///
    /// # Errors
    ///
    /// A looped clip that cannot be opened again. Damage is none: a clip that goes bad half-way ends early and says so in
    /// [`Self::problem`].
    pub fn next_frame(&mut self, into: &mut Frame) -> Result<bool, CaptureError> {
        let mut more = self.next_of_run(into);
        if !more && self.begin_again()? {
            more = self.next_of_run(into);
        }
        if more {
            self.again.go_on(into);
        }
        Ok(more)
    }

    /// The next frame that is later than the one before. A broken index may date several pictures alike; only the first of them
    /// has a place in time.
    fn read_rising(&mut self, into: &mut Frame) -> bool {
        while self.read(into) {
            if self.last_given.is_none_or(|last| into.captured_at > last) {
                return true;
            }
        }
        false
    }

    /// The next frame of this run through the file, with its number and stamp as in the file.
    fn next_of_run(&mut self, into: &mut Frame) -> bool {
        if let Some(mut first) = self.first.take() {
            std::mem::swap(into, &mut first);
            self.last_given = Some(into.captured_at);
            return true;
        }
        let mut more = self.read_rising(into);
        if !more {
            // Only now is it known that the built-in decoder has nothing more to give.
            self.change_to_ffmpeg_if_stuck();
            more = self.read_rising(into);
        }
        if more {
            self.last_given = Some(into.captured_at);
        }
        more
    }

    fn read(&mut self, into: &mut Frame) -> bool {
        match &mut self.reader {
            Reader::BuiltIn(reader) => reader.next_frame(into),
            Reader::Ffmpeg(reader) => reader.next_frame(into),
        }
    }

    /// How many shown frames could not be decoded so far.
    pub fn lost(&self) -> u64 {
        self.lost_before
            + match &self.reader {
                Reader::BuiltIn(reader) => reader.lost(),
                Reader::Ffmpeg(reader) => reader.lost(),
            }
    }

    /// What is wrong with the file, in a sentence for the user; none if nothing is. Complete once
    /// the last frame was given.
    pub fn problem(&self) -> Option<&str> {
        self.problem.as_deref().or(match &self.reader {
            Reader::BuiltIn(reader) => reader.problem(),
            Reader::Ffmpeg(reader) => reader.problem(),
        })
    }
}

impl ClipSource {
    /// Where the built-in decoder has met damage and no key frame lies ahead, ffmpeg, which can
    /// conceal damage, takes over behind the last frame given.
    fn change_to_ffmpeg_if_stuck(&mut self) {
        let Reader::BuiltIn(reader) = &mut self.reader else {
            return;
        };
        if !reader.is_stuck() {
            return;
        }
        match FfmpegReader::open(&self.path, &self.programs, Some(&self.info.codec)) {
            Ok(opened) => {
                self.lost_before = reader.lost();
                self.problem = Some("part of the clip is damaged; from there on ffmpeg decoded it and may have patched pictures".into());
                let mut reader = opened.reader;
                reader.skip_until_after(self.last_given);
                self.reader = Reader::Ffmpeg(Box::new(reader));
            }
            Err(error) => {
                tracing::debug!(%error, "ffmpeg cannot take over");
                reader.give_up();
                self.problem = Some("the clip is damaged and no key frame follows, so the rest could not be decoded; copy the clip again or install ffmpeg".into());
            }
        }
    }
}

/// Checks that there is a file and looks at its first bytes.
fn looks_of(path: &Path) -> Result<Looks, CaptureError> {
    let about = std::fs::metadata(path).map_err(|source| unreadable(path, source))?;
    if about.is_dir() {
        return Err(CaptureError::Directory { path: path.into() });
    }
    if !about.is_file() {
        return Err(CaptureError::NotVideo {
            path: path.into(),
            what: "a device or a pipe, not a file".into(),
        });
    }
    if about.len() == 0 {
        return Err(CaptureError::Empty { path: path.into() });
    }
    let mut head = Vec::with_capacity(sniff::HEAD_LEN);
    let mut file = File::open(path).map_err(|source| unreadable(path, source))?;
    file.by_ref()
        .take(sniff::HEAD_LEN as u64)
        .read_to_end(&mut head)
        .map_err(|source| unreadable(path, source))?;
    Ok(sniff::looks(&head, path))
}

/// The video track, or, inside, what is wrong with the index.
fn container_of(path: &Path) -> Result<Result<VideoTrack, String>, CaptureError> {
    let mut file = File::open(path).map_err(|source| unreadable(path, source))?;
    match container::read(&mut file) {
        Ok(track) => Ok(Ok(track)),
        Err(ContainerError::Damaged(reason)) => Ok(Err(reason)),
        Err(ContainerError::NoIndex) => Err(CaptureError::NoIndex { path: path.into() }),
        Err(ContainerError::NoVideoTrack) => Err(CaptureError::NoVideoTrack { path: path.into() }),
        Err(ContainerError::Unreadable(source)) => Err(unreadable(path, source)),
    }
}

fn unreadable(path: &Path, source: std::io::Error) -> CaptureError {
    match source.kind() {
        ErrorKind::NotFound => CaptureError::Missing { path: path.into() },
        _ => CaptureError::Unreadable {
            path: path.into(),
            source,
        },
    }
}

fn span_secs(stamps: &[CaptureTime]) -> f64 {
    match (stamps.first(), stamps.last()) {
        (Some(first), Some(last)) => last.secs_since(*first),
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests;
