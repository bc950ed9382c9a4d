//! Writes what would be heard during a recording into a WAV file, on the recording's own time line.
//!
//! In: sounds and the head's place, with capture times. Out: a 16-bit mono file at [`SAMPLE_RATE_HZ`], written as time goes on,
//! so memory stays small; its header is brought up to date every few seconds and after every cue, so
//! that a file cut off in the middle still plays. Runs on the caller's thread and goes by the same
//! [`Schedule`](super::schedule) as the live player.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::time::CaptureTime;

use super::delivery::DeliveryMark;
use super::head_tone::{HeadTone, HeadToneVoice};
use super::library::{CueLibrary, Ready, Sound};
use super::outcome::{Heard, Outcome, Ticket};
use super::reports::Request;
use super::schedule::{CUT_FADE, Candidate, Schedule, Step};
use super::sentence::Said;
use super::voice::Voice;
use super::{SAMPLE_RATE_HZ, SoundError, duration_of, frames_in};

/// After this much new sound the header is brought up to date.
const FLUSH_EVERY: Duration = Duration::from_secs(5);

/// A WAV file counts its bytes in 32 bits; the header takes some of them.
const MOST_FRAMES: f64 = (u32::MAX as f64 - 1024.0) / 2.0;

/// The sound track of one recording, being written.
pub struct WavRender {
    path: PathBuf,
    writer: WavWriter<BufWriter<File>>,
    library: Arc<CueLibrary>,
    schedule: Schedule<Prepared>,
    settled: Vec<Outcome>,
    voice: Option<Voice>,
    tone: HeadToneVoice,
    tickets: u64,
    starts_at: CaptureTime,
    volume: f32,
    written: usize,
    flushed: usize,
}

/// A request with its samples.
type Prepared = (Request, Arc<[f32]>);

impl WavRender {
    /// Creates the file, with a header and no sound yet; its first sample is heard at capture time 0.
    ///
    /// # Errors
    /// [`SoundError::CreateWav`] where the file cannot be created.
    pub fn create(path: &Path, library: Arc<CueLibrary>) -> Result<Self, SoundError> {
        let spec = WavSpec {
            channels: 1,
            sample_rate: SAMPLE_RATE_HZ,
            bits_per_sample: 16,
            sample_format: SampleFormat::Int,
        };
        let created =
            WavWriter::create(path, spec).and_then(|mut writer| writer.flush().map(|()| writer));
        let writer = created.map_err(|source| SoundError::CreateWav {
            path: path.into(),
            source,
        })?;
        Ok(Self {
            path: path.into(),
            writer,
            library,
            schedule: Schedule::new(),
            settled: Vec::new(),
            voice: None,
            tone: HeadToneVoice::default(),
            tickets: 1,
            starts_at: CaptureTime::default(),
            volume: 1.0,
            written: 0,
            flushed: 0,
        })
    }

    /// Lets the first sample stand for `start` instead, the time of the recording's first frame.
    #[must_use]
    pub fn starting_at(mut self, start: CaptureTime) -> Self {
        self.starts_at = start;
        self
    }

    /// Plays at this volume, 0 to 1, instead of 1.
    #[must_use]
    pub fn with_volume(mut self, volume: f32) -> Self {
        self.volume = volume.clamp(0.0, 1.0);
        self
    }

    /// Plays what begins from now on at this volume and, where it is given, from this library.
    pub fn revise(&mut self, volume: f32, library: Option<Arc<CueLibrary>>) {
        self.volume = volume.clamp(0.0, 1.0);
        if let Some(library) = library {
            self.library = library;
        }
    }

    /// Plays a cue at `at`; where that time was written already, at once. Gives what became of this
    /// cue and of any that had been waiting, as far as it is settled.
    ///
    /// # Errors
    /// [`SoundError::NoSuchCue`] for an id the library does not hold, else where the file cannot be
    /// written or would grow longer than a WAV file can be.
    pub fn cue_at(&mut self, cue_id: &str, at: CaptureTime) -> Result<Vec<Outcome>, SoundError> {
        self.sound_at(Sound::Cue(cue_id.into()), at)
    }

    /// Says a sentence at `at`, or as soon as its turn comes.
    ///
    /// # Errors
    /// As [`CueLibrary::sentence`], else as [`Self::cue_at`].
    pub fn say_at(&mut self, said: &[Said], at: CaptureTime) -> Result<Vec<Outcome>, SoundError> {
        self.sound_at(Sound::Sentence(said.to_vec()), at)
    }

    /// Plays a delivery whose start is at `at`, or as soon as its turn comes.
    ///
    /// # Errors
    /// [`SoundError::BadDelivery`] for marks that cannot be, else as [`Self::cue_at`].
    pub fn deliver_at(
        &mut self,
        marks: &[DeliveryMark],
        at: CaptureTime,
    ) -> Result<Vec<Outcome>, SoundError> {
        self.sound_at(Sound::Delivery(marks.to_vec()), at)
    }

    /// From `at` on the head tone follows the head at this place, or fades out. Gives what became of a
    /// sound that had been waiting.
    ///
    /// # Errors
    /// As [`Self::advance_to`].
    pub fn head_tone_at(
        &mut self,
        tone: Option<HeadTone>,
        at: CaptureTime,
    ) -> Result<Vec<Outcome>, SoundError> {
        self.advance(self.since_start(at))?;
        self.tone.set(tone.map(|tone| tone.share));
        Ok(std::mem::take(&mut self.settled))
    }

    fn sound_at(&mut self, sound: Sound, at: CaptureTime) -> Result<Vec<Outcome>, SoundError> {
        let ready = self.library.ready(&sound)?;
        let ticket = Ticket(self.tickets);
        self.tickets += 1;
        let request = Request {
            ticket,
            sound,
            decided_at: Instant::now(),
            at,
        };
        self.request(request, ready)
    }

