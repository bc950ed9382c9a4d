//! Decodes the H.264 track of an MP4 inside this program, with no system package.
//!
//! The decoder is Cisco's openh264, built from source; it runs on the calling thread. It gives
//! pictures in the order in which they are shown, some samples late, and does not say which sample
//! a picture came from. So the stamps of the samples inside the decoder are kept sorted here, and
//! each picture gets the earliest. That holds as long as every sample gives one picture: a sample
//! that fails is taken out, what the decoder still holds is fetched, and decoding starts afresh at
//! the next key frame. The frames between are counted as lost; the stamps of the rest stay right.

use std::collections::VecDeque;
use std::fmt;
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};

use openh264::OpenH264API;
use openh264::decoder::{DecodedYUV, Decoder, DecoderConfig, Flush};
use openh264::formats::YUVSource;

use super::container::{AvcSetup, Sample, Shown, VideoTrack};
use crate::capture::colour::{ColourSpace, Planes420, planes_to_rgb};
use crate::capture::rotate::turn_rgb;
use crate::capture::{Frame, Rotation};
use crate::cores;

/// More pictures than this are never held back: the standard's largest decoded picture buffer is 16.
const MOST_HELD: usize = 17;

/// An H.264 track being decoded.
pub(super) struct H264Reader {
    file: BufReader<File>,
    samples: Vec<Sample>,
    next_sample: usize,
    setup: AvcSetup,
    /// The parameter sets with start codes, put before each key frame.
    headers: Vec<u8>,
    decoder: Option<Decoder>,
    /// Samples inside the decoder.
    held: Held,
    /// Pictures fetched from a decoder that was given up or has come to the end.
    ready: VecDeque<Frame>,
    /// Buffers of such pictures, to be used again.
    spares: Vec<Frame>,
    /// The headers, then one sample, with start codes.
    stream: Vec<u8>,
    painter: Painter,
    lost: u64,
    problem: Option<String>,
    at_end: bool,
    /// Whether pictures that no other one is made from are passed over.
    skip: bool,
}

impl H264Reader {
    /// Nothing is decoded yet.
    pub(super) fn new(file: File, track: VideoTrack, setup: AvcSetup, colour: ColourSpace) -> Self {
        let mut headers = Vec::new();
        for set in setup.sequence_sets.iter().chain(&setup.picture_sets) {
            headers.extend_from_slice(&START_CODE);
            headers.extend_from_slice(set);
        }
        Self {
            file: BufReader::with_capacity(1 << 17, file),
            samples: track.samples,
            next_sample: 0,
            setup,
            headers,
            decoder: None,
            held: Held::default(),
            ready: VecDeque::new(),
            spares: Vec::new(),
            stream: Vec::new(),
            painter: Painter {
                rotation: track.rotation,
                colour,
                upright: Vec::new(),
            },
            lost: 0,
            problem: track.cut_short,
            at_end: false,
            skip: false,
        }
    }

    /// While `true`, pictures that no other one is made from are passed over undecoded; their numbers are left out.
    pub(super) fn skip_disposable(&mut self, skip: bool) {
        self.skip = skip;
    }

    /// Goes back to the first sample. What was lost stays counted.
    pub(super) fn rewind(&mut self) {
        self.fetch_held();
        while let Some(frame) = self.ready.pop_front() {
            self.spares.push(frame);
        }
        (self.next_sample, self.at_end) = (0, false);
    }

    /// Shown frames that could not be decoded so far.
    pub(super) fn lost(&self) -> u64 {
        self.lost
    }

    /// What is wrong with the file, apart from lost frames.
    pub(super) fn problem(&self) -> Option<&str> {
        self.problem.as_deref()
    }

    /// Nothing can be decoded any more although frames are left: there is no key frame ahead.
    pub(super) fn is_stuck(&self) -> bool {
        self.decoder.is_none()
            && self.ready.is_empty()
            && self.next_sample < self.samples.len()
            && !self.samples[self.next_sample..]
                .iter()
                .any(|sample| sample.sync)
    }

    /// Counts all that is left as lost.
    pub(super) fn give_up(&mut self) {
        self.lost += shown_in(&self.samples[self.next_sample..]);
        self.next_sample = self.samples.len();
    }

    /// The next shown frame that can be decoded; false at the end and when stuck.
    pub(super) fn next_frame(&mut self, into: &mut Frame) -> bool {
        loop {
            if let Some(mut frame) = self.ready.pop_front() {
                std::mem::swap(into, &mut frame);
                self.spares.push(frame);
                return true;
            }
            if self.at_end || self.is_stuck() {
                return false;
            }
            let Some(&sample) = self.samples.get(self.next_sample) else {
                self.fetch_held();
                self.at_end = true;
                continue;
            };
            self.next_sample += 1;
            if self.feed(sample, into) {
                return true;
            }
        }
    }

