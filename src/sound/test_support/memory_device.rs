//! A sound device made of memory: what the player hands to a device, taken when the test says so, and
//! what happens when the device is missing, slow, lost or stuttering.

use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::sound::SoundError;
use crate::sound::output::{MixerStream, OpenSpeaker, RetryPolicy, Speaker};

pub(in crate::sound) const QUICK: RetryPolicy = RetryPolicy {
    first_retry: Duration::from_millis(20),
    last_retry: Duration::from_millis(80),
    steady_after: Duration::from_secs(60),
    stutters_allowed: 3,
    stutter_window: Duration::from_secs(60),
};

/// The device takes this much at a time.
pub(in crate::sound) const PERIOD: Duration = Duration::from_millis(4);

/// The device's side, for the test to look at and to turn.
#[derive(Default)]
pub(in crate::sound) struct MemoryDevice {
    stream: Mutex<Option<MixerStream>>,
    pub(in crate::sound) present: AtomicBool,
    pub(in crate::sound) lost: AtomicBool,
    pub(in crate::sound) stutters: AtomicU64,
    pub(in crate::sound) opened: AtomicUsize,
    pub(in crate::sound) period_index: AtomicUsize,
    pub(in crate::sound) opening_takes_millis: AtomicU64,
    /// Opening breaks off by a fault, once.
    pub(in crate::sound) panics: AtomicBool,
}

struct MemorySpeaker(Arc<MemoryDevice>);

impl Speaker for MemorySpeaker {
    fn start(&mut self, stream: MixerStream) {
        *self.0.stream.lock().expect("not poisoned") = Some(stream);
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

impl MemoryDevice {
    pub(in crate::sound) fn new(present: bool) -> Arc<Self> {
        let device = Self::default();
        device.present.store(present, Ordering::SeqCst);
        Arc::new(device)
    }

    pub(in crate::sound) fn opener(self: &Arc<Self>) -> OpenSpeaker {
        let device = Arc::clone(self);
        Arc::new(move |period_index| {
            assert!(
                !device.panics.swap(false, Ordering::SeqCst),
                "a fault that the test asked for"
            );
            std::thread::sleep(Duration::from_millis(
                device.opening_takes_millis.load(Ordering::SeqCst),
            ));
            if !device.present.load(Ordering::SeqCst) {
                return Err(SoundError::OpenDevice(rodio::DeviceSinkError::NoDevice));
            }
            device.lost.store(false, Ordering::SeqCst);
            device.stutters.store(0, Ordering::SeqCst);
            device.period_index.store(period_index, Ordering::SeqCst);
            device.opened.fetch_add(1, Ordering::SeqCst);
            Ok(Box::new(MemorySpeaker(Arc::clone(&device))))
        })
    }

    /// Takes so many samples, as the audio thread would; fewer once the stream has ended.
    pub(in crate::sound) fn take(&self, samples: usize) -> Vec<f32> {
        let mut stream = self.stream.lock().expect("not poisoned");
        let stream = stream.iter_mut().flat_map(Iterator::by_ref);
        stream.take(samples).collect()
    }

    /// Takes samples until nothing is heard any more, and gives what was, without the silence around it.
    pub(in crate::sound) fn take_all(&self) -> Vec<f32> {
        let mut heard = Vec::new();
        loop {
            let period = self.take(48);
            let ended = period.is_empty();
            heard.extend(period);
            let stream = self.stream.lock().expect("not poisoned");
            if ended || stream.as_ref().is_none_or(MixerStream::is_idle) {
                return trimmed(&heard).to_vec();
            }
        }
    }
}

/// The samples without the silence before and after them.
pub(in crate::sound) fn trimmed(samples: &[f32]) -> &[f32] {
    let heard = |sample: &f32| *sample != 0.0;
    match (
        samples.iter().position(heard),
        samples.iter().rposition(heard),
    ) {
        (Some(first), Some(last)) => &samples[first..=last],
        _ => &[],
    }
}

/// Waits for `condition`, which another thread brings about.
pub(in crate::sound) fn wait_until(what: &str, mut condition: impl FnMut() -> bool) {
    let began = std::time::Instant::now();
    while !condition() {
        assert!(
            began.elapsed() < Duration::from_secs(5),
            "{what} did not happen"
        );
        std::thread::sleep(Duration::from_millis(2));
    }
}
