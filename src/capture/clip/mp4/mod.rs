//! The index of an MP4 or QuickTime file: where the bytes of each frame are, when it is shown, how the picture
//! must be rotated.
//!
//! The box structure is read by `re_mp4`. This module adds what that crate leaves to its caller: the edit
//! list, the track's rotation, files that were cut short, and protection against damaged indexes
//! (`docs/upstream.md`). It decodes nothing.

mod capture_rate;
mod description;
mod edit_list;
mod sanitized_reader;
mod timeline;

use std::fs::File;
use std::io::{self, BufReader};
use std::panic::{AssertUnwindSafe, catch_unwind};

use re_mp4::{Mp4, StsdBoxContent, Track, TrackKind, TrakBox};

use self::sanitized_reader::{IndexSummary, SanitizedReader};
use crate::capture::Rotation;
use crate::time::CaptureTime;

/// More than any recording has: nine hours at 60 frames per second. It bounds the memory that a damaged count
/// can ask for.
const MAX_FRAMES: u64 = 2_000_000;

/// Why no video track can be read from the file.
#[derive(Debug)]
pub(super) enum Mp4Error {
    /// The index is missing: the file was not closed, or cut short.
    NoIndex,
    /// Sound or data only.
    NoVideoTrack,
    /// The index makes no sense.
    Damaged(String),
    /// The file cannot be read.
    Unreadable(io::Error),
}

impl From<io::Error> for Mp4Error {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::InvalidData => Self::Damaged(format!("its index has {error}")),
            _ => Self::Unreadable(error),
        }
    }
}

/// The video track of a file.
#[derive(Debug)]
pub(super) struct VideoTrack {
    /// The codec in the words people use, with the exact code.
    pub codec: String,
    /// What an H.264 decoder needs; `None` for another codec.
    pub avc: Option<AvcConfig>,
    pub rotation: Rotation,
    /// Why only ffmpeg can read it: the picture is mirrored, or its description changes half-way.
    pub unusual: Option<&'static str>,
    /// In decoding order; only those whose bytes are in the file.
    pub samples: Vec<Sample>,
    /// When the frames in `samples` are shown, in rising order.
    pub timestamps: Vec<CaptureTime>,
    /// Frames a second that were filmed, where the file says so.
    pub capture_fps: Option<f64>,
    /// For the user, where the file ends before its frames do.
    pub cut_short: Option<String>,
}

/// The parameter sets of an H.264 track.
#[derive(Clone, Debug)]
pub(super) struct AvcConfig {
    /// Size of the length field before each NAL unit of a sample, in bytes: 1, 2 or 4.
    pub length_size: usize,
    /// Sequence parameter sets, without start codes.
    pub sequence_sets: Vec<Vec<u8>>,
    /// Picture parameter sets, without start codes.
    pub picture_sets: Vec<Vec<u8>>,
}

/// One coded frame.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub offset: u64,
    pub size: usize,
    /// When it is shown, before edits, in ticks; for sorting only.
    pub order: i64,
    /// The file says that decoding can start here.
    pub sync: bool,
    /// `None` where the edit list leaves the frame out; it must still be decoded.
    pub shown: Option<Shown>,
}

/// Number and time of a frame among those that are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Shown {
    pub index: u64,
    pub at: CaptureTime,
}

/// Reads the video track's index.
pub(super) fn read(file: &mut File) -> Result<VideoTrack, Mp4Error> {
    let file_len = file.metadata()?.len();
    let summary = IndexSummary::read(&mut BufReader::with_capacity(1 << 12, &mut *file), file_len)?;
    if !summary.has_index {
        return Err(Mp4Error::NoIndex);
    }
    if summary.listed > MAX_FRAMES {
        return Err(Mp4Error::Damaged(format!(
            "its index lists {} frames; more than {MAX_FRAMES} are not read",
            summary.listed
        )));
    }
    let readable_len = summary.readable_len;
    let cut_short = summary.cut_short;
    let reader = SanitizedReader::new(BufReader::with_capacity(1 << 16, file), summary)?;
    // The crate indexes the sample tables without checking them against each other, so a damaged table ends
    // in a panic; here that is just a damaged file.
    let mp4 = catch_unwind(AssertUnwindSafe(|| Mp4::read(reader, readable_len)))
        .map_err(|_| Mp4Error::Damaged("the tables of its index contradict each other".into()))?
        .map_err(|error| Mp4Error::Damaged(format!("its index cannot be read ({error})")))?;
    video_track(&mp4, file_len, cut_short)
}

fn video_track(mp4: &Mp4, file_len: u64, cut_short: bool) -> Result<VideoTrack, Mp4Error> {
    let (track, trak) = main_video_track(mp4).ok_or(Mp4Error::NoVideoTrack)?;
    if track.timescale == 0 {
        return Err(Mp4Error::Damaged(
            "its video track has no time scale".into(),
        ));
    }
    let contents = &trak.mdia.minf.stbl.stsd.contents;
    let avc = match contents {
        StsdBoxContent::Avc1(avc1) => description::avc_config(avc1),
        _ => None,
    };
    let (rotation, mirrored) = description::orientation(mp4, trak);
    let mut descriptions = trak.mdia.minf.stbl.stsc.entries.iter();
    let unusual = if descriptions.any(|entry| entry.sample_description_index > 1) {
        Some("a clip put together from different recordings")
    } else {
        mirrored.then_some("a mirrored picture")
    };

    let mut samples = timeline::samples(mp4, track, trak);
    let total = samples.len();
    samples.retain(|sample| {
        sample
            .offset
            .checked_add(sample.size as u64)
            .is_some_and(|end| end <= file_len)
    });
    let mut timestamps: Vec<CaptureTime> = samples
        .iter()
        .filter_map(|sample| sample.shown)
        .map(|shown| shown.at)
        .collect();
    timestamps.sort_unstable();
    Ok(VideoTrack {
        codec: description::codec_name(contents),
        avc,
        rotation,
        unusual,
        cut_short: cut_short_note(total - samples.len(), total, cut_short),
        samples,
        timestamps,
        capture_fps: capture_rate::capture_fps(mp4),
    })
}

/// The video track with the most frames: a cover picture is a video track, too.
fn main_video_track(mp4: &Mp4) -> Option<(&Track, &TrakBox)> {
    mp4.tracks()
        .values()
        .filter_map(|track| {
            let trak = mp4
                .moov
                .traks
                .iter()
                .find(|trak| trak.tkhd.track_id == track.track_id)?;
            let is_video = track.kind == Some(TrackKind::Video)
                || trak.mdia.hdlr.handler_type == (*b"vide").into();
            is_video.then_some((track, trak))
        })
        .max_by_key(|(track, _)| track.samples.len())
}

fn cut_short_note(missing: usize, total: usize, cut_short: bool) -> Option<String> {
    if missing > 0 {
        return Some(format!(
            "the file ends early: {missing} of {total} frames are not in it; copy it again"
        ));
    }
    cut_short
        .then(|| "the file ends early; the last part of the recording may be missing".to_owned())
}
