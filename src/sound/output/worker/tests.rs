//! When sounds begin and end on a device made of memory, on a clock that the test turns: outcomes, cuts,
//! deliveries, the head tone, a stuttering device.

use std::sync::atomic::{AtomicU64, Ordering};

use crossbeam_channel::{Receiver, bounded};

use super::*;
use crate::coach::{CueId, PhraseId, Said};
use crate::pitch::{Mark, MarkKind};
use crate::sound::output::device::RETRY_POLICY;
use crate::sound::output::speaker::PERIODS;
use crate::sound::output::stream::HeadToneControl;
use crate::sound::request::{Sound, Ticket};
use crate::sound::test_support::memory_device::{MemoryDevice, PERIOD, trimmed};
use crate::sound::{CUE_DEADLINE, SAMPLE_RATE_HZ, duration_of};
use crate::time::CaptureTime;

struct Bench {
    device: Arc<MemoryDevice>,
    worker: Worker,
    tone: Arc<HeadToneControl>,
    outcomes: Receiver<Outcome>,
    library: Arc<CueLibrary>,
    clock: Clock,
    /// The clock's own time, since its start.
    millis: Arc<AtomicU64>,
    tickets: u64,
}

impl Bench {
    /// A worker whose device is open.
    fn new() -> Self {
        let (start, millis) = (Instant::now(), Arc::new(AtomicU64::new(0)));
        let passed = Arc::clone(&millis);
        let clock: Clock =
            Arc::new(move || start + Duration::from_millis(passed.load(Ordering::SeqCst)));
        let device = MemoryDevice::new(true);
        let tone = Arc::new(HeadToneControl::new(&clock, 1.0));
        let library = Arc::new(CueLibrary::load(None).expect("the built-in cues load"));
        let (sender, outcomes) = bounded(64);
        let shared = Shared {
            outcomes: sender,
            health: Mutex::default(),
            settings: Mutex::new(PlaybackSettings {
                volume: 1.0,
                library: Arc::clone(&library),
            }),
        };
        let kept_open = Device::new(
            device.opener(),
            RETRY_POLICY,
            Arc::clone(&tone),
            Arc::clone(&clock),
        );
        let mut bench = Self {
            worker: Worker::new(kept_open, Arc::new(shared), Arc::clone(&clock)),
            device,
            tone,
            outcomes,
            library,
            clock,
            millis,
            tickets: 0,
        };
        bench.worker.poll();
        assert_eq!(bench.worker.shared.health().state, OutputState::Open);
        bench
    }

    fn pass(&self, duration: Duration) {
        let millis = u64::try_from(duration.as_millis()).expect("a short time");
        self.millis.fetch_add(millis, Ordering::SeqCst);
    }

    fn play_decided(&mut self, sound: Sound, decided_at: Instant) -> Ticket {
        self.tickets += 1;
        self.worker.play(SoundRequest {
            ticket: Ticket(self.tickets),
            sound,
            decided_at,
            at: CaptureTime::default(),
        });
        Ticket(self.tickets)
    }

    fn play(&mut self, sound: Sound) -> Ticket {
        self.play_decided(sound, (self.clock)())
    }

    fn play_cue(&mut self, id: CueId) -> Ticket {
        self.play(Sound::Cue(id))
    }

    /// Lets time pass, as the device and the thread see it; gives what is heard.
    fn run(&mut self, duration: Duration) -> Vec<f32> {
        let mut heard = Vec::new();
        for _ in 0..duration.as_millis() / PERIOD.as_millis() {
            self.pass(PERIOD);
            heard.extend(self.device.take(192));
            self.worker.poll();
        }
        heard
    }

    fn outcome_of(&self, ticket: Ticket) -> Result<Played, NotPlayed> {
        let mut settled = self.outcomes.try_iter();
        let outcome = settled.find(|outcome| outcome.request.ticket == ticket);
        outcome.expect("an outcome").result
    }

    fn cue(&self, id: CueId) -> Vec<f32> {
        let samples = self.library.cue(id).expect("a cue");
        trimmed(&samples).to_vec()
    }
}

fn millis(millis: u64) -> Duration {
    Duration::from_millis(millis)
}

fn marks(marks: &[(f64, MarkKind)]) -> Sound {
    let mark = |(at_secs, kind): &(f64, MarkKind)| Mark {
        at_secs: *at_secs,
        kind: *kind,
    };
    Sound::Delivery(marks.iter().map(mark).collect())
}

