//! What a hitter who trains alone hears, through the built program: a plan decides which reps are cued and the journal
//! says why the others were not; a set opens, rests and closes in words; the head tone keeps up with the head.

use std::path::Path;

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use serde_json::{Value, json};

use cagehand::coach::{PhraseId, Said};
use cagehand::pose::track::TrackReader;
use cagehand::rep::{HitterSetup, LiveHead, RepFinder};
use cagehand::sound::{CueLibrary, Language};

use super::program::{Place, json_lines, project};

const SWING: &str = "tests/data/tracks/right_60fps_swing_2.track.jsonl";
/// The swing of the track lasts a little less.
const EVERY_SECS: f64 = 6.0;

/// The swing of a bundled recording, so many times, as a track.
fn swings(place: &Place, times: usize) -> String {
    let text = std::fs::read_to_string(project(SWING)).unwrap();
    let mut lines = text.lines();
    let mut track = format!("{}\n", lines.next().unwrap());
    let frames: Vec<Value> = lines.map(|l| serde_json::from_str(l).unwrap()).collect();
    for turn in 0..times {
        for frame in &frames {
            let mut frame = frame.clone();
            let t = frame["t"].as_f64().unwrap() + EVERY_SECS * turn as f64;
            frame["t"] = json!(t);
            track += &format!("{frame}\n");
        }
    }
    let path = place.path("swings.track.jsonl");
    std::fs::write(&path, track).unwrap();
    path.to_str().unwrap().to_owned()
}

fn samples(path: &Path) -> (Vec<f32>, f64) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let rate = f64::from(reader.spec().sample_rate);
    let samples = reader
        .samples::<i16>()
        .map(|s| f32::from(s.unwrap()) / 32768.0)
        .collect();
    (samples, rate)
}

/// Where this sound stands in a recording, seconds: after a silence, and of its shape, however loud.
fn found_at(heard: &[f32], rate: f64, sound: &[f32]) -> Option<f64> {
    let begin = sound.iter().position(|s| s.abs() > 4e-3)?;
    let sound = &sound[begin..];
    let dot =
        |a: &[f32], b: &[f32]| -> f64 { a.iter().zip(b).map(|(x, y)| f64::from(x * y)).sum() };
    let alike = |i: usize| {
        let stretch = &heard[i..i + sound.len()];
        dot(stretch, sound)
            / (dot(stretch, stretch) * dot(sound, sound))
                .sqrt()
                .max(1e-12)
    };
    let silence = (0.04 * rate) as usize;
    let mut quiet = silence;
    let mut onsets = Vec::new();
    for (i, s) in heard.iter().enumerate() {
        if s.abs() > 2e-3 {
            if quiet >= silence {
                onsets.push(i);
            }
            quiet = 0;
        } else {
            quiet += 1;
        }
    }
    // The two thresholds cross the onset some samples apart.
    let last = heard.len().saturating_sub(sound.len());
    onsets
        .into_iter()
        .flat_map(|onset| onset.saturating_sub(400)..(onset + 400).min(last))
        .find(|&i| alike(i) > 0.95)
        .map(|i| i as f64 / rate)
}

const PLAN: &str = r#"
name = "two of four"
focus = ["head_to_plant_cm", "hands_back_cm"]
[cues]
when = "every-nth"
every = 2
[set]
reps = 4
"#;

#[test]
fn a_plan_cues_every_second_rep_and_the_journal_says_why_not_the_others() {
    let place = Place::new();
    std::fs::write(place.path("plan.toml"), PLAN).unwrap();
    let track = swings(&place, 4);
    let shown = place.run_well(&[
        "replay",
        &track,
        "--height-cm",
        "183",
        "--pace",
        "fast",
        "--plan",
        "plan.toml",
        "--reps",
        "reps.jsonl",
    ]);
    assert!(
        shown.contains("plan: two of four, cues every N swings"),
        "{shown}"
    );
    assert!(shown.contains("round over: 4 swings"), "{shown}");
    let exported = place.run_well(&["export"]);
    let exported: Vec<Value> = exported
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    for reps in [json_lines(&place.path("reps.jsonl")), exported] {
        let cues: Vec<(bool, Option<&str>)> = reps
            .iter()
            .map(|rep| (rep["cue"].is_object(), rep["no_cue"].as_str()))
            .collect();
        let not = (false, Some("not this one's turn"));
        assert_eq!(cues, [not, (true, None), not, (true, None)]);
    }
}

