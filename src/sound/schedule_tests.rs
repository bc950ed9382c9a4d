//! The schedule's rule, case by case and under random requests.

use super::*;

fn ms(millis: u64) -> Duration {
    Duration::from_millis(millis)
}

fn cue(name: &'static str, rank: Rank, decided_at: u64) -> Candidate<&'static str> {
    Candidate {
        cue: name,
        rank,
        lasts: ms(1500),
        decided_at: ms(decided_at),
    }
}

fn started(cue: &'static str, cut: bool) -> Option<Start<&'static str>> {
    Some(Start { cue, cut })
}

#[test]
fn a_cue_begins_at_once_when_nothing_is_heard() {
    let mut schedule = Schedule::new();
    let step = schedule.request(ms(10), cue("a", Rank::Swing, 0));
    assert_eq!(
        step,
        Step {
            start: started("a", false),
            dropped: Vec::new()
        }
    );
    let step = schedule.request(ms(1510), cue("b", Rank::Remark, 1510));
    assert_eq!(
        step.start,
        started("b", false),
        "the first ended in this very moment"
    );
}

#[test]
fn a_swing_cuts_whatever_is_heard() {
    for rank in [Rank::Swing, Rank::Remark] {
        let mut schedule = Schedule::new();
        schedule.request(ms(0), cue("old", rank, 0));
        let step = schedule.request(ms(400), cue("new", Rank::Swing, 390));
        assert_eq!(
            step,
            Step {
                start: started("new", true),
                dropped: Vec::new()
            }
        );
        assert_eq!(
            schedule.busy_until(ms(400)),
            Some(ms(400) + CUT_FADE + ms(1500))
        );
    }
}

#[test]
fn a_remark_waits_for_its_turn() {
    let mut schedule = Schedule::new();
    schedule.request(ms(0), cue("swing", Rank::Swing, 0));
    assert_eq!(schedule.wake_at(), None, "nothing waits");
    let step = schedule.request(ms(900), cue("remark", Rank::Remark, 900));
    assert_eq!(
        step,
        Step {
            start: None,
            dropped: Vec::new()
        }
    );
    assert_eq!(schedule.wake_at(), Some(ms(1500)));
    assert_eq!(
        schedule.wake(ms(1499)),
        Step {
            start: None,
            dropped: Vec::new()
        }
    );
    assert_eq!(schedule.wake(ms(1500)).start, started("remark", false));
}

#[test]
fn a_newer_cue_replaces_the_one_that_waits() {
    for rank in [Rank::Swing, Rank::Remark] {
        let mut schedule = Schedule::new();
        schedule.request(ms(0), cue("heard", Rank::Swing, 0));
        schedule.request(ms(900), cue("older", Rank::Remark, 900));
        let step = schedule.request(ms(950), cue("newer", rank, 950));
        assert_eq!(step.dropped, [("older", UnheardReason::Replaced)]);
        assert_eq!(schedule.wake_at().is_some(), rank == Rank::Remark);
    }
}

#[test]
fn a_stale_cue_is_dropped_on_arrival_and_after_waiting() {
    let mut schedule = Schedule::new();
    let step = schedule.request(ms(1001), cue("late", Rank::Swing, 0));
    assert_eq!(
        step,
        Step {
            start: None,
            dropped: vec![("late", UnheardReason::Stale)]
        }
    );
    schedule.request(ms(2000), cue("heard", Rank::Swing, 2000));
    schedule.request(ms(2100), cue("remark", Rank::Remark, 2100));
    assert_eq!(
        schedule.wake(ms(3500)).dropped,
        [("remark", UnheardReason::Stale)]
    );
    assert_eq!(schedule.wake_at(), None);
}

#[test]
fn a_stale_cue_does_not_displace_a_waiting_one() {
    let mut schedule = Schedule::new();
    schedule.request(ms(2000), cue("heard", Rank::Swing, 2000));
    schedule.request(ms(3000), cue("waiting", Rank::Remark, 3000));
    schedule.request(ms(3100), cue("late", Rank::Swing, 2000));
    assert_eq!(schedule.wake(ms(3500)).start, started("waiting", false));
}

#[test]
fn a_sentence_waits_for_the_swings_cue_and_a_remark_and_is_cut_by_a_swing() {
    let mut schedule = Schedule::new();
    schedule.request(ms(0), cue("swing", Rank::Swing, 0));
    schedule.request(ms(100), cue("summary", Rank::Sentence, 100));
    schedule.request(ms(900), cue("remark", Rank::Remark, 900));
    assert_eq!(schedule.wake(ms(1500)).start, started("summary", false));
    let step = schedule.request(ms(1600), cue("next swing", Rank::Swing, 1600));
    assert_eq!(step.start, started("next swing", true));
    assert_eq!(step.dropped, [("remark", UnheardReason::Replaced)]);
}

#[test]
fn ranks_wait_side_by_side_in_the_order_they_came() {
    let mut schedule = Schedule::new();
    schedule.request(ms(0), cue("opening", Rank::Sentence, 0));
    schedule.request(ms(600), cue("pitch", Rank::Delivery, 600));
    schedule.request(ms(700), cue("older count", Rank::Sentence, 700));
    schedule.request(ms(800), cue("remark", Rank::Remark, 800));
    let step = schedule.request(ms(900), cue("count", Rank::Sentence, 900));
    assert_eq!(step.dropped, [("older count", UnheardReason::Replaced)]);
    assert_eq!(schedule.wake(ms(1500)).start, started("pitch", false));
    let step = schedule.wake(ms(3000));
    assert_eq!(step.dropped, [("remark", UnheardReason::Stale)]);
    assert_eq!(step.start, started("count", false));
    assert_eq!(schedule.wake_at(), None);
}

#[test]
fn a_delivery_is_not_cut_by_a_remark_or_a_sentence() {
    for rank in [Rank::Remark, Rank::Sentence, Rank::Delivery] {
        let mut schedule = Schedule::new();
        schedule.request(ms(0), cue("pitch", Rank::Delivery, 0));
        let step = schedule.request(ms(900), cue("other", rank, 900));
        assert_eq!(step.start, None);
        assert_eq!(schedule.wake(ms(1500)).start, started("other", false));
    }
}

#[test]
fn nothing_overtakes_what_waits_when_its_turn_has_come() {
    let mut schedule = Schedule::new();
    schedule.request(ms(0), cue("swing", Rank::Swing, 0));
    schedule.request(ms(100), cue("summary", Rank::Sentence, 100));
    let step = schedule.request(ms(1501), cue("pitch", Rank::Delivery, 1501));
    assert_eq!(step.start, None);
    assert_eq!(schedule.wake(ms(1502)).start, started("summary", false));
}

/// Whatever comes in, the spans in which cues are heard never overlap, and every cue is either
/// begun or dropped, once.
#[test]
fn random_requests_never_overlap_and_none_is_lost() {
    let mut seed = 12_345_u64;
    let mut random = |below: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (seed >> 33) % below
    };
    let mut schedule = Schedule::new();
    let mut now = ms(0);
    let mut accounted = [0_u32; 2000];
    let mut heard_until = ms(0);
    let mut note = |schedule: &Schedule<usize>, at: Duration, step: Step<usize>| {
        let mut settled = Vec::new();
        settled.extend(step.dropped.into_iter().map(|(cue, _)| cue));
        if let Some(start) = step.start {
            let begins = if start.cut { at + CUT_FADE } else { at };
            assert!(
                start.cut || begins >= heard_until,
                "cue {} begins into another",
                start.cue
            );
            heard_until = schedule.busy_until(at).expect("a cue was just begun");
            settled.push(start.cue);
        }
        settled
    };
    for id in 0..accounted.len() {
        let next = now + ms(random(900));
        let mut settled = Vec::new();
        while let Some(due) = schedule.wake_at().filter(|due| *due <= next) {
            let step = schedule.wake(due);
            settled.extend(note(&schedule, due, step));
        }
        now = next;
        let ranks = [Rank::Swing, Rank::Remark, Rank::Sentence, Rank::Delivery];
        let rank = ranks[random(4) as usize];
        let lasts = ms(200 + random(if rank == Rank::Sentence { 8000 } else { 1400 }));
        let decided_at = now.saturating_sub(ms(random(1200)));
        let step = schedule.request(
            now,
            Candidate {
                cue: id,
                rank,
                lasts,
                decided_at,
            },
        );
        settled.extend(note(&schedule, now, step));
        settled.into_iter().for_each(|cue| accounted[cue] += 1);
    }
    schedule
        .clear()
        .into_iter()
        .for_each(|cue| accounted[cue] += 1);
    assert!(accounted.iter().all(|times| *times == 1));
}
