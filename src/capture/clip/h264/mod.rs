//! Decodes the H.264 track of an MP4 inside this program, without a system package.
//!
//! The decoder is Cisco's openh264, built from source; it runs on the calling thread. It gives pictures in
//! the order in which they are shown, some samples late, and does not say which sample a picture came from.
//! So the samples inside the decoder are kept in a [`ReorderQueue`], and each picture gets the timestamp of
//! the earliest. That holds as long as every sample gives one picture: one that fails is taken out, what the
//! decoder still holds is fetched, and decoding starts again at the next key frame. The frames in between
//! are counted as lost; the timestamps of the rest stay right.

mod annex_b;
mod frame_writer;
mod parameter_sets;
mod reorder_queue;

use std::collections::VecDeque;
use std::fmt;
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};

use openh264::OpenH264API;
use openh264::decoder::{Decoder, DecoderConfig, Flush};

use self::annex_b::{START_CODE, SampleContent, append_units};
use self::frame_writer::FrameWriter;
pub(super) use self::parameter_sets::color_space;
use self::reorder_queue::ReorderQueue;
use super::mp4::{AvcConfig, Sample, VideoTrack};
use crate::capture::Frame;
use crate::capture::color::ColorSpace;
use crate::cores;

/// A decoder never holds back more pictures: the standard's largest decoded picture buffer is 16.
const MAX_HELD: usize = 17;

/// An H.264 track being decoded.
pub(super) struct H264Reader {
    file: BufReader<File>,
    samples: Vec<Sample>,
    next_sample: usize,
    config: AvcConfig,
    /// The parameter sets with start codes, put before each key frame.
    headers: Vec<u8>,
    decoder: Option<Decoder>,
    /// Samples inside the decoder.
    held: ReorderQueue,
    /// Frames fetched from a decoder that was given up or has reached the end.
    ready: VecDeque<Frame>,
    /// Buffers of such frames, to be reused.
    spares: Vec<Frame>,
    /// One sample as the file has it.
    sample_bytes: Vec<u8>,
    /// The headers, then that sample, with start codes.
    stream: Vec<u8>,
    writer: FrameWriter,
    lost: u64,
    problem: Option<String>,
    at_end: bool,
    skip_disposable: bool,
}

impl H264Reader {
    /// Nothing is decoded yet.
    pub(super) fn new(file: File, track: VideoTrack, config: AvcConfig, color: ColorSpace) -> Self {
        let mut headers = Vec::new();
        for set in config.sequence_sets.iter().chain(&config.picture_sets) {
            headers.extend_from_slice(&START_CODE);
            headers.extend_from_slice(set);
        }
        Self {
            file: BufReader::with_capacity(1 << 17, file),
            samples: track.samples,
            next_sample: 0,
            config,
            headers,
            decoder: None,
            held: ReorderQueue::default(),
            ready: VecDeque::new(),
            spares: Vec::new(),
            sample_bytes: Vec::new(),
            stream: Vec::new(),
            writer: FrameWriter::new(track.rotation, color),
            lost: 0,
            problem: track.cut_short,
            at_end: false,
            skip_disposable: false,
        }
    }

    /// While `true`, pictures that no other one refers to are skipped undecoded; their numbers are left out.
    pub(super) fn skip_disposable(&mut self, skip: bool) {
        self.skip_disposable = skip;
    }

    /// Goes back to the first sample. Lost frames stay counted.
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

    /// Nothing more can be decoded although samples are left: no key frame is among them.
    pub(super) fn is_stuck(&self) -> bool {
        self.decoder.is_none()
            && self.ready.is_empty()
            && self.next_sample < self.samples.len()
            && !self.samples[self.next_sample..]
                .iter()
                .any(|sample| sample.sync)
    }

    /// Counts all remaining frames as lost.
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

    /// Decodes one sample; true if a frame to be shown was written into `into`.
    fn feed(&mut self, sample: Sample, into: &mut Frame) -> bool {
        let content = match self.load(sample) {
            Ok(content) => content,
            Err(error) => {
                self.problem = Some(format!(
                    "the file could not be read any further ({error}); check the disk"
                ));
                self.lost += u64::from(sample.shown.is_some());
                self.give_up();
                return false;
            }
        };
        let may_start = content.key_frame || sample.sync || self.next_sample == 1;
        if !content.picture || (self.decoder.is_none() && !may_start) {
            self.lost += u64::from(sample.shown.is_some());
            return false;
        }
        if self.skip_disposable && content.disposable && self.decoder.is_some() {
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
                    let written = self.writer.write(&picture, shown, into);
                    self.lost += u64::from(!written);
                    written
                })
            }
            Ok(None) if self.held.len() <= MAX_HELD => false,
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

    /// Fetches the pictures that the decoder still holds, and drops the decoder.
    fn fetch_held(&mut self) {
        if let Some(mut decoder) = self.decoder.take() {
            match decoder.flush_remaining() {
                Ok(pictures) => {
                    // A picture that was due with a failed sample is missing; it was the earliest.
                    while self.held.len() > pictures.len() {
                        self.lost += u64::from(self.held.pop_earliest().is_some());
                    }
                    for picture in &pictures {
                        let Some(shown) = self.held.pop_earliest() else {
                            continue;
                        };
                        let mut frame = self.spares.pop().unwrap_or_default();
                        if self.writer.write(picture, shown, &mut frame) {
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

    /// Reads a sample and puts it into `stream`, after the headers.
    fn load(&mut self, sample: Sample) -> std::io::Result<SampleContent> {
        let here = self.file.stream_position()?;
        // A relative seek keeps what is already buffered.
        match i64::try_from(i128::from(sample.offset) - i128::from(here)) {
            Ok(distance) => self.file.seek_relative(distance)?,
            Err(_) => {
                self.file.seek(SeekFrom::Start(sample.offset))?;
            }
        }
        self.sample_bytes.resize(sample.size, 0);
        self.file.read_exact(&mut self.sample_bytes)?;
        self.stream.clear();
        self.stream.extend_from_slice(&self.headers);
        Ok(append_units(
            &self.sample_bytes,
            self.config.length_size,
            &mut self.stream,
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
    // Flushing after each sample, the crate's default, breaks clips with B-frames.
    Decoder::with_api_config(
        OpenH264API::from_source(),
        DecoderConfig::new().flush_after_decode(Flush::NoFlush),
    )
}
