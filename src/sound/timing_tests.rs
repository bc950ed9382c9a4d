//! When sounds begin and end on a device made of memory: outcomes, cuts, deliveries, the head tone.

use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use crate::time::CaptureTime;

use super::SAMPLE_RATE_HZ;
use super::delivery::{DeliveryMark, DeliveryMarkKind};
use super::head_tone::HeadTone;
use super::library::CueLibrary;
use super::memory_device::{Memory, PERIOD, next, request, run_device, wait_until, why};
use super::outcome::{DELIVERY, Outcome, UnheardReason};
use super::player::{DeliverySound, SayRequest};
use super::sentence::Said;

#[test]
fn an_outcome_tells_when_the_device_took_the_first_sample() {
    let memory = Memory::new(true);
    let player = memory.player();
    wait_until("opening", || memory.opened.load(Ordering::SeqCst) == 1);
    let marks = vec![
        DeliveryMark {
            at_secs: 0.0,
            kind: DeliveryMarkKind::Beat,
        },
        DeliveryMark {
            at_secs: 0.3,
            kind: DeliveryMarkKind::Release,
        },
    ];
    let asked = Instant::now();
    let ticket = player.deliver(DeliverySound {
        marks,
        decided_at: asked,
        at: CaptureTime::from_secs(7.0),
    });
    std::thread::sleep(Duration::from_millis(60));
    let (before, mut mixed) = (Instant::now(), Vec::new());
    memory.take(192, &mut mixed);
    let after = Instant::now();
    let Outcome::Heard(heard) = next(&player) else {
        panic!("not heard")
    };
    assert_eq!((heard.ticket, &*heard.cue_id), (ticket, DELIVERY));
    let heard_at = heard.heard_at.expect("a device has a time");
    assert!((before + PERIOD..=after + PERIOD).contains(&heard_at));
    let millis = (heard_at - asked).as_secs_f64() * 1e3;
    assert!((millis - heard.latency_millis).abs() < 1e-6);
}

#[test]
fn a_voice_that_was_cut_before_it_began_is_told_replaced() {
    let memory = Memory::new(true);
    let player = memory.player();
    wait_until("opening", || memory.opened.load(Ordering::SeqCst) == 1);
    let first = player.play(request("head_forward", 1.0));
    let mut mixed = Vec::new();
    wait_until("the first voice", || {
        memory.take(48, &mut mixed);
        player.outcomes().len() == 1
    });
    let second = player.play(request("stride_long", 2.0));
    let third = player.play(request("in_band", 3.0));
    std::thread::sleep(Duration::from_millis(30));
    memory.take(4800, &mut mixed);
    let outcomes: Vec<Outcome> = (0..3).map(|_| next(&player)).collect();
    let of = |ticket| outcomes.iter().find(|o| o.ticket() == ticket).cloned();
    assert!(matches!(of(first), Some(Outcome::Heard(_))));
    assert_eq!(why(of(second).expect("settled")), UnheardReason::Replaced);
    assert!(matches!(of(third), Some(Outcome::Heard(_))));
}

#[test]
fn a_swing_cuts_a_sentence_and_a_delivery() {
    for sentence in [true, false] {
        let memory = Memory::new(true);
        let player = memory.player();
        wait_until("opening", || memory.opened.load(Ordering::SeqCst) == 1);
        let (decided_at, at) = (Instant::now(), CaptureTime::default());
        if sentence {
            let said = vec![Said::count(10, "swings"), Said::phrase("opening")];
            player.say(SayRequest {
                said,
                decided_at,
                at,
            });
        } else {
            let kind = DeliveryMarkKind::Beat;
            let marks = (0..9)
                .map(|beat| DeliveryMark {
                    at_secs: f64::from(beat) * 0.5,
                    kind,
                })
                .collect();
            player.deliver(DeliverySound {
                marks,
                decided_at,
                at,
            });
        }
        let (mut most, mut asked) = (0, false);
        let mixed = run_device(&memory, &mut most, |secs| {
            if secs > 0.7 && !asked {
                player.play(request("in_band", 1.0));
                asked = true;
            }
            secs > 1.5
        });
        let cue = CueLibrary::load(None)
            .expect("cues")
            .samples_for("in_band")
            .expect("a cue");
        let begins = mixed
            .windows(cue.len())
            .position(|window| window == &cue[..])
            .expect("the cue is heard whole, and nothing with it");
        let secs = begins as f64 / f64::from(SAMPLE_RATE_HZ);
        assert!((0.7..0.85).contains(&secs), "{secs}");
        assert_eq!(most, 1);
        assert!(mixed[begins + cue.len()..].iter().all(|s| *s == 0.0));
    }
}

/// A frame with news of the head every 16 ms; the tone must be there soon, leave room for a cue, come
/// back after it and end.
#[test]
fn the_head_tone_follows_and_leaves_room_for_a_cue() {
    let memory = Memory::new(true);
    let player = memory.player();
    wait_until("opening", || memory.opened.load(Ordering::SeqCst) == 1);
    let (mut most, mut asked, mut frame) = (0, false, 0);
    let mixed = run_device(&memory, &mut most, |secs| {
        if secs * 60.0 > f64::from(frame) {
            frame += 1;
            let tone = (secs < 1.5).then_some(HeadTone {
                share: secs as f32 / 1.5,
            });
            player.head_tone(tone, CaptureTime::from_secs(secs));
        }
        if secs > 0.5 && !asked {
            player.play(request("in_band", 1.0));
            asked = true;
        }
        secs > 1.8
    });
    let library = CueLibrary::load(None).expect("cues");
    let cue = library.samples_for("in_band").expect("a cue");
    let rate = f64::from(SAMPLE_RATE_HZ);
    let sounds_at = |secs: f64| {
        let from = (secs * rate) as usize;
        mixed[from..from + 960].iter().any(|s| s.abs() > 0.02)
    };
    assert!(sounds_at(0.03), "it is there within 50 ms");
    let begins = mixed
        .windows(cue.len())
        .position(|window| window == &cue[..])
        .expect("the cue is heard whole, and nothing with it");
    assert!((0.5..0.6).contains(&(begins as f64 / rate)));
    assert_eq!(most, 1, "the tone and the cue are never heard together");
    assert!(
        sounds_at(begins as f64 / rate + 0.35 + 0.1),
        "it comes back"
    );
    assert!(!sounds_at(1.65), "it ends");
}
