//! The queue's rule, case by case and under random requests.

use std::time::Instant;

use super::*;
use crate::coach::CueId;
use crate::sound::request::{Sound, Ticket};
use crate::sound::samples_in;
use crate::time::CaptureTime;

fn ms(millis: u64) -> Duration {
    Duration::from_millis(millis)
}

/// A sound whose ticket has this number.
fn sound(number: u64, priority: Priority, decided_at: u64) -> Playback {
    lasting(number, priority, ms(decided_at), ms(1500))
}

fn lasting(number: u64, priority: Priority, decided_at: Duration, lasts: Duration) -> Playback {
    Playback {
        request: SoundRequest {
            ticket: Ticket(number),
            sound: Sound::Cue(CueId::InBand),
            decided_at: Instant::now(),
            at: CaptureTime::default(),
        },
        samples: vec![0.0; samples_in(lasts)].into(),
        priority,
        decided_at,
        cuts: false,
    }
}

/// Which sound begins, and whether it cuts.
fn begun(playback: Option<Playback>) -> Option<(u64, bool)> {
    playback.map(|playback| (playback.request.ticket.0, playback.cuts))
}

fn dropped(queue: &mut PlaybackQueue) -> Vec<(u64, NotPlayed)> {
    let dropped = queue.take_dropped().into_iter();
    dropped
        .map(|outcome| {
            let why = outcome.result.expect_err("not played");
            (outcome.request.ticket.0, why)
        })
        .collect()
}

#[test]
fn a_cue_begins_at_once_when_nothing_is_heard() {
    let mut queue = PlaybackQueue::default();
    let next = queue.push(ms(10), sound(1, Priority::Swing, 0));
    assert_eq!(begun(next), Some((1, false)));
    let next = queue.push(ms(1510), sound(2, Priority::Remark, 1510));
    assert_eq!(
        begun(next),
        Some((2, false)),
        "the first ended in this very moment"
    );
    assert_eq!(dropped(&mut queue), []);
}

#[test]
fn a_swing_cuts_whatever_is_heard() {
    for priority in [Priority::Swing, Priority::Remark] {
        let mut queue = PlaybackQueue::default();
        queue.push(ms(0), sound(1, priority, 0));
        let next = queue.push(ms(400), sound(2, Priority::Swing, 390));
        assert_eq!(begun(next), Some((2, true)));
        assert_eq!(dropped(&mut queue), []);
        assert_eq!(
            queue.busy_until(ms(400)),
            Some(ms(400) + CUT_FADE + ms(1500))
        );
    }
}

#[test]
fn a_remark_waits_for_its_turn() {
    let mut queue = PlaybackQueue::default();
    queue.push(ms(0), sound(1, Priority::Swing, 0));
    assert_eq!(queue.wake_at(), None, "nothing waits");
    assert_eq!(queue.push(ms(900), sound(2, Priority::Remark, 900)), None);
    assert_eq!(queue.wake_at(), Some(ms(1500)));
    assert_eq!(queue.poll(ms(1499)), None);
    assert_eq!(begun(queue.poll(ms(1500))), Some((2, false)));
    assert_eq!(dropped(&mut queue), []);
}

#[test]
fn a_newer_cue_replaces_the_one_that_waits() {
    for priority in [Priority::Swing, Priority::Remark] {
        let mut queue = PlaybackQueue::default();
        queue.push(ms(0), sound(1, Priority::Swing, 0));
        queue.push(ms(900), sound(2, Priority::Remark, 900));
        queue.push(ms(950), sound(3, priority, 950));
        assert_eq!(dropped(&mut queue), [(2, NotPlayed::Replaced)]);
        assert_eq!(queue.wake_at().is_some(), priority == Priority::Remark);
    }
}

#[test]
fn a_stale_cue_is_dropped_on_arrival_and_after_waiting() {
    let mut queue = PlaybackQueue::default();
    assert_eq!(queue.push(ms(1001), sound(1, Priority::Swing, 0)), None);
    assert_eq!(dropped(&mut queue), [(1, NotPlayed::Stale)]);
    queue.push(ms(2000), sound(2, Priority::Swing, 2000));
    queue.push(ms(2100), sound(3, Priority::Remark, 2100));
    assert_eq!(queue.poll(ms(3500)), None);
    assert_eq!(dropped(&mut queue), [(3, NotPlayed::Stale)]);
    assert_eq!(queue.wake_at(), None);
}

#[test]
fn a_stale_cue_does_not_displace_a_waiting_one() {
    let mut queue = PlaybackQueue::default();
    queue.push(ms(2000), sound(1, Priority::Swing, 2000));
    queue.push(ms(3000), sound(2, Priority::Remark, 3000));
    queue.push(ms(3100), sound(3, Priority::Swing, 2000));
    assert_eq!(begun(queue.poll(ms(3500))), Some((2, false)));
}

