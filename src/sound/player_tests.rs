//! The player with a device made of memory: what was handed over, and what happens when the device is
//! missing, slow, lost or stuttering. Sound through the real audio library: `device_tests`.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use crate::time::CaptureTime;

use super::builtin::Language;
use super::library::CueLibrary;
use super::memory_device::{Memory, next, request, wait_until, why};
use super::outcome::{Outcome, UnheardReason};
use super::player::{DeviceState, Output, PlayRequest, Player};
use super::speaker::PERIODS;
use super::{CUE_DEADLINE, SoundError};

#[test]
fn a_cue_is_handed_over_whole_and_its_latency_told() {
    let memory = Memory::new(true);
    let player = memory.player();
    player.play(request("head_forward", 13.81));
    let Outcome::Heard(heard) = next(&player) else {
        panic!("not heard")
    };
    assert_eq!(
        (&*heard.cue_id, heard.at),
        ("head_forward", CaptureTime::from_secs(13.81))
    );
    assert!(
        (11.0..200.0).contains(&heard.latency_millis),
        "{} ms",
        heard.latency_millis
    );
    let cue = CueLibrary::load(None)
        .expect("cues")
        .samples_for("head_forward")
        .expect("a cue");
    assert_eq!(memory.mix().0.as_slice(), &cue[..]);
    assert_eq!(player.health().heard, 1);
    assert_eq!(player.health().device, DeviceState::Open);
}

#[test]
fn another_volume_and_language_are_those_of_the_next_cue() {
    let memory = Memory::new(true);
    let player = memory.player();
    let spanish = CueLibrary::load_in(Language::Spanish, None).expect("cues");
    let heard = |times: &str| {
        player.play(request("head_forward", 1.0));
        assert!(matches!(next(&player), Outcome::Heard(_)), "{times}");
        memory.mix().0
    };
    let english = heard("as it began");
    player.revise(1.0, Some(Arc::new(spanish)));
    // The library of a revision that a newer one overtakes is not lost.
    player.revise(0.5, None);
    let revised = heard("revised");
    let words = CueLibrary::load_in(Language::Spanish, None)
        .expect("cues")
        .samples_for("head_forward")
        .expect("a cue");
    assert_ne!(english.as_slice(), &words[..]);
    let expected: Vec<f32> = words.iter().map(|sample| 0.5 * sample).collect();
    assert_eq!(revised, expected);
    player.revise(2.0, None);
    assert_eq!(
        heard("too loud a wish is full volume").as_slice(),
        &words[..]
    );
}

#[test]
fn two_cues_never_sound_at_once() {
    let memory = Memory::new(true);
    let player = memory.player();
    for (index, id) in ["head_forward", "stride_long", "in_band", "foot_open"]
        .iter()
        .enumerate()
    {
        player.play(request(id, index as f64));
        assert!(
            matches!(next(&player), Outcome::Heard(_)),
            "a newer swing cuts the older"
        );
    }
    let (mixed, most) = memory.mix();
    assert_eq!(most, 1);
    let last = CueLibrary::load(None)
        .expect("cues")
        .samples_for("foot_open")
        .expect("a cue");
    assert!(mixed.ends_with(&last), "the newest is heard whole");
}

#[test]
fn without_a_device_it_goes_on_silent_and_recovers() {
    let memory = Memory::new(false);
    let player = memory.player();
    player.play(request("in_band", 1.0));
    assert_eq!(why(next(&player)), UnheardReason::NoDevice);
    assert_eq!(player.health().device, DeviceState::Absent);
    memory.present.store(true, Ordering::SeqCst);
    wait_until("opening the device", || {
        player.health().device == DeviceState::Open
    });
    player.play(request("in_band", 2.0));
    assert!(matches!(next(&player), Outcome::Heard(_)));
}

#[test]
fn a_lost_device_is_opened_again() {
    let memory = Memory::new(true);
    let player = memory.player();
    player.play(request("head_back", 1.0));
    assert!(matches!(next(&player), Outcome::Heard(_)));
    memory.lost.store(true, Ordering::SeqCst);
    wait_until("losing the device", || player.health().device_losses == 1);
    wait_until("opening it again", || {
        memory.opened.load(Ordering::SeqCst) == 2
    });
    memory.voices.lock().expect("not poisoned").clear();
    player.play(request("stride_short", 2.0));
    assert!(matches!(next(&player), Outcome::Heard(_)));
    let cue = CueLibrary::load(None)
        .expect("cues")
        .samples_for("stride_short")
        .expect("a cue");
    assert_eq!(
        memory.mix().0.as_slice(),
        &cue[..],
        "it does not wait for the voice that was lost"
    );
}

