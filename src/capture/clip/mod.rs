//! Frames from a video file.
//!
//! 8-bit 4:2:0 progressive H.264 in MP4 or QuickTime is decoded inside this program. Everything else goes
//! through the `ffmpeg` and `ffprobe` programs, if they are installed; so does an H.264 clip that the
//! built-in decoder cannot start on, or cannot continue. Either way the frames are upright and carry the
//! file's own timestamps after its edit list, as `ffprobe` prints them: the first is usually zero, and a
//! variable frame rate stays variable. Where the clip is said to play slower than life, they are brought to life.
//!
//! Colors: the stream's own matrix (BT.601, BT.709, BT.2020) and range are honored; a stream that names none
//! is taken as BT.601 limited.
//!
//! Runs on the thread that asks for frames; the ffmpeg path has a thread of its own for ffmpeg's log. Nothing
//! is written to disk.

mod ffmpeg;
mod file_type;
mod frame_rate;
mod h264;
mod looping;
mod mp4;

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use self::ffmpeg::{FfmpegReader, Programs};
use self::file_type::FileType;
use self::h264::H264Reader;
use self::looping::LoopState;
use self::mp4::{Mp4Error, VideoTrack};
use super::{CaptureError, Frame, NotSlowed, SlowedBy};
use crate::picture_size::PictureSize;
use crate::time::CaptureTime;

/// What is known of a clip once it is open.
#[derive(Clone, Debug)]
pub(crate) struct ClipInfo {
    /// Size of its frames, after rotation.
    pub size: PictureSize,
    /// Frames per second, from the timestamps; zero where unknown.
    pub fps: f64,
    /// Frames per second that were filmed, where the file says so: more than it plays if it is slow motion.
    pub capture_fps: Option<f64>,
    /// How many frames there are, where that is known.
    pub frames: Option<u64>,
    /// The codec, in the words people use.
    pub codec: String,
}

