//! The player and its thread with a device made of memory: what is handed over, and what happens when the
//! device is missing, slow or lost, or the thread dies. Sound through the real audio library: `device`.

use std::sync::atomic::Ordering;

use super::*;
use crate::coach::CueId;
use crate::sound::Language;
use crate::sound::output::OutputState;
use crate::sound::request::{Sound, Ticket};
use crate::sound::test_support::memory_device::{MemoryDevice, QUICK, trimmed, wait_until};

fn player(device: &Arc<MemoryDevice>) -> Player {
    let library = Arc::new(CueLibrary::load(None).expect("the built-in cues load"));
    Player::start_with(library, 1.0, device.opener(), QUICK).expect("a thread")
}

fn play(player: &mut Player, id: CueId, at_secs: f64) {
    player.play(SoundRequest {
        ticket: Ticket(1),
        sound: Sound::Cue(id),
        decided_at: Instant::now(),
        at: CaptureTime::from_secs(at_secs),
    });
}

fn next(player: &Player) -> Outcome {
    let outcome = player.outcomes.recv_timeout(Duration::from_secs(5));
    outcome.expect("an outcome")
}

fn cue(language: Language, id: CueId) -> Vec<f32> {
    let library = CueLibrary::load_in(language, None).expect("cues");
    let samples = library.cue(id).expect("a cue");
    trimmed(&samples).to_vec()
}

#[test]
fn a_cue_is_handed_over_whole_and_its_latency_reported() {
    let device = MemoryDevice::new(true);
    let mut player = player(&device);
    play(&mut player, CueId::HeadForward, 13.81);
    let outcome = next(&player);
    assert_eq!(
        (outcome.request.sound, outcome.request.at),
        (
            Sound::Cue(CueId::HeadForward),
            CaptureTime::from_secs(13.81)
        )
    );
    // Nobody took it: the latency is the estimate.
    let latency_millis = outcome.result.expect("played").latency_millis;
    assert!(
        (11.0..200.0).contains(&latency_millis),
        "{latency_millis} ms"
    );
    assert_eq!(
        device.take_all(),
        cue(Language::English, CueId::HeadForward)
    );
    assert_eq!(player.health().heard, 1);
    assert_eq!(player.health().state, OutputState::Open);
}

#[test]
fn another_volume_and_language_are_those_of_the_next_cue() {
    let device = MemoryDevice::new(true);
    let mut player = player(&device);
    let heard = |player: &mut Player| {
        play(player, CueId::HeadForward, 1.0);
        next(player).result.expect("played");
        device.take_all()
    };
    let english = heard(&mut player);
    let spanish = CueLibrary::load_in(Language::Spanish, None).expect("cues");
    player.apply_settings(1.0, Some(Arc::new(spanish)));
    player.apply_settings(0.5, None);
    let words = cue(Language::Spanish, CueId::HeadForward);
    assert_ne!(english, words);
    let quiet: Vec<f32> = words.iter().map(|sample| 0.5 * sample).collect();
    assert_eq!(heard(&mut player), quiet);
    player.apply_settings(1.0, None);
    assert_eq!(heard(&mut player), words);
}

#[test]
fn without_a_device_it_goes_on_silent_and_recovers() {
    let device = MemoryDevice::new(false);
    let mut player = player(&device);
    play(&mut player, CueId::InBand, 1.0);
    assert_eq!(next(&player).result, Err(NotPlayed::NoDevice));
    assert_eq!(player.health().state, OutputState::Missing);
    device.present.store(true, Ordering::SeqCst);
    wait_until("opening the device", || {
        player.health().state == OutputState::Open
    });
    play(&mut player, CueId::InBand, 2.0);
    assert!(next(&player).result.is_ok());
}

#[test]
fn a_lost_device_is_opened_again() {
    let device = MemoryDevice::new(true);
    let mut player = player(&device);
    play(&mut player, CueId::HeadBack, 1.0);
    assert!(next(&player).result.is_ok());
    device.lost.store(true, Ordering::SeqCst);
    wait_until("opening it again", || {
        device.opened.load(Ordering::SeqCst) == 2
    });
    play(&mut player, CueId::StrideShort, 2.0);
    assert!(next(&player).result.is_ok());
    assert_eq!(
        device.take_all(),
        cue(Language::English, CueId::StrideShort),
        "it does not wait for the voice that was lost"
    );
}

#[test]
fn a_thread_that_dies_is_started_again() {
    let device = MemoryDevice::new(true);
    device.panics.store(true, Ordering::SeqCst);
    let mut player = player(&device);
    wait_until("the fault", || {
        let thread = player.thread.as_ref();
        thread.is_some_and(|thread| thread.handle.is_finished())
    });
    play(&mut player, CueId::InBand, 1.0);
    player.restart_if_dead();
    assert_eq!(player.health().restarts, 1);
    assert_eq!(
        next(&player).result,
        Err(NotPlayed::NoDevice),
        "what was asked for meanwhile has an outcome"
    );
    wait_until("opening the device", || {
        player.health().state == OutputState::Open
    });
    player.restart_if_dead();
    assert_eq!(player.health().restarts, 1, "it lives");
    play(&mut player, CueId::InBand, 2.0);
    assert!(next(&player).result.is_ok());
}

/// Asking must not wait for the device, however long opening takes; only the newest cues are kept, and
/// those that are too old by then are not played.
#[test]
fn asking_never_waits_for_a_slow_device() {
    let device = MemoryDevice::new(true);
    device.opening_takes_millis.store(1500, Ordering::SeqCst);
    let mut player = player(&device);
    let began = Instant::now();
    for index in 0..10 {
        play(&mut player, CueId::InBand, f64::from(index));
    }
    assert!(
        began.elapsed() < Duration::from_millis(200),
        "asking took {:?}",
        began.elapsed()
    );
    let results: Vec<_> = (0..10).map(|_| next(&player).result).collect();
    let count = |why| results.iter().filter(|r| **r == Err(why)).count();
    assert_eq!(
        (count(NotPlayed::Replaced), count(NotPlayed::Stale)),
        (6, 4)
    );
    assert!(device.take_all().is_empty());
}

#[test]
fn outcomes_that_nobody_fetches_hold_nothing_up() {
    let device = MemoryDevice::new(false);
    let mut player = player(&device);
    for index in 0..100 {
        play(&mut player, CueId::InBand, f64::from(index));
        wait_until("the thread", || {
            player
                .thread
                .as_ref()
                .is_some_and(|thread| thread.queue.is_empty())
        });
    }
    wait_until("the last outcome", || player.outcomes.len() == OUTCOMES);
    assert_eq!(player.outcomes(Duration::ZERO).len(), OUTCOMES);
    play(&mut player, CueId::InBand, 200.0);
    wait_until("an outcome of the last cue", || {
        let outcomes = player.outcomes(Duration::ZERO);
        outcomes
            .iter()
            .any(|outcome| outcome.request.at == CaptureTime::from_secs(200.0))
    });
}

#[test]
fn closing_fades_out_what_is_heard() {
    let device = MemoryDevice::new(true);
    let mut player = player(&device);
    play(&mut player, CueId::HeadForward, 1.0);
    assert!(next(&player).result.is_ok());
    let began = device.take(480);
    assert!(began.iter().any(|s| *s != 0.0), "it is heard");
    drop(player);
    let rest = device.take_all();
    assert!(
        (1..=480).contains(&rest.len()),
        "{} samples were left",
        rest.len()
    );
}
