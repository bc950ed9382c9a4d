//! Writes what would be heard during a recording into a WAV file, on the recording's own time line.
//!
//! In: sounds and the head's travel, with capture times. Out: a 16-bit mono file at [`SAMPLE_RATE_HZ`],
//! written as time goes on, so memory stays small; its header is brought up to date every few seconds and
//! after every sound, so that a file cut off in the middle still plays. Runs on the caller's thread.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use hound::{SampleFormat, WavSpec, WavWriter};

use super::mixer::{Mixer, Voice};
use super::queue::{Playback, PlaybackQueue};
use super::{OutputState, Sink, SoundHealth};
use crate::output_file::{self, Existing};
use crate::sound::request::{NotPlayed, Outcome, Played, SoundRequest};
use crate::sound::{CueLibrary, SAMPLE_RATE_HZ, SoundError, duration_of, samples_in};
use crate::time::CaptureTime;

/// After this much new sound the header is brought up to date.
const FLUSH_EVERY: Duration = Duration::from_secs(5);

/// A WAV file counts its bytes in 32 bits; the header takes some of them.
const MOST_SAMPLES: f64 = (u32::MAX as f64 - 1024.0) / 2.0;

/// The sound track of one recording, being written.
pub(super) struct WavFile {
    path: PathBuf,
    writer: WavWriter<BufWriter<File>>,
    library: Arc<CueLibrary>,
    volume: f32,
    /// When the first sample is heard.
    starts_at: CaptureTime,
    queue: PlaybackQueue,
    mixer: Mixer,
    written: usize,
    flushed: usize,
    outcomes: Vec<Outcome>,
    heard: u64,
    /// After a failure nothing more is written: a file with a hole in it would lie about when cues came.
    failed: Option<SoundError>,
}

impl WavFile {
    /// Creates the file, with a header and no sound yet.
    ///
    /// # Errors
    /// [`SoundError::CreateWav`] where the file cannot be created.
    pub(super) fn create(
        path: &Path,
        library: Arc<CueLibrary>,
        volume: f32,
    ) -> Result<Self, SoundError> {
        let spec = WavSpec {
            channels: 1,
            sample_rate: SAMPLE_RATE_HZ,
            bits_per_sample: 16,
            sample_format: SampleFormat::Int,
        };
        let created = output_file::open(path, Existing::Replace(b"RIFF"))
            .map_err(hound::Error::from)
            .and_then(|file| WavWriter::new(BufWriter::new(file), spec))
            .and_then(|mut writer| writer.flush().map(|()| writer));
        let writer = created.map_err(|source| SoundError::CreateWav {
            path: path.into(),
            source,
        })?;
        Ok(Self {
            path: path.into(),
            writer,
            library,
            volume: volume.clamp(0.0, 1.0),
            starts_at: CaptureTime::default(),
            queue: PlaybackQueue::default(),
            mixer: Mixer::new(),
            written: 0,
            flushed: 0,
            outcomes: Vec::new(),
            heard: 0,
            failed: None,
        })
    }

    /// Does nothing after a failure, and notes the first one.
    fn try_to(&mut self, write: impl FnOnce(&mut Self) -> Result<(), SoundError>) {
        if self.failed.is_none()
            && let Err(error) = write(self)
        {
            tracing::error!("{error}; no more cues are written");
            self.failed = Some(error);
            self.queue.clear(NotPlayed::NotWritten);
            for outcome in self.queue.take_dropped() {
                self.report(outcome);
            }
        }
    }

    /// Writes up to `until`, beginning waiting sounds on the way as their turn comes.
    fn write_until(&mut self, until: Duration) -> Result<(), SoundError> {
        if until.as_secs_f64() * f64::from(SAMPLE_RATE_HZ) > MOST_SAMPLES {
            return Err(SoundError::LongWav {
                path: self.path.clone(),
                secs: until.as_secs_f64(),
            });
        }
        while let Some(due) = self.queue.wake_at().filter(|due| *due <= until) {
            self.write_samples(samples_in(due))?;
            let next = self.queue.poll(due);
            self.begin(next)?;
        }
        self.write_samples(samples_in(until))?;
        if self.written - self.flushed >= samples_in(FLUSH_EVERY) {
            self.flush()?;
        }
        Ok(())
    }

    /// Does what the queue decided; writes up to the first sample of the sound that begins.
    fn begin(&mut self, playback: Option<Playback>) -> Result<(), SoundError> {
        for outcome in self.queue.take_dropped() {
            self.report(outcome);
        }
        let Some(playback) = playback else {
            return Ok(());
        };
        let Playback {
            request,
            samples,
            cuts,
            ..
        } = playback;
        let lasts = duration_of(samples.len());
        self.mixer
            .play(Voice::new(samples, self.volume, cuts, Instant::now()));
        while !self.mixer.begins_now() {
            self.write_next()?;
        }
        let waited = duration_of(self.written).saturating_sub(self.since_start(request.at));
        self.heard += 1;
        self.report(Outcome {
            request,
            result: Ok(Played {
                latency_millis: waited.as_secs_f64() * 1e3,
                heard_at: None,
                lasts,
            }),
        });
        Ok(())
    }

