//! A sound device made of memory: what the player hands to a device, taken at the test's own pace, and
//! what happens when the device is missing, slow, lost or stuttering.

use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::time::CaptureTime;

use super::device::{OpenSpeaker, Patience};
use super::device_voice::{DeviceTone, DeviceVoice};
use super::library::CueLibrary;
use super::outcome::{Outcome, UnheardReason};
use super::player::{Output, PlayRequest, Player};
use super::speaker::Speaker;
use super::{SAMPLE_RATE_HZ, SoundError};

pub(super) const QUICK: Patience = Patience {
    first_retry: Duration::from_millis(20),
    last_retry: Duration::from_millis(80),
    steady_after: Duration::from_secs(60),
    stutters_borne: 3,
    stutter_window: Duration::from_secs(60),
};

/// The device takes so many samples at a time.
pub(super) const PERIOD: Duration = Duration::from_millis(4);

/// The device's side of the bench.
#[derive(Default)]
pub(super) struct Memory {
    pub(super) voices: Mutex<Vec<Box<dyn Iterator<Item = f32> + Send>>>,
    pub(super) present: AtomicBool,
    pub(super) lost: AtomicBool,
    pub(super) stutters: AtomicU64,
    pub(super) opened: AtomicUsize,
    pub(super) period_index: AtomicUsize,
    pub(super) opening_takes_millis: AtomicU64,
}

pub(super) struct MemorySpeaker(Arc<Memory>);

impl Speaker for MemorySpeaker {
    fn add(&mut self, voice: DeviceVoice) {
        self.0
            .voices
            .lock()
            .expect("not poisoned")
            .push(Box::new(voice));
    }
    fn add_tone(&mut self, tone: DeviceTone) {
        self.0
            .voices
            .lock()
            .expect("not poisoned")
            .push(Box::new(tone));
    }
    fn is_lost(&self) -> bool {
        self.0.lost.load(Ordering::SeqCst)
    }
    fn stutters(&self) -> u64 {
        self.0.stutters.load(Ordering::SeqCst)
    }
    fn period(&self) -> Duration {
        PERIOD
    }
    fn period_index(&self) -> usize {
        self.0.period_index.load(Ordering::SeqCst)
    }
}

impl Memory {
    pub(super) fn new(present: bool) -> Arc<Self> {
        let memory = Self::default();
        memory.present.store(present, Ordering::SeqCst);
        Arc::new(memory)
    }

    pub(super) fn opener(self: &Arc<Self>) -> OpenSpeaker {
        let memory = Arc::clone(self);
        Box::new(move |period_index| {
            std::thread::sleep(Duration::from_millis(
                memory.opening_takes_millis.load(Ordering::SeqCst),
            ));
            if !memory.present.load(Ordering::SeqCst) {
                return Err(SoundError::OpenDevice(rodio::DeviceSinkError::NoDevice));
            }
            memory.lost.store(false, Ordering::SeqCst);
            memory.stutters.store(0, Ordering::SeqCst);
            memory.period_index.store(period_index, Ordering::SeqCst);
            memory.opened.fetch_add(1, Ordering::SeqCst);
            Ok(Box::new(MemorySpeaker(Arc::clone(&memory))))
        })
    }

    pub(super) fn player(self: &Arc<Self>) -> Player {
        let library = Arc::new(CueLibrary::load(None).expect("the built-in cues load"));
        Player::start_with(Output::Device, library, 1.0, self.opener(), QUICK).expect("a thread")
    }

    /// Mixes all voices to their ends as the audio thread would, and counts how many sound at once.
    pub(super) fn mix(&self) -> (Vec<f32>, usize) {
        let (mut mixed, mut most) = (Vec::new(), 0);
        while !self.voices.lock().expect("not poisoned").is_empty() {
            let sounding = self.take(1, &mut mixed);
            most = most.max(sounding);
        }
        mixed.pop();
        (mixed, most)
    }

    /// Takes so many samples, as the audio thread would for one period.
    pub(super) fn take(&self, samples: usize, mixed: &mut Vec<f32>) -> usize {
        let mut voices = self.voices.lock().expect("not poisoned");
        let mut most = 0;
        for _ in 0..samples {
            let (mut sum, mut sounding) = (0.0, 0);
            voices.retain_mut(|voice| match voice.next() {
                Some(sample) => {
                    sum += sample;
                    sounding += usize::from(sample != 0.0);
                    true
                }
                None => false,
            });
            most = most.max(sounding);
            mixed.push(sum);
        }
        most
    }
}

pub(super) fn request(id: &str, at_secs: f64) -> PlayRequest {
    PlayRequest {
        cue_id: id.into(),
        decided_at: Instant::now(),
        at: CaptureTime::from_secs(at_secs),
    }
}

pub(super) fn next(player: &Player) -> Outcome {
    player
        .outcomes()
        .recv_timeout(Duration::from_secs(5))
        .expect("an outcome")
}

pub(super) fn why(outcome: Outcome) -> UnheardReason {
    match outcome {
        Outcome::Unheard(unheard) => unheard.why,
        Outcome::Heard(heard) => panic!("heard: {heard:?}"),
    }
}

/// Waits for `condition`, which another thread brings about.
pub(super) fn wait_until(what: &str, mut condition: impl FnMut() -> bool) {
    let began = Instant::now();
    while !condition() {
        assert!(
            began.elapsed() < Duration::from_secs(5),
            "{what} did not happen"
        );
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Runs the device at its true pace until `done`, and gives back all that was heard.
pub(super) fn run_device(
    memory: &Memory,
    most: &mut usize,
    mut done: impl FnMut(f64) -> bool,
) -> Vec<f32> {
    let (began, mut mixed) = (Instant::now(), Vec::new());
    loop {
        let due = (began.elapsed().as_secs_f64() * f64::from(SAMPLE_RATE_HZ)) as usize;
        *most = memory
            .take(due.saturating_sub(mixed.len()), &mut mixed)
            .max(*most);
        if done(began.elapsed().as_secs_f64()) {
            return mixed;
        }
        std::thread::sleep(PERIOD);
    }
}
