//! Finds the frames of an MP4 or QuickTime file: where their bytes lie, when each is shown, how the
//! picture must be turned.
//!
//! The box structure is read by `re_mp4`. This module adds what that crate leaves to its caller:
//! the edit list, the track's rotation, and files that were cut short. It decodes nothing.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};

use re_mp4::{Avc1Box, Mp4, StsdBoxContent, TrackKind, TrakBox};

use super::edits::EditList;
use super::tables::{self, Masked};
use crate::capture::Rotation;
use crate::time::CaptureTime;

/// More than any recording has: nine hours at 60 frames a second. It bounds what a damaged count can ask for.
const MOST_FRAMES: u64 = 2_000_000;

/// Why no video track can be had from the file.
#[derive(Debug)]
pub(super) enum ContainerError {
    /// The index is missing: not closed, or cut short.
    NoIndex,
    /// Sound or data only.
    NoVideoTrack,
    /// The index makes no sense.
    Damaged(String),
    /// The file cannot be read.
    Unreadable(io::Error),
}

impl From<io::Error> for ContainerError {
    fn from(error: io::Error) -> Self {
        Self::Unreadable(error)
    }
}

/// The video track of a file.
#[derive(Debug)]
pub(super) struct VideoTrack {
    /// The codec in the words people use, with the exact code behind it.
    pub codec: String,
    /// What an H.264 decoder needs; none for another codec.
    pub avc: Option<AvcSetup>,
    pub rotation: Rotation,
    /// The picture is a mirror image, or changes its description half-way: only ffmpeg copes.
    pub unusual: Option<&'static str>,
    /// In decoding order; only those whose bytes are in the file.
    pub samples: Vec<Sample>,
    /// Frames that are shown, `samples` and those cut off together.
    pub shown_count: u64,
    /// Stamps of the frames in `samples` that are shown, in rising order.
    pub stamps: Vec<CaptureTime>,
    /// How long the last shown frame stays, in seconds.
    pub last_frame_secs: f64,
    /// What to tell the user when the file ends before its frames do.
    pub cut_short: Option<String>,
}

/// The parameter sets of an H.264 track.
#[derive(Clone, Debug)]
pub(super) struct AvcSetup {
    /// Bytes that give the length of each unit in a sample: 1, 2 or 4.
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
    /// When it is shown, before edits, in ticks; only good for sorting.
    pub order: i64,
    /// The file says that decoding may start here.
    pub sync: bool,
    /// None where the edit list leaves the frame out; it must still be decoded.
    pub shown: Option<Shown>,
}

/// Place and time of a frame among those that are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Shown {
    pub index: u64,
    pub at: CaptureTime,
}

/// Reads the index of `file`.
pub(super) fn read(file: &mut File) -> Result<VideoTrack, ContainerError> {
    let file_len = file.metadata()?.len();
    let boxes = walk_boxes(file, file_len)?;
    if !boxes.has_index {
        return Err(ContainerError::NoIndex);
    }
    let survey = tables::survey(
        &mut BufReader::with_capacity(1 << 12, &mut *file),
        boxes.readable_len,
    )?;
    if survey.listed > MOST_FRAMES {
        return Err(ContainerError::Damaged(format!(
            "its index lists {} frames; more than {MOST_FRAMES} are not read",
            survey.listed
        )));
    }
    let reader = Masked::new(
        BufReader::with_capacity(1 << 16, file),
        survey.sound_tracks,
        boxes.index_len,
    )?;
    // The crate indexes the sample tables without checking them against each other, so a damaged
    // table ends in a panic; here that is just a damaged file.
    let mp4 = catch_unwind(AssertUnwindSafe(|| Mp4::read(reader, boxes.readable_len)))
        .map_err(|_| {
            ContainerError::Damaged("the tables of its index contradict each other".into())
        })?
        .map_err(|error| ContainerError::Damaged(format!("its index cannot be read ({error})")))?;
    video_track(&mp4, file_len, boxes.cut_short)
}

struct Boxes {
    has_index: bool,
    /// Where reading must stop: behind the last box that is whole, or is only frame data.
    readable_len: u64,
    cut_short: bool,
    /// Bytes of the boxes that are no frame data.
    index_len: u64,
}

/// Steps over the outermost boxes, to find out whether the file was cut short and where.
fn walk_boxes(file: &mut File, file_len: u64) -> io::Result<Boxes> {
    let mut boxes = Boxes {
        has_index: false,
        readable_len: 0,
        cut_short: false,
        index_len: 0,
    };
    let mut at = 0;
    while at + 8 <= file_len {
        file.seek(SeekFrom::Start(at))?;
        let mut head = [0; 16];
        let head_len = 16.min(usize::try_from(file_len - at).unwrap_or(16));
        file.read_exact(&mut head[..head_len])?;
        let size = u64::from(u32::from_be_bytes([head[0], head[1], head[2], head[3]]));
        let size = match size {
            0 => file_len - at,
            1 => u64::from_be_bytes([
                head[8], head[9], head[10], head[11], head[12], head[13], head[14], head[15],
            ]),
            size => size,
        };
        let name = &head[4..8];
        let (Some(end), true) = (at.checked_add(size), size >= 8) else {
            boxes.cut_short = true;
            break;
        };
        boxes.cut_short = end > file_len;
        // Half of a box that describes frames is of no use; half of the frame data is.
        if boxes.cut_short && name != b"mdat" {
            break;
        }
        boxes.has_index |= name == b"moov";
        boxes.index_len += if name == b"mdat" { 16 } else { size };
        boxes.readable_len = end;
        at = end;
    }
    Ok(boxes)
}