    fn write_request(&mut self, request: SoundRequest) -> Result<(), SoundError> {
        let decided_at = self.since_start(request.at);
        self.write_until(decided_at)?;
        let (samples, priority) = match self.library.samples(&request.sound) {
            Ok(found) => found,
            Err(error) => {
                tracing::error!("{error}");
                self.report(request.not_played(NotPlayed::Unavailable));
                return Ok(());
            }
        };
        let now = duration_of(self.written).max(decided_at);
        let playback = Playback {
            request,
            samples,
            priority,
            decided_at,
            cuts: false,
        };
        let next = self.queue.push(now, playback);
        self.begin(next)?;
        self.flush()
    }

    /// Writes up to `end`, and further where a sound is still to be heard.
    fn write_to_the_end(&mut self, end: CaptureTime) -> Result<(), SoundError> {
        self.write_until(self.since_start(end))?;
        while let Some(until) = self.queue.busy_until(duration_of(self.written)) {
            let another_waits = self.queue.wake_at().is_some();
            self.write_until(until)?;
            if !another_waits {
                break;
            }
        }
        while self.mixer.has_voice() || self.mixer.is_waiting() {
            self.write_next()?;
        }
        Ok(())
    }

    /// Time from the file's first sample; nothing is earlier than that.
    fn since_start(&self, at: CaptureTime) -> Duration {
        Duration::try_from_secs_f64(at.secs_since(self.starts_at)).unwrap_or(Duration::ZERO)
    }

    fn report(&mut self, outcome: Outcome) {
        tracing::debug!("{outcome}");
        self.outcomes.push(outcome);
    }

    fn write_samples(&mut self, until: usize) -> Result<(), SoundError> {
        while self.written < until {
            self.write_next()?;
        }
        Ok(())
    }

    fn write_next(&mut self) -> Result<(), SoundError> {
        let sample = self.mixer.next_sample().clamp(-1.0, 1.0);
        let step = (sample * f32::from(i16::MAX)).round() as i16;
        self.writer
            .write_sample(step)
            .map_err(|source| self.not_written(source))?;
        self.written += 1;
        Ok(())
    }

    fn flush(&mut self) -> Result<(), SoundError> {
        self.writer
            .flush()
            .map_err(|source| self.not_written(source))?;
        self.flushed = self.written;
        Ok(())
    }

    fn not_written(&self, source: hound::Error) -> SoundError {
        SoundError::WriteWav {
            path: self.path.clone(),
            source,
        }
    }
}

impl Sink for WavFile {
    /// Where the request's time was written already, the sound comes at once.
    fn play(&mut self, request: SoundRequest) {
        let asked = request.clone();
        self.try_to(|file| file.write_request(request));
        let answered = |outcome: &Outcome| outcome.request.ticket == asked.ticket;
        if self.failed.is_some() && !self.outcomes.iter().any(answered) {
            self.report(asked.not_played(NotPlayed::NotWritten));
        }
    }

    fn set_head_tone(&mut self, share: Option<f32>, at: CaptureTime) {
        self.try_to(|file| {
            file.write_until(file.since_start(at))?;
            file.mixer.set_tone(share, file.volume);
            Ok(())
        });
    }

    fn start_at(&mut self, at: CaptureTime) {
        self.starts_at = at;
    }

    fn advance_to(&mut self, at: CaptureTime) {
        self.try_to(|file| file.write_until(file.since_start(at)));
    }

    fn use_library(&mut self, library: Arc<CueLibrary>) {
        self.library = library;
    }

    fn apply_settings(&mut self, volume: f32, library: Option<Arc<CueLibrary>>) {
        self.volume = volume;
        if let Some(library) = library {
            self.library = library;
        }
    }

    fn outcomes(&mut self, _patience: Duration) -> Vec<Outcome> {
        std::mem::take(&mut self.outcomes)
    }

    fn health(&self) -> SoundHealth {
        SoundHealth {
            state: match self.failed {
                None => OutputState::File,
                Some(_) => OutputState::Off,
            },
            heard: self.heard,
            restarts: 0,
        }
    }

    fn finish(mut self: Box<Self>, end: CaptureTime) -> Result<(), SoundError> {
        self.try_to(|file| file.write_to_the_end(end));
        let Self {
            path,
            writer,
            failed,
            ..
        } = *self;
        match failed {
            Some(error) => Err(error),
            None => writer
                .finalize()
                .map_err(|source| SoundError::WriteWav { path, source }),
        }
    }
}

#[cfg(test)]
mod tests;
