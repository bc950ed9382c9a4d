//! Writes what would be heard during a recording into a WAV file, on the recording's own time line.
//!
//! In: cues with capture times. Out: a 16-bit mono file at [`SAMPLE_RATE_HZ`], written as time goes on,
//! so memory stays small; its header is brought up to date every few seconds and after every cue, so
//! that a file cut off in the middle still plays. Runs on the caller's thread and goes by the same
//! [`Schedule`](super::schedule) as the live player.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use hound::{SampleFormat, WavSpec, WavWriter};

use crate::time::CaptureTime;

use super::library::CueLibrary;
use super::outcome::{Heard, Outcome, Unheard};
use super::schedule::{CUT_FADE, Candidate, Schedule, Step};
use super::voice::Voice;
use super::{CUE_DEADLINE, SAMPLE_RATE_HZ, SoundError, duration_of, frames_in};

/// After this much new sound the header is brought up to date.
const FLUSH_EVERY: Duration = Duration::from_secs(5);

/// A WAV file counts its bytes in 32 bits; the header takes some of them.
const MOST_FRAMES: f64 = (u32::MAX as f64 - 1024.0) / 2.0;

/// The sound track of one recording, being written.
pub struct WavRender {
    path: PathBuf,
    writer: WavWriter<BufWriter<File>>,
    library: Arc<CueLibrary>,
    schedule: Schedule<Cue>,
    settled: Vec<Outcome>,
    voice: Option<Voice>,
    starts_at: CaptureTime,
    volume: f32,
    written: usize,
    flushed: usize,
}

