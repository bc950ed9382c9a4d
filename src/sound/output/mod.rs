//! Where sound goes: to the default output device, into a WAV file, or nowhere.
//!
//! In: sounds and the head's travel as they are decided, times in capture time. Out: [`Outcome`]s, fetched
//! between frames. The device has a thread of its own that keeps wall-clock time; a file is written on the
//! caller's thread and keeps the recording's time line, however fast that passes. Both share the queue
//! and the mixer. Nothing here makes the rep stage wait for a device.

mod device;
mod latency;
mod mixer;
mod player;
mod queue;
mod speaker;
mod stream;
mod wav;
mod worker;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::request::{Outcome, Sound, SoundRequest, Ticket};
use super::{CueLibrary, SoundError};
use crate::time::CaptureTime;
use player::Player;
use wav::WavFile;

pub(crate) use latency::measure_latency;
pub(super) use queue::{CUT_FADE, Priority};
#[cfg(test)]
pub(super) use {
    device::{OpenSpeaker, RetryPolicy},
    speaker::Speaker,
    stream::MixerStream,
};

/// Where sound is to go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Output {
    /// The system's default output device.
    Device,
    /// A WAV file on the recording's time line.
    WavFile(PathBuf),
    /// Nowhere.
    Silent,
}

/// The output in use; what the rep stage plays on.
pub struct SoundOutput {
    sink: Option<Box<dyn Sink>>,
    last_ticket: Ticket,
}

impl SoundOutput {
    /// Opens an output at `volume`, 0 to 1; `load` is called where sounds are needed. A missing device is
    /// no error: it is opened once it is there.
    ///
    /// # Errors
    /// Where the sounds cannot be loaded, the file cannot be created, or the system has no thread left.
    pub(crate) fn open(
        output: &Output,
        load: impl FnOnce() -> Result<CueLibrary, SoundError>,
        volume: f32,
    ) -> Result<Self, SoundError> {
        Ok(match output {
            Output::Device => Self::on(Player::start(Arc::new(load()?), volume)?),
            Output::WavFile(path) => Self::on(WavFile::create(path, Arc::new(load()?), volume)?),
            Output::Silent => Self::silent(),
        })
    }

    /// An output on which nothing is ever heard.
    pub fn silent() -> Self {
        Self {
            sink: None,
            last_ticket: Ticket::default(),
        }
    }

    fn on(sink: impl Sink + 'static) -> Self {
        Self {
            sink: Some(Box::new(sink)),
            last_ticket: Ticket::default(),
        }
    }

    /// Plays a sound as soon as its turn comes; `at` is the capture time of its decision, which was made
    /// just now. The ticket finds its outcome; `None` where nothing is ever heard.
    pub(crate) fn play(&mut self, sound: Sound, at: CaptureTime) -> Option<Ticket> {
        let sink = self.sink.as_mut()?;
        self.last_ticket.0 += 1;
        sink.play(SoundRequest {
            ticket: self.last_ticket,
            sound,
            decided_at: Instant::now(),
            at,
        });
        Some(self.last_ticket)
    }

    /// Lets the head tone follow the head, or fade out. `share` is the head's forward travel: 0 where it
    /// was at set, 1 at the band's edge. To be called with every frame while the rep runs; the tone is
    /// silent while a cue is heard.
    pub(crate) fn set_head_tone(&mut self, share: Option<f32>, at: CaptureTime) {
        if let Some(sink) = &mut self.sink {
            sink.set_head_tone(share, at);
        }
    }

    /// How long the device took from the last [`Self::set_head_tone`] to its first sample, once; `None` where
    /// it has taken none since.
    pub(crate) fn head_tone_lag(&self) -> Option<Duration> {
        self.sink.as_ref()?.head_tone_lag()
    }

    /// Lets a file's first sample stand for `at` instead of capture time 0: a camera's clock has run for as
    /// long as the machine. To be called before anything else.
    pub(crate) fn start_at(&mut self, at: CaptureTime) {
        if let Some(sink) = &mut self.sink {
            sink.start_at(at);
        }
    }

    /// The recording has come to `at`. A device goes by the clock.
    pub(crate) fn advance_to(&mut self, at: CaptureTime) {
        if let Some(sink) = &mut self.sink {
            sink.advance_to(at);
        }
    }

    /// Plays what begins from now on at this volume, 0 to 1, and, where it is given, from this library.
    /// What is heard or waits for its turn goes on as it is.
    pub(crate) fn apply_settings(&mut self, volume: f32, library: Option<Arc<CueLibrary>>) {
        if let Some(sink) = &mut self.sink {
            sink.apply_settings(volume.clamp(0.0, 1.0), library);
        }
    }

    /// Plays what begins from now on from this library.
    pub(crate) fn use_library(&mut self, library: Arc<CueLibrary>) {
        if let Some(sink) = &mut self.sink {
            sink.use_library(library);
        }
    }

    /// What became of sounds since the last call; where there is nothing yet, waits up to `patience`.
    pub(crate) fn outcomes(&mut self, patience: Duration) -> Vec<Outcome> {
        let sink = self.sink.as_mut();
        sink.map_or_else(Vec::new, |sink| sink.outcomes(patience))
    }

    /// Starts a player again whose thread has ended by a fault. To be called about once a second.
    pub(crate) fn restart_if_dead(&mut self) {
        if let Some(sink) = &mut self.sink {
            sink.restart_if_dead();
        }
    }

    pub(crate) fn health(&self) -> SoundHealth {
        let sink = self.sink.as_ref();
        sink.map_or_else(SoundHealth::default, |sink| sink.health())
    }

    /// Lets the last sounds be heard to their end and closes a file at `end`.
    ///
    /// # Errors
    /// Where the file could not be written, now or earlier.
    pub(crate) fn finish(self, end: CaptureTime) -> Result<(), SoundError> {
        self.sink.map_or(Ok(()), |sink| sink.finish(end))
    }
}

/// What a device and a file each do in their own way; the methods are those of [`SoundOutput`].
trait Sink {
    fn play(&mut self, request: SoundRequest);
    fn set_head_tone(&mut self, share: Option<f32>, at: CaptureTime);
    fn head_tone_lag(&self) -> Option<Duration> {
        None
    }
    fn start_at(&mut self, _at: CaptureTime) {}
    fn advance_to(&mut self, _at: CaptureTime) {}
    fn apply_settings(&mut self, volume: f32, library: Option<Arc<CueLibrary>>);
    fn use_library(&mut self, library: Arc<CueLibrary>);
    fn outcomes(&mut self, patience: Duration) -> Vec<Outcome>;
    fn restart_if_dead(&mut self) {}
    fn health(&self) -> SoundHealth;
    fn finish(self: Box<Self>, end: CaptureTime) -> Result<(), SoundError>;
}

/// What an output is doing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum OutputState {
    /// Sound is switched off, or its file could not be written.
    #[default]
    Off,
    /// The device is open.
    Open,
    /// There is no device; it is tried again and again.
    Missing,
    /// Sounds go into a file.
    File,
}

/// The state now, and counts since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct SoundHealth {
    /// What the output is doing.
    pub state: OutputState,
    /// Sounds handed over.
    pub heard: u64,
    /// How often the sound thread was started again.
    pub restarts: u64,
}

#[cfg(test)]
mod tests;