    /// Gives one sample to the decoder; true if a shown picture came out into `into`.
    fn feed(&mut self, sample: Sample, into: &mut Frame) -> bool {
        let found = match self.load(sample) {
            Ok(found) => found,
            Err(error) => {
                self.problem = Some(format!(
                    "the file could not be read any further ({error}); check the disk"
                ));
                self.lost += u64::from(sample.shown.is_some());
                self.give_up();
                return false;
            }
        };
        let may_start = found.key_frame || sample.sync || self.next_sample == 1;
        if !found.picture || (self.decoder.is_none() && !may_start) {
            self.lost += u64::from(sample.shown.is_some());
            return false;
        }
        if self.skip && found.spare && self.decoder.is_some() {
            return false;
        }
        let from = if may_start { 0 } else { self.headers.len() };
        let decoder = match &mut self.decoder {
            Some(decoder) => decoder,
            empty => match new_decoder() {
                Ok(decoder) => empty.insert(decoder),
                Err(error) => {
                    tracing::error!(%error, "the built-in H.264 decoder does not start");
                    self.lost += u64::from(sample.shown.is_some());
                    return false;
                }
            },
        };
        self.held.add(sample);
        let _urgent = cores::BUDGET.begin_urgent();
        match decoder.decode(&self.stream[from..]) {
            Ok(Some(picture)) => {
                let shown = self.held.pop_earliest();
                shown.is_some_and(|shown| {
                    let painted = self.painter.paint(&picture, shown, into);
                    self.lost += u64::from(!painted);
                    painted
                })
            }
            Ok(None) if self.held.len() <= MOST_HELD => false,
            Ok(None) => {
                tracing::debug!(
                    "the decoder holds back more pictures than it may; starting it afresh"
                );
                self.fetch_held();
                false
            }
            Err(error) => {
                tracing::debug!(at = ?sample.shown, %error, "a frame could not be decoded; going on at the next key frame");
                self.held.remove(&sample);
                self.lost += u64::from(sample.shown.is_some());
                self.fetch_held();
                false
            }
        }
    }

    /// Takes the pictures that the decoder still holds and gives the decoder up.
    fn fetch_held(&mut self) {
        if let Some(mut decoder) = self.decoder.take() {
            match decoder.flush_remaining() {
                Ok(pictures) => {
                    // A picture that was due with a failed sample is gone; it was the earliest.
                    while self.held.len() > pictures.len() {
                        self.lost += u64::from(self.held.pop_earliest().is_some());
                    }
                    for picture in &pictures {
                        let Some(shown) = self.held.pop_earliest() else {
                            continue;
                        };
                        let mut frame = self.spares.pop().unwrap_or_default();
                        if self.painter.paint(picture, shown, &mut frame) {
                            self.ready.push_back(frame);
                        } else {
                            self.lost += 1;
                            self.spares.push(frame);
                        }
                    }
                }
                Err(error) => tracing::debug!(%error, "the decoder gave up its last pictures"),
            }
        }
        while self.held.len() > 0 {
            self.lost += u64::from(self.held.pop_earliest().is_some());
        }
    }

    /// Reads a sample behind the headers in `stream` and turns its length fields into start codes.
    fn load(&mut self, sample: Sample) -> std::io::Result<Found> {
        let here = self.file.stream_position()?;
        // Seeking by distance keeps what is already buffered.
        match i64::try_from(i128::from(sample.offset) - i128::from(here)) {
            Ok(distance) => self.file.seek_relative(distance)?,
            Err(_) => {
                self.file.seek(SeekFrom::Start(sample.offset))?;
            }
        }
        let start = self.headers.len();
        self.stream.resize(start + sample.size, 0);
        self.stream[..start].copy_from_slice(&self.headers);
        self.file.read_exact(&mut self.stream[start..])?;
        Ok(to_byte_stream(
            &mut self.stream,
            start,
            self.setup.length_size,
        ))
    }
}

impl fmt::Debug for H264Reader {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("H264Reader")
            .field("next_sample", &self.next_sample)
            .field("of", &self.samples.len())
            .field("lost", &self.lost)
            .finish_non_exhaustive()
    }
}

fn shown_in(samples: &[Sample]) -> u64 {
    samples
        .iter()
        .filter(|sample| sample.shown.is_some())
        .count() as u64
}

fn new_decoder() -> Result<Decoder, openh264::Error> {
    // Flushing after each sample, the crate's default, breaks clips with B frames.
    Decoder::with_api_config(
        OpenH264API::from_source(),
        DecoderConfig::new().flush_after_decode(Flush::NoFlush),
    )
}

/// The samples inside the decoder, the one shown first at the end.
#[derive(Default)]
struct Held(Vec<(i64, Option<Shown>)>);

impl Held {
    fn len(&self) -> usize {
        self.0.len()
    }

    fn add(&mut self, sample: Sample) {
        let at = self.0.partition_point(|(order, _)| *order > sample.order);
        self.0.insert(at, (sample.order, sample.shown));
    }

    fn remove(&mut self, sample: &Sample) {
        if let Some(at) = self.0.iter().position(|(order, _)| *order == sample.order) {
            self.0.remove(at);
        }
    }

    /// None where the frame is not to be shown.
    fn pop_earliest(&mut self) -> Option<Shown> {
        self.0.pop()?.1
    }
}