fn video_track(mp4: &Mp4, file_len: u64, cut_short: bool) -> Result<VideoTrack, ContainerError> {
    let (track, trak) = mp4
        .tracks()
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
        // A cover picture is a video track too; the film is the one with the most frames.
        .max_by_key(|(track, _)| track.samples.len())
        .ok_or(ContainerError::NoVideoTrack)?;
    if track.timescale == 0 {
        return Err(ContainerError::Damaged(
            "its video track has no time scale".into(),
        ));
    }

    let contents = &trak.mdia.minf.stbl.stsd.contents;
    let avc = match contents {
        StsdBoxContent::Avc1(avc1) => avc_setup(avc1),
        _ => None,
    };
    let (rotation, mirrored) = orientation(mp4, trak);
    let mut unusual = mirrored.then_some("a mirrored picture");
    if trak
        .mdia
        .minf
        .stbl
        .stsc
        .entries
        .iter()
        .any(|entry| entry.sample_description_index > 1)
    {
        unusual = Some("a clip put together from different recordings");
    }

    let to_nanos = |ticks: i64| {
        let nanos = (i128::from(ticks) * 1_000_000_000 + i128::from(track.timescale / 2))
            .div_euclid(i128::from(track.timescale));
        i64::try_from(nanos).unwrap_or(i64::MAX)
    };
    let (first_ticks, listed) = first_composition_ticks(trak);
    let written: Vec<i64> = track
        .samples
        .iter()
        .enumerate()
        .map(|(index, sample)| written_ticks(sample, index < listed, first_ticks))
        .collect();
    let edits = EditList::new(edit_entries(trak), mp4.moov.mvhd.timescale, track.timescale)
        .starting_on_a_frame(&written);
    let mut samples: Vec<Sample> = track
        .samples
        .iter()
        .zip(&written)
        .map(|(sample, &order)| {
            let shown = edits.shown_at(order).map(|ticks| Shown {
                index: 0,
                at: CaptureTime::from_nanos(to_nanos(ticks)),
            });
            Sample {
                offset: sample.offset,
                size: usize::try_from(sample.size).unwrap_or(usize::MAX),
                order,
                sync: sample.is_sync,
                shown,
            }
        })
        .collect();

    let shown_count = number_shown(&mut samples);
    let total = samples.len();
    let last_ticks = track
        .samples
        .iter()
        .zip(&written)
        .max_by_key(|(_, ticks)| **ticks)
        .map_or(0, |(sample, _)| sample.duration);
    samples.retain(|sample| {
        sample
            .offset
            .checked_add(sample.size as u64)
            .is_some_and(|end| end <= file_len)
    });
    let mut stamps: Vec<CaptureTime> = samples
        .iter()
        .filter_map(|sample| sample.shown)
        .map(|shown| shown.at)
        .collect();
    stamps.sort_unstable();
    let missing = total - samples.len();
    let cut_short = if missing > 0 {
        Some(format!(
            "the file ends early: {missing} of {total} frames are not in it; copy it again"
        ))
    } else {
        cut_short.then(|| {
            "the file ends early; the last part of the recording may be missing".to_owned()
        })
    };
    Ok(VideoTrack {
        codec: codec_name(contents),
        avc,
        rotation,
        unusual,
        samples,
        shown_count,
        stamps,
        last_frame_secs: last_ticks as f64 / track.timescale as f64,
        cut_short,
    })
}

/// The composition stamp of a sample as the file has it, in ticks.
fn written_ticks(sample: &re_mp4::Sample, listed: bool, first_ticks: i64) -> i64 {
    if listed {
        // The crate moves the samples of the track's own tables so that the first is at zero; the
        // edit list speaks of the stamps as they were written.
        return sample.composition_timestamp.saturating_add(first_ticks);
    }
    // In fragments the offset between decoding and showing may be below zero; the crate reads it
    // as unsigned.
    let offset = sample.composition_timestamp - sample.decode_timestamp;
    let offset = if offset > i64::from(i32::MAX) {
        offset - (1 << 32)
    } else {
        offset
    };
    sample.decode_timestamp.saturating_add(offset)
}