    /// Puts a sound into the file under a ticket of the caller's.
    pub(super) fn request(
        &mut self,
        request: Request,
        ready: Ready,
    ) -> Result<Vec<Outcome>, SoundError> {
        let decided_at = self.since_start(request.at);
        self.advance(decided_at)?;
        let now = duration_of(self.written).max(decided_at);
        let candidate = Candidate {
            lasts: duration_of(ready.samples.len()),
            cue: (request, ready.samples),
            rank: ready.rank,
            decided_at,
        };
        let step = self.schedule.request(now, candidate);
        self.follow(step)?;
        self.flush()?;
        Ok(std::mem::take(&mut self.settled))
    }

    /// Writes the file up to `at`, so that a long time without cues is on disk as it passes. Gives what
    /// became of a cue that had been waiting.
    ///
    /// # Errors
    /// As [`Self::cue_at`].
    pub fn advance_to(&mut self, at: CaptureTime) -> Result<Vec<Outcome>, SoundError> {
        self.advance(self.since_start(at))?;
        Ok(std::mem::take(&mut self.settled))
    }

    /// Writes the file up to `end`, and further where a cue is still to be heard, and closes it. Gives
    /// what became of a cue that had been waiting.
    ///
    /// # Errors
    /// As [`Self::cue_at`].
    pub fn finish(mut self, end: CaptureTime) -> Result<Vec<Outcome>, SoundError> {
        self.advance(self.since_start(end))?;
        while let Some(until) = self.schedule.busy_until(duration_of(self.written)) {
            let another_waits = self.schedule.wake_at().is_some();
            self.advance(until)?;
            if !another_waits {
                break;
            }
        }
        self.drain_voice()?;
        self.writer
            .finalize()
            .map_err(|source| SoundError::WriteWav {
                path: self.path,
                source,
            })?;
        Ok(self.settled)
    }

    fn since_start(&self, at: CaptureTime) -> Duration {
        Duration::try_from_secs_f64(at.secs_since(self.starts_at)).unwrap_or(Duration::ZERO)
    }

    /// Writes up to `until`, beginning waiting cues on the way as their turn comes.
    fn advance(&mut self, until: Duration) -> Result<(), SoundError> {
        if until.as_secs_f64() * f64::from(SAMPLE_RATE_HZ) > MOST_FRAMES {
            return Err(SoundError::LongWav {
                path: self.path.clone(),
                secs: until.as_secs_f64(),
            });
        }
        while let Some(due) = self.schedule.wake_at().filter(|due| *due <= until) {
            self.write_until(frames_in(due))?;
            self.drain_voice()?;
            let step = self.schedule.wake(due);
            self.follow(step)?;
        }
        self.write_until(frames_in(until))?;
        if self.written - self.flushed >= frames_in(FLUSH_EVERY) {
            self.flush()?;
        }
        Ok(())
    }

    /// Does what the schedule decided.
    fn follow(&mut self, step: Step<Prepared>) -> Result<(), SoundError> {
        let dropped = step.dropped.into_iter();
        self.settled
            .extend(dropped.map(|((request, _), why)| request.as_unheard(why)));
        let Some(start) = step.start else {
            return Ok(());
        };
        if start.cut || !self.tone.is_silent() {
            let begins = self.written + frames_in(CUT_FADE);
            if start.cut {
                self.voice.iter_mut().for_each(Voice::cut);
            }
            self.tone.duck(true);
            while self.written < begins {
                self.write_next()?;
            }
        }
        self.drain_voice()?;
        let (request, samples) = start.cue;
        let waited = duration_of(self.written).saturating_sub(self.since_start(request.at));
        self.voice = Some(Voice::new(samples, self.volume));
        self.tone.duck(true);
        self.settled.push(Outcome::Heard(Heard {
            ticket: request.ticket,
            cue_id: request.name(),
            at: request.at,
            latency_millis: waited.as_secs_f64() * 1e3,
            heard_at: None,
        }));
        Ok(())
    }

    /// Rounding to whole samples may leave the last one of a voice unwritten when the next begins.
    fn drain_voice(&mut self) -> Result<(), SoundError> {
        while let Some(sample) = self.voice.as_mut().and_then(Iterator::next) {
            let tone = self.tone.next() * self.volume;
            self.write(sample + tone)?;
        }
        self.voice = None;
        Ok(())
    }

    fn write_until(&mut self, frame: usize) -> Result<(), SoundError> {
        while self.written < frame {
            if self.voice.is_none() {
                self.tone.duck(false);
            }
            self.write_next()?;
        }
        Ok(())
    }

    /// Writes the next sample of what is heard. The voice and the tone are never heard together: the
    /// tone is ducked as long as there is a voice.
    fn write_next(&mut self) -> Result<(), SoundError> {
        let voice = self.voice.as_mut().and_then(Iterator::next);
        if voice.is_none() {
            self.voice = None;
        }
        let tone = self.tone.next() * self.volume;
        self.write(voice.unwrap_or(0.0) + tone)
    }

    fn write(&mut self, sample: f32) -> Result<(), SoundError> {
        let step = (sample.clamp(-1.0, 1.0) * f32::from(i16::MAX)).round() as i16;
        self.writer
            .write_sample(step)
            .map_err(|source| SoundError::WriteWav {
                path: self.path.clone(),
                source,
            })?;
        self.written += 1;
        Ok(())
    }

    fn flush(&mut self) -> Result<(), SoundError> {
        self.writer.flush().map_err(|source| SoundError::WriteWav {
            path: self.path.clone(),
            source,
        })?;
        self.flushed = self.written;
        Ok(())
    }
}

#[cfg(test)]
#[path = "render_tests.rs"]
mod tests;
