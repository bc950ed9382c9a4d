//! Mixes what is heard into one stream of samples: one voice at a time, and the head tone in between.
//!
//! In: voices in the order in which they are to be heard, and the travel of the head. Out: samples at
//! [`SAMPLE_RATE_HZ`](crate::sound::SAMPLE_RATE_HZ). The device's audio thread and the WAV file go by
//! it alike, so a file holds what the cage would have heard. No clock, no lock, no input or output, and
//! nothing is allocated once it was made.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use super::queue::CUT_FADE;
use crate::sound::synth::{HeadToneVoice, raised_cosine};
use crate::sound::{duration_of, samples_in};

/// Voices that may wait in the mixer. The queue hands one over when the one before is over, so that
/// more than one waits only while a device stands still.
pub(super) const MAX_WAITING: usize = 8;

/// How far a voice has come, for the thread that handed it over.
#[derive(Debug)]
pub(super) struct VoiceState {
    made_at: Instant,
    /// Nanoseconds from `made_at` until a device took the voice; 0 before that, and in a file.
    taken_nanos: AtomicU64,
    /// Samples that the mixer gave out between taking the voice and beginning it; [`NOT_BEGUN`] until then.
    waited: AtomicUsize,
    dropped: AtomicBool,
}

const NOT_BEGUN: usize = usize::MAX;

impl VoiceState {
    /// When the device took the voice's first sample, if it did. The position of that sample in the stream
    /// is counted in, so that what follows another voice is as exact as what comes alone.
    pub(super) fn began_at(&self) -> Option<Instant> {
        let waited = self.waited.load(Ordering::Acquire);
        let taken = Duration::from_nanos(self.taken_nanos.load(Ordering::Acquire));
        (waited != NOT_BEGUN).then(|| self.made_at + taken + duration_of(waited))
    }

    /// No sample of it will come any more.
    pub(super) fn is_dropped(&self) -> bool {
        self.dropped.load(Ordering::Acquire)
    }
}

/// The samples of one sound, scaled; ends early, but softly, when it is cut.
#[derive(Debug)]
pub(super) struct Voice {
    samples: Arc<[f32]>,
    position: usize,
    gain: f32,
    /// What is heard before it is to fade out.
    cuts: bool,
    /// Samples left of the fade, once the voice was cut itself.
    fade_left: Option<usize>,
    /// Samples that the mixer gave out while the voice waited.
    waited: usize,
    state: Arc<VoiceState>,
}

impl Voice {
    /// `gain`: 1 plays the samples as they are.
    pub(super) fn new(samples: Arc<[f32]>, gain: f32, cuts: bool, now: Instant) -> Self {
        Self {
            samples,
            position: 0,
            gain,
            cuts,
            fade_left: None,
            waited: 0,
            state: Arc::new(VoiceState {
                made_at: now,
                taken_nanos: AtomicU64::new(0),
                waited: AtomicUsize::new(NOT_BEGUN),
                dropped: AtomicBool::new(false),
            }),
        }
    }

    pub(super) fn state(&self) -> Arc<VoiceState> {
        Arc::clone(&self.state)
    }

    /// A device took the voice; it begins when its turn comes.
    pub(super) fn note_taken(&self, now: Instant) {
        let nanos = now.saturating_duration_since(self.state.made_at).as_nanos();
        let nanos = u64::try_from(nanos).unwrap_or(u64::MAX);
        self.state.taken_nanos.store(nanos, Ordering::Release);
    }

    /// Lets the voice die away within [`CUT_FADE`]. A second call changes nothing.
    fn cut(&mut self) {
        self.fade_left.get_or_insert(samples_in(CUT_FADE));
    }

    fn is_over(&self) -> bool {
        self.position >= self.samples.len() || self.fade_left == Some(0)
    }
}

impl Iterator for Voice {
    type Item = f32;

    fn next(&mut self) -> Option<f32> {
        let mut sample = self.samples.get(self.position)? * self.gain;
        self.position += 1;
        if let Some(left) = &mut self.fade_left {
            *left = left.checked_sub(1)?;
            sample *= raised_cosine(*left as f32 / samples_in(CUT_FADE) as f32);
        }
        Some(sample)
    }
}

impl Drop for Voice {
    fn drop(&mut self) {
        self.state.dropped.store(true, Ordering::Release);
    }
}

/// One voice at a time, those that wait for it, and the head tone.
#[derive(Debug)]
pub(super) struct Mixer {
    voice: Option<Voice>,
    waiting: VecDeque<Voice>,
    /// Samples until the first of them may begin: what is heard fades out meanwhile.
    begins_in: usize,
    tone: HeadToneVoice,
    tone_gain: f32,
}

impl Mixer {
    pub(super) fn new() -> Self {
        Self {
            voice: None,
            waiting: VecDeque::with_capacity(MAX_WAITING),
            begins_in: 0,
            tone: HeadToneVoice::default(),
            tone_gain: 1.0,
        }
    }

    /// Lets a voice be heard after those before it. Where it cuts, what is heard fades out within
    /// [`CUT_FADE`] and what had not begun is dropped. The head tone makes room. Beyond [`MAX_WAITING`]
    /// a voice is dropped.
    pub(super) fn play(&mut self, voice: Voice) {
        if voice.cuts {
            self.waiting.clear();
            self.voice.iter_mut().for_each(Voice::cut);
        }
        if voice.cuts || !self.tone.is_silent() {
            self.begins_in = samples_in(CUT_FADE);
        }
        if self.waiting.len() < MAX_WAITING {
            self.waiting.push_back(voice);
        }
    }

    /// Lets what is heard die away; nothing that waits begins any more.
    pub(super) fn fade_out(&mut self) {
        self.waiting.clear();
        self.voice.iter_mut().for_each(Voice::cut);
        self.tone.set(None);
    }

    /// Lets the tone follow the head, or fade out. `gain` counts from the next time the tone begins.
    pub(super) fn set_tone(&mut self, share: Option<f32>, gain: f32) {
        if self.tone.is_silent() {
            self.tone_gain = gain;
        }
        self.tone.set(share);
    }

    /// A voice was handed over and has not begun.
    pub(super) fn is_waiting(&self) -> bool {
        !self.waiting.is_empty()
    }

    /// The next sample is the first one of a voice that waits.
    pub(super) fn begins_now(&self) -> bool {
        self.is_waiting() && self.begins_in == 0 && !self.has_voice()
    }

    /// A voice is heard and has samples left.
    pub(super) fn has_voice(&self) -> bool {
        self.voice.as_ref().is_some_and(|voice| !voice.is_over())
    }

    /// Nothing is heard, and nothing will be unless it is asked for.
    pub(super) fn is_idle(&self) -> bool {
        self.voice.is_none() && self.waiting.is_empty() && self.tone.is_off()
    }

    /// The next sample. The head tone is silent as long as a voice is heard or waits.
    pub(super) fn next_sample(&mut self) -> f32 {
        self.tone
            .duck(self.voice.is_some() || !self.waiting.is_empty());
        let mut sample = self.voice.as_mut().and_then(Iterator::next);
        if sample.is_none() {
            self.voice = None;
            if self.begins_in == 0 {
                self.voice = self.waiting.pop_front();
                if let Some(voice) = &mut self.voice {
                    let waited = voice.waited;
                    voice.state.waited.store(waited, Ordering::Release);
                    sample = voice.next();
                }
            }
        }
        self.begins_in = self.begins_in.saturating_sub(1);
        self.waiting
            .iter_mut()
            .for_each(|waiting| waiting.waited += 1);
        sample.unwrap_or(0.0) + self.tone.next() * self.tone_gain
    }
}
