use super::*;

/// Sound comes 20 ms late, as far as is known to 3 ms.
const LAG: Lag = Lag {
    secs: 0.02,
    spread_secs: 0.003,
};
const USUAL_DB: f64 = -12.0;

fn secs(at: f64) -> CaptureTime {
    CaptureTime::from_secs(at)
}

/// A bat on a ball as the microphone hears it at `at`.
fn crack(at: f64, level_db: f64) -> SharpSound {
    SharpSound {
        at: secs(at),
        above_db: 30.0,
        level_db,
        rise_secs: 0.001,
        bright: 0.4,
    }
}

/// The whole second about `at` was listened to, in a quiet room.
fn listened(ears: &mut Ears, at: f64) {
    ears.push_listened(Listened {
        from: secs(at - 0.5),
        to: secs(at + 0.5),
        room_db: Some(-50.0),
    });
}

/// A swing whose hands show contact at `seen`, with these sounds; learned from.
fn swing(ears: &mut Ears, seen: f64, sounds: &[SharpSound]) -> Verdict {
    sounds.iter().for_each(|sound| ears.push_sound(*sound));
    listened(ears, seen);
    let verdict = ears.verdict(secs(seen), 0.024);
    ears.learn(&verdict);
    verdict
}

/// Ears that heard five contacts of the usual level, each just where it is seen.
fn experienced() -> Ears {
    let mut ears = Ears::new(LAG);
    for k in 0..5 {
        let seen = 10.0 * f64::from(k);
        swing(&mut ears, seen, &[crack(seen + LAG.secs, USUAL_DB)]);
    }
    ears
}

fn contact_at(verdict: &Verdict) -> f64 {
    verdict.contact.expect("contact was heard").at.secs()
}

#[test]
fn contact_is_where_it_was_heard_less_what_sound_is_late_by() {
    let mut ears = Ears::new(LAG);
    let verdict = swing(&mut ears, 5.0, &[crack(5.045, USUAL_DB)]);
    assert!((contact_at(&verdict) - 5.025).abs() < 1e-9);
    let Heard::Contact {
        plus_minus_ms,
        level_db,
    } = verdict.heard
    else {
        panic!("{verdict:?}")
    };
    assert!((3.0..4.0).contains(&plus_minus_ms) && level_db == USUAL_DB);
}

#[test]
fn a_swing_without_a_sound_is_a_miss_once_contact_is_known() {
    assert_eq!(swing(&mut Ears::new(LAG), 5.0, &[]).heard, Heard::Unclear);
    let mut ears = experienced();
    assert_eq!(swing(&mut ears, 60.0, &[]).heard, Heard::Nothing);
    // Not where the microphone was away, or the room too loud.
    assert_eq!(ears.verdict(secs(80.0), 0.024).heard, Heard::Unclear);
    ears.push_listened(Listened {
        from: secs(99.0),
        to: secs(101.0),
        room_db: Some(USUAL_DB - 3.0),
    });
    assert_eq!(ears.verdict(secs(100.0), 0.024).heard, Heard::Unclear);
    ears.push_listened(Listened {
        from: secs(119.0),
        to: secs(121.0),
        room_db: None,
    });
    assert_eq!(ears.verdict(secs(120.0), 0.024).heard, Heard::Unclear);
}

#[test]
fn the_neighbors_bat_a_dropped_ball_a_door_and_a_shout_are_not_contact() {
    let mut ears = experienced();
    let quiet = crack(60.03, USUAL_DB - 11.0);
    assert_eq!(swing(&mut ears, 60.0, &[quiet]).heard, Heard::Nothing);
    let dull = SharpSound {
        bright: 0.05,
        ..crack(70.02, USUAL_DB)
    };
    let slow = SharpSound {
        rise_secs: 0.02,
        ..crack(80.02, USUAL_DB)
    };
    // As loud as contact: it might have hidden it.
    assert_eq!(swing(&mut ears, 70.0, &[dull]).heard, Heard::Unclear);
    assert_eq!(swing(&mut ears, 80.0, &[slow]).heard, Heard::Unclear);
    let with_it = swing(
        &mut ears,
        90.0,
        &[quiet_before(90.0), crack(90.02, USUAL_DB)],
    );
    assert!((contact_at(&with_it) - 90.0).abs() < 0.002);
}