/// Numbers the shown frames in the order in which they are shown; returns how many there are.
fn number_shown(samples: &mut [Sample]) -> u64 {
    let mut order: Vec<usize> = (0..samples.len())
        .filter(|&index| samples[index].shown.is_some())
        .collect();
    order.sort_by_key(|&index| samples[index].order);
    for (number, &index) in (0..).zip(&order) {
        if let Some(shown) = &mut samples[index].shown {
            shown.index = number;
        }
    }
    order.len() as u64
}

/// The earliest composition stamp among the samples in the track's own tables, as written, in
/// ticks, and how many samples the tables list.
fn first_composition_ticks(trak: &TrakBox) -> (i64, usize) {
    let tables = &trak.mdia.minf.stbl;
    let listed = tables.stsz.sample_count as usize;
    let mut offsets = tables
        .ctts
        .iter()
        .flat_map(|ctts| &ctts.entries)
        .flat_map(|run| {
            std::iter::repeat_n(i64::from(run.sample_offset), run.sample_count as usize)
        });
    let deltas = tables.stts.entries.iter().flat_map(|run| {
        std::iter::repeat_n(i64::from(run.sample_delta), run.sample_count as usize)
    });
    let mut decode_ticks = 0_i64;
    let mut first = None;
    for delta in deltas.take(listed) {
        let ticks = decode_ticks + offsets.next().unwrap_or(0);
        first = Some(first.map_or(ticks, |first: i64| first.min(ticks)));
        decode_ticks = decode_ticks.saturating_add(delta);
    }
    (first.unwrap_or(0), listed)
}

/// The duration (ticks of the film's time scale) and the start (ticks of the track's) of each edit.
fn edit_entries(trak: &TrakBox) -> impl Iterator<Item = (u64, i64)> {
    let elst = trak.edts.iter().filter_map(|edts| edts.elst.as_ref());
    elst.flat_map(|elst| {
        elst.entries.iter().map(|entry| {
            // The field is signed; the crate reads it as unsigned.
            let start = if elst.version == 0 {
                i64::from(entry.media_time as u32 as i32)
            } else {
                entry.media_time as i64
            };
            (entry.segment_duration, start)
        })
    })
}

fn avc_setup(avc1: &Avc1Box) -> Option<AvcSetup> {
    let config = &avc1.avcc.contents;
    let setup = AvcSetup {
        length_size: usize::from(config.length_size_minus_one & 3) + 1,
        sequence_sets: config
            .sequence_parameter_sets
            .iter()
            .map(|unit| unit.bytes.clone())
            .collect(),
        picture_sets: config
            .picture_parameter_sets
            .iter()
            .map(|unit| unit.bytes.clone())
            .collect(),
    };
    (!setup.sequence_sets.is_empty() && !setup.picture_sets.is_empty()).then_some(setup)
}

/// The turn that the film's and the track's matrices ask for together, and whether they mirror.
fn orientation(mp4: &Mp4, trak: &TrakBox) -> (Rotation, bool) {
    let (track, film) = (&trak.tkhd.matrix, &mp4.moov.mvhd.matrix);
    let [a, b, c, d] = [track.a, track.b, track.c, track.d].map(f64::from);
    let [e, f, g, h] = [film.a, film.b, film.c, film.d].map(f64::from);
    // (x, y) becomes (ax + cy, bx + dy) in the track, then likewise in the film; y points down.
    let (x_to_x, x_to_y) = (a * e + b * g, a * f + b * h);
    let (y_to_x, y_to_y) = (c * e + d * g, c * f + d * h);
    let mirrored = x_to_x * y_to_y - x_to_y * y_to_x < 0.0;
    (
        Rotation::from_clockwise_deg(x_to_y.atan2(x_to_x).to_degrees()),
        mirrored,
    )
}

fn codec_name(contents: &StsdBoxContent) -> String {
    let code = contents.codec_string();
    match contents {
        StsdBoxContent::Avc1(_) => format!("H.264 ({})", code.unwrap_or_else(|| "avc1".into())),
        StsdBoxContent::Hvc1(_) | StsdBoxContent::Hev1(_) => format!(
            "HEVC, also called H.265 ({})",
            code.unwrap_or_else(|| "hvc1".into())
        ),
        StsdBoxContent::Av01(_) => "AV1".into(),
        StsdBoxContent::Vp08(_) => "VP8".into(),
        StsdBoxContent::Vp09(_) => "VP9".into(),
        StsdBoxContent::Unknown(code) => match u32::from(code).to_be_bytes().as_slice() {
            b"avc3" | b"avc4" => format!("H.264 with its parameters inside the stream ({code})"),
            b"dvh1" | b"dvhe" => format!("HEVC with Dolby Vision ({code})"),
            b"mp4v" => "MPEG-4 Part 2 (mp4v)".into(),
            b"jpeg" | b"mjpa" | b"mjpb" => format!("Motion JPEG ({code})"),
            b"apcn" | b"apch" | b"apcs" | b"apco" | b"ap4h" | b"ap4x" => format!("ProRes ({code})"),
            b"encv" => "an encrypted video track (encv)".into(),
            _ => format!("the codec \"{code}\""),
        },
        _ => "an unknown codec".into(),
    }
}
