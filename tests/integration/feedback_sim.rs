//! What a hitter who trains alone hears over hundreds of reps, on simulated hitters: each schedule cues the share
//! that it promises, thins out as the hitter learns and comes back in a slump; a set has its shape and its close.
//!
//! The hitters are invented; what is checked is how the program answers them.

use std::collections::BTreeMap;
use std::path::Path;

use cagehand::coach::{
    Bands, CloseReason, Coach, CueId, CueSchedule, Decision, FADED_OVER, JudgedAs, JudgedRep,
    PLAN_TEMPLATES, PhraseId, Plan, QuietReason, Said, Scheduler, SetEvent, SetRun, SpreadWatch,
    faded_share,
};
use cagehand::rep::{Bats, Events, Lengths, Measure, MeasureName, Rep, RepKind, Style, View};
use cagehand::settings::{DEFAULT_FILE, Settings};
use cagehand::time::CaptureTime;

const HITTERS: u64 = 300;
const REPS: usize = 500;
/// The hitter learns until here, holds it, slumps, and comes back.
const LEARNT: usize = 300;
const SLUMP: std::ops::Range<usize> = 370..430;
const RECOVERED: usize = 430;

const MEASURE: MeasureName = MeasureName::HeadToPlant;

/// The chance that this rep, from 0, is in band.
fn chance_in_band(rep: usize) -> f64 {
    if SLUMP.contains(&rep) {
        0.35
    } else {
        0.4 + 0.5 * (rep as f64 / LEARNT as f64).min(1.0)
    }
}

fn settings_bands() -> Bands {
    Settings::parse(DEFAULT_FILE, Path::new("default"))
        .unwrap()
        .bands
}

fn swing(at_secs: f64, values: &[(MeasureName, f64)]) -> Rep {
    let made = |value| Measure::Made {
        value,
        plus_minus: 1.0,
        confidence: 0.9,
    };
    Rep {
        kind: RepKind::Swing,
        bats: Bats::Right,
        pitcher: None,
        view: View::OpenSide,
        fps: 60.0,
        events: Events::default(),
        measures: values
            .iter()
            .map(|&(name, value)| (name, made(value)))
            .collect(),
        style: Style::default(),
        ruler: None,
        heard: None,
        known_at: CaptureTime::from_secs(at_secs),
    }
}

/// One hitter's 500 reps as the coach judges them: the head stays, or goes forward.
fn judged_reps(random: &mut fastrand::Rng) -> Vec<JudgedRep> {
    let mut coach = Coach::new(settings_bands(), vec![MEASURE]);
    (0..REPS)
        .map(|rep| {
            let value = if random.f64() < chance_in_band(rep) {
                4.0
            } else {
                15.0
            };
            coach.judge(swing(8.0 * rep as f64, &[(MEASURE, value)]))
        })
        .collect()
}

/// For each rep, the share of simulated hitters for whom the decision was of this kind.
fn shares(schedule: CueSchedule, kind: impl Fn(Decision) -> bool) -> Vec<f64> {
    let mut random = fastrand::Rng::with_seed(500);
    let mut counts = vec![0.0; REPS];
    for _ in 0..HITTERS {
        let mut scheduler = Scheduler::new(schedule);
        for (count, rep) in counts.iter_mut().zip(judged_reps(&mut random)) {
            let decision = scheduler.decide(JudgedAs::of(&rep, &[MEASURE]));
            *count += f64::from(u8::from(kind(decision)));
        }
    }
    counts.iter().map(|count| count / HITTERS as f64).collect()
}

fn mean(shares: &[f64]) -> f64 {
    shares.iter().sum::<f64>() / shares.len() as f64
}

fn is_cue(decision: Decision) -> bool {
    decision == Decision::Cue
}

/// The share that the faded schedule promises a hitter who has long been in band with this chance: its function,
/// weighted by the binomial distribution of reps in band among those it looks back on.
fn faded_promise(chance: f64) -> f64 {
    let over = FADED_OVER as i32;
    (0..=over)
        .map(|hits| {
            let ways = (0..hits).fold(1.0, |ways, i| ways * f64::from(over - i) / f64::from(i + 1));
            let weight = ways * chance.powi(hits) * (1.0 - chance).powi(over - hits);
            weight * faded_share(hits as usize)
        })
        .sum()
}

#[test]
fn every_rep_every_third_summary_and_silence_keep_to_their_share_whatever_the_hitter_does() {
    let third = shares(CueSchedule::EveryNth { every: 3 }, is_cue);
    for stretch in [0..300, 300..369, 372..429, 432..498] {
        assert!(
            (mean(&third[stretch.clone()]) - 1.0 / 3.0).abs() < 0.01,
            "{stretch:?}"
        );
    }
    assert_eq!(mean(&shares(CueSchedule::EveryRep, is_cue)), 1.0);
    let summaries = shares(CueSchedule::Summary { after: 10 }, |d| {
        d == Decision::Summary
    });
    for (rep, share) in summaries.iter().enumerate() {
        assert_eq!(*share, if rep % 10 == 9 { 1.0 } else { 0.0 }, "rep {rep}");
    }
    assert_eq!(
        mean(&shares(CueSchedule::Summary { after: 10 }, is_cue)),
        0.0
    );
    let silent = |d| d == Decision::Quiet(QuietReason::SilentPlan);
    assert_eq!(mean(&shares(CueSchedule::Silent, silent)), 1.0);
}