/// A clip being read, first frame first.
#[derive(Debug)]
pub struct ClipSource {
    path: PathBuf,
    programs: Programs,
    info: ClipInfo,
    reader: Reader,
    /// Decoded when the clip was opened, to know that it can be decoded at all.
    first: Option<Frame>,
    /// The last frame's timestamp in this run through the file.
    last_at: Option<CaptureTime>,
    /// Frames lost by an earlier reader.
    lost_before: u64,
    problem: Option<String>,
    looping: LoopState,
    slowed: SlowedBy,
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
        let track = match file_type_of(path)? {
            FileType::Picture(kind) => {
                return Err(CaptureError::StillPicture {
                    path: path.into(),
                    kind,
                });
            }
            FileType::NotVideo(what) => {
                return Err(CaptureError::NotVideo {
                    path: path.into(),
                    what: what.into(),
                });
            }
            FileType::OtherVideo(name) => {
                return Self::through_ffmpeg(path, programs, Some(name.into()));
            }
            FileType::Unknown => return Self::through_ffmpeg(path, programs, None),
            FileType::Mp4 => read_index(path)?,
        };
        let track = match track {
            Ok(track) => track,
            // ffmpeg can repair some broken indexes; without it, the damage itself is the error to report.
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

    /// Decodes the track here if that is possible, through ffmpeg if not.
    fn from_track(
        path: &Path,
        programs: Programs,
        track: VideoTrack,
    ) -> Result<Self, CaptureError> {
        let codec = track.codec.clone();
        let capture_fps = track.capture_fps;
        let through_ffmpeg = |programs, codec| {
            let mut clip = Self::through_ffmpeg(path, programs, Some(codec))?;
            clip.info.capture_fps = capture_fps;
            Ok(clip)
        };
        let Some(config) = track.avc.clone() else {
            return through_ffmpeg(programs, codec);
        };
        let color = match (track.unusual, h264::color_space(&config.sequence_sets)) {
            (None, Ok(color)) => color,
            (Some(why), _) | (None, Err(why)) => {
                return through_ffmpeg(programs, format!("{codec} with {why}"));
            }
        };
        let mut info = ClipInfo {
            size: PictureSize::default(),
            fps: frame_rate::nominal_fps(&track.timestamps),
            frames: Some(track.timestamps.len() as u64),
            capture_fps,
            codec,
        };
        let file = File::open(path).map_err(|source| unreadable(path, source))?;
        let mut reader = H264Reader::new(file, track, config, color);
        let mut first = Frame::default();
        if !reader.next_frame(&mut first) {
            tracing::debug!(path = %path.display(), "the built-in decoder cannot start on this clip; trying ffmpeg");
            return through_ffmpeg(
                programs,
                format!(
                    "{}, of a kind that the built-in decoder does not know,",
                    info.codec
                ),
            );
        }
        info.size = first.size();
        Ok(Self::new(
            path,
            programs,
            info,
            Reader::BuiltIn(Box::new(reader)),
            first,
        ))
    }

    /// `codec` is for the message if ffmpeg is missing; `None` where nothing is known of the file.
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
            last_at: None,
            lost_before: 0,
            problem: None,
            looping: LoopState::default(),
            slowed: SlowedBy::NOT,
        }
    }

    /// Takes the clip to play that many times slower than life: its frames get the times at which they were taken.
    ///
    /// # Errors
    /// Where no camera films as many frames a second as it would then have.
    pub(crate) fn slowed(mut self, slowed: SlowedBy) -> Result<Self, NotSlowed> {
        self.info.fps = slowed.life_fps(self.info.fps)?;
        self.slowed = slowed;
        Ok(self)
    }

    /// What is known of the clip.
    pub(crate) fn info(&self) -> &ClipInfo {
        &self.info
    }

    /// The file.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// While `true`, frames that no other one refers to are skipped where that saves decoding them: for a caller that is
    /// late. Their numbers are left out.
    pub(crate) fn skip_disposable(&mut self, skip: bool) {
        if let Reader::BuiltIn(reader) = &mut self.reader {
            reader.skip_disposable(skip);
        }
    }

    /// Writes the next frame into a reused buffer; false at the end, for a looped clip at the end of its last run.
    ///
    /// Frames that cannot be decoded are left out and counted; their numbers are left out, too.
    ///
    /// # Errors
    ///
    /// Where a looped clip cannot be opened again. Damage is no error: a clip that is damaged half-way ends early, and
    /// [`Self::problem`] says so.
    pub fn next_frame(&mut self, into: &mut Frame) -> Result<bool, CaptureError> {
        let mut more = self.next_of_run(into);
        if !more && self.rewind()? {
            more = self.next_of_run(into);
        }
        if more {
            into.captured_at = self.slowed.in_life(into.captured_at);
            self.looping.apply(into);
        }
        Ok(more)
    }

    /// The next frame that is later than the one before. A broken index may give several frames the same time; only the
    /// first of them is used.
    fn read_rising(&mut self, into: &mut Frame) -> bool {
        while self.read(into) {
            let at = self.slowed.in_life(into.captured_at);
            if self
                .last_at
                .is_none_or(|last| at > self.slowed.in_life(last))
            {
                return true;
            }
        }
        false
    }

    /// The next frame of this run through the file, with its number and timestamp as in the file.
    fn next_of_run(&mut self, into: &mut Frame) -> bool {
        if let Some(mut first) = self.first.take() {
            std::mem::swap(into, &mut first);
            self.last_at = Some(into.captured_at);
            return true;
        }
        let mut more = self.read_rising(into);
        if !more {
            // Only now is it known that the built-in decoder has no more frames.
            self.switch_to_ffmpeg_if_stuck();
            more = self.read_rising(into);
        }
        if more {
            self.last_at = Some(into.captured_at);
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

    /// What is wrong with the file, in a sentence for the user; `None` if nothing is. Complete once
    /// the last frame was read.
    pub fn problem(&self) -> Option<&str> {
        self.problem.as_deref().or(match &self.reader {
            Reader::BuiltIn(reader) => reader.problem(),
            Reader::Ffmpeg(reader) => reader.problem(),
        })
    }

    /// Where the built-in decoder is stuck in damage with no key frame ahead, ffmpeg, which can conceal
    /// damage, takes over after the last frame.
    fn switch_to_ffmpeg_if_stuck(&mut self) {
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
                reader.skip_until_after(self.last_at);
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

/// Checks that there is a file and reads its first bytes.
fn file_type_of(path: &Path) -> Result<FileType, CaptureError> {
    let metadata = std::fs::metadata(path).map_err(|source| unreadable(path, source))?;
    if metadata.is_dir() {
        return Err(CaptureError::Directory { path: path.into() });
    }
    if !metadata.is_file() {
        return Err(CaptureError::NotVideo {
            path: path.into(),
            what: "a device or a pipe, not a file".into(),
        });
    }
    if metadata.len() == 0 {
        return Err(CaptureError::Empty { path: path.into() });
    }
    let mut head = Vec::with_capacity(file_type::HEAD_LEN);
    let mut file = File::open(path).map_err(|source| unreadable(path, source))?;
    file.by_ref()
        .take(file_type::HEAD_LEN as u64)
        .read_to_end(&mut head)
        .map_err(|source| unreadable(path, source))?;
    Ok(file_type::file_type(&head, path))
}

/// The video track; the inner error is what is wrong with the index.
fn read_index(path: &Path) -> Result<Result<VideoTrack, String>, CaptureError> {
    let mut file = File::open(path).map_err(|source| unreadable(path, source))?;
    match mp4::read(&mut file) {
        Ok(track) => Ok(Ok(track)),
        Err(Mp4Error::Damaged(reason)) => Ok(Err(reason)),
        Err(Mp4Error::NoIndex) => Err(CaptureError::NoIndex { path: path.into() }),
        Err(Mp4Error::NoVideoTrack) => Err(CaptureError::NoVideoTrack { path: path.into() }),
        Err(Mp4Error::Unreadable(source)) => Err(unreadable(path, source)),
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

#[cfg(test)]
mod tests;