#[test]
fn plans_are_taken_changed_shown_and_dropped_by_command() {
    let place = Place::new();
    let listed = place.run_well(&["plan", "list"]);
    assert!(listed.contains("head still") && listed.contains("none"));
    place.run_well(&["plan", "take", "head still", "--hitter", "Ana"]);
    place.run_well(&[
        "plan",
        "change",
        "set.reps=12",
        "cues.when=silent",
        "--hitter",
        "Ana",
    ]);
    let plan = place.run_well(&["plan", "show", "--hitter", "Ana"]);
    assert!(
        plan.contains("reps = 12") && plan.contains("\"silent\""),
        "{plan}"
    );
    // What is shown can be edited and taken again.
    std::fs::write(place.path("hers.toml"), plan.replace("head still", "hers")).unwrap();
    place.run_well(&["plan", "take", "hers.toml", "--hitter", "Ana"]);
    assert!(place.run_well(&["plan", "list"]).contains("hers"));
    let wrong = place.run(&["plan", "change", "cues.when=often", "--hitter", "Ana"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(
        String::from_utf8_lossy(&wrong.stderr).contains("faded"),
        "it says what there is"
    );
    place.run_well(&["plan", "drop", "--hitter", "Ana"]);
    assert_eq!(
        place
            .run(&["plan", "show", "--hitter", "Ana"])
            .status
            .code(),
        Some(2)
    );
}

#[test]
fn a_set_is_opened_with_its_caution_and_closed_with_its_numbers() {
    let place = Place::new();
    std::fs::write(place.path("plan.toml"), PLAN).unwrap();
    let track = swings(&place, 4);
    place.run_well(&[
        "replay",
        &track,
        "--height-cm",
        "183",
        "--pace",
        "fast",
        "--no-journal",
        "--plan",
        "plan.toml",
        "--sound",
        "set.wav",
    ]);
    let (heard, rate) = samples(&place.path("set.wav"));
    let library = CueLibrary::load(None).unwrap();
    let opening = library
        .sentence(&[Said::Phrase(PhraseId::Opening)])
        .unwrap();
    let begins = found_at(&heard, rate, &opening).expect("the opening");
    assert!(begins < 0.5, "{begins}");
    let close = [
        Said::Phrase(PhraseId::RoundDone),
        Said::Pause,
        Said::Count(4, PhraseId::Swings),
        Said::Pause,
        Said::Phrase(PhraseId::All),
        Said::Phrase(PhraseId::InRange),
        Said::Pause,
        Said::Phrase(PhraseId::Closing),
    ];
    let done = found_at(&heard, rate, &library.sentence(&close).unwrap()).expect("the close");
    assert!(done > 3.0 * EVERY_SECS, "{done}");
}

/// Every piece of a sentence that the coach's side can ask for is there in each language that ships.
#[test]
fn each_language_has_every_phrase() {
    for language in Language::ALL {
        let library = CueLibrary::load_in(language, None).unwrap();
        for id in PhraseId::ALL {
            assert!(
                library.sentence(&[Said::Phrase(*id)]).is_ok(),
                "{id} in {}",
                language.code()
            );
        }
        for number in [0, 1, 12, 21, 57, 100, 120, 800, 999] {
            for unit in [PhraseId::Centimeters, PhraseId::Inches, PhraseId::Degrees] {
                let said = [Said::Count(number, unit), Said::Number(number)];
                library.sentence(&said).unwrap();
            }
        }
    }
}

/// Share of a stretch's energy above 1700 Hz: the soft tone has next to none at the band's edge, the sharp one most.
fn sharpness(stretch: &[f32], rate: f64) -> f32 {
    let mut bins: Vec<Complex<f32>> = stretch.iter().map(|s| Complex::new(*s, 0.0)).collect();
    FftPlanner::new()
        .plan_fft_forward(bins.len())
        .process(&mut bins);
    let step = rate / bins.len() as f64;
    let energy = |low: f64| -> f32 {
        let low = (low / step) as usize;
        bins[low..bins.len() / 2]
            .iter()
            .map(Complex::norm_sqr)
            .sum()
    };
    energy(1700.0) / energy(300.0).max(1e-9)
}

#[test]
fn the_head_tone_starts_and_turns_sharp_within_80_ms_of_the_frame_that_shows_it() {
    const EDGE_CM: f64 = 1.0;
    let place = Place::new();
    let plan = format!(
        "name = \"tone\"\nfocus = [\"head_to_plant_cm\"]\nhead_tone = true\n[cues]\nwhen = \"silent\"\n[bands]\nhead_to_plant_cm = {{ low = -20, high = {EDGE_CM} }}\n"
    );
    std::fs::write(place.path("plan.toml"), plan).unwrap();
    std::fs::write(place.path("quiet.toml"), "[cues]\nremarks = false\n").unwrap();
    let track = swings(&place, 2);
    place.run_well(&[
        "replay",
        &track,
        "--height-cm",
        "183",
        "--pace",
        "fast",
        "--no-journal",
        "--plan",
        "plan.toml",
        "--sound",
        "tone.wav",
        "--settings",
        "quiet.toml",
    ]);
    // What the frames show, by the same causal filter.
    let told = HitterSetup {
        height_cm: Some(183.0),
        ..HitterSetup::default()
    };
    let (mut finder, mut head) = (RepFinder::new(told), LiveHead::new(told));
    let mut reader = TrackReader::open(Path::new(&track)).unwrap();
    let mut travels = Vec::new();
    while let Some(frame) = reader.next_frame().unwrap() {
        travels.extend(head.push(&frame, finder.phase(), finder.pitcher()));
        finder.push(frame);
    }
    // The second swing: the opening words lie over the first.
    travels.retain(|t| t.at.secs() > EVERY_SECS);
    let begins = travels.first().expect("a travel").at.secs();
    let leaves = travels
        .iter()
        .find(|t| t.forward_cm > 1.1 * EDGE_CM)
        .expect("the head goes farther than a centimetre")
        .at
        .secs();
    let ends = travels[travels.len() - 1].at.secs();
    // The travel that was followed is that of the measure, as far as a causal look can tell.
    assert!(ends - begins > 0.3, "{begins} to {ends}");

    let (heard, rate) = samples(&place.path("tone.wav"));
    let at = |secs: f64| ((secs * rate) as usize).min(heard.len());
    let starts = at(begins - 0.2)
        + heard[at(begins - 0.2)..]
            .iter()
            .position(|s| s.abs() > 5e-3)
            .expect("a tone");
    let late_ms = 1e3 * (starts as f64 / rate - begins);
    assert!(
        (-1.0..80.0).contains(&late_ms),
        "it starts {late_ms:.0} ms after"
    );
    let window = (0.01 * rate) as usize;
    let sharp = (at(begins) + window..at(ends))
        .step_by(window / 4)
        .find(|&i| {
            let stretch = &heard[i..i + window];
            stretch.iter().any(|s| s.abs() > 0.03) && sharpness(stretch, rate) > 0.4
        })
        .expect("it turns sharp");
    let late_ms = 1e3 * ((sharp + window) as f64 / rate - leaves);
    assert!(
        (-60.0..80.0).contains(&late_ms),
        "sharp {late_ms:.0} ms after"
    );
    let after = &heard[at(ends + 0.15)..at(ends + 0.3)];
    assert!(
        after.iter().all(|s| s.abs() < 1e-3),
        "it ends with the stride"
    );
}
