//! Films of all kinds, labelled by hand: swings are found from every side, and nothing else is.

use cagehand::rep::{HitterSetup, Measure, MeasureName, NotMeasured, Rep, RepKind, Unit};

use cagehand_stage::capture::Capture;
use cagehand_stage::film::{Cut, EXERCISES, Film, Stand};
use cagehand_stage::filmed_swing::film_of_a_swing;
use cagehand_stage::movements::MOVEMENTS;
use cagehand_stage::{Dice, reps_of, reps_with};

fn swings(reps: &[Rep]) -> usize {
    reps.iter().filter(|r| r.kind == RepKind::Swing).count()
}

/// Of side views 95 in 100 and of all views 85 in 100 are promised; the captured swing alone does better.
#[test]
fn a_labelled_film_of_a_swing_gives_one_swing() {
    const FILMS: u64 = 400;
    let capture = Capture::load();
    for (stand, promised) in [(Stand::Side, 0.97), (Stand::Other, 0.92)] {
        let mut found = 0;
        for seed in 0..FILMS {
            let (frames, _) = film_of_a_swing(&capture, seed, stand, None);
            let reps = reps_of(&frames, None);
            assert!(reps.len() <= 1, "{stand:?} {seed}: {} reps", reps.len());
            found += swings(&reps);
        }
        let share = found as f64 / FILMS as f64;
        println!("{stand:?}: {share:.3} (at least {promised})");
        assert!(share >= promised, "{stand:?}: {share:.3}, not {promised}");
    }
}

/// What a slowed film shows of times is its own: events lie where the film has them, durations are not told.
#[test]
fn a_slowed_film_gives_events_on_its_own_clock_and_no_durations() {
    let capture = Capture::load();
    let mut judged = 0;
    for seed in 0..60 {
        let (frames, _) = film_of_a_swing(&capture, seed, Stand::Side, Some(4.0));
        let (first, last) = (frames[0].captured_at, frames[frames.len() - 1].captured_at);
        for rep in reps_of(&frames, None) {
            judged += 1;
            for (name, time) in rep.events.named() {
                assert!(
                    time.is_none_or(|t| first <= t && t <= last),
                    "{seed}: {name} is outside the film"
                );
            }
            for (name, measure) in &rep.measures {
                let duration = name.unit() == Unit::Ms;
                if let (true, Measure::Made { value, .. }) = (duration, measure) {
                    panic!("{seed}: {name} {value} from a film of unknown pace");
                }
            }
        }
    }
    assert!(judged >= 50, "{judged} of 60 films");
}

/// Where the pace is known, from a camera or because it was said, no movement is taken for a quicker one.
#[test]
fn a_film_of_known_pace_is_not_looked_at_as_if_it_were_slowed() {
    let capture = Capture::load();
    let known = HitterSetup {
        life_pace: true,
        ..HitterSetup::default()
    };
    let durations_refused = |reps: &[Rep]| {
        let refused = |(name, measure): (&MeasureName, &Measure)| {
            let refused = NotMeasured::SlowMotion.into();
            name.unit() == Unit::Ms && *measure == refused
        };
        reps.iter().any(|rep| rep.measures.iter().any(refused))
    };
    let mut unknown = 0;
    for seed in 0..60 {
        let (frames, _) = film_of_a_swing(&capture, seed, Stand::Side, Some(4.0));
        unknown += usize::from(durations_refused(&reps_of(&frames, None)));
        assert!(!durations_refused(&reps_with(&frames, known)), "{seed}");
    }
    assert!(unknown >= 40, "{unknown} of 60 films");
}

/// False reps of a movement: which films gave one.
fn false_reps(number: usize, films: u64) -> Vec<String> {
    let (name, draw) = MOVEMENTS.iter().chain(EXERCISES).nth(number).unwrap();
    (0..films)
        .filter_map(|seed| {
            let mut dice = Dice::new(5_000_000 + 10_000 * number as u64 + seed);
            let motion = draw(&mut dice);
            let film = Film::draw(&mut dice, motion.height_m);
            let shown = dice.between(1.0, 4.0).min(motion.secs);
            let from = dice.between(0.0, motion.secs - shown);
            let to = from + shown;
            let reps = reps_of(&film.label(&motion, Cut { from, to }, &mut dice), None);
            let kinds: Vec<RepKind> = reps.iter().map(|r| r.kind).collect();
            (!kinds.is_empty()).then(|| format!("{name} {seed}: {kinds:?}"))
        })
        .collect()
}

/// Two in a thousand are allowed. A throw and a stroke of a racket turn the trunk over a stride as a swing does; where
/// the other hand is hidden they are told apart less well.
#[test]
fn a_labelled_film_of_anything_else_gives_no_rep() {
    const FILMS: u64 = 300;
    let (mut like_a_swing, mut others) = (Vec::new(), Vec::new());
    let (mut alike, mut films) = (0, 0);
    for (number, (name, _)) in MOVEMENTS.iter().chain(EXERCISES).enumerate() {
        let found = false_reps(number, FILMS);
        if ["throwing", "one-handed stroke"].contains(name) {
            alike += FILMS;
            like_a_swing.extend(found);
        } else {
            films += FILMS;
            others.extend(found);
        }
    }
    println!("{others:?} of {films}, {like_a_swing:?} of {alike}");
    assert!(1000 * others.len() as u64 <= 2 * films, "{others:#?}");
    assert!(
        100 * like_a_swing.len() as u64 <= 3 * alike,
        "{like_a_swing:#?}"
    );
}