/// Where `sound` stands in what was heard, whole, and nothing with it; seconds.
fn found_at(heard: &[f32], sound: &[f32]) -> Option<f64> {
    let first = heard.windows(sound.len()).position(|w| w == sound)?;
    Some(first as f64 / f64::from(SAMPLE_RATE_HZ))
}

#[test]
fn an_outcome_tells_when_the_device_took_the_first_sample() {
    let mut bench = Bench::new();
    let asked = (bench.clock)();
    let ticket = bench.play(marks(&[(0.0, MarkKind::Beat), (0.3, MarkKind::Release)]));
    bench.pass(millis(60));
    bench.worker.poll();
    assert!(bench.outcomes.is_empty(), "the device has not taken it");
    bench.device.take(192);
    bench.worker.poll();
    let played = bench.outcome_of(ticket).expect("played");
    assert_eq!(played.heard_at, Some(asked + millis(60) + PERIOD));
    assert!((played.latency_millis - 64.0).abs() < 1e-6);
}

#[test]
fn what_follows_another_sound_is_timed_to_its_own_first_sample() {
    let mut bench = Bench::new();
    bench.play_cue(CueId::InBand);
    bench.run(millis(40));
    let ticket = bench.play_cue(CueId::HeadForward);
    // The device takes all of it in one go: the fade comes first.
    bench.device.take(4800);
    bench.worker.poll();
    let played = bench.outcome_of(ticket).expect("played");
    assert!((played.latency_millis - (10.0 + 4.0)).abs() < 0.1);
}

#[test]
fn a_voice_that_was_cut_before_it_began_was_replaced() {
    let mut bench = Bench::new();
    let first = bench.play_cue(CueId::HeadForward);
    bench.run(millis(8));
    assert!(bench.outcome_of(first).is_ok());
    let second = bench.play_cue(CueId::StrideLong);
    let third = bench.play_cue(CueId::InBand);
    let heard = bench.run(millis(1000));
    let outcomes: Vec<Outcome> = bench.outcomes.try_iter().collect();
    let of = |ticket| outcomes.iter().find(|o| o.request.ticket == ticket);
    assert_eq!(
        of(second).map(|outcome| outcome.result),
        Some(Err(NotPlayed::Replaced))
    );
    assert!(of(third).is_some_and(|outcome| outcome.result.is_ok()));
    assert!(found_at(&heard, &bench.cue(CueId::InBand)).is_some());
}

#[test]
fn two_cues_never_sound_at_once() {
    let mut bench = Bench::new();
    let ids = [
        CueId::HeadForward,
        CueId::StrideLong,
        CueId::InBand,
        CueId::FootOpen,
    ];
    let mut heard = Vec::new();
    for id in ids {
        bench.play_cue(id);
        heard.push(bench.run(millis(200)));
    }
    heard.push(bench.run(millis(2000)));
    let (fade, all) = (480 + 192, heard.concat());
    for (index, id) in ids.into_iter().enumerate() {
        // After the fade of the one before, the start of this cue and nothing else.
        let (cue, after) = (bench.cue(id), &heard[index][fade..]);
        let from = cue
            .windows(after.len())
            .position(|window| window == after)
            .expect("the cue alone");
        assert!(from < fade, "{id} is {from} samples in");
    }
    let last = bench.cue(CueId::FootOpen);
    assert!(trimmed(&all).ends_with(&last), "the newest is heard whole");
}

#[test]
fn a_swing_cuts_a_sentence_and_a_delivery() {
    let said = vec![
        Said::Count(10, PhraseId::Swings),
        Said::Phrase(PhraseId::Opening),
    ];
    let beats: Vec<_> = (0..9)
        .map(|beat| (f64::from(beat) * 0.5, MarkKind::Beat))
        .collect();
    for sound in [Sound::Sentence(said), marks(&beats)] {
        let mut bench = Bench::new();
        bench.play(sound);
        let mut heard = bench.run(millis(700));
        assert!(heard.iter().any(|s| *s != 0.0), "it is heard until then");
        bench.play_cue(CueId::InBand);
        heard.extend(bench.run(millis(800)));
        let cue = bench.cue(CueId::InBand);
        let secs = found_at(&heard, &cue).expect("the cue is heard whole, and nothing with it");
        assert!((0.7..0.72).contains(&secs), "{secs}");
        let end = (secs * f64::from(SAMPLE_RATE_HZ)).round() as usize + cue.len();
        assert!(heard[end..].iter().all(|s| *s == 0.0));
    }
}