#[test]
fn a_sentence_waits_for_the_swings_cue_and_a_remark_and_is_cut_by_a_swing() {
    let mut queue = PlaybackQueue::default();
    queue.push(ms(0), sound(1, Priority::Swing, 0));
    queue.push(ms(100), sound(2, Priority::Sentence, 100));
    queue.push(ms(900), sound(3, Priority::Remark, 900));
    assert_eq!(begun(queue.poll(ms(1500))), Some((2, false)));
    let next = queue.push(ms(1600), sound(4, Priority::Swing, 1600));
    assert_eq!(begun(next), Some((4, true)));
    assert_eq!(dropped(&mut queue), [(3, NotPlayed::Replaced)]);
}

#[test]
fn priorities_wait_side_by_side_in_the_order_they_came() {
    let mut queue = PlaybackQueue::default();
    let (opening, pitch, older_count, remark, count) = (1, 2, 3, 4, 5);
    queue.push(ms(0), sound(opening, Priority::Sentence, 0));
    queue.push(ms(600), sound(pitch, Priority::Delivery, 600));
    queue.push(ms(700), sound(older_count, Priority::Sentence, 700));
    queue.push(ms(800), sound(remark, Priority::Remark, 800));
    queue.push(ms(900), sound(count, Priority::Sentence, 900));
    assert_eq!(dropped(&mut queue), [(older_count, NotPlayed::Replaced)]);
    assert_eq!(begun(queue.poll(ms(1500))), Some((pitch, false)));
    assert_eq!(begun(queue.poll(ms(3000))), Some((count, false)));
    assert_eq!(dropped(&mut queue), [(remark, NotPlayed::Stale)]);
    assert_eq!(queue.wake_at(), None);
}

#[test]
fn a_delivery_is_not_cut_by_a_remark_or_a_sentence() {
    for priority in [Priority::Remark, Priority::Sentence, Priority::Delivery] {
        let mut queue = PlaybackQueue::default();
        queue.push(ms(0), sound(1, Priority::Delivery, 0));
        assert_eq!(queue.push(ms(900), sound(2, priority, 900)), None);
        assert_eq!(begun(queue.poll(ms(1500))), Some((2, false)));
    }
}

#[test]
fn nothing_overtakes_what_waits_when_its_turn_has_come() {
    let mut queue = PlaybackQueue::default();
    queue.push(ms(0), sound(1, Priority::Swing, 0));
    queue.push(ms(100), sound(2, Priority::Sentence, 100));
    let next = queue.push(ms(1501), sound(3, Priority::Delivery, 1501));
    assert_eq!(next, None);
    assert_eq!(begun(queue.poll(ms(1502))), Some((2, false)));
}

/// Whatever comes in, the spans in which sounds are heard never overlap, and every sound is either
/// begun or dropped, once.
#[test]
fn random_requests_never_overlap_and_none_is_lost() {
    let mut seed = 12_345_u64;
    let mut random = |below: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (seed >> 33) % below
    };
    let mut queue = PlaybackQueue::default();
    let (mut now, mut heard_until) = (ms(0), ms(0));
    let mut accounted = [0_u32; 2000];
    let mut account = |queue: &mut PlaybackQueue, at: Duration, next: Option<Playback>| {
        for (number, _) in dropped(queue) {
            accounted[number as usize] += 1;
        }
        if let Some((number, cuts)) = begun(next) {
            assert!(cuts || at >= heard_until, "{number} begins into another");
            heard_until = queue.busy_until(at).expect("a sound was just begun");
            accounted[number as usize] += 1;
        }
    };
    for number in 0..2000 {
        let next = now + ms(random(900));
        while let Some(due) = queue.wake_at().filter(|due| *due <= next) {
            let begun = queue.poll(due);
            account(&mut queue, due, begun);
        }
        now = next;
        let priorities = [
            Priority::Swing,
            Priority::Remark,
            Priority::Sentence,
            Priority::Delivery,
        ];
        let priority = priorities[random(4) as usize];
        let longest = if priority == Priority::Sentence {
            8000
        } else {
            1400
        };
        let lasts = ms(200 + random(longest));
        let decided_at = now.saturating_sub(ms(random(1200)));
        let begun = queue.push(now, lasting(number, priority, decided_at, lasts));
        account(&mut queue, now, begun);
    }
    queue.clear(NotPlayed::NoDevice);
    account(&mut queue, now, None);
    assert!(accounted.iter().all(|times| *times == 1));
}
