//! The thread `video`: packs frames, remembers the last seconds, and cuts films out of them.
//!
//! In: frames, and stretches of time to be kept. Out: films to the writer. A stretch is cut once the frames have gone beyond its end.
//! What is remembered is bounded in time and in bytes, and nothing of it is remembered while films are off.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, never, select};

use super::avi::FilmFrame;
use super::film::FilmId;
use super::films::Shared;
use super::jpeg::{JpegEncoder, SizeLimit};
use crate::capture::Frame;
use crate::time::CaptureTime;

/// What is remembered: the longest film, and the time that a rep takes to be logged.
const REMEMBER_SECS: f64 = 12.0;
/// And no more than this, whatever the pictures are like.
const REMEMBER_BYTES: usize = 128_000_000;
/// The longest film; of a longer stretch the last part is kept.
const LONGEST_SECS: f64 = 9.0;
/// How long to wait for the frames at the end of a stretch.
const FRAMES_WITHIN: Duration = Duration::from_secs(2);
/// How often to check for that.
const TICK: Duration = Duration::from_millis(250);
/// The weight of the newest frame in the average time of encoding.
const NEWEST: f64 = 0.02;

/// A stretch to be kept.
#[derive(Debug)]
pub(super) struct Cut {
    pub id: FilmId,
    pub(crate) from: CaptureTime,
    pub(crate) to: CaptureTime,
    asked_at: Instant,
    /// Of [`Shared::withdrawals`] when it was asked for.
    withdrawals: u64,
}

impl Cut {
    pub(super) fn new(id: FilmId, from: CaptureTime, to: CaptureTime, withdrawals: u64) -> Self {
        Self {
            id,
            from: from.max(to.plus_secs(-LONGEST_SECS)),
            to,
            asked_at: Instant::now(),
            withdrawals,
        }
    }
}

/// A film to be written.
#[derive(Debug)]
pub(super) struct Footage {
    pub id: FilmId,
    pub(crate) frames: Vec<FilmFrame>,
    /// As in [`Cut`].
    pub(super) withdrawals: u64,
}

/// The thread's state.
pub(super) struct Cutter {
    shared: Arc<Shared>,
    frames: Receiver<Frame>,
    used: Sender<Frame>,
    cuts: Receiver<Cut>,
    films: Sender<Footage>,
    encoder: JpegEncoder,
    remembered: VecDeque<FilmFrame>,
    bytes: usize,
    pending: Vec<Cut>,
}

impl Cutter {
    pub(super) fn new(
        shared: Arc<Shared>,
        frames: Receiver<Frame>,
        used: Sender<Frame>,
        cuts: Receiver<Cut>,
        films: Sender<Footage>,
    ) -> Self {
        Self {
            shared,
            frames,
            used,
            cuts,
            films,
            encoder: JpegEncoder::new(SizeLimit::IN_FILMS),
            remembered: VecDeque::new(),
            bytes: 0,
            pending: Vec::new(),
        }
    }

    /// Runs until nobody asks for films any more.
    pub(super) fn run(mut self) {
        let (mut frames, cuts) = (self.frames.clone(), self.cuts.clone());
        let mut no_more = false;
        loop {
            select! {
                recv(frames) -> frame => match frame {
                    Ok(frame) => self.take(frame),
                    Err(_) => {
                        // Films that are due from here on end with the frames there are.
                        frames = never();
                        no_more = true;
                    }
                },
                recv(cuts) -> cut => match cut {
                    Ok(cut) => self.pending.push(cut),
                    Err(_) => break,
                },
                default(TICK) => {}
            }
            if !self.shared.on.load(Ordering::Relaxed) {
                if self.shared.keeps() {
                    // Somebody hits who is not filmed: the films of the one before are of frames from before.
                    self.pending.extend(self.cuts.try_iter());
                    self.cut_what_is_due(true);
                }
                self.forget();
                self.pending.clear();
            }
            self.cut_what_is_due(no_more);
        }
        while let Ok(frame) = self.frames.try_recv() {
            self.take(frame);
        }
        self.cut_what_is_due(true);
    }

    fn take(&mut self, frame: Frame) {
        let begun = Instant::now();
        let packed = self.encoder.encode(&frame);
        let at = frame.captured_at;
        // Without room for it the buffer is simply freed.
        let _ = self.used.try_send(frame);
        let packed = match packed {
            Some(Ok(packed)) => packed,
            Some(Err(error)) => {
                tracing::error!(%error, "a frame could not be packed");
                return;
            }
            None => return,
        };
        let ms = 1e3 * begun.elapsed().as_secs_f64();
        let mut state = self.shared.state();
        state.encode_ms = Some(
            state
                .encode_ms
                .map_or(ms, |mean| mean + NEWEST * (ms - mean)),
        );
        drop(state);
        if self.remembered.back().is_some_and(|last| last.at > at) {
            // The clock has started over.
            self.forget();
        }
        self.bytes += packed.bytes.len();
        self.remembered.push_back(FilmFrame {
            at,
            width: packed.width,
            height: packed.height,
            jpeg: Arc::new(packed.bytes),
        });
        while let Some(oldest) = self.remembered.front()
            && (at.secs_since(oldest.at) > REMEMBER_SECS || self.bytes > REMEMBER_BYTES)
        {
            self.bytes -= oldest.jpeg.len();
            self.remembered.pop_front();
        }
    }

    fn forget(&mut self) {
        self.remembered = VecDeque::new();
        self.bytes = 0;
    }

    fn cut_what_is_due(&mut self, no_more: bool) {
        let newest = self.remembered.back().map(|frame| frame.at);
        let due = |cut: &Cut| {
            no_more
                || newest.is_some_and(|newest| newest >= cut.to)
                || cut.asked_at.elapsed() >= FRAMES_WITHIN
        };
        let (now, later) = self.pending.drain(..).partition(due);
        self.pending = later;
        self.cut(now);
    }

    fn cut(&self, cuts: Vec<Cut>) {
        let withdrawals = self.shared.withdrawals();
        for cut in cuts
            .into_iter()
            .filter(|cut| cut.withdrawals == withdrawals)
        {
            let mut frames: Vec<FilmFrame> = self
                .remembered
                .iter()
                .filter(|frame| (cut.from..=cut.to).contains(&frame.at))
                .cloned()
                .collect();
            // The camera may have come back with another size: a film has one size, and the rep's end counts.
            if let Some((width, height)) = frames.last().map(|last| (last.width, last.height)) {
                frames.retain(|frame| (frame.width, frame.height) == (width, height));
            }
            if frames.is_empty() {
                self.shared
                    .give_up(cut.id.rep, "no frame of it was remembered");
                continue;
            }
            let footage = Footage {
                id: cut.id,
                frames,
                withdrawals,
            };
            if self.films.try_send(footage).is_err() {
                self.shared
                    .give_up(cut.id.rep, "the disk does not keep up with the films");
            }
        }
    }
}