/// The neighbor's bat, shortly before.
fn quiet_before(seen: f64) -> SharpSound {
    crack(seen - 0.025, USUAL_DB - 9.5)
}

#[test]
fn of_two_alike_the_first_is_contact_where_the_second_may_be_the_wall_and_neither_else() {
    let mut ears = experienced();
    let wall = swing(
        &mut ears,
        60.0,
        &[crack(60.02, USUAL_DB), crack(60.045, USUAL_DB - 4.0)],
    );
    assert!((contact_at(&wall) - 60.0).abs() < 0.002);
    let open = swing(
        &mut ears,
        70.0,
        &[crack(70.005, USUAL_DB), crack(70.025, USUAL_DB + 4.0)],
    );
    let first = open.contact.is_some_and(|c| c.at.secs() < 69.99);
    assert!(open.heard == Heard::Unclear || first, "{open:?}");
}

#[test]
fn our_own_speaker_is_not_contact_unless_contact_is_louder() {
    let mut ears = experienced();
    // The pitch's beats are heard before, as loud as its ball in the glove.
    let own = |ears: &mut Ears, at: f64| {
        ears.push_own(secs(at - 0.5), secs(at - 0.4));
        ears.push_sound(crack(at - 0.5, USUAL_DB - 9.0));
        ears.push_own(secs(at), secs(at + 0.16));
    };
    own(&mut ears, 60.0);
    let glove = swing(&mut ears, 60.0, &[crack(60.02, USUAL_DB - 9.0)]);
    assert!(glove.contact.is_none(), "{glove:?}");
    own(&mut ears, 70.0);
    let both = swing(
        &mut ears,
        70.0,
        &[crack(70.001, USUAL_DB - 9.0), crack(70.02, USUAL_DB)],
    );
    assert!((contact_at(&both) - 70.0).abs() < 0.002, "{both:?}");
}

#[test]
fn a_microphone_that_was_turned_down_is_learned_anew() {
    let mut ears = experienced();
    let mut heard = 0;
    for k in 0..8 {
        let seen = 100.0 + 10.0 * f64::from(k);
        let verdict = swing(&mut ears, seen, &[crack(seen + 0.02, USUAL_DB - 20.0)]);
        heard += usize::from(verdict.contact.is_some());
    }
    assert_eq!(heard, 8 - RELEARN_AFTER);
}

#[test]
fn the_lag_is_followed_and_told_apart_from_a_hitter_who_shows_contact_late() {
    // Not calibrated: it is truly 45 ms, and three hitters show contact 10 ms early to 10 ms late.
    let mut ears = Ears::new(Lag {
        secs: 0.0,
        spread_secs: 0.04,
    });
    let mut at = 0.0;
    for bias in [0.01, -0.01, 0.0] {
        ears.forget_hitter();
        for k in 0..20 {
            at += 10.0;
            let wobble = 0.01 * [1.0, -1.0][k % 2];
            swing(
                &mut ears,
                at,
                &[crack(at + 0.045 + bias + wobble, USUAL_DB)],
            );
        }
    }
    let lag = ears.lag();
    assert!((lag.secs - 0.045).abs() < 0.012, "{lag:?}");
    assert!((0.005..0.015).contains(&lag.spread_secs), "{lag:?}");
    // What was calibrated stays, though a hitter always shows contact 15 ms late.
    let mut ears = Ears::new(LAG);
    for k in 0..50 {
        let at = 10.0 * f64::from(k);
        swing(&mut ears, at, &[crack(at + 0.035, USUAL_DB)]);
    }
    assert!(
        (ears.lag().secs - LAG.secs).abs() < 0.003,
        "{:?}",
        ears.lag()
    );
    assert!(ears.lag().spread_secs < 0.0045);
}

#[test]
fn what_is_old_is_forgotten() {
    let mut ears = experienced();
    listened(&mut ears, 500.0);
    assert!(ears.sounds.is_empty() && ears.own.is_empty() && ears.listened.len() == 1);
}