/// A frame with the head's travel every 16 ms; the tone must be there soon, leave room for a cue, come
/// back after it and end.
#[test]
fn the_head_tone_follows_and_leaves_room_for_a_cue() {
    let mut bench = Bench::new();
    let mut heard = Vec::new();
    let mut lags = Vec::new();
    for frame in 0..112_u32 {
        let secs = 0.016 * f64::from(frame);
        bench.tone.set((secs < 1.5).then_some(secs as f32 / 1.5));
        if frame == 32 {
            bench.play_cue(CueId::InBand);
        }
        heard.extend(bench.run(millis(16)));
        lags.extend(bench.tone.take_lag());
    }
    let sounds_at = |secs: f64| {
        let from = (secs * f64::from(SAMPLE_RATE_HZ)) as usize;
        heard[from..from + 960].iter().any(|s| s.abs() > 0.02)
    };
    assert!(sounds_at(0.03), "it is there within 50 ms");
    let cue = bench.cue(CueId::InBand);
    let begins = found_at(&heard, &cue).expect("the cue is heard whole, and nothing with it");
    assert!((0.512..0.53).contains(&begins), "{begins}");
    assert!(sounds_at(begins + 0.35 + 0.1), "it comes back");
    assert!(!sounds_at(1.65), "it ends");
    assert!(lags.len() > 90, "each change has its lag: {}", lags.len());
    assert!(lags.iter().all(|lag| *lag <= PERIOD), "{lags:?}");
}

#[test]
fn a_sentence_waits_for_the_cue_before_it() {
    let mut bench = Bench::new();
    bench.play_cue(CueId::InBand);
    let said = vec![Said::Phrase(PhraseId::RestOver)];
    let ticket = bench.play(Sound::Sentence(said.clone()));
    let heard = bench.run(millis(4000));
    let played = bench.outcome_of(ticket).expect("played");
    let cue = bench.library.cue(CueId::InBand).expect("a cue");
    let waited = duration_of(cue.len()).as_secs_f64() * 1e3;
    assert!((waited..waited + 16.0).contains(&played.latency_millis));
    let sentence = bench.library.sentence(&said).expect("a sentence");
    assert!(found_at(&heard, trimmed(&sentence)).is_some());
}

#[test]
fn a_lost_device_costs_what_was_on_its_way() {
    let mut bench = Bench::new();
    let heard = bench.play_cue(CueId::InBand);
    let waiting = bench.play(Sound::Sentence(vec![Said::Phrase(PhraseId::RestOver)]));
    bench.device.lost.store(true, Ordering::SeqCst);
    bench.worker.poll();
    let outcomes: Vec<Outcome> = bench.outcomes.try_iter().collect();
    let lost: Vec<_> = outcomes
        .iter()
        .map(|o| (o.request.ticket, o.result))
        .collect();
    let no_device = Err(NotPlayed::NoDevice);
    assert_eq!(lost, [(heard, no_device), (waiting, no_device)]);
    assert_eq!(bench.worker.shared.health().state, OutputState::Missing);
}

#[test]
fn stutters_enlarge_the_buffer_once_nothing_is_heard() {
    let mut bench = Bench::new();
    let period_index = |bench: &Bench| bench.device.period_index.load(Ordering::SeqCst);
    bench.device.stutters.store(3, Ordering::SeqCst);
    bench.run(millis(1000));
    assert_eq!(period_index(&bench), 0, "three are allowed");
    bench.play_cue(CueId::HeadForward);
    bench.device.stutters.store(4, Ordering::SeqCst);
    bench.run(millis(200));
    assert_eq!(period_index(&bench), 0, "not while a cue is heard");
    bench.run(millis(2000));
    assert_eq!(period_index(&bench), 1);
    assert!(PERIODS[1] > PERIODS[0]);
    assert_eq!(bench.worker.shared.health().state, OutputState::Open);
}

#[test]
fn what_is_stale_or_cannot_be_made_is_not_played() {
    let mut bench = Bench::new();
    let decided_at = (bench.clock)();
    bench.pass(CUE_DEADLINE + millis(50));
    let stale = bench.play_decided(Sound::Cue(CueId::InBand), decided_at);
    assert_eq!(bench.outcome_of(stale), Err(NotPlayed::Stale));
    let impossible = bench.play(Sound::Sentence(vec![Said::Number(1000)]));
    assert_eq!(bench.outcome_of(impossible), Err(NotPlayed::Unavailable));
    assert!(bench.run(millis(100)).iter().all(|s| *s == 0.0));
}