#[test]
fn stutters_enlarge_the_buffer_once_nothing_is_heard() {
    let memory = Memory::new(true);
    let player = memory.player();
    wait_until("opening", || memory.opened.load(Ordering::SeqCst) == 1);
    memory.stutters.store(3, Ordering::SeqCst);
    std::thread::sleep(Duration::from_millis(400));
    assert_eq!(
        memory.period_index.load(Ordering::SeqCst),
        0,
        "three are borne"
    );
    memory.stutters.store(4, Ordering::SeqCst);
    wait_until("a larger buffer", || {
        memory.period_index.load(Ordering::SeqCst) == 1
    });
    assert!(PERIODS[1] > PERIODS[0]);
    assert_eq!(player.health().device, DeviceState::Open);
}

/// Asking must not wait for the device, however long opening takes; only the newest cues are kept, and
/// those that are too old by then are not played.
#[test]
fn asking_never_waits_for_a_slow_device() {
    let memory = Memory::new(true);
    memory.opening_takes_millis.store(1500, Ordering::SeqCst);
    let player = memory.player();
    let began = Instant::now();
    for index in 0..10 {
        player.play(request("in_band", f64::from(index)));
    }
    assert!(
        began.elapsed() < Duration::from_millis(200),
        "asking took {:?}",
        began.elapsed()
    );
    let outcomes: Vec<UnheardReason> = (0..10).map(|_| why(next(&player))).collect();
    assert_eq!(
        outcomes
            .iter()
            .filter(|why| **why == UnheardReason::Replaced)
            .count(),
        6
    );
    assert_eq!(
        outcomes
            .iter()
            .filter(|why| **why == UnheardReason::Stale)
            .count(),
        4
    );
    assert!(memory.voices.lock().expect("not poisoned").is_empty());
}

#[test]
fn a_stale_or_unknown_cue_is_not_played() {
    let memory = Memory::new(true);
    let player = memory.player();
    wait_until("opening", || memory.opened.load(Ordering::SeqCst) == 1);
    std::thread::sleep(CUE_DEADLINE + Duration::from_millis(100));
    let long_ago = Instant::now() - CUE_DEADLINE - Duration::from_millis(50);
    player.play(PlayRequest {
        decided_at: long_ago,
        ..request("in_band", 1.0)
    });
    assert_eq!(why(next(&player)), UnheardReason::Stale);
    player.play(request("no_such_cue", 2.0));
    assert_eq!(why(next(&player)), UnheardReason::UnknownCue);
    assert_eq!((player.health().stale, player.health().silent), (1, 1));
}

#[test]
fn outcomes_that_nobody_fetches_hold_nothing_up() {
    let memory = Memory::new(false);
    let player = memory.player();
    for index in 0..100 {
        player.play(request("in_band", f64::from(index)));
        wait_until("an outcome", || {
            let health = player.health();
            health.silent + health.replaced == index as u64 + 1
        });
    }
    assert_eq!(player.outcomes().len(), 64);
    assert_eq!(player.health().outcomes_dropped, 36);
}

#[test]
fn with_sound_off_every_cue_is_told_unheard() {
    let library = Arc::new(CueLibrary::load(None).expect("the built-in cues load"));
    let player = Player::start(Output::None, library, 1.0).expect("a thread");
    player.play(request("in_band", 1.0));
    assert_eq!(why(next(&player)), UnheardReason::Off);
    player.finish(CaptureTime::default());
}

#[test]
fn a_file_takes_the_place_of_the_device() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("live.wav");
    let library = Arc::new(CueLibrary::load(None).expect("the built-in cues load"));
    let player =
        Player::start(Output::WavFile(path.clone()), Arc::clone(&library), 1.0).expect("a file");
    player.play(request("in_band", 0.5));
    assert!(matches!(next(&player), Outcome::Heard(_)));
    player.finish(CaptureTime::from_secs(3.0));
    assert_eq!(
        hound::WavReader::open(&path)
            .expect("a WAV file")
            .duration(),
        3 * 48_000
    );
    let nowhere = Player::start(
        Output::WavFile(folder.path().join("no/live.wav")),
        library,
        1.0,
    );
    assert!(matches!(nowhere, Err(SoundError::CreateWav { .. })));
}

#[test]
fn closing_fades_out_what_is_heard() {
    let memory = Memory::new(true);
    let player = memory.player();
    player.play(request("head_forward", 1.0));
    assert!(matches!(next(&player), Outcome::Heard(_)));
    drop(player);
    let (mixed, _) = memory.mix();
    assert!(mixed.len() <= 481, "{} samples were left", mixed.len());
}