/// Writes decoded pictures into frames: colour, then rotation.
struct Painter {
    rotation: Rotation,
    colour: ColourSpace,
    /// Holds a picture before it is turned; unused for upright clips.
    upright: Vec<u8>,
}

impl Painter {
    fn paint(&mut self, picture: &DecodedYUV<'_>, shown: Shown, into: &mut Frame) -> bool {
        let (width, height) = picture.dimensions();
        let (y_stride, uv_stride, _) = picture.strides();
        let planes = Planes420 {
            y: picture.y(),
            u: picture.u(),
            v: picture.v(),
            y_stride,
            uv_stride,
        };
        into.index = shown.index;
        into.captured_at = shown.at;
        let (turned_width, turned_height) = self.rotation.turned_size(width, height);
        let pixels = into.resized(turned_width, turned_height);
        let painted = if self.rotation == Rotation::None {
            planes_to_rgb(&planes, width, height, self.colour, pixels)
        } else {
            self.upright.resize(pixels.len(), 0);
            planes_to_rgb(&planes, width, height, self.colour, &mut self.upright)
                .map(|()| turn_rgb(&self.upright, width, height, self.rotation, pixels))
        };
        if let Err(error) = &painted {
            tracing::error!(%error, width, height, "a decoded picture could not be turned into RGB");
        }
        painted.is_ok()
    }
}

const START_CODE: [u8; 4] = [0, 0, 0, 1];

/// What a sample holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Found {
    /// Coded picture data at all; without it no picture will come out.
    picture: bool,
    /// A picture from which decoding can start.
    key_frame: bool,
    /// A picture that no other one is made from.
    spare: bool,
}

/// Replaces the length fields of the units from `start` on by start codes; cuts off what does not
/// make a whole unit.
fn to_byte_stream(stream: &mut Vec<u8>, start: usize, length_size: usize) -> Found {
    let mut found = Found::default();
    // Four bytes become four bytes in place; shorter fields need more room, so the sample moves.
    let fields = if length_size == START_CODE.len() {
        None
    } else {
        Some(stream.split_off(start))
    };
    let mut at = start;
    let mut rest_at = 0;
    let mut needed = false;
    loop {
        let (field, body_at, limit) = match &fields {
            None => (
                stream.get(at..at + length_size),
                at + length_size,
                stream.len(),
            ),
            Some(fields) => (
                fields.get(rest_at..rest_at + length_size),
                rest_at + length_size,
                fields.len(),
            ),
        };
        let Some(field) = field else { break };
        let length = field
            .iter()
            .fold(0_usize, |length, byte| length << 8 | usize::from(*byte));
        let Some(end) = body_at
            .checked_add(length)
            .filter(|end| *end <= limit && length > 0)
        else {
            break;
        };
        match &fields {
            None => {
                stream[at..body_at].copy_from_slice(&START_CODE);
                at = end;
            }
            Some(fields) => {
                stream.extend_from_slice(&START_CODE);
                stream.extend_from_slice(&fields[body_at..end]);
                rest_at = end;
                at = stream.len();
            }
        }
        let first = if let Some(fields) = &fields {
            fields[body_at]
        } else {
            stream[body_at]
        };
        // ITU-T H.264, table 7-1: 1 to 5 are slices, 5 those of an instantaneous refresh.
        let kind = first & 0x1F;
        let picture = (1..=5).contains(&kind);
        found.picture |= picture;
        found.key_frame |= kind == 5;
        // The two bits before the kind are 0 where nothing refers to the unit.
        needed |= picture && first & 0x60 != 0;
    }
    found.spare = found.picture && !needed;
    stream.truncate(at);
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn length_fields_of_every_size_become_start_codes() {
        for length_size in [1, 2, 4] {
            let mut stream = b"head".to_vec();
            for unit in [&b"\x09\xF0"[..], b"\x65slice"] {
                let length = (unit.len() as u32).to_be_bytes();
                stream.extend_from_slice(&length[4 - length_size..]);
                stream.extend_from_slice(unit);
            }
            let found = to_byte_stream(&mut stream, 4, length_size);
            assert_eq!(
                stream, b"head\0\0\0\x01\x09\xF0\0\0\0\x01\x65slice",
                "length size {length_size}"
            );
            assert_eq!(
                found,
                Found {
                    picture: true,
                    key_frame: true,
                    spare: false
                }
            );
        }
    }

    #[test]
    fn a_unit_that_is_longer_than_its_sample_is_cut_off() {
        let mut stream = b"\0\0\0\x02\x41a\0\0\0\x09\x41b".to_vec();
        let found = to_byte_stream(&mut stream, 0, 4);
        assert_eq!(stream, b"\0\0\0\x01\x41a");
        assert_eq!(
            found,
            Found {
                picture: true,
                key_frame: false,
                spare: false
            }
        );
        let mut empty = Vec::new();
        assert_eq!(to_byte_stream(&mut empty, 0, 4), Found::default());
        // Nothing refers to it.
        let mut spare = b"\0\0\0\x02\x01a".to_vec();
        assert!(to_byte_stream(&mut spare, 0, 4).spare);
    }
}