/// A cue on its way into the file.
struct Cue {
    id: Arc<str>,
    samples: Arc<[f32]>,
    at: CaptureTime,
}

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
            schedule: Schedule::new(CUE_DEADLINE),
            settled: Vec::new(),
            voice: None,
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

    /// Plays a cue at `at`; where that time was written already, at once. Gives what became of this
    /// cue and of any that had been waiting, as far as it is settled.
    ///
    /// # Errors
    /// [`SoundError::NoSuchCue`] for an id the library does not hold, else where the file cannot be
    /// written or would grow longer than a WAV file can be.
    pub fn cue_at(&mut self, cue_id: &str, at: CaptureTime) -> Result<Vec<Outcome>, SoundError> {
        let loaded = self
            .library
            .cue(cue_id)
            .ok_or_else(|| SoundError::NoSuchCue {
                id: cue_id.to_owned(),
            })?;
        let rank = loaded.rank;
        let cue = Cue {
            id: cue_id.into(),
            samples: Arc::clone(&loaded.samples),
            at,
        };
        let decided_at = self.since_start(at);
        self.advance(decided_at)?;
        let now = duration_of(self.written).max(decided_at);
        let lasts = duration_of(cue.samples.len());
        let step = self.schedule.request(
            now,
            Candidate {
                cue,
                rank,
                lasts,
                decided_at,
            },
        );
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
    fn follow(&mut self, step: Step<Cue>) -> Result<(), SoundError> {
        if let Some((cue, why)) = step.dropped {
            self.settled.push(Outcome::Unheard(Unheard {
                cue_id: cue.id,
                at: cue.at,
                why,
            }));
        }
        let Some(start) = step.start else {
            return Ok(());
        };
        if start.cut {
            let begins = self.written + frames_in(CUT_FADE);
            self.voice.iter_mut().for_each(Voice::cut);
            self.write_until(begins)?;
        }
        self.drain_voice()?;
        let cue = start.cue;
        let waited = duration_of(self.written).saturating_sub(self.since_start(cue.at));
        self.voice = Some(Voice::new(cue.samples, self.volume));
        let latency_millis = waited.as_secs_f64() * 1e3;
        self.settled.push(Outcome::Heard(Heard {
            cue_id: cue.id,
            at: cue.at,
            latency_millis,
        }));
        Ok(())
    }

    /// Rounding to whole samples may leave the last one of a voice unwritten when the next begins.
    fn drain_voice(&mut self) -> Result<(), SoundError> {
        while let Some(sample) = self.voice.as_mut().and_then(Iterator::next) {
            self.write(sample)?;
        }
        self.voice = None;
        Ok(())
    }

    fn write_until(&mut self, frame: usize) -> Result<(), SoundError> {
        while self.written < frame {
            let sample = self.voice.as_mut().and_then(Iterator::next).unwrap_or(0.0);
            self.write(sample)?;
        }
        Ok(())
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
mod tests {
    use hound::WavReader;

    use super::super::outcome::UnheardReason;
    use super::*;

    struct Bench {
        library: Arc<CueLibrary>,
        folder: tempfile::TempDir,
    }

    impl Bench {
        fn new() -> Self {
            let library = CueLibrary::load(None).expect("the built-in cues load");
            Self {
                library: Arc::new(library),
                folder: tempfile::tempdir().expect("a folder"),
            }
        }

        fn path(&self) -> PathBuf {
            self.folder.path().join("cues.wav")
        }

        fn render(&self) -> WavRender {
            WavRender::create(&self.path(), Arc::clone(&self.library)).expect("a file")
        }

        /// The file's samples, read back by the library that other programs use too.
        fn heard(&self) -> Vec<f32> {
            let reader = WavReader::open(self.path()).expect("a WAV file");
            let spec = reader.spec();
            assert_eq!(
                (spec.channels, spec.sample_rate, spec.bits_per_sample),
                (1, SAMPLE_RATE_HZ, 16)
            );
            reader
                .into_samples::<i16>()
                .map(|s| f32::from(s.expect("a sample")) / f32::from(i16::MAX))
                .collect()
        }

        fn samples(&self, id: &str) -> Arc<[f32]> {
            self.library.samples_for(id).expect("a cue")
        }
    }

    fn secs(secs: f64) -> CaptureTime {
        CaptureTime::from_secs(secs)
    }

    fn latency_millis(outcomes: &[Outcome], index: usize) -> f64 {
        match &outcomes[index] {
            Outcome::Heard(heard) => heard.latency_millis,
            Outcome::Unheard(unheard) => panic!("not heard: {unheard:?}"),
        }
    }

    #[test]
    fn a_cue_stands_at_its_time_sample_for_sample() {
        let bench = Bench::new();
        let mut render = bench.render();
        let outcomes = render.cue_at("head_forward", secs(2.5)).expect("written");
        assert_eq!(latency_millis(&outcomes, 0), 0.0);
        assert!(render.finish(secs(6.0)).expect("closed").is_empty());
        let (heard, cue) = (bench.heard(), bench.samples("head_forward"));
        assert_eq!(heard.len(), 6 * 48_000);
        let (first, last) = (120_000, 120_000 + cue.len());
        assert!(
            heard[..first]
                .iter()
                .chain(&heard[last..])
                .all(|s| *s == 0.0),
            "silence around it"
        );
        assert!(
            heard[first..last]
                .iter()
                .zip(&*cue)
                .all(|(a, b)| (a - b).abs() < 1e-4)
        );
    }

    #[test]
    fn the_time_line_begins_where_it_is_told_and_volume_scales() {
        let bench = Bench::new();
        let mut render = bench.render().starting_at(secs(100.0)).with_volume(0.5);
        render.cue_at("in_band", secs(100.5)).expect("written");
        render.finish(secs(101.0)).expect("closed");
        let (heard, cue) = (bench.heard(), bench.samples("in_band"));
        assert_eq!(heard.len(), 48_000);
        assert!(
            heard[24_000..]
                .iter()
                .zip(&*cue)
                .all(|(a, b)| (a - 0.5 * b).abs() < 1e-4)
        );
    }

    #[test]
    fn a_second_swing_cuts_the_first_cue_without_overlap_or_click() {
        let bench = Bench::new();
        let mut render = bench.render();
        render.cue_at("head_forward", secs(1.0)).expect("written");
        let outcomes = render.cue_at("stride_long", secs(1.6)).expect("written");
        assert!(
            (latency_millis(&outcomes, 0) - 10.0).abs() < 0.1,
            "it begins after the fade"
        );
        render.finish(secs(2.0)).expect("closed");
        let (heard, first, second) = (
            bench.heard(),
            bench.samples("head_forward"),
            bench.samples("stride_long"),
        );
        let cut = 76_800;
        assert!(
            heard[48_000..cut]
                .iter()
                .zip(&*first)
                .all(|(a, b)| (a - b).abs() < 1e-4)
        );
        assert!(
            heard[cut + 480..]
                .iter()
                .zip(&*second)
                .all(|(a, b)| (a - b).abs() < 1e-4)
        );
        assert_eq!(
            heard.len(),
            cut + 480 + second.len(),
            "the last cue is heard to its end"
        );
        let fade = &heard[cut..cut + 480];
        let original = &first[cut - 48_000..];
        assert!(
            fade.iter()
                .zip(original)
                .all(|(a, b)| a.abs() <= b.abs() + 1e-4),
            "the fade only lowers"
        );
        assert!(fade[479].abs() < 1e-3);
    }

    #[test]
    fn a_remark_waits_and_is_told_of_when_it_is_heard() {
        let bench = Bench::new();
        let mut render = bench.render();
        render.cue_at("in_band", secs(1.0)).expect("written");
        assert!(
            render
                .cue_at("too_dark", secs(1.1))
                .expect("written")
                .is_empty(),
            "not settled yet"
        );
        let (tone, remark) = (bench.samples("in_band"), bench.samples("too_dark"));
        let outcomes = render.finish(secs(1.2)).expect("closed");
        let waited = tone.len() as f64 / 48.0 - 100.0;
        assert!((latency_millis(&outcomes, 0) - waited).abs() < 0.1);
        let heard = bench.heard();
        assert!(
            heard[48_000 + tone.len()..]
                .iter()
                .zip(&*remark)
                .all(|(a, b)| (a - b).abs() < 1e-4)
        );
    }

    #[test]
    fn a_remark_that_would_come_too_late_is_dropped() {
        let bench = Bench::new();
        let mut render = bench.render();
        render.cue_at("weight_early", secs(0.0)).expect("written");
        render.cue_at("ready", secs(0.1)).expect("written");
        let outcomes = render.advance_to(secs(3.0)).expect("written");
        let [Outcome::Unheard(unheard)] = outcomes.as_slice() else {
            panic!("{outcomes:?}")
        };
        assert_eq!(unheard.why, UnheardReason::Stale);
    }

    /// The header must be right at any time, because a replay may be killed.
    #[test]
    fn an_unfinished_file_can_be_read() {
        let bench = Bench::new();
        let mut render = bench.render();
        assert_eq!(bench.heard().len(), 0, "right from the start");
        render.cue_at("in_band", secs(1.0)).expect("written");
        assert_eq!(bench.heard().len(), 48_000, "up to the cue");
        render.advance_to(secs(30.0)).expect("written");
        assert_eq!(bench.heard().len(), 30 * 48_000);
    }

    #[test]
    fn what_cannot_be_written_is_told_by_name() {
        let bench = Bench::new();
        let create = |path: &Path| {
            WavRender::create(path, Arc::clone(&bench.library))
                .err()
                .expect("no file")
        };
        let message = create(&bench.folder.path().join("no/such/cues.wav")).to_string();
        assert!(
            message.contains("no/such/cues.wav") && message.contains("folder exists"),
            "{message}"
        );
        let mut render = bench.render();
        assert!(matches!(
            render.cue_at("no_such_cue", secs(1.0)),
            Err(SoundError::NoSuchCue { .. })
        ));
        let message = render
            .cue_at("in_band", secs(1e9))
            .expect_err("a broken time stamp")
            .to_string();
        assert!(message.contains("time stamps"), "{message}");
    }
}