#[test]
fn out_of_band_cues_as_many_as_are_missed_so_they_fall_as_the_hitter_learns() {
    let cued = shares(CueSchedule::OutOfBand, is_cue);
    let stretches: Vec<f64> = cued[..LEARNT].chunks(60).map(mean).collect();
    assert!(
        stretches.windows(2).all(|pair| pair[1] < pair[0] - 0.05),
        "{stretches:?}"
    );
    for stretch in [0..60, 120..180, 300..370, SLUMP, 430..500] {
        let missed: Vec<f64> = stretch
            .clone()
            .map(|rep| 1.0 - chance_in_band(rep))
            .collect();
        let difference = mean(&cued[stretch.clone()]) - mean(&missed);
        assert!(difference.abs() < 0.02, "{stretch:?}: {difference}");
    }
}

#[test]
fn faded_thins_out_comes_back_in_the_slump_and_thins_out_again() {
    let cued = shares(CueSchedule::Faded, is_cue);
    assert_eq!(mean(&cued[..6]), 1.0, "a session starts with each rep");
    let stretches: Vec<f64> = cued[60..LEARNT].chunks(60).map(mean).collect();
    assert!(
        stretches.windows(2).all(|pair| pair[1] < pair[0] - 0.05),
        "{stretches:?}"
    );
    // Where the chance has been the same for as long as the schedule looks back, the share is the one it promises.
    for (stretch, chance) in [
        (LEARNT + FADED_OVER..SLUMP.start, 0.9),
        (SLUMP.start + FADED_OVER..SLUMP.end, 0.35),
        (RECOVERED + FADED_OVER..REPS, 0.9),
    ] {
        let (found, promise) = (mean(&cued[stretch.clone()]), faded_promise(chance));
        assert!(
            (found - promise).abs() < 0.02,
            "{stretch:?}: {found}, promised {promise}"
        );
    }
    // Half way up the rise within ten reps of the slump's start.
    let (before, slump) = (faded_promise(0.9), faded_promise(0.35));
    let soon = mean(&cued[SLUMP.start + 6..SLUMP.start + 12]);
    assert!(
        soon > (before + slump) / 2.0,
        "{before} to {slump}, soon {soon}"
    );
}

#[test]
fn each_plan_to_start_from_has_a_band_for_each_measure_in_focus() {
    for start in PLAN_TEMPLATES {
        let plan = Plan::parse(start.text).unwrap();
        let bands = plan.bands_over(&settings_bands());
        for measure in &plan.focus {
            assert!(bands.contains_key(measure), "{}: {measure}", start.name);
        }
    }
}

#[test]
fn a_planned_set_is_cued_rested_and_closed_with_the_numbers_a_coach_would_say() {
    let plan = Plan::parse(
        "name = \"three at a time\"\nfocus = [\"head_to_plant_cm\"]\n\
         [bands]\nhead_to_plant_cm = { low = -4, high = 8 }\n\
         [cues]\nwhen = \"every-nth\"\nevery = 2\n\
         [set]\nreps = 6\nrest_after_reps = 3\nrest_secs = 30\n",
    )
    .unwrap();
    let mut coach = Coach::new(plan.bands_over(&settings_bands()), plan.focus.clone());
    let mut scheduler = Scheduler::new(plan.schedule);
    let mut set = SetRun::new(plan.set, &plan.focus);
    let (mut decisions, mut events) = (Vec::new(), Vec::new());
    for (idx, value) in [2.0, 11.0, 12.2, 5.0, 14.4, 3.0].into_iter().enumerate() {
        let judged = coach.judge(swing(8.0 * idx as f64, &[(MEASURE, value)]));
        decisions.push(scheduler.decide(JudgedAs::of(&judged, &plan.focus)));
        events.extend(set.rep(&judged));
    }
    let not = Decision::Quiet(QuietReason::NotItsTurn);
    let cue = Decision::Cue;
    assert_eq!(decisions, [not, cue, not, cue, not, cue]);
    assert_eq!(events[0], SetEvent::RestDue { secs: 30 });
    let SetEvent::Closed { why, .. } = &events[1] else {
        panic!("{events:?}");
    };
    assert_eq!((events.len(), *why), (2, CloseReason::Target));
    use Said::{Count, Cue, Number, Pause, Phrase};
    let expected = [
        Phrase(PhraseId::RoundDone),
        Pause,
        Count(6, PhraseId::Swings),
        Pause,
        Number(3),
        Phrase(PhraseId::InRange),
        Pause,
        Phrase(PhraseId::Mostly),
        Cue(CueId::HeadForward),
        Pause,
        Count(12, PhraseId::Centimeters),
        Pause,
        Phrase(PhraseId::Closing),
    ];
    assert_eq!(events[1].said(Lengths::Metric), expected);
}

/// Spread about the middle by so much: the sum of twelve uniform numbers is as good as normal.
fn about(middle: f64, spread: f64, random: &mut fastrand::Rng) -> f64 {
    middle + spread * ((0..12).map(|_| random.f64()).sum::<f64>() - 6.0)
}

#[test]
fn a_stop_is_suggested_to_hitters_who_tire_and_hardly_ever_to_others() {
    let focus = [MEASURE, MeasureName::GatherToPlant];
    let told = |sets: u32, tired: f64| {
        let mut random = fastrand::Rng::with_seed(50);
        let told = (0..sets).filter(|_| {
            let mut watch = SpreadWatch::new(&focus);
            (0..50).any(|rep| {
                let wide = if rep >= 30 { tired } else { 1.0 };
                let values = BTreeMap::from([
                    (focus[0], about(5.0, 3.0 * wide, &mut random)),
                    (focus[1], about(800.0, 40.0 * wide, &mut random)),
                ]);
                watch.add(&values).is_some()
            })
        });
        told.count() as f64 / f64::from(sets)
    };
    let (steady, tired) = (told(2000, 1.0), told(500, 2.0));
    assert!(steady < 0.02, "{steady}");
    assert!(tired > 0.6, "{tired}");
}
